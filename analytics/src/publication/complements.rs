//! What could be had by subtraction: totals and their parts within each table.

use std::collections::{BTreeMap, HashMap, HashSet, VecDeque};

use super::rows::{ANY, PublishedTable};

/// A total and its parts, as rows of one table; the parts may leave a rest.
struct Relation {
    /// None: the total is the jobs that every part states.
    total: Option<usize>,
    parts: Vec<usize>,
    /// Where something must go, the total goes before a part.
    total_first: bool,
}

/// What a row is about across tables: scope level, scope, component, lower edge of the age band; a number for each combination.
type Subject = usize;
const SUBJECT: [&str; 4] = ["scope_level", "scope", "component", "age_from_years"];

/// Rows that agree in these dimensions, by the dimension that they are told apart by.
type Groups<T> = HashMap<Vec<u32>, T>;

/// Withholds further rows until no total less its published parts leaves 1 to `least - 1`.
pub fn withhold(tables: &mut BTreeMap<String, PublishedTable>, platforms: &BTreeMap<String, String>, least: i64) {
    let relations: BTreeMap<String, Vec<Relation>> =
        tables.iter().map(|(name, table)| (name.clone(), relations(table, platforms))).collect();
    let subjects = subjects(tables);
    let same_records: BTreeMap<String, Vec<usize>> = tables.iter().map(|(name, table)| (name.clone(), same_records(table))).collect();
    loop {
        let mut taken: BTreeMap<String, Vec<(usize, i64)>> = BTreeMap::new();
        for (name, table) in tables.iter_mut() {
            let rows = withhold_within(table, &relations[name], least);
            if !rows.is_empty() {
                taken.insert(name.clone(), rows);
            }
        }
        if taken.is_empty() {
            return;
        }
        for (name, table) in tables.iter_mut() {
            let here = taken.get(name).into_iter().flatten().map(|(row, count)| (same_records[name][*row], *count)).collect();
            withhold_same(table, &same_records[name], &here);
            let others = taken.iter().filter(|(other, _)| *other != name);
            let elsewhere = others.flat_map(|(other, rows)| rows.iter().map(|(row, count)| (subjects[other][*row], *count))).collect();
            withhold_same(table, &subjects[name], &elsewhere);
        }
    }
}

/// Within one table, to a fixed point; the rows taken, with the count for which they were. A part that its relation alone gives away counts as published in all others.
fn withhold_within(table: &mut PublishedTable, relations: &[Relation], least: i64) -> Vec<(usize, i64)> {
    let mut taken = Vec::new();
    for column in 0..table.counts.len() {
        let counts = table.counts[column].1.clone();
        loop {
            let given_away = given_away(table, &counts, relations, least);
            let mut changed = false;
            for relation in relations.iter().filter(|relation| relation.total.is_some() || table.counts[column].0 == "events") {
                loop {
                    let seen = Seen { table, counts: &counts, given_away: &given_away };
                    // A total is worth more to a reader than its parts: it goes last.
                    let next = seen
                        .next_to_withhold(relation, least, false)
                        .or_else(|| seen.next_elsewhere(relation, relations, least))
                        .or_else(|| seen.next_to_withhold(relation, least, true));
                    let Some(row) = next else { break };
                    table.withheld[row] = true;
                    taken.push((row, counts[row].unwrap_or_default()));
                    changed = true;
                }
            }
            if !changed {
                break;
            }
        }
    }
    taken
}

/// Withheld counts, large enough to be known, that a relation gives away because it has no other part withheld and leaves no rest. Small ones are
/// what must not be given away, and stay unknown until their relation hides them.
fn given_away(table: &PublishedTable, counts: &[Option<i64>], relations: &[Relation], least: i64) -> Vec<Option<usize>> {
    let mut given_away = vec![None; counts.len()];
    loop {
        let mut found = Vec::new();
        let seen = Seen { table, counts, given_away: &given_away };
        for (by, relation) in relations.iter().enumerate() {
            let Some(total) = seen.total(relation) else { continue };
            let sum: i64 = relation.parts.iter().filter_map(|row| counts[*row]).sum();
            let mut unknown =
                relation.parts.iter().filter(|row| !seen.count_is_known(**row) && counts[**row].is_some_and(|count| count > 0));
            if let (Some(row), None, true) = (unknown.next(), unknown.next(), sum == total)
                && counts[*row].is_some_and(|count| count >= least)
            {
                found.push((*row, by));
            }
        }
        if found.is_empty() {
            return given_away;
        }
        for (row, by) in found {
            given_away[row].get_or_insert(by);
        }
    }
}

/// One column of counts as a reader of the published table sees it.
struct Seen<'t> {
    table: &'t PublishedTable,
    counts: &'t [Option<i64>],
    /// The relation that gives a withheld count away, by its position.
    given_away: &'t [Option<usize>],
}

impl Seen<'_> {
    fn count_is_known(&self, row: usize) -> bool {
        self.counts[row].is_some() && (!self.table.withheld[row] || self.given_away[row].is_some())
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

    /// What the parts whose count is known leave of the total.
    fn rest(&self, relation: &Relation) -> Option<i64> {
        let known: i64 = relation.parts.iter().filter(|row| self.count_is_known(**row)).filter_map(|row| self.counts[*row]).sum();
        Some(self.total(relation)? - known)
    }

    /// Where nothing is left to withhold in a relation that leaves too little, because its counts are given away by others: a row of those.
    fn next_elsewhere(&self, relation: &Relation, relations: &[Relation], least: i64) -> Option<usize> {
        let rest = self.rest(relation)?;
        if rest <= 0 || rest >= least {
            return None;
        }
        let rows = |relation: &Relation| relation.total.into_iter().chain(relation.parts.iter().copied()).collect::<Vec<_>>();
        let mut looked_at = HashSet::new();
        let mut waiting: VecDeque<usize> = rows(relation).into_iter().filter_map(|row| self.given_away[row]).collect();
        while let Some(by) = waiting.pop_front() {
            if !looked_at.insert(by) {
                continue;
            }
            let source = &relations[by];
            let open = |row: &usize| !self.table.withheld[*row] && self.counts[*row].is_some_and(|count| count > 0);
            let smallest = source.parts.iter().copied().filter(open).min_by_key(|row| (self.counts[*row], *row));
            if let Some(row) = smallest.or(source.total.filter(open)) {
                return Some(row);
            }
            waiting.extend(rows(source).into_iter().filter_map(|row| self.given_away[row]));
        }
        None
    }

    /// The row to withhold next, if what the published parts leave of the total is too small: the smallest part, or else, if it may, the total.
    fn next_to_withhold(&self, relation: &Relation, least: i64, with_total: bool) -> Option<usize> {
        let total = self.total(relation)?;
        let small = |rest: i64| rest > 0 && rest < least;
        let is_open = |row: usize| !self.table.withheld[row];
        let mut open: Vec<(i64, usize)> = relation
            .parts
            .iter()
            .filter(|row| is_open(**row))
            .filter_map(|row| Some((self.counts[*row].filter(|count| *count > 0)?, *row)))
            .collect();
        open.sort_unstable();
        // What a reader has not worked out counts as published or not: neither may leave too little.
        let printed: i64 = open.iter().map(|(count, _)| count).sum();
        let chosen = if small(self.rest(relation)?) || relation.total.is_some() && small(total - printed) {
            open.first()
        } else if relation.total.is_some() {
            // Parts that overlap add up to more than their total: then each is held against it by itself.
            let alone = open.iter().find(|(count, _)| small(total - count));
            Some(alone?)
        } else {
            return None;
        };
        let total = relation.total.filter(|row| is_open(*row));
        let part = chosen.map(|(_, row)| *row);
        if relation.total_first { total.or(part) } else { part.or(total.filter(|_| with_total)) }
    }
}

/// Withholds rows of the same number that state the same count as one withheld for what it gives away.
fn withhold_same(table: &mut PublishedTable, numbers: &[usize], taken: &HashSet<(usize, i64)>) {
    for row in 0..table.withheld.len() {
        let states = |counts: &[Option<i64>]| counts[row].is_some_and(|count| count > 0 && taken.contains(&(numbers[row], count)));
        table.withheld[row] = table.withheld[row] || table.counts.iter().any(|(_, counts)| states(counts));
    }
}

/// One number for all rows of a table that differ only in what is said of the same records.
fn same_records(table: &PublishedTable) -> Vec<usize> {
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
fn subjects(tables: &BTreeMap<String, PublishedTable>) -> BTreeMap<String, Vec<Subject>> {
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

fn relations(table: &PublishedTable, platforms: &BTreeMap<String, String>) -> Vec<Relation> {
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
            groups.into_values().filter(|(total, parts)| total.is_some() && !parts.is_empty()).map(|(total, parts)| Relation {
                total,
                parts,
                total_first: false,
            }),
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
        relations.extend(
            groups
                .into_values()
                .filter_map(|[wide, narrow]| Some(Relation { total: Some(wide?), parts: vec![narrow?], total_first: false })),
        );
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
        relations.extend(groups.into_values().map(|parts| Relation { total: None, parts, total_first: false }));
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
    groups
        .into_values()
        .map(|(total, parts)| Relation { total, parts, total_first: true })
        .filter(|relation| relation.total.is_some())
        .collect()
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
            // What others add up to goes before them.
            let total_first = table.word("statistic", wide) == Some("late_or_unavailable");
            relations.push(Relation { total: Some(wide), parts: vec![narrow], total_first });
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
            Some(Relation { total: Some(total), parts, total_first: false })
        })
        .collect()
}
