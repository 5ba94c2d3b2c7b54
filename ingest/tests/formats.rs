//! The same jobs in every format that is read, and files that unpack to more than they should.

use std::io::Write;
use std::sync::Arc;

use arrow::array::{ArrayRef, Date32Array, RecordBatch, StringArray};
use flate2::Compression;
use flate2::write::GzEncoder;
use proptest::prelude::*;
use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

use crate::support::{Workshop, counts};

const JOBS: [[&str; 5]; 3] = [
    ["1", "2024-03-04", "washing machine", "repaired", "drain pump"],
    ["2", "2024-03-05", "dishwasher", "condemned", "wash pump; door lock"],
    ["3", "2024-03-05", "oven", "repaired", "fan element"],
];
const TITLES: [&str; 5] = ["Job No", "Date done", "Appliance", "Outcome", "Faulty part"];

fn csv() -> String {
    let lines = std::iter::once(&TITLES).chain(&JOBS).map(|cells| cells.join(","));
    lines.collect::<Vec<_>>().join("\n") + "\n"
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn json_array() -> String {
    let objects = JOBS.iter().map(|cells| {
        let object: serde_json::Map<String, serde_json::Value> =
            TITLES.iter().zip(cells).map(|(title, cell)| ((*title).to_owned(), serde_json::Value::from(*cell))).collect();
        serde_json::to_string_pretty(&object).unwrap()
    });
    format!("[\n{}\n]\n", objects.collect::<Vec<_>>().join(",\n"))
}

/// A workbook as people keep them: a cover sheet, a heading over the titles, real dates, a date merged over two rows.
fn xlsx() -> Vec<u8> {
    let mut workbook = Workbook::new();
    workbook.add_worksheet().set_name("Cover").unwrap().write(0, 0, "Orrowby Repairs").unwrap();
    let sheet = workbook.add_worksheet().set_name("2024").unwrap();
    sheet.merge_range(0, 0, 0, 4, "Jobs of 2024", &Format::new()).unwrap();
    for (column, title) in (0_u16..).zip(TITLES) {
        sheet.write(2, column, title).unwrap();
    }
    let date = Format::new().set_num_format("dd/mm/yyyy");
    for (row, cells) in (3_u32..).zip(JOBS) {
        sheet.write(row, 0, cells[0].parse::<f64>().unwrap()).unwrap();
        for column in 2..5_u16 {
            sheet.write(row, column, cells[usize::from(column)].replace("; ", "\n")).unwrap();
        }
    }
    sheet.write_with_format(3, 1, ExcelDateTime::from_ymd(2024, 3, 4).unwrap(), &date).unwrap();
    sheet.merge_range(4, 1, 5, 1, "", &date).unwrap();
    sheet.write_with_format(4, 1, ExcelDateTime::from_ymd(2024, 3, 5).unwrap(), &date).unwrap();
    workbook.save_to_buffer().unwrap()
}

/// The same as an open document: a heading, an empty rest of the sheet, real dates, a number as text.
fn ods() -> Vec<u8> {
    let text = |text: &str| format!("<table:table-cell office:value-type=\"string\"><text:p>{text}</text:p></table:table-cell>");
    let row = |cells: &str| format!("<table:table-row>{cells}</table:table-row>");
    let day = |day: &str| {
        format!("<table:table-cell office:value-type=\"date\" office:date-value=\"{day}\"><text:p>ignored</text:p></table:table-cell>")
    };
    let mut rows = row(&text("Jobs of 2024")) + &row(&TITLES.map(text).concat());
    for cells in JOBS {
        let number = text(cells[0]);
        rows += &row(&format!("{number}{}{}{}{}", day(cells[1]), text(cells[2]), text(cells[3]), text(cells[4])));
    }
    rows += "<table:table-row table:number-rows-repeated=\"1048571\"><table:table-cell table:number-columns-repeated=\"16384\"/></table:table-row>";
    let content = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><office:document-content xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\"><office:body><office:spreadsheet><table:table table:name=\"2024\">{rows}</table:table></office:spreadsheet></office:body></office:document-content>"
    );
    let mut archive = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let parts = [
        ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
        ("content.xml", content.as_str()),
        ("META-INF/manifest.xml", "<manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\"/>"),
    ];
    for (name, part) in parts {
        archive.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        archive.write_all(part.as_bytes()).unwrap();
    }
    archive.finish().unwrap().into_inner()
}

fn parquet() -> Vec<u8> {
    let text = |at: usize| Arc::new(StringArray::from_iter_values(JOBS.iter().map(|cells| cells[at]))) as ArrayRef;
    let days = Arc::new(Date32Array::from(vec![19_786, 19_787, 19_787])) as ArrayRef;
    let columns = TITLES.iter().enumerate().map(|(at, title)| (*title, if at == 1 { Arc::clone(&days) } else { text(at) }));
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let mut bytes = Vec::new();
    let mut writer = parquet::arrow::ArrowWriter::try_new(&mut bytes, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    bytes
}

/// What the store holds, without where it comes from.
fn stored(name: &str, content: &[u8]) -> Vec<String> {
    let workshop = Workshop::new();
    let report = workshop.ingest_text(name, content);
    assert_eq!(counts(&report.total("jobs")), [3, 3, 0, 0, 0], "{name}: {:?}", report.doubts);
    let row = |row: &crate::support::TextRow, columns: &[&str]| {
        columns.iter().map(|column| row.get(*column).cloned().unwrap_or_default()).collect::<Vec<_>>().join(" ")
    };
    let jobs = workshop.rows("jobs");
    let findings = workshop.rows("findings");
    let jobs = jobs.iter().map(|job| row(job, &["job_id", "closed_on", "category", "outcome", "content_hash"]));
    let findings = findings.iter().map(|finding| row(finding, &["job_id", "step", "component", "role", "reached", "confidence"]));
    jobs.chain(findings).collect()
}

#[test]
fn every_format_gives_the_same_store() {
    let expected = stored("jobs.csv", csv().as_bytes());
    assert_eq!(expected.len(), 7);
    // the endings say nothing: the content does
    for (name, content) in [
        ("jobs.dat", gzip(csv().as_bytes())),
        ("tabs.csv", gzip(csv().replace(',', "\t").as_bytes())),
        ("jobs.json", json_array().into_bytes()),
        ("jobs.json.gz", gzip(json_array().as_bytes())),
        ("jobs.xls", xlsx()),
        ("jobs.ods", ods()),
        ("jobs.bin", parquet()),
    ] {
        assert_eq!(stored(name, &content), expected, "{name}");
    }
}

#[test]
fn lines_of_a_workbook_are_its_rows() {
    let workshop = Workshop::new();
    workshop.ingest_text("jobs.xlsx", xlsx());
    assert_eq!(workshop.column("jobs", "source_line"), ["4", "5", "6"]);
}

#[test]
fn what_unpacks_to_too_much_is_refused() {
    let workshop = Workshop::new();
    let refusal = workshop.try_ingest(&[workshop.file("bomb.gz", gzip(&vec![b' '; 80 << 20]))]).unwrap_err().to_string();
    assert!(refusal.contains("bomb.gz") && refusal.contains("MiB unpack to more than"), "{refusal}");
    for (name, content) in [("cut.xlsx", &xlsx()[..3000]), ("cut.gz", &gzip(csv().as_bytes())[..40]), ("cut.parquet", &parquet()[..200])] {
        let refusal = workshop.try_ingest(&[workshop.file(name, content)]).unwrap_err().to_string();
        assert!(refusal.contains(name), "{refusal}");
    }
}

/// Inputs for each reader; `FUZZ_CASES` sets another number.
fn cases() -> ProptestConfig {
    let cases = std::env::var("FUZZ_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(64);
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

/// Some bytes of a file, replaced.
fn damage(mut content: Vec<u8>, places: &[(usize, u8)]) -> Vec<u8> {
    for &(at, byte) in places {
        let length = content.len();
        content[at % length] = byte;
    }
    content
}

proptest! {
    #![proptest_config(cases())]

    #[test]
    fn no_reader_panics(places in prop::collection::vec((any::<usize>(), any::<u8>()), 1..12), free in prop::collection::vec(any::<u8>(), 0..300)) {
        let workshop = Workshop::new();
        let plain = csv().into_bytes();
        let json = json_array().into_bytes();
        let lines = json_array().replace('\n', "").replace("},", "}\n").replace(['[', ']'], "").into_bytes();
        for content in [plain.clone(), json, lines, gzip(&plain), xlsx(), parquet()] {
            let file = workshop.file("damaged", damage(content, &places));
            let _ = fixodds_ingest::check(&[file], &workshop.options);
        }
        let file = workshop.file("free", free);
        let _ = fixodds_ingest::check(&[file], &workshop.options);
    }
}
