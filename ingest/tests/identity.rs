use fixodds_ingest::IdentityKey;

use crate::support::{Workshop, counts};

const JOBS: &str = "job_id,closed_on,outcome,component,serial,notes,category\n\
    1,2021-01-02,repaired,drain pump; door lock,AB 1234,first,washing machine\n\
    2,2021-01-03,repaired,door seal,AB-1234,,washing machine\n";

#[test]
fn the_same_file_twice_changes_nothing() {
    let workshop = Workshop::new();
    let bad_row = "3,someday,repaired,,,,\n";
    workshop.ingest_text("jobs.csv", format!("{JOBS}{bad_row}"));
    let bytes =
        |table: &str| workshop.layout().table_files(table).unwrap().iter().map(|path| std::fs::read(path).unwrap()).collect::<Vec<_>>();
    let tables = ["jobs", "findings", "quarantine", "superseded"];
    let before = tables.map(bytes);
    let report = workshop.ingest_text("jobs.csv", format!("{JOBS}{bad_row}"));
    assert_eq!(counts(&report.total("jobs")), [3, 0, 2, 0, 1]);
    assert_eq!(tables.map(bytes), before);
    assert_eq!(workshop.column("ledger", "ingest_number"), ["1", "2"]);
}

#[test]
fn a_newer_version_replaces_the_job_and_its_components() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", JOBS);
    let report = workshop.ingest_text(
        "corrected.csv",
        "job_id,closed_on,outcome,component,serial,notes,category\n1,2021-01-02,condemned,drum bearings,AB1234,second,washing machine\n",
    );
    assert_eq!(counts(&report.total("jobs")), [1, 0, 0, 1, 0]);
    let mut jobs: Vec<_> = workshop.rows("jobs").into_iter().map(|job| (job["job_id"].clone(), job["outcome"].clone())).collect();
    jobs.sort();
    assert_eq!(jobs, [("1".into(), "condemned".into()), ("2".into(), "repaired".into())]);
    let mut components = workshop.column("findings", "component");
    components.sort();
    assert_eq!(components, ["door_seal", "drum_bearings"]);
    let superseded = workshop.rows("superseded");
    assert_eq!(superseded.iter().map(|row| row["table"].as_str()).collect::<Vec<_>>(), ["jobs", "findings", "findings"]);
    assert_eq!(
        (superseded[0]["record_id"].as_str(), superseded[0]["replaced_by_file"].as_str(), superseded[0]["replaced_by_line"].as_str()),
        ("1", "corrected.csv", "2")
    );
    let record: serde_json::Value = serde_json::from_str(&superseded[0]["record"]).unwrap();
    assert_eq!((record["notes"].as_str(), record["closed_on"].as_str()), (Some("first"), Some("2021-01-02")));
}

#[test]
fn the_last_version_in_a_file_wins_even_if_it_equals_the_first() {
    let workshop = Workshop::new();
    let row = |notes: &str| format!("1,2021-01-02,repaired,drain pump,,{notes}\n");
    let report = workshop.ingest_text(
        "jobs.csv",
        format!("job_id,closed_on,outcome,component,serial,notes\n{}{}{}{}", row("a"), row("b"), row("a"), row("a")),
    );
    assert_eq!(counts(&report.total("jobs")), [4, 1, 1, 2, 0]);
    let jobs = workshop.rows("jobs");
    assert_eq!(jobs.len(), 1);
    assert_eq!((jobs[0]["notes"].as_str(), jobs[0]["source_line"].as_str()), ("a", "4"));
    assert_eq!(workshop.rows("findings").len(), 1);
}

/// Versions may be equal in every value, in their line and in their file.
#[test]
fn of_versions_that_come_back_one_stays() {
    let workshop = Workshop::new();
    let job = |component: &str| format!("1,2021-01-02,repaired,{component}\n");
    let jobs = workshop.file("jobs.csv", format!("job_id,closed_on,outcome,component\n{}{}", job("door lock"), job("drain pump")));
    let machine = |left_on: &str| format!("M1,2020-01-01,{left_on}\n");
    let machines =
        workshop.file("machines.csv", format!("machine_id,entered_on,left_on\n{}{}", machine("2021-01-01"), machine("2021-02-02")));
    let step = |component: &str| format!("{{\"job_id\": \"2\", \"step\": 1, \"component\": \"{component}\"}}");
    let steps = workshop.file("findings.json", format!("[{}, {}, {}]", step("drain pump"), step("motor"), step("drain pump")));
    let twice = [&jobs, &machines, &jobs, &machines, &steps, &steps].map(Clone::clone);
    let report = workshop.ingest(&twice);
    assert_eq!(counts(&report.total("jobs")), [4, 1, 0, 3, 0]);
    assert_eq!(workshop.column("jobs", "job_id"), ["1"]);
    assert_eq!(workshop.column("machines", "left_on"), ["2021-02-02"]);
    let mut components = workshop.column("findings", "component");
    components.sort();
    assert_eq!(components, ["drain_pump", "drain_pump"]);
    // jobs, their findings and machines: all versions but one; steps: of six the fourth is a repeat
    assert_eq!(workshop.rows("superseded").len(), 3 + 3 + 3 + 4);
}

#[test]
fn an_old_file_read_again_does_not_bring_back_old_versions() {
    let workshop = Workshop::new();
    let row = |notes: &str| format!("1,2021-01-02,repaired,{notes}\n");
    let two_versions = format!("job_id,closed_on,outcome,notes\n{}{}", row("a"), row("b"));
    workshop.ingest_text("two.csv", &two_versions);
    workshop.ingest_text("newer.csv", format!("job_id,closed_on,outcome,notes\n{}", row("c")));
    let report = workshop.ingest_text("two.csv", &two_versions);
    assert_eq!(counts(&report.total("jobs")), [2, 0, 2, 0, 0]);
    assert_eq!(workshop.column("jobs", "notes"), ["c"]);
    // a new file with an old version is news: the later file wins
    let report = workshop.ingest_text("newest.csv", format!("job_id,closed_on,outcome,notes\n{}", row("a")));
    assert_eq!(counts(&report.total("jobs")), [1, 0, 0, 1, 0]);
    assert_eq!(workshop.column("jobs", "notes"), ["a"]);
}

#[test]
fn a_file_corrected_in_place_replaces_the_same_lines() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", JOBS);
    workshop.ingest_text("jobs.csv", JOBS.replace("door lock", "drive belt"));
    let mut components = workshop.column("findings", "component");
    components.sort();
    assert_eq!(components, ["door_seal", "drain_pump", "drive_belt"]);
    assert_eq!(workshop.rows("jobs").len(), 2);
}

#[test]
fn findings_are_known_by_their_step_and_else_by_their_content() {
    let workshop = Workshop::new();
    let with_steps = "job_id,step,component,failure_mode\n1,1,drain pump,worn\n1,2,door seal,worn\n";
    workshop.ingest_text("findings.csv", with_steps);
    let report = workshop.ingest_text("findings.csv", with_steps.replace("door seal", "door lock"));
    assert_eq!(counts(&report.total("findings")), [2, 0, 1, 1, 0]);

    let without_steps = "job_id,component,failure_mode\n2,drain pump,worn\n2,door seal,worn\n3,door seal,worn\n";
    let report = workshop.ingest_text("more.csv", without_steps);
    assert_eq!(counts(&report.total("findings")), [3, 3, 0, 0, 0]);
    let report = workshop.ingest_text("more.csv", without_steps);
    assert_eq!(counts(&report.total("findings")), [3, 0, 3, 0, 0]);
    let steps: Vec<_> =
        workshop.rows("findings").into_iter().map(|row| format!("{}/{} {}", row["job_id"], row["step"], row["role"])).collect();
    assert_eq!(steps, ["1/1 primary", "1/2 primary", "2/1 primary", "2/2 primary", "3/1 primary"]);
}

/// The second finding has no step of its own and is counted as the second, as the first says of itself.
#[test]
fn of_two_findings_of_one_step_in_one_line_the_last_stays() {
    let workshop = Workshop::new();
    let line = "{\"job_id\":\"1\",\"closed_on\":\"2024-01-02\",\"outcome\":\"repaired\",\"category\":\"washing machine\",\
                \"findings\":[{\"component\":\"drain pump\",\"step\":2},{\"component\":\"door seal\"}]}\n";
    workshop.ingest_text("jobs.jsonl", line);
    assert_eq!(workshop.column("findings", "component"), ["door_seal"]);
    assert_eq!(workshop.column("superseded", "table"), ["findings"]);
    let report = workshop.ingest_text("jobs.jsonl", line);
    assert_eq!(counts(&report.total("findings")), [2, 0, 2, 0, 0]);
    assert_eq!(workshop.column("findings", "component"), ["door_seal"]);
}

#[test]
fn one_finding_may_name_several_components() {
    let workshop = Workshop::new();
    let text = "job_id,step,component,failure_mode\n1,1,drain pump and carbon brushes + old sock,worn\n";
    workshop.ingest_text("findings.csv", text);
    assert_eq!(workshop.column("findings", "component"), ["drain_pump", "carbon_brushes"]);
    assert_eq!(workshop.column("quarantine", "value"), ["old sock"]);
    let report = workshop.ingest_text("findings.csv", text);
    assert_eq!(counts(&report.total("findings")), [1, 0, 1, 0, 0]);
    workshop.ingest_text("findings.csv", text.replace(" and carbon brushes + old sock", ""));
    assert_eq!(workshop.column("findings", "component"), ["drain_pump"]);
}

#[test]
fn machines_and_models_are_known_by_their_numbers() {
    let workshop = Workshop::new();
    let machines = "machine_id,serial,brand,model,in_service_on,entered_on,left_on\nM1,AB1234,Orrowby,WM1,2020-01-01,2020-02-01,\n,AB9999,Orrowby,WM1,2020-01-01,2020-02-01,\n,,Orrowby,WM1,,,\n";
    let report = workshop.ingest_text("machines.csv", machines);
    assert_eq!(counts(&report.total("machines")), [3, 2, 0, 0, 1]);
    let report = workshop.ingest_text("machines.csv", machines.replace("2020-02-01,\n,AB9999", "2020-02-01,2021-02-01\n,ab-9999"));
    assert_eq!(counts(&report.total("machines")), [3, 0, 1, 1, 1]);
    let rows = workshop.rows("machines");
    let by_number = rows.iter().find(|row| row.contains_key("left_on")).unwrap();
    assert_eq!(by_number["machine_key"], by_number["machine_id_key"]);
    let by_serial = rows.iter().find(|row| !row.contains_key("machine_id_key")).unwrap();
    assert_eq!(by_serial["machine_key"], by_serial["serial_key"]);
    let models = "brand,model,category,price_new\nOrrowby,WM 1,washing machine,399\nORROWBY,WM-1,washing machine,449\n";
    let report = workshop.ingest_text("models.csv", models);
    assert_eq!(counts(&report.total("models")), [2, 1, 0, 1, 0]);
    assert_eq!(workshop.column("models", "price_new"), ["449.0"]);
}

#[test]
fn another_source_has_its_own_job_numbers() {
    let mut workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", JOBS);
    workshop.options.source = "repair café".to_owned();
    let report = workshop.ingest_text("jobs.csv", JOBS);
    assert_eq!(counts(&report.total("jobs")), [2, 2, 0, 0, 0]);
}

#[test]
fn no_private_text_reaches_the_store() {
    let workshop = Workshop::new();
    workshop.ingest_text(
        "jobs.csv",
        "job_id,closed_on,outcome,serial,machine_id,notes,Customer,Van\n\
         1,2021-01-02,repaired,SER900177,MACH-55,ring Mrs Tollemarch on 07700 900123,Jane Tollemarch,V2 jo@example.org\n\
         2,never,repaired,SER900177,MACH-55,flat at ZZ99 3ZZ,Jane Tollemarch,V2\n\
         3,2021-01-02,repaired,SER900177,MACH-55,a,Jane Tollemarch,V2,surplus\n\
         4,2021-01-02,repaired,\"SER900177,MACH-55,a,Jane Tollemarch,V2\n\
         5,2021-01-02,repaired,9.00177E+11,MACH-55,a,Jane Tollemarch,V2\n",
    );
    workshop.ingest_text(
        "jobs.jsonl",
        "{\"job_id\": 6, \"closed_on\": \"2021-01-02\", \"outcome\": \"repaired\", \"serial\": \"SER900177\"}\n{\"job_id\": 7, \"serial\": \"SER900177\", \"outcome\"\n",
    );
    let secrets = ["SER900177", "MACH-55", "Tollemarch", "900123", "example.org", "ZZ99", "9.00177"];
    for table in ["jobs", "findings", "superseded", "quarantine", "ledger"] {
        for text in workshop.rows(table).iter().flat_map(|row| row.values()) {
            for secret in secrets {
                assert!(!text.contains(secret), "{table} holds {secret}: {text}");
            }
        }
    }
    assert_eq!(workshop.column("jobs", "notes")[0], "ring [name] on [phone]");
    assert_eq!(workshop.rows("quarantine").len(), 5);
}

#[test]
fn a_quarantined_row_can_be_corrected_and_ingested_with_its_machine() {
    let workshop = Workshop::new();
    workshop.ingest_text(
        "jobs.csv",
        "job_id,closed_on,outcome,serial,notes\n1,2021-01-02,repaired,AB 1234,\n2,2021-01-03,mended-ish,ab1234,\n",
    );
    let raw = workshop.rows("quarantine")[0]["raw"].clone();
    assert!(raw.contains("hash:"), "{raw}");
    workshop.ingest_text("corrected.csv", format!("job_id,closed_on,outcome,serial,notes\n{}\n", raw.replace("mended-ish", "repaired")));
    let keys = workshop.column("jobs", "serial_key");
    assert_eq!(keys.len(), 2);
    assert_eq!(keys[0], keys[1]);
    assert_eq!(keys[0].len(), 16);
}

#[test]
fn without_a_given_key_two_stores_hash_differently() {
    let keys = [(); 2].map(|()| {
        let mut workshop = Workshop::new();
        workshop.options.identity_key = None;
        workshop.ingest_text("jobs.csv", JOBS);
        workshop.column("jobs", "serial_key")[0].clone()
    });
    assert_ne!(keys[0], keys[1]);
    let mut workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", JOBS);
    workshop.options.identity_key = Some(IdentityKey::fixed([8; 32]));
    let file = workshop.file("jobs.csv", JOBS);
    assert!(workshop.try_ingest(&[file]).unwrap_err().to_string().contains("another identity key"));
}

/// A machine may stay several times, told by the day on which it came; stays that overlap would count its time twice.
#[test]
fn stays_are_told_by_their_first_day_and_may_not_overlap() {
    let workshop = Workshop::new();
    let report = workshop.ingest_text(
        "machines.csv",
        "machine_id,entered_on,left_on\n\
         M1,2015-01-01,2017-01-01\n\
         M1,2018-01-01,\n\
         M1,2016-06-01,2019-01-01\n\
         M1,2015-01-01,2017-06-30\n\
         M2,2016-06-01,2019-01-01\n",
    );
    assert_eq!(counts(&report.total("machines")), [5, 3, 0, 1, 1]);
    let mut left = workshop.column("machines", "left_on");
    left.sort();
    assert_eq!(left, ["-", "2017-06-30", "2019-01-01"]);
    let quarantine = workshop.rows("quarantine");
    assert_eq!((quarantine[0]["reason"].as_str(), quarantine[0]["source_line"].as_str()), ("overlapping_stay", "4"));
    assert!(quarantine[0]["value"].contains("from 2015-01-01 to 2017-01-01 (machines.csv, line 2)"), "{}", quarantine[0]["value"]);
    assert!(quarantine[0]["raw"].ends_with(",2016-06-01,2019-01-01"), "{}", quarantine[0]["raw"]);
    // What is known from an earlier ingest counts too.
    let later = workshop.ingest_text("later.csv", "machine_id,entered_on,left_on\nM1,2019-03-01,2020-01-01\nM2,2019-01-01,\n");
    assert_eq!(counts(&later.total("machines")), [2, 1, 0, 0, 1]);
}
