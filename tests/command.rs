//! Exit codes, messages and `--json` of the command.

use std::path::Path;

use serde_json::Value;

use crate::support::{demo, fixodds, succeed};

fn store() -> String {
    demo().join("store").to_str().unwrap().to_owned()
}

fn refusal(arguments: &[&str]) -> (Option<i32>, String) {
    let output = fixodds(arguments);
    assert!(!output.status.success(), "{arguments:?} succeeded");
    (output.status.code(), String::from_utf8(output.stderr).unwrap())
}

#[test]
fn wrong_usage_exits_with_2() {
    assert_eq!(refusal(&["analyse"]).0, Some(2));
    assert_eq!(refusal(&["mend"]).0, Some(2));
}

#[test]
fn a_store_that_is_not_there_is_named_with_what_to_do() {
    let (code, said) = refusal(&["analyse", "--store", "/nonexistent/store"]);
    assert_eq!(code, Some(1));
    assert!(said.contains("/nonexistent/store") && said.contains("fixodds ingest"), "{said}");
}

#[test]
fn a_store_without_evidence_says_how_to_get_it() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("not-analysed");
    let _ = std::fs::remove_dir_all(&folder);
    let store = folder.to_str().unwrap();
    let jobs = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/workshop-extract/jobs.csv");
    succeed(["ingest", jobs.to_str().unwrap(), "--store", store]);
    let (code, said) = refusal(&["report", "--store", store, "--out", store]);
    assert_eq!(code, Some(1));
    assert!(said.contains("fixodds analyse"), "{said}");
}

#[test]
fn analyse_answers_json() {
    let about: Value = serde_json::from_str(&succeed(["analyse", "--json", "--store", &store()])).unwrap();
    assert!(about["jobs"].as_i64().unwrap() > 30_000);
    assert_eq!(about["currency"], "GBP");
}

#[test]
fn query_reads_and_cannot_write_or_reach_other_files() {
    let answer = succeed(["query", "--store", &store(), "SELECT count(*) AS jobs FROM jobs"]);
    assert!(answer.starts_with("jobs\n"), "{answer}");
    for select in [
        "COPY jobs TO '/tmp/fixodds-stolen.csv'",
        "SELECT 1; DROP VIEW jobs",
        "SELECT * FROM read_csv('/etc/passwd')",
        "SELECT * FROM read_text('/etc/passwd')",
        "SELECT * FROM '/etc/passwd'",
        "INSTALL httpfs",
        "SET memory_limit = '90GB'",
        "ATTACH '/tmp/fixodds-other.duckdb'",
        "SELECT 1) TO '/tmp/fixodds-stolen.csv' --",
    ] {
        let (code, said) = refusal(&["query", "--store", &store(), select]);
        assert_eq!(code, Some(1), "{select}: {said}");
    }
    assert!(!Path::new("/tmp/fixodds-stolen.csv").exists());
    assert!(!Path::new("/tmp/fixodds-other.duckdb").exists());
}

#[test]
fn strict_exits_with_3_when_rows_were_quarantined() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("strict");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    let jobs = folder.join("jobs.csv");
    std::fs::write(&jobs, "job_id,closed_on,outcome\nA1,2024-03-04,repaired\nA2,2024-03-05,eaten by a goat\n").unwrap();
    let store = folder.join("store");
    let output = fixodds(["ingest", "--strict", jobs.to_str().unwrap(), "--store", store.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(3), "{output:?}");
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(said.contains("eaten by a goat") || said.contains("outcome"), "{said}");
}

#[test]
fn check_writes_nothing_and_says_what_is_read_as_what() {
    let extract = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/workshop-extract");
    let said = succeed(["check", extract.to_str().unwrap()]);
    for field in ["job_id", "closed_on", "outcome", "model"] {
        assert!(said.contains(field), "no {field} in {said}");
    }
    let json: Value = serde_json::from_str(&succeed(["check", "--json", extract.to_str().unwrap()])).unwrap();
    assert!(json.is_object());
}
