//! What leaves the house: the data package, the workbook and open repair data.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::support::{demo, fixodds, rows, succeed};

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    if folder.exists() {
        fs::remove_dir_all(&folder).unwrap();
    }
    folder
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn store() -> PathBuf {
    demo().join("store")
}

fn export(store: &Path, format: &str, out: &Path, more: &[&str]) {
    let arguments = ["export", "--store", text(store), "--as", format, "--out", text(out)];
    succeed(arguments.iter().chain(more));
}

fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_string_lossy().into_owned();
                found.insert(name, fs::read(path).unwrap());
            }
        }
    }
    found
}

#[test]
fn the_package_describes_every_table_and_is_the_same_twice() {
    let [first, second] = ["package-first", "package-second"].map(folder);
    export(&store(), "datapackage", &first, &[]);
    export(&store(), "datapackage", &second, &[]);
    let written = files(&first);
    assert!(written == files(&second), "the same evidence gave different bytes");

    let json = |name: &str| -> Value { serde_json::from_slice(&written[name]).unwrap() };
    let descriptor = json("datapackage.json");
    assert_eq!(descriptor["profile"], "tabular-data-package");
    for resource in descriptor["resources"].as_array().unwrap() {
        assert_eq!(resource["profile"], "tabular-data-resource");
        let csv = String::from_utf8(written[resource["path"].as_str().unwrap()].clone()).unwrap();
        assert_eq!(resource["bytes"], csv.len());
        let fields: Vec<&str> =
            resource["schema"]["fields"].as_array().unwrap().iter().map(|field| field["name"].as_str().unwrap()).collect();
        assert_eq!(csv.lines().next().unwrap(), fields.join(","), "{}", resource["name"]);
        assert!(written[resource["parquet"].as_str().unwrap()].starts_with(b"PAR1"));
    }
    let manifest = json("manifest.json");
    assert_eq!(manifest["program"]["version"], env!("CARGO_PKG_VERSION"));
    let inputs = manifest["inputs"].as_array().unwrap();
    assert!(inputs.iter().any(|input| input["file"] == "jobs.csv" && input["blake3"].as_str().unwrap().len() == 64), "{inputs:?}");
    assert_eq!(manifest["files"].as_array().unwrap().len(), written.len() - 1, "every file but the manifest itself");
    let methods = String::from_utf8(written["METHODS.md"].clone()).unwrap();
    for resource in descriptor["resources"].as_array().unwrap() {
        assert!(methods.contains(&format!("\n## {}\n", resource["name"].as_str().unwrap())));
    }
}

/// The store moves on after the analysis: what is exported is of the snapshot that was analysed, and the command says so.
#[test]
fn a_package_is_of_the_snapshot_that_was_analysed() {
    let records = folder("moved-on-records");
    fs::create_dir_all(&records).unwrap();
    let store = folder("moved-on-store");
    let ingest = |name: &str, first: usize| {
        let jobs: String = (first..first + 30).map(|number| format!("{number},2024-05-02,kettle,repaired\n")).collect();
        fs::write(records.join(name), format!("job_id,closed_on,category,outcome\n{jobs}")).unwrap();
        succeed(["ingest", text(&records.join(name)), "--store", text(&store)]);
    };
    ingest("first.csv", 0);
    succeed(["analyse", "--store", text(&store)]);
    ingest("second.csv", 100);
    let out = folder("moved-on-out");
    let exported = fixodds(["export", "--store", text(&store), "--as", "datapackage", "--out", text(&out)]);
    let said = String::from_utf8_lossy(&exported.stderr).into_owned();
    assert!(
        exported.status.success() && said.contains("evidence was made from snapshot 1; the store is at 2: run `fixodds analyse"),
        "{said}"
    );
    let manifest: Value = serde_json::from_slice(&files(&out)["manifest.json"]).unwrap();
    assert_eq!(manifest["snapshot"], "000001");
    let read: Vec<&str> = manifest["inputs"].as_array().unwrap().iter().map(|input| input["file"].as_str().unwrap()).collect();
    assert_eq!(read, ["first.csv"]);
    succeed(["analyse", "--store", text(&store)]);
    let exported = fixodds(["export", "--store", text(&store), "--as", "datapackage", "--out", text(&out)]);
    assert!(exported.stderr.is_empty(), "{}", String::from_utf8_lossy(&exported.stderr));
}

/// With the Python package `frictionless` (its path in FIXODDS_FRICTIONLESS, or on the PATH), the published validator of the standard.
#[test]
fn the_published_validator_accepts_the_package() {
    let validator = std::env::var("FIXODDS_FRICTIONLESS").unwrap_or_else(|_| "frictionless".to_owned());
    if Command::new(&validator).arg("--version").output().is_err() {
        eprintln!("skipped: the Python package frictionless is not installed; see DEVELOPERS.md");
        return;
    }
    let out = folder("package-validated");
    export(&store(), "datapackage", &out, &[]);
    let output = Command::new(&validator).args(["validate", "--json"]).arg(out.join("datapackage.json")).output().unwrap();
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(report["valid"], true, "{report:#}");
    assert!(report["stats"]["tasks"].as_i64().unwrap() > 10);
}

#[test]
fn free_text_job_numbers_and_serials_stay_in_the_store() {
    let records = folder("secret-records");
    fs::create_dir_all(&records).unwrap();
    let mut jobs = "job_id,closed_on,category,brand,model,serial,component,outcome,fault_text,notes\n".to_owned();
    for number in 0..30 {
        jobs += &format!(
            "SECRETJOB{number},2024-05-{:02},washing machine,Orrowby,ORB-W391,SECRETSERIAL{number},drain pump,repaired,zweitwort clogged,neighbour Zibbledorf waits\n",
            number % 28 + 1
        );
    }
    fs::write(records.join("jobs.csv"), jobs).unwrap();
    let store = folder("secret-store");
    succeed(["ingest", text(&records.join("jobs.csv")), "--store", text(&store)]);
    succeed(["analyse", "--store", text(&store)]);
    let out = folder("secret-out");
    for format in ["datapackage", "ords", "xlsx"] {
        export(&store, format, &out.join(format), &["--least-cell", "1"]);
    }
    succeed(["report", "--store", text(&store), "--out", text(&out.join("report"))]);
    for (name, bytes) in files(&out) {
        let parts = if name.ends_with(".xlsx") { unzipped(&bytes) } else { BTreeMap::from([(name.clone(), bytes)]) };
        for (part, bytes) in parts {
            let content = String::from_utf8_lossy(&bytes);
            for secret in ["SECRETJOB", "SECRETSERIAL", "Zibbledorf", "zweitwort"] {
                assert!(!content.contains(secret), "{name} {part} holds {secret}");
            }
        }
    }
    let ords = fs::read_to_string(out.join("ords/open-repair-data-v0.3.csv")).unwrap();
    assert!(ords.contains("Faulty: Drain pump. [free text withheld]"), "{ords}");
}

fn unzipped(bytes: &[u8]) -> BTreeMap<String, Vec<u8>> {
    let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
    (0..archive.len())
        .map(|place| {
            let mut file = archive.by_index(place).unwrap();
            let mut bytes = Vec::new();
            file.read_to_end(&mut bytes).unwrap();
            (file.name().unwrap().into_owned(), bytes)
        })
        .collect()
}

#[test]
fn nothing_in_the_workbook_is_a_formula() {
    let records = folder("hostile-records");
    fs::create_dir_all(&records).unwrap();
    let brands = ["=HYPERLINK(\"\"http://x.example\"\",\"\"y\"\")", "+1+1", "-2+3", "@SUM(A1)", "{=1+1}", "<f>1+1</f>"];
    let mut jobs = "job_id,closed_on,category,brand,model,component,outcome\n".to_owned();
    for (place, brand) in brands.iter().enumerate() {
        for number in 0..12 {
            jobs += &format!(
                "{place}-{number},2024-05-{:02},washing machine,\"{brand}\",\"=cmd|' /C calc'!A{place}\",drain pump,repaired\n",
                number + 1
            );
        }
    }
    fs::write(records.join("jobs.csv"), jobs).unwrap();
    let store = folder("hostile-store");
    succeed(["ingest", text(&records.join("jobs.csv")), "--store", text(&store)]);
    succeed(["analyse", "--store", text(&store)]);
    let [out, again] = ["hostile-out", "hostile-again"].map(folder);
    export(&store, "xlsx", &out, &[]);
    export(&store, "xlsx", &again, &[]);
    let workbook = fs::read(out.join("evidence.xlsx")).unwrap();
    assert!(workbook == fs::read(again.join("evidence.xlsx")).unwrap(), "the same evidence gave different bytes");
    let parts = unzipped(&workbook);
    let strings = String::from_utf8_lossy(&parts["xl/sharedStrings.xml"]).into_owned();
    assert!(strings.to_uppercase().contains("=HYPERLINK("), "the hostile text is kept as a text");
    let sheets: Vec<&String> = parts.keys().filter(|name| name.starts_with("xl/worksheets/sheet")).collect();
    assert!(sheets.len() > 15, "{sheets:?}");
    for (name, bytes) in &parts {
        let content = String::from_utf8_lossy(bytes);
        if name.starts_with("xl/worksheets/sheet") {
            assert!(!content.contains("<f>") && !content.contains("<f "), "{name} holds a formula");
            assert!(!content.contains("<hyperlink"), "{name} holds a link");
            assert!(content.contains("state=\"frozen\""), "{name} has no frozen titles");
        }
    }
    assert!(String::from_utf8_lossy(&parts["xl/workbook.xml"]).contains("name=\"contents\""));
}

/// The standard's statuses, categories, brands and years, read back as what they were.
#[test]
fn open_repair_data_reads_back_with_the_same_counts() {
    let out = folder("ords");
    export(&store(), "ords", &out, &["--country", "GBR"]);
    let file = out.join("open-repair-data-v0.3.csv");
    let titles = "id,data_provider,country,partner_product_category,product_category,product_category_id,brand,year_of_manufacture,product_age,\
                  repair_status,repair_barrier_if_end_of_life,group_identifier,event_date,problem";
    assert!(fs::read_to_string(&file).unwrap().starts_with(titles));
    let back = folder("ords-store");
    let report: Value = serde_json::from_str(&succeed(["ingest", text(&file), "--store", text(&back), "--json"])).unwrap();
    assert!(report.to_string().contains("\"quarantined\":0"), "{report:#}");
    let counts = |store: &Path, select: &str| -> BTreeMap<String, i64> {
        rows(store, select).into_iter().map(|row| (row["what"].as_str().unwrap_or("").to_owned(), row["jobs"].as_i64().unwrap())).collect()
    };
    let status = "CASE outcome WHEN 'declined' THEN 'repairable' WHEN 'no_fault_found' THEN 'unknown' ELSE outcome END";
    let barrier = "CASE WHEN outcome = 'condemned' AND not_repaired_reason IN ('part_unavailable', 'part_too_expensive', 'cannot_be_opened', \
                   'no_repair_information', 'no_equipment', 'worn_out') THEN not_repaired_reason END";
    for what in [status, barrier, "category", "coalesce(brand, 'unknown')", "CAST(extract(YEAR FROM closed_on) AS VARCHAR)"] {
        let select = format!("SELECT {what} AS what, count(*) AS jobs FROM jobs GROUP BY 1 ORDER BY 1");
        let (here, there) = (counts(&store(), &select), counts(&back, &select));
        assert_eq!(here, there, "{what}");
    }
}

#[test]
fn bad_orders_are_refused_with_a_reason() {
    let out = folder("refused");
    for (arguments, reason) in [
        (vec!["export", "--store", "/nowhere/at/all", "--as", "xlsx", "--out", text(&out)], "/nowhere/at/all"),
        (vec!["export", "--store", text(&store()), "--as", "ords", "--country", "Wales", "--out", text(&out)], "GBR"),
        (vec!["export", "--store", text(&store()), "--as", "xlsx", "--least-cell", "0", "--out", text(&out)], "least-cell"),
    ] {
        let output = fixodds(&arguments);
        assert!(!output.status.success(), "{arguments:?}");
        assert!(String::from_utf8_lossy(&output.stderr).contains(reason), "{}", String::from_utf8_lossy(&output.stderr));
    }
}
