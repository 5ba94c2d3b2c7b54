//! What could be had by subtraction: totals and their parts within each table.

use std::collections::{BTreeMap, BTreeSet};

use super::rows::{ANY, PublishedTable};

/// A total and its parts, as rows of one table; the parts may leave a rest.
struct Relation {
    /// None: the total is the jobs that every part states.
    total: Option<usize>,
    parts: Vec<usize>,
}

/// What a row is about across tables: scope level, scope, component, lower edge of the age band.
type Subject = [Option<String>; 4];

/// Withholds further rows until no total less its published parts leaves 1 to `least - 1`.
pub fn withhold(tables: &mut BTreeMap<String, PublishedTable>, platforms: &BTreeMap<String, String>, least: i64) {
    let relations: BTreeMap<String, Vec<Relation>> =
        tables.iter().map(|(name, table)| (name.clone(), relations(table, platforms))).collect();
    loop {
        let mut taken: BTreeSet<(Subject, i64)> = BTreeSet::new();
        for (name, table) in tables.iter_mut() {
            withhold_within(table, &relations[name], least, &mut taken);
        }
        if taken.is_empty() {
            return;
        }
        tables.values_mut().for_each(|table| withhold_elsewhere(table, &taken));
    }
}

/// Within one table, to a fixed point. A part that its relation alone gives away counts as published in all others.
fn withhold_within(table: &mut PublishedTable, relations: &[Relation], least: i64, taken: &mut BTreeSet<(Subject, i64)>) {
    for column in 0..table.counts.len() {
        let counts = table.counts[column].1.clone();
        loop {
            let given_away = given_away(table, &counts, relations);
            let mut changed = false;
            for relation in relations.iter().filter(|relation| relation.total.is_some() || table.counts[column].0 == "events") {
                while let Some(row) = (Seen { table, counts: &counts, given_away: &given_away }).next_to_withhold(relation, least) {
                    table.withheld[row] = true;
                    taken.insert((subject(table, row), counts[row].unwrap_or_default()));
                    changed = true;
                }
            }
            if !changed {
                break;
            }
        }
    }
}

/// Withheld counts that a relation gives away, because it has no other part withheld and leaves no rest.
fn given_away(table: &PublishedTable, counts: &[Option<i64>], relations: &[Relation]) -> Vec<bool> {
    let mut given_away = vec![false; counts.len()];
    loop {
        let mut found = Vec::new();
        let seen = Seen { table, counts, given_away: &given_away };
        for relation in relations {
            let Some(total) = seen.total(relation) else { continue };
            let sum: i64 = relation.parts.iter().filter_map(|row| counts[*row]).sum();
            let mut unknown =
                relation.parts.iter().filter(|row| !seen.count_is_known(**row) && counts[**row].is_some_and(|count| count > 0));
            if let (Some(row), None, true) = (unknown.next(), unknown.next(), sum == total) {
                found.push(*row);
            }
        }
        if found.is_empty() {
            return given_away;
        }
        found.into_iter().for_each(|row| given_away[row] = true);
    }
}

/// One column of counts as a reader of the published table sees it.
struct Seen<'t> {
    table: &'t PublishedTable,
    counts: &'t [Option<i64>],
    given_away: &'t [bool],
}

impl Seen<'_> {
    fn count_is_known(&self, row: usize) -> bool {
        self.counts[row].is_some() && (!self.table.withheld[row] || self.given_away[row])
    }

    fn total(&self, relation: &Relation) -> Option<i64> {
        match relation.total {
            Some(row) => self.counts[row].filter(|_| self.count_is_known(row)),
            None => {
                let base = self.table.count("jobs")?;
                relation.parts.iter().find(|row| !self.table.withheld[**row]).and_then(|row| base[*row])
            }
        }
    }

    /// The row to withhold next, if what the published parts leave of the total is too small: the smallest part, or else the total.
    fn next_to_withhold(&self, relation: &Relation, least: i64) -> Option<usize> {
        let total = self.total(relation)?;
        let small = |rest: i64| rest > 0 && rest < least;
        let is_open = |row: usize| !self.table.withheld[row];
        let published: i64 = relation.parts.iter().filter(|row| self.count_is_known(**row)).filter_map(|row| self.counts[*row]).sum();
        let mut open: Vec<(i64, usize)> = relation
            .parts
            .iter()
            .filter(|row| is_open(**row))
            .filter_map(|row| Some((self.counts[*row].filter(|count| *count > 0)?, *row)))
            .collect();
        open.sort_unstable();
        let chosen = if small(total - published) {
            open.first()
        } else if relation.total.is_some() {
            // Parts that overlap add up to more than their total: then each is held against it by itself.
            let alone = open.iter().find(|(count, _)| small(total - count));
            Some(alone?)
        } else {
            return None;
        };
        chosen.map(|(_, row)| *row).or(relation.total.filter(|row| is_open(*row)))
    }
}

/// Withholds rows of the same subject that state the same count as one withheld for what it gives away.
fn withhold_elsewhere(table: &mut PublishedTable, taken: &BTreeSet<(Subject, i64)>) {
    for row in 0..table.withheld.len() {
        if table.withheld[row] {
            continue;
        }
        let of = subject(table, row);
        if table.counts.iter().any(|(_, counts)| counts[row].is_some_and(|count| count > 0 && taken.contains(&(of.clone(), count)))) {
            table.withheld[row] = true;
        }
    }
}

fn subject(table: &PublishedTable, row: usize) -> Subject {
    ["scope_level", "scope", "component", "age_from_years"].map(|name| table.word(name, row).map(str::to_owned))
}

/// Dimensions that go with others and set no row apart.
const FOLLOWING: [&str; 3] = ["age_to_years", "category", "probability_to"];

/// One inside the other, though neither is the other's total: dimension, the wider value, the narrower.
const NESTED: [(&str, &str, &str); 7] = [
    ("roster_only", "false", "true"),
    ("same_fault", "false", "true"),
    ("horizon_days", "90", "30"),
    ("horizon_days", "365", "90"),
    ("statistic", "of_condemned", "of_condemned_design_known"),
    ("statistic", "late", "late_allowing_holidays"),
    ("period", "within", "in_force"),
];

fn relations(table: &PublishedTable, platforms: &BTreeMap<String, String>) -> Vec<Relation> {
    let own: Vec<&(String, Vec<u32>)> = table.dimensions.iter().filter(|(name, _)| !FOLLOWING.contains(&name.as_str())).collect();
    let rows = table.withheld.len();
    let mut relations = Vec::new();
    // A dimension that is null in some rows: these are the totals of those that agree in all else.
    for (name, values) in own.iter().filter(|(name, values)| !name.starts_with("scope") && values.contains(&ANY)) {
        let mut groups: BTreeMap<Vec<u32>, (Option<usize>, Vec<usize>)> = BTreeMap::new();
        for (row, value) in values.iter().enumerate() {
            let key = own.iter().filter(|(other, _)| other != name).map(|(_, values)| values[row]).collect();
            let group = groups.entry(key).or_default();
            if *value == ANY {
                group.0 = Some(row);
            } else if name != "period" || table.word("period", row) != Some("in_force") {
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
        let mut groups: BTreeMap<Vec<u32>, [Option<usize>; 2]> = BTreeMap::new();
        for (row, value) in values.iter().enumerate().filter(|(_, value)| **value != ANY) {
            let word = table.words[*value as usize].as_str();
            let Some(place) = [wide, narrow].iter().position(|value| *value == word) else { continue };
            let key = own.iter().filter(|(other, _)| other != name).map(|(_, values)| values[row]).collect();
            groups.entry(key).or_default()[place] = Some(row);
        }
        relations.extend(groups.into_values().filter_map(|[wide, narrow]| Some(Relation { total: Some(wide?), parts: vec![narrow?] })));
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
    relations
}

fn scope_number(table: &PublishedTable, row: usize) -> u32 {
    table.dimension("scope").map_or(ANY, |scopes| scopes[row])
}

/// Everything and its categories, a category and its brands, platforms and models, a brand or a platform and its models.
fn scope_relations(table: &PublishedTable, own: &[&(String, Vec<u32>)], platforms: &BTreeMap<String, String>) -> Vec<Relation> {
    type Total<'t> = (&'t str, String, Vec<u32>);
    type Parts<'t> = (&'static str, String, &'t str, Vec<u32>);
    let mut totals: BTreeMap<Total<'_>, usize> = BTreeMap::new();
    let mut groups: BTreeMap<Parts<'_>, Vec<usize>> = BTreeMap::new();
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
