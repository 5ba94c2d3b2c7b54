//! The five files: the same seed gives the same bytes, tidy and messy files hold the same records, and the committed
//! extract is what the simulator writes.

use crate::support::{DEMO, rows};
use fixodds_simulator::{BrokenRow, Mess, Scenario, simulate, stream_csv, write_csv};
use std::collections::BTreeSet;
use std::path::Path;

const FILES: [&str; 5] = ["jobs.csv", "findings.csv", "parts.csv", "machines.csv", "models.csv"];

fn sample_data() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/.."))
}

fn same_bytes(one: &Path, other: &Path) -> bool {
    FILES.iter().all(|file| std::fs::read(one.join(file)).unwrap() == std::fs::read(other.join(file)).unwrap())
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let scenario = Scenario::demo().with_jobs(500);
    let [once, twice, other] = [0, 0, 1].map(|change| {
        let folder = tempfile::tempdir().unwrap();
        let records = simulate(&scenario.clone().with_seed(scenario.seed + change)).unwrap();
        write_csv(&records, folder.path(), Mess::workshop()).unwrap();
        folder
    });
    assert!(same_bytes(once.path(), twice.path()));
    assert!(!same_bytes(once.path(), other.path()));
}

#[test]
fn the_committed_extract_is_what_the_simulator_writes() {
    let folder = tempfile::tempdir().unwrap();
    let records = simulate(&Scenario::demo().with_jobs(300)).unwrap();
    let expected = write_csv(&records, folder.path(), Mess::extract()).unwrap();
    let command = "cargo run --release -p fixodds-simulator --example write_records -- sample-data/workshop-extract extract 300";
    assert!(same_bytes(folder.path(), &sample_data().join("workshop-extract")), "write it anew: {command}");
    let mut json = Vec::new();
    expected.write_json(&mut json).unwrap();
    assert!(json == std::fs::read(sample_data().join("workshop-extract-expected.json")).unwrap(), "write it anew: {command}");
}

#[test]
fn streaming_writes_the_same_jobs_in_another_order() {
    let scenario = Scenario::demo().with_jobs(2_000);
    let folder = tempfile::tempdir().unwrap();
    let (truth, expected) = stream_csv(&scenario, folder.path(), Mess::none()).unwrap();
    let records = simulate(&scenario).unwrap();
    assert_eq!(truth.realised.outcomes, records.truth.realised.outcomes);
    assert_eq!(expected.tables["jobs"].rows, records.jobs.len() as u64);
    let column = |file: &str, name: &str| -> Vec<String> {
        let mut cells: Vec<String> = rows(&folder.path().join(file)).iter().map(|row| row[name].clone()).collect();
        cells.sort();
        cells
    };
    let mut closed: Vec<String> = records.jobs.iter().map(|j| j.closed_on.to_string()).collect();
    closed.sort();
    assert_eq!(column("jobs.csv", "closed_on"), closed);
    assert_eq!(column("jobs.csv", "job_id").into_iter().collect::<BTreeSet<_>>().len(), records.jobs.len());
}

#[test]
fn messy_files_hold_the_tidy_records_and_the_mess_that_is_announced() {
    let (tidy, messy) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    write_csv(&DEMO, tidy.path(), Mess::none()).unwrap();
    let expected = write_csv(&DEMO, messy.path(), Mess::workshop()).unwrap();
    let jobs = &expected.tables["jobs"];
    let quarantined: u64 = jobs.quarantined.values().sum();
    assert_eq!(jobs.quarantined.len(), BrokenRow::ALL.len(), "{:?}", jobs.quarantined);
    assert!(jobs.identical_repeats > 0 && jobs.superseding > 0 && jobs.values_set_aside.len() == 3);

    let messy_jobs = rows(&messy.path().join("jobs.csv"));
    assert_eq!(messy_jobs.len() as u64, jobs.rows);
    assert_eq!(jobs.rows - jobs.identical_repeats - jobs.superseding - quarantined, DEMO.jobs.len() as u64);
    let tidy_numbers: BTreeSet<String> = rows(&tidy.path().join("jobs.csv")).iter().map(|row| row["job_id"].clone()).collect();
    let messy_numbers: BTreeSet<String> = messy_jobs.iter().map(|row| row["Job No"].clone()).collect();
    let spoilt: Vec<&String> = messy_numbers.difference(&tidy_numbers).collect();
    assert!(tidy_numbers.is_subset(&messy_numbers));
    assert!(spoilt.iter().all(|number| number.is_empty() || number.ends_with('B')));

    for file in FILES {
        let (tidy, messy) = (rows(&tidy.path().join(file)), rows(&messy.path().join(file)));
        let table = &expected.tables[file.trim_end_matches(".csv")];
        assert_eq!(messy.len() as u64, table.rows, "{file}");
        assert_eq!(tidy.len() as u64, table.rows - table.identical_repeats - table.superseding - table.quarantined.values().sum::<u64>());
    }
}

#[test]
fn nobody_can_be_reached_by_what_the_notes_say() {
    for note in DEMO.jobs.iter().filter_map(|j| j.notes.as_deref()) {
        let digits: String = note.chars().filter(char::is_ascii_digit).collect();
        let phone = note.contains("Ring") || note.contains("Text");
        assert!(!phone || digits.starts_with("01632960") || digits.starts_with("07700900"), "{note}");
        assert!(!note.contains('@') || note.ends_with("@example.org"), "{note}");
    }
}

#[test]
fn broken_files_are_there_and_broken() {
    let folder = sample_data().join("broken");
    let read = |name: &str| std::fs::read(folder.join(name)).unwrap();
    assert!(read("empty.csv").is_empty());
    assert_eq!(rows(&folder.join("header-only.csv")).len(), 0);
    for name in ["windows-1252.csv", "utf-16.csv", "binary.csv"] {
        assert!(String::from_utf8(read(name)).is_err(), "{name}");
    }
    assert!(read("binary.csv").contains(&0));
    let wrong = rows(&folder.join("wrong-delimiter.csv"));
    assert!(!wrong.is_empty() && wrong.iter().all(|row| row.len() == 1));
    assert!(!std::fs::read_to_string(folder.join("no-outcome.csv")).unwrap().lines().next().unwrap().contains("utcome"));
    let lines = std::fs::read_to_string(folder.join("broken.jsonl")).unwrap();
    let bad = lines.lines().filter(|line| !serde_json::from_str::<serde_json::Value>(line).is_ok_and(|value| value.is_object())).count();
    assert_eq!((lines.lines().count(), bad), (4, 2));
}
