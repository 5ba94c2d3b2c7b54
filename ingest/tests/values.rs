//! Money in several currencies, ages and brands as people write them.

use crate::support::{Workshop, counts};
use fixodds_ingest::{Doubt, check};

const AMOUNTS: &str = "job_id,closed_on,outcome,labour_cost,parts_cost\n1,2024-01-02,repaired,£40,£10\n2,2024-01-03,repaired,40 EUR,20 EUR\n3,2024-01-04,repaired,£40,€20\n4,2024-01-05,repaired,$40,\n";

#[test]
fn amounts_in_another_currency_are_kept_apart() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text("jobs.csv", AMOUNTS);
    assert_eq!(workshop.column("jobs", "currency"), ["GBP", "EUR", "GBP", "USD"]);
    assert_eq!(workshop.column("jobs", "labour_cost"), ["40.0", "40.0", "40.0", "40.0"]);
    assert_eq!(workshop.column("jobs", "parts_cost"), ["10.0", "20.0", "-", "-"]);
    assert_eq!(report.total("jobs").values_set_aside, 1);
    assert_eq!(workshop.column("quarantine", "value"), ["20 EUR"]);
    assert!(report.doubts.iter().any(|doubt| matches!(doubt, Doubt::SeveralCurrencies { currencies, .. } if currencies.len() == 3)));
}

#[test]
fn amounts_are_converted_only_at_rates_that_the_mapping_gives() {
    let workshop = Workshop::new().with_mapping("currency = \"GBP\"\n[rates]\nEUR = 0.86\n");
    workshop.ingest_text("jobs.csv", AMOUNTS);
    assert_eq!(workshop.column("jobs", "currency"), ["GBP", "GBP", "GBP", "USD"]);
    assert_eq!(workshop.column("jobs", "labour_cost"), ["40.0", "34.4", "40.0", "40.0"]);
    assert_eq!(workshop.column("jobs", "parts_cost"), ["10.0", "17.2", "17.2", "-"]);
    assert_eq!(workshop.column("jobs", "extra")[1], r#"{"labour_cost in EUR":"40","parts_cost in EUR":"20"}"#);
    assert!(workshop.rows("quarantine").is_empty());
}

#[test]
fn a_title_names_the_currency_of_its_column() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", "job_id,closed_on,outcome,Labour €,Parts £\n1,2024-01-02,repaired,40,10\n2,2024-01-02,repaired,,10\n");
    assert_eq!(workshop.column("jobs", "currency"), ["EUR", "GBP"]);
    assert_eq!(workshop.column("jobs", "parts_cost"), ["-", "10.0"]);
}

#[test]
fn ages_keep_their_basis_and_precision() {
    let workshop = Workshop::new();
    let ages = ["7yrs", "approx 6", "2014 model", "bought 2014", "10+", "18 months", "bought 2025", "250", ""];
    let rows: Vec<String> = ages.iter().enumerate().map(|(at, age)| format!("{at},2024-07-01,repaired,{age}\n")).collect();
    let report = workshop.ingest_text("jobs.csv", format!("job_id,closed_on,outcome,Age\n{}", rows.concat()));
    assert_eq!(counts(&report.total("jobs")), [9, 9, 0, 0, 0]);
    let dash = "-";
    assert_eq!(
        workshop.column("jobs", "age_precision"),
        ["year", "approximate", dash, "year_bought", "at_least", "month", dash, dash, dash]
    );
    assert_eq!(workshop.column("jobs", "made_year"), [dash, dash, "2014", dash, dash, dash, dash, dash, dash]);
    let years: Vec<Option<f64>> = workshop.column("jobs", "age_years_stated").iter().map(|age| age.parse().ok()).collect();
    assert_eq!((years[0], years[1], years[4], years[5]), (Some(7.0), Some(6.0), Some(10.0), Some(1.5)));
    assert!((years[3].unwrap() - 10.0).abs() < 0.01, "{years:?}");
    let mut reasons = workshop.column("quarantine", "reason");
    reasons.sort();
    assert_eq!(reasons, ["age_over_100_years", "made_after_event"]);
}

fn brands(rows: &[(&str, usize)]) -> String {
    let mut text = "job_id,closed_on,outcome,Make\n".to_owned();
    let mut number = 0;
    for (brand, times) in rows {
        for _ in 0..*times {
            number += 1;
            text.push_str(&format!("{number},2024-07-01,repaired,{brand}\n"));
        }
    }
    text
}

#[test]
fn misspelt_brands_are_merged_listed_and_undone_by_the_mapping() {
    let mut workshop = Workshop::new();
    let jobs = workshop.file("jobs.csv", brands(&[("Orrowby", 30), ("ORROWBY.", 3), ("Orowby", 2), ("Pelham", 12)]));
    let merged = |doubts: &[Doubt]| {
        let listed = doubts
            .iter()
            .find_map(|doubt| if let Doubt::BrandsMerged { rows, brands, .. } = doubt { Some((*rows, brands.len())) } else { None });
        listed.unwrap_or_default()
    };
    let checked = check(std::slice::from_ref(&jobs), &workshop.options).unwrap();
    assert_eq!(merged(&checked.files[0].tables[0].doubts), (2, 1));
    let report = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!(merged(&report.doubts), (2, 1));
    assert_eq!(workshop.column("jobs", "brand").iter().filter(|brand| *brand == "Orrowby").count(), 35);
    let listed = std::fs::read_to_string(workshop.options.store.join("brands.csv")).unwrap();
    assert_eq!(listed, "written,read_as,rows,decided_by\nOrowby,Orrowby,2,likeness\n");

    // remembered where nothing else would show it
    let alone = workshop.ingest_text("one.csv", brands(&[("Orowby", 1)]).replace("\n1,", "\nx1,"));
    assert_eq!(alone.total("jobs").accepted, 1);
    assert_eq!(workshop.column("jobs", "brand").iter().filter(|brand| *brand == "Orowby").count(), 0);
    // and no merge changes what is in the store
    let again = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!(again.total("jobs").repeats, 47);

    workshop = workshop.with_mapping("[brands]\n\"Orowby\" = \"Orowby\"\n");
    let undone = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!((undone.total("jobs").superseded, merged(&undone.doubts)), (2, (0, 0)));
    workshop = workshop.with_mapping("");
    assert_eq!(workshop.ingest(&[jobs]).total("jobs").repeats, 47, "what the mapping said once is remembered");
}
