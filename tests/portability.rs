//! The SQL between store and estimators on another engine: Apache Spark gives every table of the embedded database, through one dialect.

use std::path::Path;
use std::process::{Command, Output};

use crate::support::demo;

/// Ends well where the packages of `tests/portability/requirements.txt` and a Java are there.
const PROBE: &str = "import os, shutil, duckdb, pyspark, sqlglot; assert os.environ.get('JAVA_HOME') or shutil.which('java')";

/// The interpreter that can run the comparison.
fn python() -> Option<String> {
    let python = std::env::var("FIXODDS_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let probed = Command::new(&python).args(["-c", PROBE]).output();
    probed.is_ok_and(|output| output.status.success()).then_some(python)
}

fn compare(python: &str, more: &[&str]) -> Output {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/portability/portability.py");
    Command::new(python).arg("-B").arg(script).arg(demo().join("store")).args(more).output().unwrap()
}

#[test]
fn another_engine_gives_every_table() {
    let Some(python) = python() else {
        eprintln!("skipped: no Python with the packages of tests/portability/requirements.txt, or no Java; see DEVELOPERS.md");
        return;
    };
    let output = compare(&python, &[]);
    let printed = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{printed}\n{}", String::from_utf8_lossy(&output.stderr));
    let equal = printed.lines().filter(|line| line.ends_with(" equal")).count();
    assert!(equal > 90, "only {equal} tables were compared:\n{printed}");

    // The comparison can fail: decimals divided as decimals are not what the embedded database gives.
    let wrong = compare(&python, &["--without", "double_literals", "--fail-fast"]);
    let printed = String::from_utf8_lossy(&wrong.stdout);
    assert!(!wrong.status.success() && printed.contains("DIFFERS"), "{printed}\n{}", String::from_utf8_lossy(&wrong.stderr));
}
