//! What the program is built from: licences that may be passed on, and no direct dependency that is unused or unexplained.

use std::fs;
use std::path::Path;
use std::process::Command;

use serde_json::Value;
use spdx::{Expression, ParseMode};

/// Licences that ask for no more than to be passed on with the program.
const ACCEPTED: [&str; 11] =
    ["0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0", "ISC", "MIT", "MIT-0", "Unicode-3.0", "Zlib"];
/// Named in the root manifest for their features alone; the comment there says why.
const CARRY_FEATURES: [&str; 3] = ["ahash", "either", "regex-automata"];

/// What cargo knows of the packages for this kind of machine.
fn packages() -> Vec<Value> {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let run = |arguments: &[&str]| {
        let output = Command::new(&cargo).args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        output.stdout
    };
    let version = String::from_utf8(run(&["-vV"])).unwrap();
    let host = version.lines().find_map(|line| line.strip_prefix("host: ")).unwrap();
    let metadata = run(&["metadata", "--format-version", "1", "--locked", "--offline", "--filter-platform", host]);
    serde_json::from_slice::<Value>(&metadata).unwrap()["packages"].as_array().unwrap().clone()
}

#[test]
fn every_library_has_a_licence_that_may_be_passed_on() {
    let packages = packages();
    assert!(packages.len() > 100, "{} packages", packages.len());
    let refused: Vec<String> = packages
        .iter()
        .filter(|package| {
            let stated = package["license"].as_str().unwrap_or_default();
            // Older packages write `MIT/Apache-2.0`.
            let expression = Expression::parse_mode(stated, ParseMode::LAX);
            let accepted = |licence: &spdx::LicenseReq| licence.license.id().is_some_and(|id| ACCEPTED.contains(&id.name));
            !expression.is_ok_and(|expression| expression.evaluate(accepted))
        })
        .map(|package| format!("{} {}: {}", package["name"], package["version"], package["license"]))
        .collect();
    assert!(refused.is_empty(), "{refused:#?}");
}

/// Whether a Rust file below the folder, other than in crates of their own, names something of the crate.
fn named_in(folder: &Path, path_in_crate: &str) -> bool {
    fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).any(|path| {
        if path.is_dir() {
            !path.join("Cargo.toml").exists() && named_in(&path, path_in_crate)
        } else {
            path.extension().is_some_and(|kind| kind == "rs") && fs::read_to_string(&path).unwrap().contains(path_in_crate)
        }
    })
}

#[test]
fn every_direct_dependency_is_used_and_explained() {
    let developers = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    let (_, explained) = developers.split_once("## Direct dependencies").unwrap();
    let mut wrong = Vec::new();
    for member in packages().iter().filter(|package| package["source"].is_null()) {
        let folder = Path::new(member["manifest_path"].as_str().unwrap()).parent().unwrap();
        for dependency in member["dependencies"].as_array().unwrap() {
            let name = dependency["name"].as_str().unwrap();
            let used = ["src", "tests", "benches"]
                .iter()
                .any(|part| folder.join(part).is_dir() && named_in(&folder.join(part), &format!("{}::", name.replace('-', "_"))));
            if !used && !CARRY_FEATURES.contains(&name) {
                wrong.push(format!("{} does not use {name}", member["name"]));
            }
            if !name.starts_with("fixodds-") && !explained.contains(name) {
                wrong.push(format!("DEVELOPERS.md does not say why {name} is there"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
