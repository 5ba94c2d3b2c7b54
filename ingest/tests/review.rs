//! Texts of which the rules are not sure, and what a person says of them.

use crate::support::Workshop;

const JOBS: &str = "job_id,closed_on,category,outcome,fault_text\n1,2024-01-02,washing machine,repaired,poss bearings?\n2,2024-01-03,washing machine,repaired,\"brushes worn, module blown\"\n";

#[test]
fn an_answer_goes_before_the_rules_ever_after() {
    let mut workshop = Workshop::new();
    let report = workshop.ingest_text("jobs.csv", JOBS);
    assert_eq!(report.texts_to_review, 1);
    assert_eq!(workshop.column("findings", "component"), ["carbon_brushes", "main_control_board"]);
    let asked = std::fs::read_to_string(workshop.options.store.join("review.csv")).unwrap();
    assert!(asked.contains("poss bearings?,washing_machine,1,drum_bearings (primary),,0.40,,,"), "{asked}");
    let answered = asked.replace("0.40,,,", "0.40,yes,,");
    workshop.options.review = Some(workshop.file("answers.csv", answered));
    let report = workshop.ingest_text("jobs.csv", JOBS);
    assert_eq!((report.texts_to_review, report.total("jobs").superseded, report.total("jobs").repeats), (0, 1, 1));
    let mut components = workshop.column("findings", "component");
    components.sort();
    assert_eq!(components, ["carbon_brushes", "drum_bearings", "main_control_board"]);
    workshop.options.review = None;
    let again = workshop.ingest_text("more.csv", JOBS.replace("\n1,", "\n7,"));
    assert_eq!((again.total("jobs").accepted, again.texts_to_review), (1, 0));
    assert_eq!(workshop.rows("findings").iter().filter(|finding| finding["reached"] == "review").count(), 2);
}

#[test]
fn corrected_rows_of_the_quarantine_are_ingested() {
    let workshop = Workshop::new();
    let report =
        workshop.ingest_text("jobs.csv", "Job No;Date done;Outcome;Notes\n1;01/02/2024;mended-ish;\"a;b\"\n2;02/02/2024;repaired;\n");
    assert_eq!(report.quarantined(), 1);
    let row = &workshop.rows("quarantine")[0];
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["table", "kind", "raw", "titles", "remedy"]).unwrap();
    let corrected = row["raw"].replace("mended-ish", "repaired");
    writer.write_record(["jobs", "row", &corrected, &row["titles"], &row["remedy"]]).unwrap();
    let file = workshop.file("corrected.csv", writer.into_inner().unwrap());
    let report = fixodds_ingest::requeue(&file, &workshop.options, &mut |_| {}).unwrap();
    assert_eq!((report.total("jobs").accepted, report.quarantined()), (1, 0));
    assert_eq!(workshop.column("jobs", "notes").iter().filter(|notes| *notes == "a;b").count(), 1);
}

#[test]
fn a_mapping_to_start_from_reads_the_file_as_before() {
    let mut workshop = Workshop::new();
    let file = workshop.file("jobs.csv", "Job No,Date done,Outcome,\"Van \"\"A\"\"\",\"Two\nlines \u{7f}\"\n1,01/02/2024,repaired,x,y\n");
    let files = [file];
    let first = fixodds_ingest::check(&files, &workshop.options).unwrap();
    let text = first.mapping_toml();
    workshop.options.mapping =
        fixodds_ingest::Mapping::parse(&text, "own.toml", &workshop.options.vocabulary).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let second = fixodds_ingest::check(&files, &workshop.options).unwrap();
    let fields = |report: &fixodds_ingest::CheckReport| {
        report.files[0].tables[0].columns.iter().map(|column| column.field.clone()).collect::<Vec<_>>()
    };
    assert_eq!(fields(&first), fields(&second));
}

#[test]
fn a_wrong_answer_says_where_it_stands() {
    let mut workshop = Workshop::new();
    let text = "text,category,times,proposed,proposed_outcome,confidence,primary,consequential,outcome\nhm,,1,,,0.5,flux thing,,\n";
    workshop.options.review = Some(workshop.file("answers.csv", text));
    let refusal = workshop.try_ingest(&[workshop.file("jobs.csv", JOBS)]).unwrap_err().to_string();
    assert!(refusal.contains("answers.csv, line 2: `flux thing` is no component"), "{refusal}");
}
