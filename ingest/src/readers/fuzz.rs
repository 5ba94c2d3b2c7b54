//! Each reader against bytes that no program would write: it may refuse them, and never panics or reads more than there is.
//!
//! `FUZZ_INPUTS` sets the number of inputs for each reader; the documented run is in DEVELOPERS.md.

use std::io::{Cursor, Read, Write};
use std::path::PathBuf;
use std::sync::Arc;

use arrow::array::{ArrayRef, Date32Array, Float64Array, RecordBatch, StringArray};
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use zip::write::SimpleFileOptions;

use super::{LONGEST_RECORD, Record, open};

const TEXT: &str =
    "Job No;Date done;Outcome;Notes\r\n1;03/04/2024;repaired;\"a \"\"b\"\";\nc\"\r\n2;04/04/2024;scrapped;5\" gap\r\n\r\n3;;;\r\n";
const LINES: &str = "{\"job_id\":\"1\",\"closed_on\":\"2024-01-02\",\"findings\":[{\"component\":\"pump\",\"step\":1}],\"parts\":[]}\n{\"job_id\":2,\"notes\":null,\"visits\":1.5e3}\n";

/// One change of a file.
#[derive(Debug, Clone)]
enum Change {
    Replace(usize, u8),
    Insert(usize, Vec<u8>),
    Remove(usize, usize),
    Repeat(usize, usize),
    Cut(usize),
}

fn change() -> impl Strategy<Value = Change> {
    let place = any::<usize>;
    let telling = prop::sample::select(b"\"';,\t|{}[]<>/=\\\r\n\0\xff\xfe\xef\xbb\xbf0159eE+-. ".to_vec());
    prop_oneof![
        4 => (place(), any::<u8>()).prop_map(|(at, byte)| Change::Replace(at, byte)),
        4 => (place(), telling.clone()).prop_map(|(at, byte)| Change::Replace(at, byte)),
        2 => (place(), prop::collection::vec(telling, 1..6)).prop_map(|(at, bytes)| Change::Insert(at, bytes)),
        2 => (place(), prop::collection::vec(any::<u8>(), 1..6)).prop_map(|(at, bytes)| Change::Insert(at, bytes)),
        2 => (place(), 1..40_usize).prop_map(|(at, length)| Change::Remove(at, length)),
        2 => (place(), 1..40_usize).prop_map(|(at, length)| Change::Repeat(at, length)),
        1 => place().prop_map(Change::Cut),
    ]
}

fn changed(mut bytes: Vec<u8>, changes: &[Change]) -> Vec<u8> {
    for change in changes {
        let length = bytes.len();
        if length == 0 {
            break;
        }
        match change {
            Change::Replace(at, byte) => bytes[at % length] = *byte,
            Change::Insert(at, new) => drop(bytes.splice(at % length..at % length, new.iter().copied())),
            Change::Remove(at, count) => drop(bytes.drain(at % length..(at % length + count).min(length))),
            Change::Repeat(at, count) => {
                let piece = bytes[at % length..(at % length + count).min(length)].to_vec();
                bytes.splice(at % length..at % length, piece);
            }
            Change::Cut(at) => bytes.truncate(at % length),
        }
    }
    bytes
}

/// Reads whatever can be read of a file.
fn read_everything(path: &PathBuf, bytes: &[u8]) {
    std::fs::write(path, bytes).unwrap();
    let Ok(opened) = open(path, "fuzzed") else { return };
    for table in &opened.tables {
        let Ok(mut reader) = table.records() else { continue };
        let mut record = Record::default();
        let mut records = 0_u64;
        while let Ok(true) = reader.read(&mut record) {
            records += 1;
            assert!(record.text.len() <= 2 * LONGEST_RECORD, "a record of {} bytes", record.text.len());
            assert!(record.fields().map(str::len).sum::<usize>() == record.text.len());
            assert!(records <= 2_000_000, "a small file has no end");
        }
    }
}

fn inputs() -> u32 {
    std::env::var("FUZZ_INPUTS").ok().and_then(|inputs| inputs.parse().ok()).unwrap_or(300)
}

/// Files made from a good one by up to seven changes, and now and then from nothing but `beginning` and arbitrary bytes.
fn fuzz(beginning: &'static [u8], good: impl Fn(&[Change]) -> Vec<u8>) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fuzzed");
    let strategy = prop_oneof![
        5 => prop::collection::vec(change(), 0..8).prop_map(Ok),
        1 => prop::collection::vec(any::<u8>(), 0..200).prop_map(Err),
    ];
    let config = Config { cases: inputs(), failure_persistence: None, ..Config::default() };
    TestRunner::new(config)
        .run(&strategy, |input: Result<Vec<Change>, Vec<u8>>| {
            let bytes = match input {
                Ok(changes) => good(&changes),
                Err(free) => [beginning, &free].concat(),
            };
            read_everything(&path, &bytes);
            Ok(())
        })
        .unwrap();
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// The parts of an archive with some of them changed, put together again, so that the damage gets past the checksums.
fn repacked(parts: &[(String, Vec<u8>)], changes: &[Change]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (at, (name, content)) in parts.iter().enumerate() {
        let of_part: Vec<Change> = changes
            .iter()
            .enumerate()
            .filter(|(which, _)| (which + changes.len()) % parts.len() == at)
            .map(|(_, change)| change.clone())
            .collect();
        writer.start_file(name.as_str(), SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored)).unwrap();
        writer.write_all(&changed(content.clone(), &of_part)).unwrap();
    }
    writer.finish().unwrap().into_inner()
}

fn parts_of_workbook() -> Vec<(String, Vec<u8>)> {
    let mut workbook = rust_xlsxwriter::Workbook::new();
    let sheet = workbook.add_worksheet();
    for (column, title) in (0_u16..).zip(["Job No", "Date done", "Outcome"]) {
        sheet.write(1, column, title).unwrap();
    }
    sheet.write(2, 0, 1.0).unwrap();
    let date = rust_xlsxwriter::Format::new().set_num_format("dd/mm/yyyy");
    sheet.write_with_format(2, 1, rust_xlsxwriter::ExcelDateTime::from_ymd(2024, 3, 4).unwrap(), &date).unwrap();
    sheet.merge_range(2, 2, 4, 2, "repaired", &rust_xlsxwriter::Format::new()).unwrap();
    let bytes = workbook.save_to_buffer().unwrap();
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).unwrap();
    let wanted = [
        "xl/worksheets/sheet1.xml",
        "xl/sharedStrings.xml",
        "xl/workbook.xml",
        "xl/styles.xml",
        "[Content_Types].xml",
        "_rels/.rels",
        "xl/_rels/workbook.xml.rels",
    ];
    wanted
        .iter()
        .map(|name| {
            let mut content = Vec::new();
            archive.by_name(name).unwrap().read_to_end(&mut content).unwrap();
            ((*name).to_owned(), content)
        })
        .collect()
}

fn parts_of_open_document() -> Vec<(String, Vec<u8>)> {
    let cell = |text: &str| format!("<table:table-cell office:value-type=\"string\"><text:p>{text}</text:p></table:table-cell>");
    let date = "<table:table-cell office:value-type=\"date\" office:date-value=\"2024-03-04\"><text:p>04/03/24</text:p></table:table-cell>";
    let number = "<table:table-cell office:value-type=\"float\" office:value=\"1\" table:number-columns-repeated=\"2\"/>";
    let content = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><office:document-content xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\"><office:body><office:spreadsheet><table:table table:name=\"2024\"><table:table-row>{}{}{}</table:table-row><table:table-row table:number-rows-repeated=\"2\">{number}{date}{}</table:table-row></table:table></office:spreadsheet></office:body></office:document-content>",
        cell("Job No"),
        cell("Date done"),
        cell("Outcome"),
        cell("repaired")
    );
    let manifest = "<manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\"/>";
    [("content.xml", content.as_str()), ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"), ("META-INF/manifest.xml", manifest)]
        .map(|(name, text)| (name.to_owned(), text.as_bytes().to_vec()))
        .to_vec()
}

fn parquet() -> Vec<u8> {
    let columns: [(&str, ArrayRef); 3] = [
        ("job_id", Arc::new(StringArray::from(vec![Some("1"), None, Some("3")]))),
        ("closed_on", Arc::new(Date32Array::from(vec![19_786, 19_787, 19_788]))),
        ("labour_cost", Arc::new(Float64Array::from(vec![1.0, f64::NAN, 3.5]))),
    ];
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let mut bytes = Vec::new();
    let mut writer = parquet::arrow::ArrowWriter::try_new(&mut bytes, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    bytes
}

#[test]
fn delimited_text() {
    fuzz(b"", |changes| changed(TEXT.into(), changes));
}

#[test]
fn sixteen_bit_text() {
    fuzz(b"\xff\xfe", |changes| {
        changed([b"\xff\xfe".to_vec(), TEXT.encode_utf16().flat_map(u16::to_le_bytes).collect()].concat(), changes)
    });
}

#[test]
fn json_lines() {
    fuzz(b"{", |changes| changed(LINES.into(), changes));
}

#[test]
fn json_array() {
    fuzz(b"[{", |changes| changed(format!("[{}]", LINES.trim().replace('\n', ",\n")).into_bytes(), changes));
}

#[test]
fn gzip() {
    let good = packed(TEXT.as_bytes());
    fuzz(b"\x1f\x8b\x08", |changes| match changes {
        // past the checksum as often as against it
        [] | [_] | [_, _] => changed(good.clone(), changes),
        _ => packed(&changed(TEXT.into(), changes)),
    });
}

#[test]
fn xlsx() {
    let parts = parts_of_workbook();
    fuzz(b"PK\x03\x04", |changes| repacked(&parts, changes));
}

#[test]
fn ods() {
    let parts = parts_of_open_document();
    fuzz(b"PK\x03\x04", |changes| repacked(&parts, changes));
}

#[test]
fn columns_of_parquet() {
    let good = parquet();
    fuzz(b"PAR1", |changes| changed(good.clone(), changes));
}
