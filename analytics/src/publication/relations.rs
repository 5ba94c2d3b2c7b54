//! What adds up to what within a table, and which rows of different tables are about the same.

use std::collections::{BTreeMap, HashMap};

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

/// Rows that agree in these dimensions, by the dimension that they are told apart by.
type Groups<T> = HashMap<Vec<u32>, T>;

/// One number for all rows of a table that differ only in what is said of the same records.
pub fn same_records(table: &PublishedTable) -> Vec<usize> {
    let mut numbers: HashMap<Vec<u32>, usize> = HashMap::new();
    let own: Vec<&Vec<u32>> =
        table.dimensions.iter().filter(|(name, _)| !SAME_RECORDS.contains(&name.as_str())).map(|(_, values)| values).collect();
    let number = |row: usize| {
        let next = numbers.len();
        *numbers.entry(own.iter().map(|values| values[row]).collect()).or_insert(next)
    };
    (0..table.withheld.len()).map(number).collect()
}

/// The subject of every row, by table.
pub fn subjects(tables: &BTreeMap<String, PublishedTable>) -> BTreeMap<String, Vec<Subject>> {
    let mut numbers: HashMap<[Option<&str>; 4], Subject> = HashMap::new();
    let mut subjects = BTreeMap::new();
    for (name, table) in tables {
        let of = |row: usize| SUBJECT.map(|dimension| table.word(dimension, row));
        let numbered = (0..table.withheld.len()).map(|row| {
            let next = numbers.len();
            *numbers.entry(of(row)).or_insert(next)
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
    let own: Vec<&(String, Vec<u32>)> = table.dimensions.iter().filter(|(name, _)| !FOLLOWING.contains(&name.as_str())).collect();
    let rows = table.withheld.len();
    let mut relations = Vec::new();
    // A dimension that is null in some rows: these are the totals of those that agree in all else.
    for (name, values) in own.iter().filter(|(name, values)| !name.starts_with("scope") && values.contains(&ANY)) {
        let mut groups: Groups<(Option<usize>, Vec<usize>)> = Groups::new();
        for (row, value) in values.iter().enumerate() {
            let key = own.iter().filter(|(other, _)| other != name).map(|(_, values)| values[row]).collect();
            let group = groups.entry(key).or_default();
            if *value == ANY {
                group.0 = Some(row);
            } else {
                group.1.push(row);
            }
        }
        relations.extend(
            groups
                .into_values()
                .filter(|(total, parts)| total.is_some() && !parts.is_empty())
                .map(|(total, parts)| Relation { total, parts }),
        );
    }
    for (name, wide, narrow) in NESTED {
        let Some(values) = table.dimension(name) else { continue };
        let mut groups: Groups<[Option<usize>; 2]> = Groups::new();
        for (row, value) in values.iter().enumerate().filter(|(_, value)| **value != ANY) {
            let word = table.words[*value as usize].as_str();
            let Some(place) = [wide, narrow].iter().position(|value| *value == word) else { continue };
            let key = own.iter().filter(|(other, _)| other != name).map(|(_, values)| values[row]).collect();
            groups.entry(key).or_default()[place] = Some(row);
        }
        relations.extend(groups.into_values().filter_map(|[wide, narrow]| Some(Relation { total: Some(wide?), parts: vec![narrow?] })));
    }
    if table.name == "part_supply" {
        relations.extend(late_or_unavailable(table, &own));
    }
    if ["part_supply", "sealed_write_off"].contains(&table.name.as_str()) {
        relations.extend(statistics(table, &own));
    }
    if table.name == "outcome" {
        let mut groups: BTreeMap<u32, Vec<usize>> = BTreeMap::new();
        let reasons = table.dimension("not_repaired_reason");
        for row in (0..rows).filter(|row| reasons.is_none_or(|reasons| reasons[*row] == ANY)) {
            groups.entry(scope_number(table, row)).or_default().push(row);
        }
        relations.extend(groups.into_values().map(|parts| Relation { total: None, parts }));
    }
    relations.extend(scope_relations(table, &own, platforms));
    // In one order whatever the order of the maps, so that the same evidence is withheld in the same way.
    relations.sort_by(|a, b| (a.total, &a.parts).cmp(&(b.total, &b.parts)));
    relations
}

/// Orders that were late or unavailable are those that were late and those that were unavailable.
fn late_or_unavailable(table: &PublishedTable, own: &[&(String, Vec<u32>)]) -> Vec<Relation> {
    let mut groups: Groups<(Option<usize>, Vec<usize>)> = Groups::new();
    for row in 0..table.withheld.len() {
        let key = own.iter().filter(|(name, _)| name != "statistic").map(|(_, values)| values[row]).collect();
        match table.word("statistic", row) {
            Some("late_or_unavailable") => groups.entry(key).or_default().0 = Some(row),
            Some("late" | "unavailable") => groups.entry(key).or_default().1.push(row),
            _ => {}
        }
    }
    groups.into_values().map(|(total, parts)| Relation { total, parts }).filter(|relation| relation.total.is_some()).collect()
}

/// Statistics of one group are taken over records of which some lie inside others: each is held against each.
fn statistics(table: &PublishedTable, own: &[&(String, Vec<u32>)]) -> Vec<Relation> {
    let mut groups: Groups<Vec<usize>> = Groups::new();
    for row in 0..table.withheld.len() {
        groups.entry(own.iter().filter(|(name, _)| name != "statistic").map(|(_, values)| values[row]).collect()).or_default().push(row);
    }
    let mut relations = Vec::new();
    for rows in groups.values() {
        for (wide, narrow) in
            rows.iter().flat_map(|wide| rows.iter().map(move |narrow| (*wide, *narrow))).filter(|(wide, narrow)| wide != narrow)
        {
            relations.push(Relation { total: Some(wide), parts: vec![narrow] });
        }
    }
    relations
}

fn scope_number(table: &PublishedTable, row: usize) -> u32 {
    table.dimension("scope").map_or(ANY, |scopes| scopes[row])
}

/// Everything and its categories, a category and its brands, platforms and models, a brand or a platform and its models.
fn scope_relations(table: &PublishedTable, own: &[&(String, Vec<u32>)], platforms: &BTreeMap<String, String>) -> Vec<Relation> {
    type Total<'t> = (&'t str, String, Vec<u32>);
    type Parts<'t> = (&'static str, String, &'t str, Vec<u32>);
    let mut totals: HashMap<Total<'_>, usize> = HashMap::new();
    let mut groups: HashMap<Parts<'_>, Vec<usize>> = HashMap::new();
    for row in 0..table.withheld.len() {
        let (Some(level), Some(scope)) = (table.word("scope_level", row), table.word("scope", row)) else { continue };
        let rest: Vec<u32> = own.iter().filter(|(name, _)| !name.starts_with("scope")).map(|(_, values)| values[row]).collect();
        totals.insert((level, scope.to_owned(), rest.clone()), row);
        let category = table.word("category", row);
        let mut parents: Vec<(&'static str, String)> = Vec::new();
        match level {
            "category" => parents.push(("all", "all".to_owned())),
            "brand" | "platform" | "model" => parents.extend(category.map(|category| ("category", category.to_owned()))),
            _ => {}
        }
        if level == "model" {
            let brand = scope.rsplit_once(' ').map(|(brand, _)| brand);
            parents.extend(category.zip(brand).map(|(category, brand)| ("brand", format!("{category}/{brand}"))));
            parents.extend(platforms.get(scope).map(|platform| ("platform", platform.clone())));
        }
        for (parent_level, parent) in parents {
            groups.entry((parent_level, parent, level, rest.clone())).or_default().push(row);
        }
    }
    groups
        .into_iter()
        .filter_map(|((level, scope, _, rest), parts)| {
            let total = *totals.get(&(level, scope, rest))?;
            Some(Relation { total: Some(total), parts })
        })
        .collect()
}
