//! The SQL between store and estimators: what its files say they read, and records that must not be taken for others.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{rows, succeed};

/// A store with evidence over these CSV files.
fn analysed(name: &str, files: &[(&str, String)]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let store = folder.join("store");
    let mut ingest = vec!["ingest".to_owned()];
    for (table, text) in files {
        let path = folder.join(format!("{table}.csv"));
        fs::write(&path, text).unwrap();
        ingest.push(path.to_str().unwrap().to_owned());
    }
    ingest.extend(["--store".to_owned(), store.to_str().unwrap().to_owned()]);
    succeed(&ingest);
    succeed(["analyse", "--store", store.to_str().unwrap()]);
    store
}

/// The words after FROM and JOIN, and the names given by WITH.
fn tables(sql: &str) -> (BTreeSet<String>, BTreeSet<String>) {
    let code: Vec<&str> = sql.lines().filter(|line| !line.trim_start().starts_with("--")).collect();
    let spaced = code.join(" ").replace('(', " ( ").replace(')', " ) ").replace(',', " , ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let is_name = |word: &str| word.starts_with(|letter: char| letter.is_ascii_lowercase()) && !word.contains('.');
    let after = |keyword: &'static str| words.windows(2).filter(move |pair| pair[0] == keyword).map(|pair| pair[1].to_owned());
    let read = after("FROM").chain(after("JOIN")).filter(|word| is_name(word)).collect();
    let named = words.windows(3).filter(|three| three[1] == "AS" && three[2] == "(").map(|three| three[0].to_owned()).collect();
    (read, named)
}

/// Every file names in its head exactly the tables that it reads.
#[test]
fn the_head_of_each_statement_names_what_it_reads() {
    let sql = Path::new(env!("CARGO_MANIFEST_DIR")).join("analytics/sql");
    let mut checked = 0;
    for folder in ["prepare", "evidence"] {
        for entry in fs::read_dir(sql.join(folder)).unwrap() {
            let path = entry.unwrap().path();
            let text = fs::read_to_string(&path).unwrap();
            let head = text.lines().find_map(|line| line.strip_prefix("-- Reads: ")).unwrap_or_else(|| panic!("{}", path.display()));
            let said: BTreeSet<String> = head.trim_end_matches('.').split(", ").map(str::to_owned).collect();
            let (read, named) = tables(&text);
            let read: BTreeSet<String> = read.difference(&named).cloned().collect();
            assert_eq!(said, read, "{}", path.display());
            checked += 1;
        }
    }
    assert!(checked > 70, "{checked}");
}

/// Most jobs are in pounds. A part in euros, by itself or by its job, has no price here; nor has one that could not be had.
#[test]
fn amounts_in_another_currency_are_no_amounts_of_the_store() {
    let mut jobs = "job_id,closed_on,category,brand,model,component,outcome,currency,price_new,labour_cost,charged\n".to_owned();
    let mut parts = "job_id,component,source,unit_cost,currency,unavailable\n".to_owned();
    for number in 0..12 {
        jobs += &format!("P{number},2024-02-15,washing machine,Orrowby,WM7140,drain pump,repaired,GBP,400,30,80\n");
        parts += &format!("P{number},drain pump,new-original,20,GBP,\n");
    }
    for number in 0..6 {
        jobs += &format!("E{number},2024-02-15,washing machine,Orrowby,WM7140,drain pump,repaired,EUR,4000,300,800\n");
        // Its own currency, none of its own, and one part that could not be had.
        let currency = if number % 2 == 0 { "EUR" } else { "" };
        parts += &format!("E{number},drain pump,new-original,900,{currency},\n");
    }
    jobs += "P99,2024-02-15,washing machine,Orrowby,WM7140,drain pump,repaired,GBP,400,30,80\n";
    parts += "P99,drain pump,new-original,700,GBP,yes\n";
    jobs += "P98,2024-02-15,washing machine,Orrowby,WM7140,drain pump,repaired,GBP,400,30,80\n";
    parts += "P98,drain pump,new-original,500,EUR,\n";
    let store = analysed("currencies", &[("jobs", jobs), ("parts", parts)]);
    let price = rows(
        &store,
        "SELECT estimate, parts FROM part_price WHERE scope_level = 'all' AND component = 'drain_pump' AND statistic = 'price' \
         AND part_source = 'new-original'",
    );
    assert_eq!((&price[0]["estimate"], &price[0]["parts"]), (&Value::from(20.0), &Value::from(12)), "{price:?}");
    let of_new = rows(&store, "SELECT estimate FROM part_price WHERE scope_level = 'all' AND statistic = 'to_price_new'");
    assert_eq!(of_new[0]["estimate"], 0.05);
    // The parts of P99 are none, those of P98 are unknown.
    let cost = rows(
        &store,
        "SELECT cost, jobs FROM repair_cost WHERE scope_level = 'all' AND component IS NULL AND age_from_years IS NULL \
         AND statistic = 'mean' AND cost IN ('parts', 'charged') ORDER BY cost",
    );
    let jobs: Vec<&Value> = cost.iter().map(|row| &row["jobs"]).collect();
    assert_eq!(jobs, [&Value::from(14), &Value::from(12)], "{cost:?}");
}

/// Three jobs on one machine in one day: the pump twice, then the element. The second pump job is the first one's return, not the other way round.
#[test]
fn a_return_comes_after_the_repair() {
    let mut jobs = "job_id,booked_on,closed_on,category,brand,model,machine_id,component,outcome\n".to_owned();
    for (number, component) in ["drain pump", "drain pump", "heating element"].iter().enumerate() {
        jobs += &format!("J{number},2024-02-15,2024-02-15,washing machine,Orrowby,WM7140,M1,{component},repaired\n");
    }
    for number in 0..30 {
        jobs += &format!("K{number},2024-06-15,2024-06-15,washing machine,Orrowby,WM7140,N{number},drain pump,repaired\n");
    }
    let store = analysed("returns", &[("jobs", jobs)]);
    let returns = rows(
        &store,
        "SELECT same_fault, events FROM recall WHERE scope_level = 'all' AND component IS NULL AND part_source IS NULL \
         AND repair_scope IS NULL AND NOT roster_only AND horizon_days = 30 ORDER BY same_fault",
    );
    let events: Vec<&Value> = returns.iter().map(|row| &row["events"]).collect();
    assert_eq!(events, [&Value::from(2), &Value::from(1)], "{returns:?}");
}

/// A platform under washing machines and dryers is two groups: other components, other laws.
#[test]
fn a_platform_is_told_apart_by_category() {
    let mut jobs = "job_id,closed_on,category,brand,model,component,outcome\n".to_owned();
    for number in 0..20 {
        jobs += &format!("W{number},2024-02-15,washing machine,Orrowby,WM7140,drain pump,repaired\n");
        jobs += &format!("D{number},2024-02-15,tumble dryer,Orrowby,TD300,drive belt,repaired\n");
        jobs += &format!("X{number},2024-02-15,tumble dryer,Orrowby,TD900,drive belt,repaired\n");
    }
    let models = "brand,model,category,platform\nOrrowby,WM7140,washing machine,FRAME-2\nOrrowby,TD300,tumble dryer,FRAME-2\nOrrowby,TD900,tumble dryer,FRAME-9\n";
    let store = analysed("platforms", &[("models", models.to_owned()), ("jobs", jobs)]);
    let found = rows(
        &store,
        "SELECT scope, category, max(jobs) AS jobs FROM outcome WHERE scope_level = 'platform' AND not_repaired_reason IS NULL \
         GROUP BY ALL ORDER BY scope",
    );
    let told: Vec<(&str, &str, i64)> = found
        .iter()
        .map(|row| (row["scope"].as_str().unwrap(), row["category"].as_str().unwrap(), row["jobs"].as_i64().unwrap()))
        .collect();
    assert_eq!(
        told,
        [
            ("FRAME-2 (tumble_dryer)", "tumble_dryer", 20),
            ("FRAME-2 (washing_machine)", "washing_machine", 20),
            ("FRAME-9", "tumble_dryer", 20)
        ]
    );
}
