use std::fs;

use fixodds_ingest::IngestError;
use fixodds_schemas::store_tables;

use crate::support::{Workshop, counts};

fn jobs(numbers: std::ops::Range<u32>) -> String {
    let rows: String = numbers.map(|number| format!("{number},2021-01-02,repaired\n")).collect();
    format!("job_id,closed_on,outcome\n{rows}")
}

fn snapshot_names(workshop: &Workshop) -> Vec<String> {
    let entries = fs::read_dir(workshop.layout().snapshots_dir()).unwrap();
    let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn every_table_can_be_read_even_if_nothing_is_in_it() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", jobs(0..1));
    for schema in store_tables() {
        let files = workshop.layout().table_files(&schema.name).unwrap();
        assert!(!files.is_empty(), "{}", schema.name);
        let file = fs::File::open(&files[0]).unwrap();
        let stored = parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
        let names = |schema: &arrow::datatypes::Schema| {
            schema.fields().iter().map(|field| (field.name().clone(), field.data_type().clone())).collect::<Vec<_>>()
        };
        assert_eq!(names(stored.schema()), names(&schema.arrow_schema()));
    }
}

#[test]
fn unchanged_files_are_kept_and_three_snapshots_stay() {
    let workshop = Workshop::new();
    for number in 0..5 {
        workshop.ingest_text("jobs.csv", jobs(number * 10..number * 10 + 10));
    }
    assert_eq!(snapshot_names(&workshop), ["000003", "000004", "000005"]);
    assert_eq!(workshop.rows("jobs").len(), 50);
    #[cfg(unix)]
    {
        let inode = |snapshot: &str| {
            std::os::unix::fs::MetadataExt::ino(
                &fs::metadata(workshop.layout().snapshots_dir().join(snapshot).join("jobs/000001-0001.parquet")).unwrap(),
            )
        };
        assert_eq!(inode("000004"), inode("000005"));
    }
}

#[test]
fn an_error_leaves_the_store_as_it_was() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", jobs(0..3));
    let good = workshop.file("more.csv", jobs(3..6));
    let bad = workshop.file("bad.csv", "job_id,closed_on\n1,2\n");
    assert!(matches!(workshop.try_ingest(&[good, bad]), Err(IngestError::MissingColumn { .. })));
    assert_eq!(workshop.rows("jobs").len(), 3);
    assert_eq!(snapshot_names(&workshop), ["000001"]);
}

#[test]
fn what_an_interrupted_ingest_left_is_removed_and_never_read() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", jobs(0..3));
    let snapshots = workshop.layout().snapshots_dir();
    // killed while writing, and killed between renaming the snapshot and making it current
    fs::create_dir_all(snapshots.join(".building/jobs")).unwrap();
    fs::write(snapshots.join(".building/jobs/000002-0001.parquet"), "half a file").unwrap();
    fs::create_dir_all(snapshots.join("000002/jobs")).unwrap();
    fs::write(snapshots.join("000002/jobs/000002-0001.parquet"), "never current").unwrap();
    fs::write(workshop.options.store.join("current.new"), "").unwrap();
    assert_eq!(workshop.rows("jobs").len(), 3);
    let report = workshop.ingest_text("more.csv", jobs(2..5));
    assert_eq!(counts(&report.total("jobs")), [3, 2, 1, 0, 0]);
    assert_eq!(report.snapshot, 2);
    assert_eq!(workshop.rows("jobs").len(), 5);
    assert_eq!(snapshot_names(&workshop), ["000001", "000002"]);
}

#[test]
fn two_ingests_at_once_are_refused() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.csv", jobs(0..3));
    let held = fs::File::options().write(true).open(workshop.layout().lock_path()).unwrap();
    held.try_lock().unwrap();
    let file = workshop.file("more.csv", jobs(3..5));
    assert!(matches!(workshop.try_ingest(std::slice::from_ref(&file)), Err(IngestError::Locked { .. })));
    drop(held);
    assert_eq!(counts(&workshop.ingest(&[file]).total("jobs")), [2, 2, 0, 0, 0]);
}

#[test]
fn the_same_files_give_the_same_bytes() {
    let stores = [(); 2].map(|()| {
        let workshop = Workshop::new();
        workshop.ingest_text(
            "jobs.csv",
            "job_id,closed_on,outcome,serial,component,Van\n1,2021-01-02,repaired,AB1234,motor and drain pump,V2\n2,x,repaired,,,\n",
        );
        let files = store_tables().iter().flat_map(|schema| workshop.layout().table_files(&schema.name).unwrap());
        files.map(|path| fs::read(path).unwrap()).collect::<Vec<_>>()
    });
    assert!(stores[0] == stores[1]);
}
