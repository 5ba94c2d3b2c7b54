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
fn brands_that_are_near_each_other_are_listed_and_merged_only_by_a_person() {
    let mut workshop = Workshop::new();
    let jobs = workshop.file("jobs.csv", brands(&[("Orrowby", 30), ("ORROWBY.", 3), ("Orowby", 2), ("Pelham", 12), ("PEL HAM", 1)]));
    let near = |doubts: &[Doubt]| {
        let listed = doubts
            .iter()
            .find_map(|doubt| if let Doubt::BrandsNear { rows, brands, .. } = doubt { Some((*rows, brands.len())) } else { None });
        listed.unwrap_or_default()
    };
    let count = |workshop: &Workshop, wanted: &str| workshop.column("jobs", "brand").iter().filter(|brand| *brand == wanted).count();
    let checked = check(std::slice::from_ref(&jobs), &workshop.options).unwrap();
    assert_eq!(near(&checked.files[0].tables[0].doubts), (2, 1));
    let report = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!(near(&report.doubts), (2, 1));
    assert_eq!(["Orrowby", "Orowby", "Pelham"].map(|brand| count(&workshop, brand)), [33, 2, 13]);
    let listed = workshop.options.store.join("brands.csv");
    assert_eq!(std::fs::read_to_string(&listed).unwrap(), "written,proposed,rows,decision\nOrowby,Orrowby,2,\n");
    // the same file gives the same records
    assert_eq!(workshop.ingest(std::slice::from_ref(&jobs)).total("jobs").repeats, 48);

    // a person says yes in the file
    std::fs::write(&listed, "written,proposed,rows,decision\nOrowby,Orrowby,4,yes\n").unwrap();
    let merged = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!((merged.total("jobs").superseded, near(&merged.doubts), count(&workshop, "Orrowby")), (2, (0, 0), 35));
    // and otherwise in the mapping, which overrules the file and is remembered
    workshop = workshop.with_mapping("[brands]\n\"Orowby\" = \"Tessaly\"\n");
    let overruled = workshop.ingest(std::slice::from_ref(&jobs));
    assert_eq!((overruled.total("jobs").superseded, near(&overruled.doubts), count(&workshop, "Tessaly")), (2, (0, 0), 2));
    workshop = workshop.with_mapping("");
    assert_eq!(workshop.ingest(&[jobs]).total("jobs").repeats, 48);
}

/// More different brands than a column's sample remembers, and rows beyond it: still one spelling for each brand.
#[test]
fn a_brand_has_one_spelling_however_many_there_are() {
    let workshop = Workshop::new();
    let mut rows: Vec<(String, usize)> = (0..1_500).map(|number| (format!("Maker {number}"), 1)).collect();
    rows.extend([
        ("Zill-Kor".to_owned(), 3),
        ("ZILLKOR".to_owned(), 1),
        ("Pelham".to_owned(), 20_000),
        ("Ve Nor".to_owned(), 1),
        ("ve-nor".to_owned(), 1),
    ]);
    let rows: Vec<(&str, usize)> = rows.iter().map(|(brand, times)| (brand.as_str(), *times)).collect();
    workshop.ingest_text("jobs.csv", brands(&rows));
    let stored = workshop.column("jobs", "brand");
    let count = |wanted: &str| stored.iter().filter(|brand| *brand == wanted).count();
    assert_eq!((count("Zill-Kor"), count("Venor")), (4, 2));
}

#[test]
fn the_catalogues_model_number_tells_a_misspelt_brand() {
    let workshop = Workshop::new();
    let models = workshop.file("models.csv", "brand,model,category\nOrrowby,WM 7140,washing machine\nTessaly,WM 7200,washing machine\n");
    let jobs = workshop.file(
        "jobs.csv",
        "job_id,closed_on,outcome,brand,model\n1,2024-07-01,repaired,Orowby,wm7140\n2,2024-07-01,repaired,Orowby,WM 7200\n3,2024-07-01,repaired,Orowby,\n",
    );
    let report = workshop.ingest(&[models, jobs]);
    assert_eq!(workshop.column("jobs", "brand"), ["Orrowby", "Orowby", "Orowby"]);
    assert_eq!(workshop.column("jobs", "model_key"), ["Orrowby WM7140", "Orowby WM7200", "-"]);
    assert!(report.doubts.iter().any(|doubt| matches!(doubt, Doubt::BrandsNear { rows: 2, .. })), "{:?}", report.doubts);
    assert!(report.doubts.iter().any(|doubt| doubt.to_string().contains("by the model number")), "{:?}", report.doubts);
}
