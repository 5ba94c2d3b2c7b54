use fixodds_ingest::{DateOrder, Doubt, RecognisedBy, check};

use crate::support::{Workshop, counts};

#[test]
fn a_workshops_spreadsheet_is_understood() {
    let workshop = Workshop::new();
    workshop.ingest_text(
        "Sheet1.csv",
        "\u{feff}Job No;Date in;Date done;Appliance;Make;Model No;S/N;Age;Customer says;Faulty part;Outcome;Labour hours;Labour £;Parts £;Charged;Van\r\n\
         A-1;12/01/2021;25/01/2021;W/M;ORROWBY;orrowby wm-7140/eu;AB 12 34;7yrs;leaks, noisy;drain pump and door lok;Repaired;1,5;£1.234,50;12,5;45;V2\r\n",
    );
    let job = &workshop.rows("jobs")[0];
    let finding = workshop.column("findings", "component");
    for (column, value) in [
        ("job_id", "A-1"),
        ("booked_on", "2021-01-12"),
        ("closed_on", "2021-01-25"),
        ("category", "washing_machine"),
        ("brand", "Orrowby"),
        ("model", "WM-7140/EU"),
        ("model_key", "Orrowby WM7140"),
        ("age_years_stated", "7.0"),
        ("symptoms", "leaks;noisy"),
        ("outcome", "repaired"),
        ("labour_minutes", "90.0"),
        ("labour_cost", "1234.5"),
        ("parts_cost", "12.5"),
        ("charged", "45.0"),
        ("currency", "GBP"),
        ("extra", "{\"Van\":\"V2\"}"),
        ("source", "workshop"),
        ("source_file", "Sheet1.csv"),
        ("source_line", "2"),
    ] {
        assert_eq!(job.get(column).map(String::as_str), Some(value), "{column}");
    }
    assert_eq!(finding, ["drain_pump", "door_lock"]);
}

#[test]
fn the_order_of_day_and_month_follows_the_evidence_of_the_column() {
    let dates = |rows: &str| {
        let workshop = Workshop::new();
        let report = workshop.ingest_text("jobs.csv", format!("job_id,closed_on,outcome\n{rows}"));
        (workshop.column("jobs", "closed_on"), report.doubts)
    };
    assert_eq!(dates("1,03/04/2021,repaired\n2,25/04/2021,repaired\n").0, ["2021-04-03", "2021-04-25"]);
    assert_eq!(dates("1,03/04/2021,repaired\n2,04/25/2021,repaired\n").0, ["2021-03-04", "2021-04-25"]);
    let (open, doubts) = dates("1,03/04/2021,repaired\n");
    assert_eq!(open, ["2021-04-03"]);
    assert!(matches!(&doubts[..], [Doubt::DateOrderOpen { assumed: DateOrder::DayFirst, .. }]), "{doubts:?}");
    let (mixed, doubts) = dates("1,03/04/2021,repaired\n2,25/04/2021,repaired\n3,26/04/2021,repaired\n4,04/27/2021,repaired\n");
    assert_eq!(mixed, ["2021-04-03", "2021-04-25", "2021-04-26"]);
    assert!(doubts.iter().any(|doubt| matches!(doubt, Doubt::DateOrderMixed { values: 3, contradicting: 1, .. })));
}

#[test]
fn evidence_far_down_a_long_file_still_counts() {
    let workshop = Workshop::new();
    let mut text = "job_id,closed_on,outcome\n".to_owned();
    for number in 0..25_000 {
        text.push_str(&format!("{number},03/04/2021,repaired\n"));
    }
    text.push_str("last,04/25/2021,repaired\n");
    workshop.ingest_text("jobs.csv", text);
    assert_eq!(workshop.rows("jobs")[0]["closed_on"], "2021-03-04");
}

#[test]
fn the_user_overrides_the_evidence() {
    let mut workshop = Workshop::new();
    workshop.options.date_order = Some(DateOrder::MonthFirst);
    workshop.ingest_text("jobs.csv", "job_id,closed_on,outcome\n1,03/04/2021,repaired\n");
    assert_eq!(workshop.column("jobs", "closed_on"), ["2021-03-04"]);

    let workshop = Workshop::new().with_mapping(
        "currency = \"EUR\"\n[jobs.columns]\nZeug = \"component\"\nnotes = \"extra\"\n[jobs.date_order]\nclosed_on = \"month-first\"\n[jobs.outcomes]\n\"gone to tip\" = \"condemned\"\n[jobs.components]\nblob = \"door_seal\"\n",
    );
    workshop.ingest_text("jobs.csv", "job_id,closed_on,outcome,Zeug,charged,notes\n1,03/04/2021,Gone to tip,blob,5,hello\n");
    let job = &workshop.rows("jobs")[0];
    assert_eq!((job["closed_on"].as_str(), job["outcome"].as_str(), job["currency"].as_str()), ("2021-03-04", "condemned", "EUR"));
    assert_eq!(job["extra"], "{\"notes\":\"hello\"}");
    assert_eq!(workshop.column("findings", "component"), ["door_seal"]);
}

#[test]
fn impossible_values_are_set_aside_and_the_row_is_used() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text(
        "jobs.csv",
        "job_id,closed_on,outcome,booked_on,bought_on,made_on,age_years,labour_minutes,labour_cost,usage_cycles,serial,symptoms\n\
         1,2021-01-02,repaired,2021-01-03,2022-01-01,2019,120,-5,-3,many,0000,leaks; purple haze\n\
         2,2021-01-02,repaired,2021-01-01,2020-05,2019-04,8,3000,3,1200 cycles,ok1234,leaks\n",
    );
    assert_eq!(counts(&report.total("jobs")), [2, 2, 0, 0, 0]);
    let set_aside: Vec<_> =
        workshop.rows("quarantine").into_iter().map(|row| format!("{} {} {}", row["source_line"], row["column"], row["reason"])).collect();
    assert_eq!(
        set_aside,
        [
            "2 age_years age_over_100_years",
            "2 labour_minutes negative_value",
            "2 labour_cost negative_value",
            "2 usage_cycles unreadable_number",
            "2 serial placeholder_identifier",
            "2 symptoms unknown_term",
            "2 booked_on booked_after_closed",
            "2 bought_on made_after_event",
            "3 labour_minutes labour_over_40_hours",
        ]
    );
    let jobs = workshop.rows("jobs");
    assert_eq!((jobs[0]["symptoms"].as_str(), jobs[0]["made_year"].as_str()), ("leaks", "2019"));
    assert_eq!(
        (jobs[1]["bought_on"].as_str(), jobs[1]["made_on"].as_str(), jobs[1]["usage_cycles"].as_str()),
        ("2020-05-15", "2019-04-15", "1200.0")
    );
}

#[test]
fn an_empty_amount_means_what_the_mapping_says() {
    let rows =
        "job_id,closed_on,outcome,parts_cost,charged\n1,2021-01-02,repaired,,\n2,2021-01-02,repaired,12,-\n3,2021-01-02,repaired,a lot,9\n";
    let amounts = |mapping: &str| {
        let workshop = Workshop::new().with_mapping(mapping);
        workshop.ingest_text("jobs.csv", rows);
        ["parts_cost", "charged", "labour_cost", "blank_unknown"].map(|column| workshop.column("jobs", column).join(" "))
    };
    assert_eq!(amounts(""), ["- 12.0 -", "- - 9.0", "- - -", "- - -"]);
    // What could not be read is not empty, and what the file has no column for is not nothing.
    let said = "[jobs.blank]\nparts_cost = \"nothing\"\ncharged = \"unknown\"\nlabour_cost = \"nothing\"\n";
    assert_eq!(amounts(said), ["0.0 12.0 -", "- - 9.0", "- - -", "charged charged -"]);
}

/// Two parts in one cell are one primary fault and one more finding, unless the findings say more of them.
#[test]
fn the_second_part_of_a_cell_is_no_second_primary_fault() {
    let roles = |table: &str, text: &str| {
        let workshop = Workshop::new();
        workshop.ingest_text(table, text);
        workshop.rows("findings").iter().map(|row| format!("{} {}", row["component"], row["role"])).collect::<Vec<_>>()
    };
    let jobs = roles("jobs.csv", "job_id,closed_on,outcome,component\n1,2021-01-02,repaired,drain pump; door lock\n");
    assert_eq!(jobs, ["drain_pump primary", "door_lock incidental"]);
    let findings = roles("findings.csv", "job_id,step,component\n1,1,drain pump; door lock\n");
    assert_eq!(findings, ["drain_pump primary", "door_lock incidental"]);
    let said = roles("findings.csv", "job_id,step,component,role\n1,1,drain pump; door lock,primary\n");
    assert_eq!(said, ["drain_pump primary", "door_lock primary"]);
    let damaged = roles("findings.csv", "job_id,step,component,caused_by\n1,1,drain pump,\n1,2,door lock; motor,1\n");
    assert_eq!(damaged, ["drain_pump primary", "door_lock consequential", "motor consequential"]);
}

#[test]
fn nested_json_becomes_three_tables() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text(
        "jobs.jsonl",
        "{\"job_id\": 7, \"closed_on\": \"2021-01-02\", \"category\": \"washing machine\", \"outcome\": \"repaired\", \"symptoms\": [\"leaks\", \"noisy\"], \
         \"findings\": [{\"component\": \"shaft seal\", \"role\": \"primary\"}, {\"component\": \"bearings\", \"caused_by\": 1}], \
         \"parts\": [{\"component\": \"shaft seal\", \"part_source\": \"used\", \"unit_cost\": 4.5, \"unavailable\": false}]}\n",
    );
    assert_eq!(report.tables.iter().map(|account| account.table.as_str()).collect::<Vec<_>>(), ["jobs", "findings", "parts"]);
    assert_eq!(workshop.column("jobs", "symptoms"), ["leaks;noisy"]);
    let findings: Vec<_> = workshop
        .rows("findings")
        .into_iter()
        .map(|row| format!("{} {} {} {}", row["job_id"], row["step"], row["component"], row["role"]))
        .collect();
    assert_eq!(findings, ["7 1 shaft_seal primary", "7 2 drum_bearings consequential"]);
    let part = &workshop.rows("parts")[0];
    assert_eq!((part["part_source"].as_str(), part["unit_cost"].as_str(), part["quantity"].as_str()), ("used", "4.5", "1.0"));
}

#[test]
fn the_catalogue_gives_the_spelling_whatever_the_order_of_the_files() {
    let workshop = Workshop::new();
    let jobs = workshop.file("a.csv", "job_id,closed_on,outcome,brand,model\n1,2021-01-02,repaired,ORRIN&WEX,wm 71.40\n");
    let models = workshop.file("z.csv", "brand,model,category,drum_design\nOrrin & Wex,WM-7140,washing machine,sealed\n");
    let report = workshop.ingest(&[jobs, models]);
    assert_eq!(report.tables.iter().map(|account| account.table.as_str()).collect::<Vec<_>>(), ["models", "jobs"]);
    let job = &workshop.rows("jobs")[0];
    assert_eq!((job["brand"].as_str(), job["model"].as_str()), ("Orrin & Wex", "WM-7140"));
    assert_eq!(job["model_key"], workshop.rows("models")[0]["model_key"]);
}

#[test]
fn words_mean_what_the_category_of_the_job_says() {
    let workshop = Workshop::new();
    let jobs = workshop
        .file("jobs.csv", "job_id,closed_on,outcome,category\n1,2021-01-02,repaired,dishwasher\n2,2021-01-02,repaired,washing machine\n");
    let findings = workshop
        .file("findings.csv", "job_id,step,component,failure_mode\n1,1,heating element,worn\n2,1,bearings,worn\n9,1,drain pump,worn\n");
    let report = workshop.ingest(&[findings, jobs]);
    assert_eq!(workshop.column("findings", "component"), ["heating_element", "drum_bearings", "drain_pump"]);
    assert!(report.doubts.iter().any(|doubt| matches!(doubt, Doubt::JobsUnknown { rows: 1, .. })));
}

#[test]
fn check_says_what_would_be_read_and_writes_nothing() {
    let workshop = Workshop::new();
    let file = workshop.file("jobs.csv", "Job No,Date done,Result,Customer,S/N,Colour\n1,25/04/2021,Repaired,Jane Tollemarch,AB1234,red\n2,26/04/2021,shrug,Jo Tollemarch,AB1235,red\n");
    let report = check(&[file], &workshop.options).unwrap();
    assert!(!workshop.options.store.exists());
    let table = &report.files[0].tables[0];
    assert_eq!(
        (table.table.as_str(), &table.recognised_by, table.rows_looked_at, table.looked_at_all),
        ("jobs", &RecognisedBy::Title, 2, true)
    );
    let fields: Vec<_> = table.columns.iter().map(|column| column.field.as_deref().unwrap_or("-")).collect();
    assert_eq!(fields, ["job_id", "closed_on", "outcome", "-", "serial", "-"]);
    assert_eq!(table.columns[1].date_order, Some(DateOrder::DayFirst));
    assert_eq!(table.columns[2].readable_share, Some(0.5));
    let json = serde_json::to_string(&report).unwrap();
    assert!(!json.contains("Tollemarch") && !json.contains("AB1234"), "{json}");
    assert!(table.doubts.iter().any(|doubt| matches!(doubt, Doubt::PersonalColumn { .. })));
    assert!(table.doubts.iter().any(|doubt| matches!(doubt, Doubt::ColumnUnread { column, .. } if column == "Colour")));
    for doubt in &table.doubts {
        assert!(doubt.to_string().ends_with('.') && doubt.advice().ends_with('.'), "{doubt}");
    }
}
