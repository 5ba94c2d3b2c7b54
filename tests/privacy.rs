//! An attack on the published tables: totals less their parts, and what follows from that, back to a single job.
//!
//! It knows the tables only as published, and makes its own list of what adds up to what.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{demo, rows, succeed};

const LEAST: i64 = 5;
const COUNTS: [&str; 9] = ["jobs", "events", "machines", "orders", "parts", "condemned", "records", "exposed_events", "reference_events"];
const NUMBERS: [&str; 4] = ["age_from_years", "age_years", "horizon_days", "probability_from"];
/// Texts that follow from others or say a result.
const NOT_ABOUT: [&str; 7] = ["category", "law", "reason", "finding", "standing", "hazard_pattern", "listed"];

/// A published table: what each row is about, by column, and its counts.
struct Published {
    about: Vec<BTreeMap<String, String>>,
    categories: Vec<String>,
    counts: Vec<HashMap<String, i64>>,
}

fn published(package: &Path, table: &str) -> Published {
    let descriptor: Value = serde_json::from_str(&fs::read_to_string(package.join("datapackage.json")).unwrap()).unwrap();
    let resource = descriptor["resources"].as_array().unwrap().iter().find(|resource| resource["name"] == table).unwrap();
    let texts: Vec<bool> =
        resource["schema"]["fields"].as_array().unwrap().iter().map(|f| matches!(f["type"].as_str(), Some("string" | "boolean"))).collect();
    let csv = fs::read_to_string(package.join(resource["path"].as_str().unwrap())).unwrap();
    let mut lines = csv.lines().map(split);
    let titles = lines.next().unwrap();
    let (mut about, mut counts, mut categories) = (Vec::new(), Vec::new(), Vec::new());
    let category = titles.iter().position(|title| title == "category").unwrap();
    for line in lines {
        categories.push(line[category].clone());
        let cells = || titles.iter().zip(&line).zip(&texts);
        let is_about = |title: &str, text: bool| (text || NUMBERS.contains(&title)) && !NOT_ABOUT.contains(&title);
        about.push(
            cells().filter(|((title, _), text)| is_about(title, **text)).map(|((title, cell), _)| (title.clone(), cell.clone())).collect(),
        );
        let count = |title: &String, cell: &String| Some((title.clone(), cell.parse().ok()?));
        counts.push(
            cells()
                .filter(|((title, _), _)| COUNTS.contains(&title.as_str()))
                .filter_map(|((title, cell), _)| count(title, cell))
                .collect(),
        );
    }
    Published { about, categories, counts }
}

fn split(line: &str) -> Vec<String> {
    let (mut cells, mut cell, mut quoted) = (Vec::new(), String::new(), false);
    for letter in line.chars() {
        match letter {
            '"' => quoted = !quoted,
            ',' if !quoted => cells.push(std::mem::take(&mut cell)),
            other => cell.push(other),
        }
    }
    cells.push(cell);
    cells
}

/// A total, rows that lie inside it without overlapping, and whether they are all that lies inside it.
type Sum = (usize, Vec<usize>, bool);

fn sums(table: &Published, platforms: &HashMap<String, String>, nested: bool) -> Vec<Sum> {
    let mut sums = Vec::new();
    let columns: Vec<String> = table.about[0].keys().cloned().collect();
    let without = |row: usize, left_out: &[&str]| -> Vec<&str> {
        columns.iter().filter(|column| !left_out.contains(&column.as_str())).map(|column| table.about[row][column].as_str()).collect()
    };
    for column in columns.iter().filter(|column| !column.starts_with("scope")) {
        let mut groups: HashMap<Vec<&str>, (Option<usize>, Vec<usize>)> = HashMap::new();
        for row in 0..table.about.len() {
            let group = groups.entry(without(row, &[column])).or_default();
            if table.about[row][column].is_empty() { group.0 = Some(row) } else { group.1.push(row) }
        }
        sums.extend(groups.into_values().filter_map(|(total, parts)| Some((total?, parts, true))));
    }
    // Statistics of one group, taken over records of which some lie inside others.
    if nested {
        let mut groups: HashMap<Vec<&str>, Vec<usize>> = HashMap::new();
        (0..table.about.len()).for_each(|row| groups.entry(without(row, &["statistic"])).or_default().push(row));
        for rows in groups.values() {
            sums.extend(
                rows.iter()
                    .flat_map(|wide| rows.iter().filter(move |narrow| *narrow != wide).map(move |narrow| (*wide, vec![*narrow], false))),
            );
        }
    }
    let scopes = ["scope_level", "scope"];
    let at: HashMap<(&str, &str, Vec<&str>), usize> = (0..table.about.len())
        .map(|row| ((table.about[row]["scope_level"].as_str(), table.about[row]["scope"].as_str(), without(row, &scopes)), row))
        .collect();
    let mut inside: HashMap<(usize, &str), Vec<usize>> = HashMap::new();
    for row in 0..table.about.len() {
        let (level, scope) = (table.about[row]["scope_level"].as_str(), table.about[row]["scope"].as_str());
        let rest = without(row, &scopes);
        let mut wider: Vec<(&str, String)> = Vec::new();
        let category = &table.categories[row];
        if level == "category" {
            wider.push(("all", "all".to_owned()));
        } else if level != "all" {
            wider.push(("category", category.clone()));
        }
        if level == "model" {
            wider.push(("brand", format!("{category}/{}", scope.rsplit_once(' ').map_or("", |(brand, _)| brand))));
            wider.extend(platforms.get(scope).map(|platform| ("platform", platform.clone())));
        }
        for (wider_level, wider_scope) in wider {
            if let Some(total) = at.get(&(wider_level, wider_scope.as_str(), rest.clone())) {
                inside.entry((*total, level)).or_default().push(row);
            }
        }
    }
    sums.extend(inside.into_iter().map(|((total, _), parts)| (total, parts, true)));
    sums
}

/// Counts between 1 and `LEAST - 1` that the attack finds in one table. It is stronger than any real one: of what it concludes, `truth` tells it
/// what is right.
fn attack(table: &Published, truth: &Published, sums: &[Sum]) -> Vec<String> {
    let mut found = Vec::new();
    let small = |count: i64| (1..LEAST).contains(&count);
    for column in COUNTS {
        let mut known: HashMap<usize, i64> =
            table.counts.iter().enumerate().filter_map(|(row, counts)| Some((row, *counts.get(column)?))).collect();
        for (row, count) in &known {
            if small(*count) {
                found.push(format!("{column} {count} printed for {:?}", table.about[*row]));
            }
        }
        // Nothing else being there, the one part that is not printed is what the others leave; then again with that.
        loop {
            let mut learnt = Vec::new();
            for (total, parts, complete) in sums {
                let Some(of_all) = known.get(total) else { continue };
                let printed: i64 = parts.iter().filter_map(|part| known.get(part)).sum();
                let rest = of_all - printed;
                let unknown: Vec<usize> = parts.iter().copied().filter(|part| !known.contains_key(part)).collect();
                // Parts that overlap (a machine may have several faults) add up to more than their total: less several of them it says nothing.
                let true_count = |row: &usize| truth.counts[*row].get(column).copied().unwrap_or(0);
                let overlap = parts.iter().map(true_count).sum::<i64>() > true_count(total);
                let subtracted = parts.iter().filter(|part| known.contains_key(part)).count();
                if small(rest) && !(overlap && subtracted > 1) {
                    found.push(format!("{column} {rest} left of {:?}", table.about[*total]));
                }
                if let ([only], true) = (unknown.as_slice(), *complete && rest >= LEAST)
                    && truth.counts[*only].get(column) == Some(&rest)
                {
                    learnt.push((*only, rest));
                }
            }
            let before = known.len();
            learnt.into_iter().for_each(|(row, count)| {
                known.entry(row).or_insert(count);
            });
            if known.len() == before || !found.is_empty() {
                break;
            }
        }
    }
    found.sort();
    found.dedup();
    found
}

fn package(name: &str, least: &str) -> PathBuf {
    let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let store = demo().join("store");
    let arguments =
        ["export", "--store", store.to_str().unwrap(), "--as", "datapackage", "--least-cell", least, "--out", out.to_str().unwrap()];
    succeed(arguments);
    out
}

fn findings(package: &Path, unprotected: &Path) -> BTreeMap<String, Vec<String>> {
    let platforms =
        rows(&demo().join("store"), "SELECT model_key, max(platform) AS platform FROM models GROUP BY model_key ORDER BY model_key")
            .into_iter()
            .filter_map(|row| Some((row["model_key"].as_str()?.to_owned(), row["platform"].as_str()?.to_owned())))
            .collect();
    let descriptor: Value = serde_json::from_str(&fs::read_to_string(package.join("datapackage.json")).unwrap()).unwrap();
    let names = descriptor["resources"].as_array().unwrap().iter().map(|resource| resource["name"].as_str().unwrap().to_owned());
    names
        .map(|name| {
            let (table, truth) = (published(package, &name), published(unprotected, &name));
            assert_eq!(table.about, truth.about, "{name}: the same rows in the same order");
            let nested = ["part_supply", "sealed_write_off"].contains(&name.as_str());
            let sums = sums(&table, &platforms, nested);
            (name, attack(&table, &truth, &sums))
        })
        .collect()
}

#[test]
fn published_tables_cannot_be_differenced_back_to_a_single_job() {
    let [protected, unprotected] = [("attacked", "5"), ("unprotected", "1")].map(|(name, least)| package(name, least));
    let found = findings(&protected, &unprotected);
    let broken: Vec<(&String, usize, &[String])> = found
        .iter()
        .filter(|(_, found)| !found.is_empty())
        .map(|(table, found)| (table, found.len(), &found[..found.len().min(4)]))
        .collect();
    assert!(broken.is_empty(), "{broken:#?}");

    // The attack itself works: without withholding it finds single jobs in most tables.
    let found = findings(&unprotected, &unprotected);
    let broken = found.values().filter(|found| !found.is_empty()).count();
    assert!(broken > 8, "{broken} of {} tables", found.len());
}
