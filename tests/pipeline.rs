//! The demo from simulated records to reports: truth recovered, rows accounted for, the same input twice gives the same bytes.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{demo, rows, succeed};

fn demo_rows(select: &str) -> Vec<Value> {
    rows(&demo().join("store"), select)
}

fn number(row: &Value, name: &str) -> f64 {
    row[name].as_f64().unwrap_or_else(|| panic!("{name} in {row}"))
}

fn truth() -> Value {
    serde_json::from_str(&fs::read_to_string(demo().join("records/truth/truth.json")).unwrap()).unwrap()
}

/// Share of rows whose interval holds the true value.
fn covered<'a>(rows: impl IntoIterator<Item = (&'a Value, f64)>) -> (usize, f64) {
    let (mut all, mut within) = (0, 0);
    for (row, true_value) in rows {
        all += 1;
        within += usize::from(number(row, "lower") <= true_value && true_value <= number(row, "upper"));
    }
    (all, within as f64 / all as f64)
}

#[test]
fn failure_rates_recover_the_simulated_hazards() {
    // The true rate of a cell is the integral of the true hazards over the machine-years that were lived in it, plus the repairs
    // that the simulator itself made fail again.
    let truth = truth();
    let mut true_rate: BTreeMap<(String, String, i64), f64> = BTreeMap::new();
    for cell in truth["realised"]["faults_by_age"].as_array().unwrap() {
        let events = number(cell, "expected_natural_events") + number(cell, "recall_events");
        let key = (
            cell["category"].as_str().unwrap().to_owned(),
            cell["component"].as_str().unwrap().to_owned(),
            number(cell, "age_from_years") as i64,
        );
        true_rate.insert(key, events / number(cell, "machine_years"));
    }
    let cells = demo_rows(
        "SELECT scope, component, age_from_years, lower, upper FROM failure_rate
         WHERE scope_level = 'category' AND component IS NOT NULL AND age_from_years IS NOT NULL AND machine_years > 50",
    );
    let known = cells.iter().filter_map(|cell| {
        let key = (cell["scope"].as_str()?.to_owned(), cell["component"].as_str()?.to_owned(), number(cell, "age_from_years") as i64);
        true_rate.get(&key).map(|rate| (cell, *rate))
    });
    let (count, share) = covered(known);
    assert!(count > 800, "only {count} cells to compare");
    // Exact Poisson intervals are conservative, the more so the fewer the events.
    assert!(share > 0.95, "{:.1} % of {count} intervals hold the true rate", share * 100.0);
}

#[test]
fn weibull_shapes_recover_the_simulated_ones() {
    let truth = truth();
    let mut true_shape: BTreeMap<(&str, &str), f64> = BTreeMap::new();
    for component in truth["scenario"]["component"].as_array().unwrap() {
        for (category, shape_and_scale) in component["hazard"].as_object().unwrap() {
            true_shape.insert((category, component["key"].as_str().unwrap()), shape_and_scale[0].as_f64().unwrap());
        }
    }
    let fits = demo_rows(
        "SELECT category, component, lower, upper FROM life
         WHERE scope_level = 'platform' AND statistic = 'shape' AND component IS NOT NULL AND events >= 20 AND lower IS NOT NULL",
    );
    let known = fits.iter().filter_map(|fit| {
        let key = (fit["category"].as_str()?, fit["component"].as_str()?);
        true_shape.get(&key).map(|shape| (fit, *shape))
    });
    let (count, share) = covered(known);
    assert!(count > 60, "only {count} fits to compare");
    assert!(share > 0.9, "{:.1} % of {count} intervals hold the true shape", share * 100.0);
}

#[test]
fn outcomes_equal_what_was_simulated() {
    let truth = truth();
    let counted = demo_rows("SELECT outcome, events FROM outcome WHERE scope_level = 'all' AND not_repaired_reason IS NULL");
    assert!(!counted.is_empty());
    for row in counted {
        assert_eq!(row["events"], truth["realised"]["outcomes"][row["outcome"].as_str().unwrap()], "{row}");
    }
}

#[test]
fn consequential_damage_recovers_the_simulated_odds() {
    let truth = truth();
    let mut probability: BTreeMap<(&str, &str), f64> = BTreeMap::new();
    for pair in truth["scenario"]["consequential"]["pairs"].as_array().unwrap() {
        probability.insert((pair["primary"].as_str().unwrap(), pair["consequential"].as_str().unwrap()), number(pair, "probability"));
    }
    let counted = demo_rows(
        "SELECT component, consequential_component, lower, upper FROM cascade WHERE scope_level = 'all' AND jobs >= 50 AND events >= 5",
    );
    let known = counted.iter().filter_map(|row| {
        let pair = (row["component"].as_str()?, row["consequential_component"].as_str()?);
        probability.get(&pair).map(|p| (row, *p))
    });
    let (count, share) = covered(known);
    assert!(count >= 8, "only {count} pairs to compare");
    assert!(share >= 0.8, "{:.0} % of {count} intervals hold the true probability", share * 100.0);
}

#[test]
fn every_row_is_accounted_for_as_the_simulator_expects() {
    let expected: Value = serde_json::from_str(&fs::read_to_string(demo().join("records/truth/expected.json")).unwrap()).unwrap();
    for account in demo_rows("SELECT \"table\", rows_in, accepted, repeats, superseded, quarantined FROM ledger") {
        let name = account["table"].as_str().unwrap();
        let parts: i64 = ["accepted", "repeats", "superseded", "quarantined"].iter().map(|part| account[*part].as_i64().unwrap()).sum();
        assert_eq!(account["rows_in"], parts, "{account}");
        let table = &expected["tables"][name];
        assert_eq!(account["rows_in"], table["rows"], "{name}");
        assert_eq!(account["repeats"], table["identical_repeats"], "{name}: repeats");
        assert_eq!(account["superseded"], table["superseding"], "{name}: superseded");
        let quarantined: i64 = table["quarantined"].as_object().unwrap().values().filter_map(Value::as_i64).sum();
        assert_eq!(account["quarantined"], quarantined, "{name}: quarantined");
    }
}

#[test]
fn messy_records_give_the_evidence_of_the_tidy_ones() {
    let folder = fresh("tidy");
    succeed(["simulate", "--clean", "--out", &text(&folder.join("records"))]);
    let store = folder.join("store");
    succeed(["ingest", &text(&folder.join("records")), "--store", &text(&store)]);
    succeed(["analyse", "--store", &text(&store)]);
    let outcomes = "SELECT scope, outcome, not_repaired_reason, events FROM outcome ORDER BY ALL";
    assert_eq!(rows(&store, outcomes), demo_rows(outcomes));
    let exposure = "SELECT scope, component, age_from_years, machines, machine_years FROM failure_rate ORDER BY ALL";
    assert_eq!(rows(&store, exposure), demo_rows(exposure));
    // A misspelling can make a word mean two things ("bearing sel"): a handful of cells in 60,000 are then set aside.
    for select in [
        "SELECT scope || '|' || component || '|' || role AS cell, events FROM fault_share WHERE statistic = 'share'",
        "SELECT scope || '|' || component AS cell, events FROM failure_rate WHERE component IS NOT NULL AND age_from_years IS NULL",
    ] {
        let events = |rows: Vec<Value>| -> BTreeMap<String, i64> {
            rows.iter().map(|row| (row["cell"].as_str().unwrap().to_owned(), row["events"].as_i64().unwrap())).collect()
        };
        let (tidy, messy) = (events(rows(&store, select)), events(demo_rows(select)));
        let cells: std::collections::BTreeSet<&String> = tidy.keys().chain(messy.keys()).collect();
        let difference = |cell: &String| (tidy.get(cell).unwrap_or(&0) - messy.get(cell).unwrap_or(&0)).abs();
        let lost: i64 = cells.iter().filter(|cell| cell.starts_with("all|")).map(|cell| difference(cell)).sum();
        let all: i64 = tidy.iter().filter(|(cell, _)| cell.starts_with("all|")).map(|(_, events)| events).sum();
        assert!(lost * 1000 <= all, "{lost} of {all} faults differ");
        assert!(cells.iter().all(|cell| difference(cell) <= 8), "{select}");
    }
}

#[test]
fn the_same_input_twice_gives_the_same_bytes() {
    let folder = fresh("again");
    succeed(["demo", "--out", &text(&folder.join("demo"))]);
    let again = folder.join("demo");
    for part in ["store/evidence/current", "reports", "records", "records/truth"] {
        let (first, second) = (files(&demo().join(part)), files(&again.join(part)));
        assert!(!first.is_empty());
        assert_eq!(first.keys().collect::<Vec<_>>(), second.keys().collect::<Vec<_>>());
        for (name, bytes) in &first {
            assert!(second[name] == *bytes, "{part}/{name} differs");
        }
    }
}

#[test]
fn without_a_roster_there_are_shares_and_no_rates() {
    let folder = fresh("no-roster");
    let store = folder.join("store");
    let extract = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/workshop-extract");
    succeed(["ingest", &text(&extract.join("jobs.csv")), "--store", &text(&store)]);
    let said = succeed(["analyse", "--store", &text(&store)]);
    assert!(said.contains("shares, not rates"), "{said}");
    assert_eq!(rows(&store, "SELECT * FROM failure_rate").len(), 0);
    assert!(rows(&store, "SELECT * FROM fault_share").len() > 10);
    succeed(["report", "--store", &text(&store), "--out", &text(&folder.join("reports")), "--format", "md"]);
    let report = fs::read_to_string(folder.join("reports/advocate.md")).unwrap();
    assert!(report.contains("shares, not rates"));
}

fn fresh(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        fs::remove_dir_all(&folder).unwrap();
    }
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}

fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).filter(|path| path.is_file());
    entries.map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), fs::read(&path).unwrap())).collect()
}

#[test]
fn endings_by_age_and_reason_add_up_to_the_jobs() {
    let store = demo().join("store");
    let reasons = rows(
        &store,
        "SELECT r.not_repaired_reason, r.events, r.jobs, j.n, sum(j.n) OVER () AS stated, r.estimate, r.lower, r.upper
         FROM write_off_reason AS r
         JOIN (SELECT not_repaired_reason, count(*) AS n FROM jobs WHERE outcome = 'condemned' AND not_repaired_reason IS NOT NULL GROUP BY 1) AS j
           ON j.not_repaired_reason = r.not_repaired_reason
         WHERE r.scope_level = 'all' ORDER BY 1",
    );
    assert!(reasons.len() >= 3, "{reasons:?}");
    for row in &reasons {
        assert_eq!(row["events"].as_f64(), row["n"].as_f64(), "{row}");
        assert_eq!(row["jobs"].as_f64(), row["stated"].as_f64(), "{row}");
        assert!(row["lower"].as_f64() < row["estimate"].as_f64() && row["estimate"].as_f64() < row["upper"].as_f64(), "{row}");
    }
    let bands = rows(
        &store,
        "SELECT scope, age_from_years, min(jobs) AS fewest, max(jobs) AS jobs, sum(events) AS events FROM outcome_by_age
         WHERE scope_level IN ('all', 'category') GROUP BY ALL ORDER BY ALL",
    );
    assert!(bands.len() > 20, "{bands:?}");
    for row in &bands {
        assert_eq!(row["fewest"], row["jobs"], "{row}");
        assert_eq!(row["jobs"].as_f64(), row["events"].as_f64(), "every job ends somehow: {row}");
    }
    let [known] =
        &rows(&store, "SELECT sum(jobs) AS jobs FROM (SELECT DISTINCT age_from_years, jobs FROM outcome_by_age WHERE scope_level = 'all')")
            [..]
    else {
        panic!("one row");
    };
    let about: serde_json::Value = serde_json::from_str(&succeed(["analyse", "--json", "--store", store.to_str().unwrap()])).unwrap();
    assert!(known["jobs"].as_f64().unwrap() > 0.5 * about["jobs"].as_f64().unwrap(), "{known}");
}
