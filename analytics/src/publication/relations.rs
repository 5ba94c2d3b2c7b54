//! What adds up to what within a table, and which rows of different tables are about the same.

use std::collections::BTreeMap;

use polars::prelude::PlHashMap;

use super::lists::Lists;
use super::rows::{ANY, PublishedTable};

/// A row of a table.
pub type Row = u32;

/// Totals and their parts, as rows of one table; the parts may leave a rest.
#[derive(Default)]
pub struct Relations {
    /// None: the total is the jobs that every part states.
    totals: Vec<Option<Row>>,
    parts: Lists<Row>,
}

impl Relations {
    pub fn iter(&self) -> impl Iterator<Item = (Option<Row>, &[Row])> {
        self.totals.iter().copied().zip(self.parts.iter())
    }

    fn push(&mut self, total: Option<Row>, parts: &[Row]) {
        self.totals.push(total);
        self.parts.push(parts.iter().copied());
    }

    /// The groups that have a total and parts; `place` says of each row in which group it is which of them.
    fn extend(&mut self, groups: &Groups, place: impl Fn(usize) -> Option<Place>) {
        let mut totals = vec![None; groups.known];
        let rows = || groups.of_row.iter().enumerate().filter_map(|(row, group)| Some((*group, row as Row, place(row)?)));
        rows().filter(|(.., place)| *place == Place::Total).for_each(|(group, row, _)| totals[group as usize] = Some(row));
        let parts = Lists::of(groups.known, || rows().filter(|(.., place)| *place == Place::Part).map(|(group, row, _)| (group, row)));
        let with_both = totals.into_iter().zip(parts.iter()).filter(|(total, parts)| total.is_some() && !parts.is_empty());
        with_both.for_each(|(total, parts)| self.push(total, parts));
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    Total,
    Part,
}

/// Rows under one number where they agree.
pub struct Groups {
    pub of_row: Vec<u32>,
    /// How many numbers there are.
    pub known: usize,
}

/// What a row is about across tables: scope level, scope, component, lower edge of the age band; a number for each combination.
pub type Subject = u32;
const SUBJECT: [&str; 4] = ["scope_level", "scope", "component", "age_from_years"];

/// A dimension's name, and its value in each row.
type Dimension = (String, Vec<u32>);

/// Rows that agree in these dimensions.
fn agreeing<'d>(dimensions: impl Iterator<Item = &'d Dimension>, rows: usize) -> Groups {
    let mut keys = vec![0; rows];
    let mut possible = 1_u64;
    for (_, values) in dimensions {
        let base = u64::from(values.iter().max().copied().unwrap_or(0)) + 1;
        if possible.checked_mul(base).is_none() {
            let groups = numbered(&keys);
            keys = groups.of_row.iter().map(|group| u64::from(*group)).collect();
            possible = groups.known as u64;
        }
        keys.iter_mut().zip(values).for_each(|(key, value)| *key = *key * base + u64::from(*value));
        possible *= base;
    }
    numbered(&keys)
}

/// Equal keys under one number.
fn numbered(keys: &[u64]) -> Groups {
    let mut numbers: PlHashMap<u64, u32> = PlHashMap::default();
    let of_row = keys.iter().map(|key| {
        let next = numbers.len() as u32;
        *numbers.entry(*key).or_insert(next)
    });
    let of_row = of_row.collect();
    Groups { of_row, known: numbers.len() }
}

/// Rows that agree in all dimensions but one.
fn agreeing_but_for(left_out: &str, own: &[&Dimension], rows: usize) -> Groups {
    agreeing(own.iter().copied().filter(|(name, _)| name != left_out), rows)
}

/// Rows of a table that differ only in what is said of the same records.
pub fn same_records(table: &PublishedTable) -> Groups {
    agreeing(table.dimensions.iter().filter(|(name, _)| !SAME_RECORDS.contains(&name.as_str())), table.withheld.len())
}

/// The subject of every row, table by table, and how many there are.
pub fn subjects(tables: &BTreeMap<String, PublishedTable>) -> (Vec<Vec<Subject>>, usize) {
    let mut words: PlHashMap<&str, u32> = PlHashMap::default();
    let mut numbers: PlHashMap<[u32; SUBJECT.len()], Subject> = PlHashMap::default();
    let mut subjects = Vec::new();
    for table in tables.values() {
        let in_all_tables: Vec<u32> = std::iter::once(ANY)
            .chain(table.words.all().map(|word| {
                let next = words.len() as u32 + 1;
                *words.entry(word).or_insert(next)
            }))
            .collect();
        let dimensions = SUBJECT.map(|dimension| table.dimension(dimension));
        let of_rows = (0..table.withheld.len()).map(|row| {
            let next = numbers.len() as Subject;
            *numbers.entry(dimensions.map(|values| values.map_or(ANY, |values| in_all_tables[values[row] as usize]))).or_insert(next)
        });
        subjects.push(of_rows.collect());
    }
    (subjects, numbers.len())
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
pub fn relations(table: &PublishedTable, platforms: &BTreeMap<String, String>) -> Relations {
    let own: Vec<&Dimension> = table.dimensions.iter().filter(|(name, _)| !FOLLOWING.contains(&name.as_str())).collect();
    let rows = table.withheld.len();
    let mut relations = Relations::default();
    // A dimension that is null in some rows: these are the totals of those that agree in all else.
    for (name, values) in own.iter().filter(|(name, values)| !name.starts_with("scope") && values.contains(&ANY)) {
        let place = |row: usize| Some(if values[row] == ANY { Place::Total } else { Place::Part });
        relations.extend(&agreeing_but_for(name, &own, rows), place);
    }
    for (name, wide, narrow) in NESTED {
        let (Some(values), Some(wide), Some(narrow)) = (table.dimension(name), table.words.number(wide), table.words.number(narrow)) else {
            continue;
        };
        let place = |row: usize| match values[row] {
            value if value == wide => Some(Place::Total),
            value if value == narrow => Some(Place::Part),
            _ => None,
        };
        relations.extend(&agreeing_but_for(name, &own, rows), place);
    }
    if table.name == "part_supply" {
        // Orders that were late or unavailable are those that were late and those that were unavailable.
        let place = |row: usize| match table.word("statistic", row) {
            Some("late_or_unavailable") => Some(Place::Total),
            Some("late" | "unavailable") => Some(Place::Part),
            _ => None,
        };
        relations.extend(&agreeing_but_for("statistic", &own, rows), place);
    }
    if ["part_supply", "sealed_write_off"].contains(&table.name.as_str()) {
        statistics(&mut relations, &agreeing_but_for("statistic", &own, rows));
    }
    if table.name == "outcome" {
        let reasons = table.dimension("not_repaired_reason");
        let mut of_scope: BTreeMap<u32, Vec<Row>> = BTreeMap::new();
        for row in (0..rows).filter(|row| reasons.is_none_or(|reasons| reasons[*row] == ANY)) {
            of_scope.entry(table.dimension("scope").map_or(ANY, |scopes| scopes[row])).or_default().push(row as Row);
        }
        of_scope.values().for_each(|parts| relations.push(None, parts));
    }
    scope_relations(&mut relations, table, &own, platforms);
    relations
}

/// Statistics of one group are taken over records of which some lie inside others: each is held against each.
fn statistics(relations: &mut Relations, groups: &Groups) {
    let of_group = Lists::of(groups.known, || groups.of_row.iter().zip(0..).map(|(group, row)| (*group, row)));
    for rows in of_group.iter() {
        for (wide, narrow) in
            rows.iter().flat_map(|wide| rows.iter().map(move |narrow| (*wide, *narrow))).filter(|(wide, narrow)| wide != narrow)
        {
            relations.push(Some(wide), &[narrow]);
        }
    }
}

/// The rows of a scope by the number of all that they say besides.
type ScopeRows = PlHashMap<u32, Row>;

/// The levels of scopes that lie in others.
const WITHIN_OTHERS: [&str; 4] = ["category", "brand", "platform", "model"];

/// Everything and its categories, a category and its brands, platforms and models, a brand or a platform and its models.
fn scope_relations(relations: &mut Relations, table: &PublishedTable, own: &[&Dimension], platforms: &BTreeMap<String, String>) {
    let (Some(levels), Some(scopes)) = (table.dimension("scope_level"), table.dimension("scope")) else { return };
    let rows = table.withheld.len();
    let with_scope = || (0..rows).filter(|row| levels[*row] != ANY && scopes[*row] != ANY);
    let rest = agreeing(own.iter().copied().filter(|(name, _)| !name.starts_with("scope")), rows).of_row;
    let mut rows_of: PlHashMap<[u32; 2], ScopeRows> = PlHashMap::default();
    for row in with_scope() {
        rows_of.entry([levels[row], scopes[row]]).or_default().insert(rest[row], row as Row);
    }
    let categories = table.dimension("category");
    // By scope: its level, and the rows of the scopes that hold it.
    let mut found: PlHashMap<[u32; 3], (usize, Vec<&ScopeRows>)> = PlHashMap::default();
    let find = |[level, scope, category]: [u32; 3]| {
        let level = table.words.text(level);
        let at = WITHIN_OTHERS.iter().position(|within| *within == level).unwrap_or_default();
        let parents = parents(level, table.words.text(scope), table.words.text(category), platforms);
        let number = |(level, scope): (&str, String)| Some([table.words.number(level)?, table.words.number(&scope)?]);
        (at, parents.into_iter().filter_map(|parent| rows_of.get(&number(parent)?)).collect())
    };
    let mut parts: Vec<(u32, Row)> = Vec::new();
    for row in with_scope() {
        let scope = [levels[row], scopes[row], categories.map_or(ANY, |categories| categories[row])];
        let (at, parents) = found.entry(scope).or_insert_with_key(|scope| find(*scope));
        let totals = parents.iter().filter_map(|rows| rows.get(&rest[row]));
        parts.extend(totals.map(|total| (total * WITHIN_OTHERS.len() as u32 + *at as u32, row as Row)));
    }
    let of_totals = Lists::of(rows * WITHIN_OTHERS.len(), || parts.iter().copied());
    for (total, parts) in of_totals.iter().enumerate().filter(|(_, parts)| !parts.is_empty()) {
        relations.push(Some((total / WITHIN_OTHERS.len()) as Row), parts);
    }
}

/// The scopes that hold a scope, by level and name.
fn parents<'s>(level: &str, scope: &'s str, category: &'s str, platforms: &BTreeMap<String, String>) -> Vec<(&'static str, String)> {
    let category = Some(category).filter(|category| !category.is_empty());
    let within = || category.map(|category| ("category", category.to_owned()));
    let found = match level {
        "category" => vec![Some(("all", "all".to_owned()))],
        "brand" | "platform" => vec![within()],
        "model" => {
            let brand = scope.rsplit_once(' ').map(|(brand, _)| brand);
            let of_brand = category.zip(brand).map(|(category, brand)| ("brand", format!("{category}/{brand}")));
            vec![within(), of_brand, platforms.get(scope).map(|platform| ("platform", platform.clone()))]
        }
        _ => Vec::new(),
    };
    found.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// More combinations than a number of 64 bits can tell apart: the keys are numbered anew on the way.
    #[test]
    fn rows_agree_only_where_all_dimensions_do() {
        let large = 1 << 30;
        let dimensions = [
            ("a".to_owned(), vec![large, large, 0, large, large]),
            ("b".to_owned(), vec![large, large, large, 7, large]),
            ("c".to_owned(), vec![5, 5, 5, 5, large]),
            ("d".to_owned(), vec![large, large, large, large, large]),
        ];
        let groups = agreeing(dimensions.iter(), 5);
        assert_eq!(groups.of_row, [0, 0, 1, 2, 3]);
        assert_eq!(groups.known, 4);
        let own: Vec<&Dimension> = dimensions.iter().collect();
        assert_eq!(agreeing_but_for("a", &own, 5).of_row, [0, 0, 0, 1, 2]);
    }
}
