//! What a user may feed it by mistake or on purpose: a clear error or quarantine, never a panic, nothing lost.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::{fixodds, rows};

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("bad-input").join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn ingest(file: &Path, store: &Path) -> (Option<i32>, String) {
    let output = fixodds(["ingest", file.to_str().unwrap(), "--store", store.to_str().unwrap()]);
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(!said.contains("panicked"), "{}: {said}", file.display());
    (output.status.code(), said)
}

#[test]
fn every_broken_sample_gets_a_clear_answer() {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/broken");
    let mut tried = 0;
    for entry in fs::read_dir(samples).unwrap() {
        let file = entry.unwrap().path();
        if file.extension().is_some_and(|extension| extension == "md") {
            continue;
        }
        let store = folder(file.file_name().unwrap().to_str().unwrap()).join("store");
        let (code, said) = ingest(&file, &store);
        tried += 1;
        match code {
            Some(0) => {
                for account in rows(&store, "SELECT rows_in, accepted + repeats + superseded + quarantined AS parts FROM ledger") {
                    assert_eq!(account["rows_in"].as_f64(), account["parts"].as_f64(), "{}", file.display());
                }
            }
            Some(1) => assert!(said.contains(file.file_name().unwrap().to_str().unwrap()), "{}: {said}", file.display()),
            other => panic!("{}: exit {other:?}: {said}", file.display()),
        }
    }
    assert!(tried >= 6, "only {tried} broken samples");
}

#[test]
fn an_analysis_with_too_little_memory_says_what_to_do() {
    let store = folder("little-memory").join("store");
    let extract = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-data/workshop-extract");
    let (code, said) = ingest(&extract, &store);
    assert_eq!(code, Some(0), "{said}");
    let output = fixodds(["analyse", "--memory-mib", "1", "--store", store.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("larger --memory-mib") && said.lines().count() == 1, "{said}");
}

#[test]
fn a_cell_of_ten_megabytes_is_quarantined_and_the_rest_is_read() {
    let folder = folder("huge-cell");
    let file = folder.join("jobs.csv");
    let huge = "x".repeat(10 * 1024 * 1024);
    fs::write(
        &file,
        format!(
            "job_id,closed_on,outcome,notes\nA1,2024-03-04,repaired,fine\nA2,2024-03-05,repaired,{huge}\nA3,2024-03-06,repaired,fine\n"
        ),
    )
    .unwrap();
    let store = folder.join("store");
    let (code, said) = ingest(&file, &store);
    assert_eq!(code, Some(0), "{said}");
    let ids: Vec<_> = rows(&store, "SELECT job_id FROM jobs ORDER BY job_id").iter().map(|row| row["job_id"].clone()).collect();
    assert!(ids.contains(&"A1".into()) && ids.contains(&"A3".into()), "{ids:?}");
    let quarantined = rows(&store, "SELECT count(*) AS n FROM quarantine");
    assert!(quarantined[0]["n"].as_i64().unwrap() >= 1);
}
