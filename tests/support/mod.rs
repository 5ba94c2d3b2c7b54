//! Shared by the end-to-end tests.

pub mod browser;

use std::path::{Path, PathBuf};
use std::process::Output;
use std::sync::OnceLock;

/// Runs the program with these arguments.
pub fn fixodds<S: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = S>) -> Output {
    assert_cmd::Command::cargo_bin("fixodds").expect("the program is built").args(arguments).output().expect("the program runs")
}

/// Runs the program and insists that it succeeds; gives what it printed.
pub fn succeed<S: AsRef<std::ffi::OsStr>>(arguments: impl IntoIterator<Item = S>) -> String {
    let output = fixodds(arguments);
    assert!(
        output.status.success(),
        "exit {:?}\nstdout: {}\nstderr: {}",
        output.status.code(),
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("output is UTF-8")
}

/// The demo, made once for all tests.
pub fn demo() -> &'static Path {
    static DEMO: OnceLock<PathBuf> = OnceLock::new();
    DEMO.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("demo");
        if folder.exists() {
            std::fs::remove_dir_all(&folder).expect("the last demo can be removed");
        }
        succeed(["demo", "--out", folder.to_str().expect("a path in UTF-8")]);
        folder
    })
}

/// Rows of a query over a store.
pub fn rows(store: &Path, select: &str) -> Vec<serde_json::Value> {
    let answer = succeed(["query", "--json", "--store", store.to_str().expect("a path in UTF-8"), select]);
    answer.lines().map(|line| serde_json::from_str(line).expect("a JSON object a line")).collect()
}
