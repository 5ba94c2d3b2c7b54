//! The advocate's numbers: parts against the law, counted by hand on a calendar, and claims that can be found again.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::support::{demo, fixodds, rows, succeed};

/// Orders with their dates, and the working days counted on a calendar of 2024: 1 January 2024 was a Monday.
const ORDERS: [(&str, &str, i64); 8] = [
    ("2024-01-01", "2024-01-01", 0),  // the same Monday
    ("2024-01-05", "2024-01-08", 1),  // Friday to Monday
    ("2024-01-06", "2024-01-08", 1),  // Saturday to Monday
    ("2024-01-06", "2024-01-07", 0),  // Saturday to Sunday
    ("2024-01-01", "2024-01-22", 15), // three weeks: at the limit, not late
    ("2024-01-01", "2024-01-23", 16), // one day more: late
    ("2024-01-01", "2024-01-26", 19), // late, but not when four holidays are allowed for
    ("2024-01-01", "2024-01-29", 20), // late in any case
];

#[test]
fn waits_are_counted_in_working_days() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("law");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let mut jobs = "job_id,closed_on,category,brand,model,component,outcome\n".to_owned();
    let mut parts = "job_id,component,source,unit_cost,ordered_on,received_on,unavailable\n".to_owned();
    let mut job = |number: usize, part: String, model: &str| {
        jobs += &format!("J{number},2024-02-15,washing machine,Orrowby,{model},drain pump,repaired\n");
        parts += &format!("J{number},drain pump,{part}\n");
    };
    for (number, (ordered, received, _)) in ORDERS.iter().enumerate() {
        job(number, format!("new-original,20,{ordered},{received},"), "LATE-1");
    }
    job(20, "new-original,,2024-01-02,,yes".to_owned(), "LATE-1");
    job(21, "new-original,,2024-01-02,,".to_owned(), "LATE-1"); // came on a day that nobody wrote down
    job(22, "new-original,20,2024-01-02,2024-01-04,".to_owned(), "OLD-1"); // after the law's ten years
    job(23, "new-original,20,2024-01-02,2024-01-04,".to_owned(), "NODATE-1");
    job(24, "used,5,,,".to_owned(), "LATE-1"); // not an order
    job(25, "new-original,20,,,".to_owned(), "LATE-1"); // from stock, not an order
    let models = "brand,model,category,first_sold_on,last_sold_on\nOrrowby,LATE-1,washing machine,2019-01-01,2022-06-30\n\
                  Orrowby,OLD-1,washing machine,2004-01-01,2013-06-30\nOrrowby,NODATE-1,washing machine,2009-01-01,\n";
    for (name, text) in [("jobs", jobs.as_str()), ("parts", parts.as_str()), ("models", models)] {
        fs::write(folder.join(format!("{name}.csv")), text).unwrap();
    }
    let store = folder.join("store");
    let files = ["models", "jobs", "parts"].map(|name| folder.join(format!("{name}.csv")).to_str().unwrap().to_owned());
    let store_text = store.to_str().unwrap();
    succeed(["ingest", &files[0], &files[1], &files[2], "--store", store_text]);
    succeed(["analyse", "--store", store_text]);
    let of = |period: &str, statistic: &str| -> Value {
        let select = format!(
            "SELECT orders, orders_open, events, estimate FROM part_supply WHERE scope_level = 'all' AND part_source = 'new-original' AND audience IS NULL \
             AND statutory_class IS NULL AND period = '{period}' AND statistic = '{statistic}'"
        );
        rows(&store, &select).into_iter().next().unwrap_or(Value::Null)
    };
    waits_without_holidays(&store, &folder);
    succeed(["analyse", "--store", store_text]);
    let late = ORDERS.iter().filter(|(.., days)| *days > 15).count();
    let within = of("within", "late");
    assert_eq!((&within["orders"], &within["events"], &within["orders_open"]), (&8.into(), &late.into(), &1.into()));
    assert_eq!(of("within", "late_allowing_holidays")["events"], 1);
    let unavailable = of("within", "unavailable");
    // Nobody wrote down when the part of the repaired machine came; it was not refused.
    assert_eq!((&unavailable["orders"], &unavailable["events"]), (&10.into(), &1.into()));
    assert_eq!(of("within", "late_or_unavailable")["events"], late + 1);
    // Waits in order: 0, 0, 1, 1, 15, 16, 19, 20; the median lies between the fourth and the fifth.
    assert_eq!(of("within", "wait_median")["estimate"], 8.0);
    assert_eq!(of("after", "late")["orders"], 1);
    assert_eq!(of("unknown", "late")["orders"], 1);
    // The model was sold until after the law began to bind, and all these orders came after that day.
    assert_eq!(of("in_force", "late")["orders"], 8);
    let class = rows(
        &store,
        "SELECT audience, statutory_class, orders FROM part_supply WHERE scope_level = 'category' AND statutory_class IS NOT NULL AND statistic = 'late'",
    );
    assert_eq!(class.len(), 1);
    assert_eq!(
        (&class[0]["audience"], &class[0]["statutory_class"], &class[0]["orders"]),
        (&"professional".into(), &"pumps".into(), &8.into())
    );
}

/// With Monday 8 January and Monday 15 January off, the waits of the three weeks are two days shorter and one that ends on the 8th is one shorter;
/// a Saturday off changes nothing. Waits in order: 0, 0, 0, 0, 13, 14, 17, 18.
fn waits_without_holidays(store: &Path, folder: &Path) {
    let file = folder.join("holidays.txt");
    fs::write(&file, "# off\n2024-01-08 no deliveries\n2024-01-15\n2024-01-20 a Saturday\n").unwrap();
    succeed(["analyse", "--store", store.to_str().unwrap(), "--holidays", file.to_str().unwrap()]);
    let found = rows(
        store,
        "SELECT statistic, events, estimate FROM part_supply WHERE scope_level = 'all' AND part_source = 'new-original' AND audience IS NULL \
         AND statutory_class IS NULL AND period = 'within' AND statistic IN ('late', 'wait_median') ORDER BY statistic",
    );
    assert_eq!(found[0]["events"], 2, "{found:?}");
    assert_eq!(found[1]["estimate"], 6.5, "{found:?}");
    fs::write(&file, "8 January 2024\n").unwrap();
    let refused = fixodds(["analyse", "--store", store.to_str().unwrap(), "--holidays", file.to_str().unwrap()]);
    let message = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(!refused.status.success() && message.contains("line 1: `8` is no day"), "{message}");
}

fn claims() -> Vec<Value> {
    let text = fs::read_to_string(demo().join("reports/advocate-claims.json")).unwrap();
    let family: Value = serde_json::from_str(&text).unwrap();
    let [claims, not_made] = ["claims", "not_made"].map(|list| family[list].as_array().unwrap().clone());
    assert!(not_made.iter().all(|open| open["question"].is_string() && !open["why"].as_str().unwrap().is_empty()), "{not_made:#?}");
    claims
}

#[test]
fn no_report_says_that_a_design_brought_something_about() {
    let causal = [
        "forced",
        "avoidable",
        "because of the design",
        "due to",
        "thanks to",
        "to blame",
        "leads to",
        "would have saved",
        "caused",
        "has to do with",
    ];
    for reader in ["advocate", "repairer", "technician"] {
        let text = fs::read_to_string(demo().join(format!("reports/{reader}.md"))).unwrap().to_lowercase();
        let found: Vec<&&str> = causal.iter().filter(|words| text.contains(**words)).collect();
        assert!(found.is_empty(), "{reader}: {found:?}");
    }
}

#[test]
fn every_claim_is_a_cell_of_its_table() {
    let claims = claims();
    assert!(claims.len() >= 12, "{} claims", claims.len());
    for claim in &claims {
        let conditions: Vec<String> = claim["cell"]
            .as_object()
            .unwrap()
            .iter()
            .map(|(column, value)| match value {
                Value::String(text) => format!("{column} = '{}'", text.replace('\'', "''")),
                other => format!("{column} = {other}"),
            })
            .collect();
        let select = format!("SELECT estimate, lower, upper FROM {} WHERE {}", claim["table"].as_str().unwrap(), conditions.join(" AND "));
        let found = rows(&demo().join("store"), &select);
        let same = |row: &&Value| ["estimate", "lower", "upper"].iter().all(|column| row[column] == claim[column]);
        assert!(found.iter().any(|row| same(&row)), "{claim:#}\n{found:?}");
        assert!(claim["n"].as_i64().unwrap() >= 5 && !claim["population"].as_str().unwrap().is_empty(), "{claim:#}");
    }
    let report = fs::read_to_string(demo().join("reports/advocate.md")).unwrap().replace('\\', "");
    let findings = report.split("## Findings").nth(1).unwrap().split("\n## ").next().unwrap();
    let sentences: Vec<&str> = findings.lines().filter_map(|line| line.strip_prefix("- ")).collect();
    assert!(sentences.len() > 5);
    let is_claimed = |sentence: &&str| {
        claims.iter().any(|claim| claim["sentence"].as_str().unwrap().replace('\u{a0}', " ") == sentence.replace('\u{a0}', " "))
    };
    let unclaimed: Vec<&&str> = sentences.iter().filter(|sentence| !is_claimed(sentence)).collect();
    assert!(unclaimed.iter().all(|sentence| sentence.starts_with("What these records cannot show")), "{unclaimed:#?}");
}

#[test]
fn claims_are_worded_by_what_they_show_among_all_of_them() {
    let claims = claims();
    let number = |claim: &Value, name: &str| claim[name].as_f64();
    let mut p_values: Vec<f64> = claims.iter().filter_map(|claim| number(claim, "p_value")).collect();
    p_values.sort_by(f64::total_cmp);
    assert!(p_values.len() > 8);
    // Benjamini-Hochberg by its definition: the least of m p / rank over this and all larger p-values.
    let q_of = |p: f64| {
        let m = p_values.len() as f64;
        p_values.iter().enumerate().filter(|(_, other)| **other >= p).map(|(rank, other)| m * other / (rank + 1) as f64).fold(1.0, f64::min)
    };
    for claim in &claims {
        let Some(none) = number(claim, "no_difference") else {
            assert_eq!(claim["standing"], "estimate");
            continue;
        };
        let (p, q) = (number(claim, "p_value").unwrap(), number(claim, "q_value").unwrap());
        assert!((q - q_of(p)).abs() <= 1e-9 * q, "{claim:#}");
        let includes = number(claim, "lower").unwrap() <= none && none <= number(claim, "upper").unwrap();
        let sentence = claim["sentence"].as_str().unwrap();
        let says_nothing =
            ["No difference is shown", "No connection is shown", "is not shown"].iter().any(|words| sentence.contains(words));
        let is_shown = claim["standing"] == "difference_shown";
        assert!(!is_shown || !includes && q <= 0.05, "{claim:#}");
        // The analysis compares more than this list, and has the last word: what it did not find is not claimed.
        let is_found_there = || {
            let of = claim["cell"].as_object().unwrap().iter().map(|(column, value)| match value.as_str() {
                Some(text) => format!("{column} = '{text}'"),
                None => format!("{column} IS NOT DISTINCT FROM {value}"),
            });
            let of: Vec<String> = of.collect();
            let column = if claim["table"] == "life" { "hazard_pattern" } else { "finding" };
            let select = format!("SELECT {column} AS found, estimate FROM {} WHERE {}", claim["table"].as_str().unwrap(), of.join(" AND "));
            rows(&demo().join("store"), &select)
                .iter()
                .filter(|row| row["estimate"] == claim["estimate"])
                .any(|row| matches!(row["found"].as_str(), Some("higher" | "lower" | "wear_out" | "early_life")))
        };
        assert!(is_shown || includes || q > 0.05 || !is_found_there(), "{claim:#}");
        assert_eq!(says_nothing, claim["standing"] != "difference_shown", "{sentence}");
    }
}
