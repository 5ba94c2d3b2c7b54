//! A person's first hours with their own records: check, correct, read again.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::{fixodds, rows, succeed};

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("ingest").join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// One value of the only row.
fn one(store: &Path, select: &str) -> serde_json::Value {
    let rows = rows(store, select);
    assert_eq!(rows.len(), 1, "{select}");
    rows[0].as_object().unwrap().values().next().unwrap().clone()
}

#[test]
fn rows_of_the_quarantine_are_written_out_corrected_and_read_again() {
    let folder = folder("requeue");
    let (jobs, store, corrected) = (folder.join("jobs.csv"), folder.join("store"), folder.join("corrected.csv"));
    fs::write(
        &jobs,
        "Job No;Date done;Outcome;Notes\n1;03/02/2024;mended-ish;\"kept in; the \"\"van\"\"\"\n2;14/02/2024;repaired;\n3;15/02/2024;repaired;=1+1\n",
    )
    .unwrap();
    let said = succeed(["ingest", text(&jobs), "--store", text(&store), "--source", "the shop"]);
    let hint = said.lines().find(|line| line.contains("--csv")).expect("a query that writes the rows out");
    let select = hint.split('"').nth(1).unwrap();
    let csv = succeed(["query", "--store", text(&store), "--csv", select]);
    assert_eq!(csv.matches("mended-ish").count(), 2, "{csv}");
    fs::write(&corrected, csv.replace("mended-ish", "repaired")).unwrap();
    let hint = said.lines().find(|line| line.contains("--requeue")).expect("how to read them again");
    assert!(hint.contains("--source \"the shop\""), "{hint}");
    succeed(["ingest", "--requeue", text(&corrected), "--store", text(&store), "--source", "the shop"]);
    assert_eq!(one(&store, "SELECT count(*) AS n FROM jobs"), 3);
    assert_eq!(one(&store, "SELECT notes FROM jobs WHERE job_id = '1'"), "kept in; the \"van\"");
    assert_eq!(one(&store, "SELECT closed_on FROM jobs WHERE job_id = '1'"), "2024-02-03");
    assert_eq!(succeed(["query", "--store", text(&store), "--csv", "SELECT notes FROM jobs WHERE job_id = '3'"]), "notes\n=1+1\n");
    assert_eq!(one(&store, "SELECT min(rows_in - accepted - repeats - superseded - quarantined) AS gap FROM ledger"), 0.0);
}

#[test]
fn ingest_needs_files_or_a_corrected_quarantine_and_not_both() {
    for arguments in [&["ingest", "--store", "s"][..], &["ingest", "a.csv", "--requeue", "b.csv", "--store", "s"]] {
        assert_eq!(fixodds(arguments).status.code(), Some(2), "{arguments:?}");
    }
}

#[test]
fn doubtful_texts_are_asked_about_and_the_answers_remembered() {
    let folder = folder("review");
    let (jobs, store, answers) = (folder.join("jobs.csv"), folder.join("store"), folder.join("answers.csv"));
    fs::write(&jobs, "job_id,closed_on,category,outcome,fault_text\n1,2024-01-02,washing machine,repaired,poss bearings?\n").unwrap();
    let said = succeed(["ingest", text(&jobs), "--store", text(&store)]);
    assert!(said.contains("review.csv") && said.contains("--review"), "{said}");
    let asked = fs::read_to_string(store.join("review.csv")).unwrap();
    fs::write(&answers, asked.replace("0.40,,,", "0.40,yes,,")).unwrap();
    let said = succeed(["ingest", text(&jobs), "--store", text(&store), "--review", text(&answers)]);
    assert!(!said.contains("not understood with confidence"), "{said}");
    assert_eq!(one(&store, "SELECT component FROM findings"), "drum_bearings");
    succeed(["ingest", text(&jobs), "--store", text(&store)]);
    assert_eq!(one(&store, "SELECT reached FROM findings"), "review");
}

#[test]
fn check_writes_a_mapping_that_reads_the_file_the_same_way_and_never_over_another() {
    let folder = folder("mapping");
    let (jobs, mapping) = (folder.join("jobs.csv"), folder.join("own.toml"));
    fs::write(&jobs, "Job No,Date done,Customer says,Outcome,Van\n1,13/02/2024,not spinning - tel 07700 900123,repaired,V1\n").unwrap();
    let first = succeed(["check", text(&jobs), "--write-mapping", text(&mapping)]);
    assert!(first.contains("not spinning") && !first.contains("900123"), "{first}");
    let written = fs::read_to_string(&mapping).unwrap();
    assert!(written.contains("\"Customer says\" = \"symptoms\"") && written.contains("\"Van\" = \"extra\""), "{written}");
    let fields = |said: &str| said.lines().filter(|line| line.contains(" -> ")).map(str::to_owned).collect::<Vec<_>>();
    assert_eq!(fields(&succeed(["check", text(&jobs), "--mapping", text(&mapping)])), fields(&first));
    let again = fixodds(["check", text(&jobs), "--write-mapping", text(&mapping)]);
    assert_eq!(again.status.code(), Some(1));
    assert_eq!(fs::read_to_string(&mapping).unwrap(), written);
}

#[test]
fn records_come_through_the_standard_input_too() {
    let folder = folder("standard-input");
    let store = folder.join("store");
    let jobs = "Job No\tDate done\tOutcome\n1\t13/02/2024\trepaired\n2\t14/02/2024\tscrapped\n";
    let mut command = assert_cmd::Command::cargo_bin("fixodds").unwrap();
    command.args(["ingest", "-", "--store", text(&store)]).write_stdin(jobs).assert().success();
    assert_eq!(one(&store, "SELECT string_agg(outcome, ' ' ORDER BY job_id) AS outcomes FROM jobs"), "repaired condemned");
    assert_eq!(one(&store, "SELECT DISTINCT source_file FROM jobs"), "standard input");
    let nothing = assert_cmd::Command::cargo_bin("fixodds").unwrap().args(["check", "-"]).write_stdin("").output().unwrap();
    assert_eq!(nothing.status.code(), Some(1));
    assert!(String::from_utf8(nothing.stderr).unwrap().contains("standard input"));
}
