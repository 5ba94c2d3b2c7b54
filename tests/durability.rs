//! Nothing is lost: killed at any moment, out of disk, read-only, two at once, damaged files. The store holds the old or the new
//! snapshot whole, and a rerun completes.
//!
//! `FIXODDS_KILLS` says how many moments are tried (12 without it).

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use crate::support::{fixodds, rows, succeed};

fn program() -> PathBuf {
    assert_cmd::cargo::cargo_bin("fixodds")
}

fn extract() -> &'static str {
    concat!(env!("CARGO_MANIFEST_DIR"), "/sample-data/workshop-extract")
}

/// A folder with a store of the sample workshop, analysed.
fn workshop(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("durability").join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let store = folder.join("store");
    succeed(["ingest", extract(), "--store", text(&store)]);
    succeed(["analyse", "--store", text(&store)]);
    folder
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

/// Jobs of their own numbers.
fn more_jobs(folder: &Path, batch: usize, count: usize) -> PathBuf {
    let path = folder.join(format!("more-{batch}.csv"));
    let lines: String =
        (0..count).map(|n| format!("B{batch}-{n},2025-03-{:02},washing machine,Orrowby,drum bearings,repaired,35\n", n % 28 + 1)).collect();
    fs::write(&path, format!("job_id,closed_on,category,brand,component,outcome,labour_minutes\n{lines}")).unwrap();
    path
}

fn jobs(store: &Path) -> i64 {
    rows(store, "SELECT count(*) AS jobs FROM jobs")[0]["jobs"].as_i64().unwrap()
}

/// No damage, and the accounting adds up.
fn assert_sound(store: &Path) {
    succeed(["store", "verify", "--store", text(store)]);
    for account in rows(store, "SELECT rows_in, accepted + repeats + superseded + quarantined AS parts FROM ledger") {
        assert_eq!(account["rows_in"].as_f64(), account["parts"].as_f64());
    }
}

fn start(arguments: &[&str]) -> Child {
    Command::new(program()).args(arguments).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

fn kills() -> u32 {
    std::env::var("FIXODDS_KILLS").ok().and_then(|number| number.parse().ok()).unwrap_or(12)
}

/// Moments spread over the whole run and a little longer, in an order that looks random (steps of the golden ratio).
fn moment(try_number: u32, whole: Duration) -> Duration {
    whole.mul_f64(1.2 * (f64::from(try_number) * 0.618_033_988_75).fract())
}

#[test]
fn an_ingest_killed_at_any_moment_leaves_the_old_snapshot_or_the_new_one() {
    let folder = workshop("killed-ingest");
    let store = folder.join("store");
    let file = more_jobs(&folder, 0, 20_000);
    let started = Instant::now();
    succeed(["ingest", text(&file), "--store", text(&store)]);
    let mut whole = started.elapsed();
    let mut held = jobs(&store);
    let (mut old, mut new) = (0, 0);
    for try_number in 1..=kills() {
        let file = more_jobs(&folder, try_number as usize, 20_000);
        let mut child = start(&["ingest", text(&file), "--store", text(&store)]);
        thread::sleep(moment(try_number, whole));
        child.kill().unwrap();
        child.wait().unwrap();
        assert_sound(&store);
        let now = jobs(&store);
        assert!(now == held || now == held + 20_000, "{now} jobs after {held}");
        if now == held {
            old += 1
        } else {
            new += 1
        }
        let started = Instant::now();
        succeed(["ingest", text(&file), "--store", text(&store)]);
        whole = started.elapsed();
        assert_sound(&store);
        held += 20_000;
        assert_eq!(jobs(&store), held, "a rerun completes, and counts nothing twice");
        fs::remove_file(&file).unwrap();
    }
    println!("killed {} times: {old} old snapshots, {new} new", kills());
}

#[test]
fn an_analysis_killed_at_any_moment_leaves_the_old_evidence_or_the_new_one() {
    let folder = workshop("killed-analysis");
    let store = folder.join("store");
    let started = Instant::now();
    succeed(["analyse", "--store", text(&store)]);
    let whole = started.elapsed();
    for try_number in 1..=kills() {
        let mut child = start(&["analyse", "--store", text(&store)]);
        thread::sleep(moment(try_number, whole));
        child.kill().unwrap();
        child.wait().unwrap();
        assert_sound(&store);
        succeed(["odds", "--category", "washing machine", "--store", text(&store)]);
    }
    succeed(["analyse", "--store", text(&store)]);
    assert_sound(&store);
    let left: Vec<String> = fs::read_dir(&store).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    assert!(!left.iter().any(|name| name.starts_with(".analysis")), "leftovers: {left:?}");
}

/// A limit on the size of files makes writing fail as a full disk does.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_the_old_snapshot() {
    let folder = workshop("full-disk");
    let store = folder.join("store");
    let held = jobs(&store);
    let file = more_jobs(&folder, 1, 20_000);
    let limited = |blocks: u32, arguments: &str| -> Output {
        let script = format!("trap '' XFSZ; ulimit -f {blocks}; exec '{}' {arguments}", text(&program()));
        Command::new("sh").args(["-c", &script]).output().unwrap()
    };
    for blocks in [0, 8, 64] {
        let output = limited(blocks, &format!("ingest '{}' --store '{}'", text(&file), text(&store)));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("write") && !said.contains("panicked"), "{said}");
        assert_sound(&store);
        assert_eq!(jobs(&store), held);
        let output = limited(blocks, &format!("analyse --store '{}'", text(&store)));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!output.status.success() && !said.contains("panicked"), "{said}");
        assert_sound(&store);
    }
    succeed(["ingest", text(&file), "--store", text(&store)]);
    assert_eq!(jobs(&store), held + 20_000);
}

#[cfg(unix)]
#[test]
fn a_read_only_store_is_said_and_left_alone() {
    use std::os::unix::fs::PermissionsExt;
    let folder = workshop("read-only");
    let store = folder.join("store");
    let file = more_jobs(&folder, 1, 10);
    let mode = |mode: u32| {
        for path in [store.clone(), store.join("snapshots"), store.join("evidence")] {
            fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
        }
    };
    mode(0o555);
    let may_write_anyway = fs::write(store.join("probe"), "").is_ok();
    if may_write_anyway {
        // the superuser may write everywhere
        fs::remove_file(store.join("probe")).unwrap();
        mode(0o755);
        eprintln!("skipped: this user may write to read-only folders");
        return;
    }
    for arguments in [["ingest", text(&file)].as_slice(), &["analyse"]] {
        let output = fixodds(arguments.iter().copied().chain(["--store", text(&store)]));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains(text(&store)) && !said.contains("panicked"), "{said}");
    }
    mode(0o755);
    assert_sound(&store);
}

#[test]
fn two_ingests_at_once_do_not_mix() {
    let folder = workshop("two-at-once");
    let store = folder.join("store");
    let held = jobs(&store);
    let files = [1, 2].map(|batch| more_jobs(&folder, batch, 20_000));
    let mut children = files.each_ref().map(|file| start(&["ingest", text(file), "--store", text(&store)]));
    let done = children.each_mut().map(|child| child.wait().unwrap().success());
    assert_sound(&store);
    let succeeded = done.iter().filter(|done| **done).count() as i64;
    assert!(succeeded >= 1, "one of them must come through");
    assert_eq!(jobs(&store), held + 20_000 * succeeded);
}

/// The regular files of a folder and its subfolders.
fn files_below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(files_below(&path)) } else { found.push(path) }
    }
    found.sort();
    found
}

#[test]
fn damage_is_named_and_the_last_good_snapshot_can_be_used() {
    let folder = workshop("damaged");
    let store = folder.join("store");
    let held = jobs(&store);
    succeed(["ingest", text(&more_jobs(&folder, 1, 1_000)), "--store", text(&store)]);
    succeed(["analyse", "--store", text(&store)]);
    assert_sound(&store);
    let current = store.join("snapshots/000002");
    let evidence = store.join("evidence").join(fs::read_link(store.join("evidence/current")).unwrap());
    for path in files_below(&current).into_iter().chain(files_below(&evidence)) {
        let sound = fs::read(&path).unwrap();
        let mut flipped = sound.clone();
        flipped[sound.len() / 2] ^= 1;
        for damaged in [flipped, sound[..sound.len() - 1].to_vec(), Vec::new()] {
            fs::remove_file(&path).unwrap();
            fs::write(&path, &damaged).unwrap();
            let output = fixodds(["store", "verify", "--store", text(&store)]);
            let said = String::from_utf8_lossy(&output.stdout).into_owned();
            assert_eq!(output.status.code(), Some(1), "{}: {said}", path.display());
            let is_list = path.ends_with("checksums.b3");
            let name = path.file_name().unwrap().to_str().unwrap();
            assert!(is_list || said.contains(name), "{name}: {said}");
            let reader = if path.starts_with(&current) { "analyse" } else { "report" };
            let out = folder.join("reports");
            let mut arguments = vec![reader, "--store", text(&store)];
            arguments.extend(if reader == "report" { vec!["--out", text(&out)] } else { Vec::new() });
            let output = fixodds(arguments);
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(1), "{}: {said}", path.display());
            assert!(!said.contains("panicked") && (is_list || said.contains(name)), "{name}: {said}");
        }
        fs::write(&path, &sound).unwrap();
    }
    assert_sound(&store);
    fs::remove_file(current.join("jobs/000002-0001.parquet")).unwrap();
    let said = succeed(["store", "rollback", "--store", text(&store)]);
    assert!(said.contains("000001") && said.contains("000002"), "{said}");
    assert_eq!(jobs(&store), held);
    succeed(["ingest", text(&more_jobs(&folder, 1, 1_000)), "--store", text(&store)]);
    succeed(["analyse", "--store", text(&store)]);
    assert_sound(&store);
    assert_eq!(jobs(&store), held + 1_000);
}
