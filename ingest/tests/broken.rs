use std::path::Path;

use fixodds_ingest::Doubt;

use crate::support::{Workshop, counts};

fn refusal(name: &str, content: &[u8]) -> String {
    let workshop = Workshop::new();
    let file = workshop.file(name, content);
    let message = workshop.try_ingest(&[file]).unwrap_err().to_string();
    assert!(message.starts_with(name), "the file is not named: {message}");
    assert!(!workshop.options.store.exists(), "a store was made");
    message
}

#[test]
fn files_that_cannot_be_read_are_refused_with_advice() {
    assert!(refusal("empty.csv", b"").contains("the file is empty"));
    assert!(refusal("book.xlsx", b"PK\x03\x04\0\0\0\0").contains("book.xlsx: the file is damaged"));
    assert!(refusal("noise.csv", &[0, 1, 2, 250, 9, 7, 3, 8].repeat(20)).contains("binary"));
    assert!(refusal("tilde.csv", b"job_id~closed_on~outcome\n1~2021-01-02~repaired\n").contains("only one column"));
    assert!(refusal("mixed.csv", b"job_id,closed_on,outcome\n1;2021-01-02;repaired\n").contains("one separator"));
    assert!(refusal("odd.csv", b"wind,weather\n1,2\n").contains("jobs=odd.csv"));
    let missing = refusal("jobs.csv", b"job_id,closed_on,brand,model\n1,2021-01-02,Orrowby,WM1\n");
    assert!(missing.contains("line 1") && missing.contains("outcome") && missing.contains("[jobs.columns]"), "{missing}");
}

#[test]
fn titles_without_rows_are_an_empty_table() {
    let report = Workshop::new().ingest_text("jobs.csv", "job_id,closed_on,outcome\n");
    assert_eq!(counts(&report.total("jobs")), [0; 5]);
}

#[test]
fn a_value_of_ten_megabytes_costs_its_row_only() {
    let workshop = Workshop::new();
    let long = "x".repeat(10 << 20);
    let report = workshop
        .ingest_text("jobs.csv", format!("job_id,closed_on,outcome,notes\n1,2021-01-02,repaired,{long}\n2,2021-01-03,repaired,ok\n"));
    assert_eq!(counts(&report.total("jobs")), [2, 1, 0, 0, 1]);
    let quarantine = &workshop.rows("quarantine")[0];
    assert_eq!(quarantine["reason"], "cell_too_long");
    assert_eq!(quarantine["value"], "10485760 bytes");
    assert!(quarantine["raw"].len() <= 16 * 1024 && quarantine["raw"].contains("xxx"));
}

#[test]
fn other_encodings_are_read_and_said() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text("jobs.csv", b"job_id,closed_on,outcome,charged,notes\n1,2021-01-02,repaired,\xa312.50,caf\xe9\n");
    assert_eq!(workshop.column("jobs", "notes"), ["café"]);
    assert_eq!(workshop.column("jobs", "currency"), ["GBP"]);
    assert!(report.doubts.iter().any(|doubt| matches!(doubt, Doubt::EncodingAssumed { line: Some(2), .. })));
}

/// The files that come with the project; each is broken in its own way (see the README beside them).
#[test]
fn the_broken_samples_are_refused_or_accounted_for() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sample-data/broken");
    let outcome = |name: &str| {
        let workshop = Workshop::new();
        let result = workshop.try_ingest(&[folder.join(name)]);
        result.map(|report| counts(&report.total("jobs"))).map_err(|error| error.to_string())
    };
    for (name, part_of_message) in
        [("empty.csv", "empty"), ("no-outcome.csv", "outcome"), ("wrong-delimiter.csv", "semicolons"), ("binary.csv", "binary")]
    {
        let message = outcome(name).unwrap_err();
        assert!(message.contains(name) && message.contains(part_of_message), "{message}");
    }
    for (name, expected) in [
        ("header-only.csv", [0; 5]),
        ("windows-1252.csv", [2, 2, 0, 0, 0]),
        ("utf-16.csv", [2, 2, 0, 0, 0]),
        ("unclosed-quote.csv", [2, 1, 0, 0, 1]),
        ("two-columns-alike.csv", [1, 1, 0, 0, 0]),
        ("broken.jsonl", [4, 2, 0, 0, 2]),
    ] {
        assert_eq!(outcome(name), Ok(expected), "{name}");
    }
}
