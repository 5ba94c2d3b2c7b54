//! What adds up to what within a table, and which rows of different tables are about the same.

use std::collections::BTreeMap;

use polars::prelude::PlHashMap;

use super::rows::{ANY, PublishedTable};

/// A total and its parts, as rows of one table; the parts may leave a rest.
pub struct Relation {
    /// None: the total is the jobs that every part states.
    pub total: Option<usize>,
    pub parts: Vec<usize>,
}

/// What a row is about across tables: scope level, scope, component, lower edge of the age band; a number for each combination.
pub type Subject = usize;
const SUBJECT: [&str; 4] = ["scope_level", "scope", "component", "age_from_years"];

/// A dimension's name, and its value in each row.
type Dimension = (String, Vec<u32>);

/// Rows under one number where they agree in these dimensions, and how many numbers there are.
fn agreeing<'d>(dimensions: impl Iterator<Item = &'d Dimension>, rows: usize) -> (Vec<usize>, usize) {
    let mut numbers = vec![0; rows];
    let mut known = usize::from(rows > 0);
    let mut next: PlHashMap<(usize, u32), usize> = PlHashMap::default();
    for (_, values) in dimensions {
        next.clear();
        for (number, value) in numbers.iter_mut().zip(values) {
            let fresh = next.len();
            *number = *next.entry((*number, *value)).or_insert(fresh);
        }
        known = next.len();
    }
    (numbers, known)
}

/// What is said of each group of rows that agree in all dimensions but one.
fn groups_without<T: Default + Clone>(own: &[&Dimension], left_out: &str, rows: usize) -> (Vec<usize>, Vec<T>) {
    let (numbers, known) = agreeing(own.iter().copied().filter(|(name, _)| name != left_out), rows);
    (numbers, vec![T::default(); known])
}

/// A total, if there is one, and its parts.
type TotalAndParts = (Option<usize>, Vec<usize>);

/// One number for all rows of a table that differ only in what is said of the same records.
pub fn same_records(table: &PublishedTable) -> Vec<usize> {
    agreeing(table.dimensions.iter().filter(|(name, _)| !SAME_RECORDS.contains(&name.as_str())), table.withheld.len()).0
}

/// The subject of every row, by table.
pub fn subjects(tables: &BTreeMap<String, PublishedTable>) -> BTreeMap<String, Vec<Subject>> {
    let mut words: PlHashMap<&str, u32> = PlHashMap::default();
    let mut numbers: PlHashMap<[u32; SUBJECT.len()], Subject> = PlHashMap::default();
    let mut subjects = BTreeMap::new();
    for (name, table) in tables {
        let in_all_tables: Vec<u32> = std::iter::once(ANY)
            .chain(table.words.all().map(|word| {
                let next = words.len() as u32 + 1;
                *words.entry(word).or_insert(next)
            }))
            .collect();
        let dimensions = SUBJECT.map(|dimension| table.dimension(dimension));
        let numbered = (0..table.withheld.len()).map(|row| {
            let next = numbers.len();
            *numbers.entry(dimensions.map(|values| values.map_or(ANY, |values| in_all_tables[values[row] as usize]))).or_insert(next)
        });
        subjects.insert(name.clone(), numbered.collect());
    }
    subjects
}

/// Dimensions that go with others and set no row apart.
const FOLLOWING: [&str; 4] = ["age_to_years", "category", "probability_to", "law"];
/// Dimensions in which rows may differ and still count the same records.
const SAME_RECORDS: [&str; 2] = ["statistic", "curve"];

/// One inside the other, though neither is the other's total: dimension, the wider value, the narrower.
const NESTED: [(&str, &str, &str); 5] = [
    ("roster_only", "false", "true"),
    ("same_fault", "false", "true"),
    ("horizon_days", "90", "30"),
    ("horizon_days", "365", "90"),
    ("period", "within", "in_force"),
];

/// All totals of a table with their parts.
pub fn relations(table: &PublishedTable, platforms: &BTreeMap<String, String>) -> Vec<Relation> {
    let own: Vec<&Dimension> = table.dimensions.iter().filter(|(name, _)| !FOLLOWING.contains(&name.as_str())).collect();
    let rows = table.withheld.len();
    let mut relations = Vec::new();
    // A dimension that is null in some rows: these are the totals of those that agree in all else.
    for (name, values) in own.iter().filter(|(name, values)| !name.starts_with("scope") && values.contains(&ANY)) {
        let (numbers, mut groups) = groups_without::<TotalAndParts>(&own, name, rows);
        for (row, value) in values.iter().enumerate() {
            let (total, parts) = &mut groups[numbers[row]];
            if *value == ANY {
                *total = Some(row);
            } else {
                parts.push(row);
            }
        }
        relations.extend(totals(groups));
    }
    for (name, wide, narrow) in NESTED {
        let Some(values) = table.dimension(name) else { continue };
        let words = [wide, narrow].map(|word| table.words.number(word));
        let (numbers, mut groups) = groups_without::<[Option<usize>; 2]>(&own, name, rows);
        for (row, value) in values.iter().enumerate() {
            if let Some(place) = words.iter().position(|word| *word == Some(*value)) {
                groups[numbers[row]][place] = Some(row);
            }
        }
        relations.extend(groups.into_iter().filter_map(|[wide, narrow]| Some(Relation { total: Some(wide?), parts: vec![narrow?] })));
    }
    if table.name == "part_supply" {
        relations.extend(late_or_unavailable(table, &own));
    }
    if ["part_supply", "sealed_write_off"].contains(&table.name.as_str()) {
        relations.extend(statistics(&own, rows));
    }
    if table.name == "outcome" {
        let mut groups: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let reasons = table.dimension("not_repaired_reason");
        for row in (0..rows).filter(|row| reasons.is_none_or(|reasons| reasons[*row] == ANY)) {
            groups.entry(table.dimension("scope").map_or(ANY, |scopes| scopes[row])).or_default().push(row);
        }
        relations.extend(groups.into_values().map(|parts| Relation { total: None, parts }));
    }
    relations.extend(scope_relations(table, &own, platforms));
    relations
}

/// The groups that have a total and parts.
fn totals(groups: Vec<TotalAndParts>) -> impl Iterator<Item = Relation> {
    let with_both = groups.into_iter().filter(|(total, parts)| total.is_some() && !parts.is_empty());
    with_both.map(|(total, parts)| Relation { total, parts })
}

/// Orders that were late or unavailable are those that were late and those that were unavailable.
fn late_or_unavailable(table: &PublishedTable, own: &[&Dimension]) -> impl Iterator<Item = Relation> {
    let rows = table.withheld.len();
    let (numbers, mut groups) = groups_without::<TotalAndParts>(own, "statistic", rows);
    for row in 0..rows {
        match table.word("statistic", row) {
            Some("late_or_unavailable") => groups[numbers[row]].0 = Some(row),
            Some("late" | "unavailable") => groups[numbers[row]].1.push(row),
            _ => {}
        }
    }
    totals(groups)
}

/// Statistics of one group are taken over records of which some lie inside others: each is held against each.
fn statistics(own: &[&Dimension], rows: usize) -> Vec<Relation> {
    let (numbers, mut groups) = groups_without::<Vec<usize>>(own, "statistic", rows);
    (0..rows).for_each(|row| groups[numbers[row]].push(row));
    let mut relations = Vec::new();
    for rows in &groups {
        for (wide, narrow) in
            rows.iter().flat_map(|wide| rows.iter().map(move |narrow| (*wide, *narrow))).filter(|(wide, narrow)| wide != narrow)
        {
            relations.push(Relation { total: Some(wide), parts: vec![narrow] });
        }
    }
    relations
}

/// Everything and its categories, a category and its brands, platforms and models, a brand or a platform and its models.
fn scope_relations(table: &PublishedTable, own: &[&Dimension], platforms: &BTreeMap<String, String>) -> Vec<Relation> {
    let (Some(levels), Some(scopes)) = (table.dimension("scope_level"), table.dimension("scope")) else { return Vec::new() };
    let (rest, _) = agreeing(own.iter().copied().filter(|(name, _)| !name.starts_with("scope")), table.withheld.len());
    let categories = table.dimension("category");
    // The scopes that hold a scope, by level and scope; those that have no row are left out.
    let mut parents: PlHashMap<[u32; 3], Vec<[u32; 2]>> = PlHashMap::default();
    let parents_of = |level: u32, scope: u32, category: u32| -> Vec<[u32; 2]> {
        let number = |(level, scope): (&str, String)| Some([table.words.number(level)?, table.words.number(&scope)?]);
        let category = Some(table.words.text(category)).filter(|category| !category.is_empty());
        let scope = table.words.text(scope);
        let within = || category.map(|category| ("category", category.to_owned()));
        let found = match table.words.text(level) {
            "category" => vec![Some(("all", "all".to_owned()))],
            "brand" | "platform" => vec![within()],
            "model" => {
                let brand = scope.rsplit_once(' ').map(|(brand, _)| brand);
                let of_brand = category.zip(brand).map(|(category, brand)| ("brand", format!("{category}/{brand}")));
                vec![within(), of_brand, platforms.get(scope).map(|platform| ("platform", platform.clone()))]
            }
            _ => Vec::new(),
        };
        found.into_iter().flatten().filter_map(number).collect()
    };
    let mut of_scope: PlHashMap<([u32; 2], usize), usize> = PlHashMap::default();
    let mut places: PlHashMap<([u32; 2], u32, usize), usize> = PlHashMap::default();
    let mut groups: Vec<([u32; 2], usize, Vec<usize>)> = Vec::new();
    for row in 0..table.withheld.len() {
        let (level, scope) = (levels[row], scopes[row]);
        if level == ANY || scope == ANY {
            continue;
        }
        of_scope.insert(([level, scope], rest[row]), row);
        let category = categories.map_or(ANY, |categories| categories[row]);
        for parent in parents.entry([level, scope, category]).or_insert_with(|| parents_of(level, scope, category)) {
            let place = *places.entry((*parent, level, rest[row])).or_insert_with(|| {
                groups.push((*parent, rest[row], Vec::new()));
                groups.len() - 1
            });
            groups[place].2.push(row);
        }
    }
    let relation = |(parent, rest, parts)| Some(Relation { total: Some(*of_scope.get(&(parent, rest))?), parts });
    groups.into_iter().filter_map(relation).collect()
}
