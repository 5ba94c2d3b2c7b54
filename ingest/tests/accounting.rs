use proptest::prelude::*;

use crate::support::{Workshop, counts};

#[test]
fn every_kind_of_row_is_counted_once() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text(
        "jobs.csv",
        "job_id,closed_on,outcome,age_years,notes\n\
         1,2021-01-02,repaired,7,\n\
         1,02/01/2021,Repaired,7 yrs,\n\
         2,2021-01-03,repaired,250,\n\
         2,2021-01-03,condemned,8,\n\
         ,2021-01-04,repaired,,\n\
         3,yesterday,repaired,,\n\
         4,2027-01-01,repaired,,\n\
         5,2021-01-05,gone to tip,,\n\
         6,2021-01-06,,,\n\
         7,2021-01-07,repaired,,a,b\n\
         8,2021-01-08,repaired,,,,\n\
         ,,,,\n",
    );
    assert_eq!(counts(&report.total("jobs")), [12, 4, 1, 1, 6]);
    assert_eq!(report.total("jobs").values_set_aside, 1);
    let quarantine = workshop.rows("quarantine");
    let reasons: Vec<_> =
        quarantine.iter().map(|row| (row["source_line"].as_str(), row["kind"].as_str(), row["reason"].as_str())).collect();
    assert_eq!(
        reasons,
        [
            ("4", "value", "age_over_100_years"),
            ("6", "row", "missing_value"),
            ("7", "row", "unreadable_date"),
            ("8", "row", "date_in_future"),
            ("9", "row", "unknown_outcome"),
            ("11", "row", "too_many_fields"),
            ("13", "row", "blank_row"),
        ]
    );
    assert_eq!(quarantine[4]["raw"], "5,2021-01-05,gone to tip,,");
    assert!(quarantine[4]["remedy"].contains("[jobs.outcomes]"));
    let ledger = workshop.rows("ledger");
    assert_eq!(ledger.len(), 1);
    assert_eq!((ledger[0]["rows_in"].as_str(), ledger[0]["quarantined"].as_str()), ("12", "6"));
}

fn cell() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => prop::sample::select(vec![
            "", "1", "2", "3", "2021-01-02", "31/12/2020", "13/13/2021", "44289", "repaired", "condemned", "drain pump; door lock", "n/a", "-5", "£12,50", "7 yrs", "\"", "a\nb", "1:30",
            "motor and brushes", "ring 07700 900123", "ÿ", "true", "0x", "9999999999999999999999", "1e400", "½",
        ])
        .prop_map(str::to_owned),
        1 => "\\PC{0,20}",
    ]
}

fn quoted(cell: &str) -> String {
    format!("\"{}\"", cell.replace('"', "\"\""))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, rng_seed: proptest::test_runner::RngSeed::Fixed(20), ..ProptestConfig::default() })]

    #[test]
    fn any_rows_are_accounted_for(rows in prop::collection::vec(prop::collection::vec(cell(), 1..32), 0..25)) {
        const TITLES: &str = "job_id,closed_on,outcome,booked_on,category,brand,model,serial,machine_id,made_on,made_year,bought_on,age_years,usage_cycles,\
            site,visits,symptoms,component,fault_text,cause,not_repaired_reason,labour_minutes,labour_cost,parts_cost,charged,currency,price_new,notes,Customer";
        let mut text = TITLES.to_owned();
        for row in &rows {
            text.push('\n');
            text.push_str(&row.iter().map(|cell| quoted(cell)).collect::<Vec<_>>().join(","));
        }
        let workshop = Workshop::new();
        let first = workshop.ingest_text("jobs.csv", &text);
        let [rows_in, accepted, ..] = counts(&first.total("jobs"));
        prop_assert_eq!(rows_in, rows.len() as u64);
        prop_assert_eq!(workshop.rows("jobs").len() as u64, accepted);
        let quarantined_rows = workshop.rows("quarantine").iter().filter(|row| row["kind"] == "row").count() as u64;
        prop_assert_eq!(quarantined_rows, first.quarantined());
        let superseded = workshop.rows("superseded").iter().filter(|row| row["table"] == "jobs").count() as u64;
        prop_assert_eq!(superseded, first.total("jobs").superseded);
    }

    #[test]
    fn any_bytes_are_refused_or_accounted_for(bytes in prop::collection::vec(prop_oneof![3 => prop::sample::select(b"job_id,closed_on;outcome\"\n\r\t|{}[]: 0123456789-/repaired".to_vec()), 1 => any::<u8>()], 0..400), titled in any::<bool>()) {
        let workshop = Workshop::new();
        let content = if titled { [b"job_id,closed_on,outcome,symptoms,component,serial,Phone\n", &bytes[..]].concat() } else { bytes };
        let file = workshop.file("jobs.csv", content);
        if let Ok(report) = workshop.try_ingest(&[file]) {
            report.tables.iter().for_each(|account| { counts(account); });
        }
    }

    #[test]
    fn any_json_is_refused_or_accounted_for(lines in prop::collection::vec("(\\{\"(job_id|closed_on|outcome|findings|parts|component)\": ?(1|\"2021-01-02\"|\"repaired\"|\\[\\{\"component\": \"motor\"\\}\\]|null|\\{\\}|\"\\\\u0000\")(, ?\"outcome\": \"repaired\")?\\}|\\PC{0,20})", 1..20)) {
        let workshop = Workshop::new();
        let text = format!("{{\"job_id\": 0, \"closed_on\": \"2021-01-02\", \"outcome\": \"repaired\", \"findings\": [{{\"component\": \"motor\"}}]}}\n{}", lines.join("\n"));
        let file = workshop.file("jobs.jsonl", text);
        if let Ok(report) = workshop.try_ingest(&[file]) {
            report.tables.iter().for_each(|account| { counts(account); });
        }
    }
}
