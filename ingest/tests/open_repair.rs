//! The open data of the Open Repair Data Standard, where they are at hand, against an independent count.

use std::collections::BTreeMap;
use std::path::PathBuf;

use crate::support::{Workshop, counts};

/// The published files, if they lie beside the repository.
fn open_data() -> Vec<PathBuf> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/open-data");
    let files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .map(|entries| {
            entries.flatten().map(|entry| entry.path()).filter(|path| path.extension().is_some_and(|ending| ending == "csv")).collect()
        })
        .unwrap_or_default();
    if files.is_empty() {
        eprintln!("skipped: no open repair data in {}", folder.display());
    }
    files
}

type Counts = BTreeMap<String, u64>;

/// Records by a column, as the `csv` library reads them.
fn count_by(files: &[PathBuf], column: &str) -> Counts {
    let mut counts = Counts::new();
    for file in files {
        let mut reader = csv::Reader::from_path(file).unwrap();
        let at = reader.headers().unwrap().iter().position(|title| title == column).unwrap();
        for record in reader.records() {
            *counts.entry(record.unwrap()[at].to_owned()).or_default() += 1;
        }
    }
    counts
}

#[test]
fn counts_equal_those_of_another_library() {
    let files = open_data();
    if files.is_empty() {
        return;
    }
    let workshop = Workshop::new();
    let report = workshop.ingest(&files);
    let records: u64 = count_by(&files, "id").values().sum();
    assert_eq!(counts(&report.total("jobs")), [records, records, 0, 0, 0]);
    let jobs = workshop.rows("jobs");
    let stored = |column: &str, names: &[(&str, &str)]| {
        let mut counts = Counts::new();
        for job in &jobs {
            let key = job.get(column).map_or("", String::as_str);
            let name = names.iter().find(|(known, _)| *known == key).map_or(key, |(_, name)| *name);
            *counts.entry(name.to_owned()).or_default() += 1;
        }
        counts
    };
    let statuses = [("repaired", "Fixed"), ("repairable", "Repairable"), ("condemned", "End of life"), ("unknown", "Unknown")];
    assert_eq!(stored("outcome", &statuses), count_by(&files, "repair_status"));
    let barriers = [
        ("part_unavailable", "Spare parts not available"),
        ("part_too_expensive", "Spare parts too expensive"),
        ("cannot_be_opened", "No way to open product"),
        ("no_repair_information", "Repair information not available"),
        ("lack_of_equipment", "Lack of equipment"),
        ("worn_out", "Item too worn out"),
    ];
    assert_eq!(stored("not_repaired_reason", &barriers), count_by(&files, "repair_barrier_if_end_of_life"));
    assert_eq!(stored("source", &[]), count_by(&files, "data_provider"));
    let ours = [
        "vacuum_cleaner",
        "washing_machine",
        "tumble_dryer",
        "refrigerator",
        "microwave_oven",
        "dishwasher",
        "oven",
        "hob",
        "cooker",
        "freezer",
        "fridge_freezer",
        "washer_dryer",
    ];
    let mut categories = Counts::new();
    for (category, count) in stored("category", &[]) {
        let name = match category.strip_prefix("other:") {
            Some(name) => name.to_owned(),
            None if category == "vacuum_cleaner" => "Vacuum".to_owned(),
            None => {
                assert!(ours.contains(&category.as_str()), "{category}");
                "Large home electrical".to_owned()
            }
        };
        *categories.entry(name).or_default() += count;
    }
    let mut expected = count_by(&files, "product_category");
    // a large appliance may turn out to be a vacuum cleaner by the partner's own words
    let large = |counts: &Counts| counts["Large home electrical"] + counts["Vacuum"];
    assert_eq!(large(&categories), large(&expected));
    expected.retain(|name, _| !matches!(name.as_str(), "Large home electrical" | "Vacuum"));
    categories.retain(|name, _| !matches!(name.as_str(), "Large home electrical" | "Vacuum"));
    assert_eq!(categories, expected);
    assert!(workshop.layout().root().join("review.csv").exists());
}

#[test]
fn older_column_sets_are_read() {
    let workshop = Workshop::new();
    let titles =
        "id,data_provider,country,partner_product_category,product_category,brand,year_of_manufacture,repair_status,event_date,problem";
    let report = workshop.ingest_text(
        "open.csv",
        format!(
            "{titles}\nx_1,Mendery,GBR,Electrical ~ dishwasher,Large home electrical,Orrowby,2012,End of life,2020-03-01,drain pump leaking\n"
        ),
    );
    assert_eq!(counts(&report.total("jobs")), [1, 1, 0, 0, 0]);
    let job = &workshop.rows("jobs")[0];
    assert_eq!([&job["source"], &job["category"], &job["outcome"], &job["made_year"]], ["Mendery", "dishwasher", "condemned", "2012"]);
    let finding = &workshop.rows("findings")[0];
    assert_eq!([&finding["source"], &finding["reached"], &finding["role"]], ["Mendery", "rule", "primary"]);
}
