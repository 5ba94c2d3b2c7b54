//! The same jobs as a clean table and as the wide spreadsheets that people keep, in several encodings: the evidence is the same.

use std::fs;
use std::path::{Path, PathBuf};

use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

use crate::support::succeed;

/// What a wide sheet can say: field, and its title there.
const COLUMNS: [(&str, &str); 17] = [
    ("job_id", "Job No."),
    ("booked_on", "Date in"),
    ("closed_on", "Date completed"),
    ("category", "Appliance"),
    ("brand", "Make"),
    ("model", "Model No"),
    ("serial", "S/N"),
    ("age_years", "Age"),
    ("site", "Home or workshop"),
    ("visits", "No of visits"),
    ("symptoms", "Customer says"),
    ("component", "Faulty part"),
    ("outcome", "Result"),
    ("not_repaired_reason", "Why not repaired"),
    ("labour_minutes", "Time taken"),
    ("labour_cost", "Labour"),
    ("parts_cost", "Parts"),
];
const TABLES: [&str; 6] = ["fault_share", "outcome", "outcome_by_age", "write_off_reason", "repair_cost", "recall"];

type Rows = Vec<Vec<String>>;

/// A few years of the simulated workshop, its columns in the order of [`COLUMNS`].
fn clean_jobs(folder: &Path) -> Rows {
    succeed(["simulate", "--clean", "--jobs", "1500", "--seed", "11", "--out", folder.to_str().unwrap()]);
    let mut reader = csv::Reader::from_path(folder.join("jobs.csv")).unwrap();
    let titles = reader.headers().unwrap().clone();
    let places = COLUMNS.map(|(field, _)| titles.iter().position(|title| title == field).unwrap());
    reader.records().map(|record| record.unwrap()).map(|record| places.iter().map(|&at| record[at].to_owned()).collect()).collect()
}

/// How a person would have written a cell. `dates` turns year, month and day into text.
fn as_typed(field: &str, cell: &str, decimal_comma: bool, dates: fn(&str, &str, &str) -> String) -> String {
    if cell.is_empty() {
        return String::new();
    }
    match field {
        "booked_on" | "closed_on" => {
            let parts: Vec<&str> = cell.split('-').collect();
            dates(parts[0], parts[1], parts[2])
        }
        "category" | "component" | "not_repaired_reason" | "site" => cell.replace('_', " ").to_uppercase(),
        "brand" => format!(" {} ", cell.to_uppercase()),
        "model" => cell.to_lowercase().replace('-', " "),
        "serial" => cell.to_lowercase(),
        "age_years" => format!("{cell} yrs").replace('.', if decimal_comma { "," } else { "." }),
        "symptoms" => cell.replace(';', " / ").replace('_', " "),
        "outcome" => match cell {
            "repaired" => "Fixed".to_owned(),
            "condemned" => "BER".to_owned(),
            other => other.replace('_', " "),
        },
        "labour_minutes" => {
            let minutes: u32 = cell.parse().unwrap();
            if decimal_comma { format!("{minutes} min") } else { format!("{}:{:02}", minutes / 60, minutes % 60) }
        }
        "labour_cost" | "parts_cost" if decimal_comma => format!("£ {}", cell.replace('.', ",")),
        "labour_cost" | "parts_cost" => format!("£{cell}"),
        _ => cell.to_owned(),
    }
}

fn typed(jobs: &Rows, decimal_comma: bool, dates: fn(&str, &str, &str) -> String) -> Rows {
    let titles = COLUMNS.map(|(_, title)| title.to_owned()).to_vec();
    let rows =
        jobs.iter().map(|job| COLUMNS.iter().zip(job).map(|((field, _), cell)| as_typed(field, cell, decimal_comma, dates)).collect());
    std::iter::once(titles).chain(rows).collect()
}

fn text(rows: &Rows, delimiter: u8) -> String {
    let mut writer = csv::WriterBuilder::new().delimiter(delimiter).from_writer(Vec::new());
    rows.iter().for_each(|row| writer.write_record(row).unwrap());
    String::from_utf8(writer.into_inner().unwrap()).unwrap()
}

/// A workbook with a heading, titles in the third row, real dates, and the rest as text.
fn workbook(jobs: &Rows) -> Vec<u8> {
    let rows = typed(jobs, false, |year, month, day| format!("{year}-{month}-{day}"));
    let mut workbook = Workbook::new();
    let date = Format::new().set_num_format("dd/mm/yyyy");
    let sheet = workbook.add_worksheet().set_name("Jobs").unwrap();
    sheet.merge_range(0, 0, 0, 5, "Everything we have mended", &Format::new()).unwrap();
    for (at, row) in (2_u32..).zip(&rows) {
        for (column, cell) in (0_u16..).zip(row) {
            let is_date = at > 2 && matches!(COLUMNS[usize::from(column)].0, "booked_on" | "closed_on") && !cell.is_empty();
            if is_date {
                sheet.write_with_format(at, column, ExcelDateTime::parse_from_str(cell).unwrap(), &date).unwrap();
            } else {
                sheet.write(at, column, cell.as_str()).unwrap();
            }
        }
    }
    workbook.save_to_buffer().unwrap()
}

fn windows_1252(text: &str) -> Vec<u8> {
    text.chars().map(|character| u8::try_from(u32::from(character)).expect("a character of Latin 1")).collect()
}

/// The evidence of one file, as text.
fn evidence(folder: &Path, name: &str, content: &[u8]) -> Vec<(String, String)> {
    let (file, store) = (folder.join(name), folder.join(format!("store of {name}")));
    fs::write(&file, content).unwrap();
    let store = store.to_str().unwrap();
    let said = succeed(["ingest", file.to_str().unwrap(), "--store", store]);
    let account: Vec<&str> = said.lines().find(|line| line.starts_with("jobs ")).unwrap().split_whitespace().collect();
    assert_eq!(account[1], account[2], "{name}: not every row was accepted\n{said}");
    assert_eq!(account[5..7], ["0", "0"], "{name}: something was set aside\n{said}");
    succeed(["analyse", "--store", store]);
    let table = |table: &&str| {
        let select = format!("SELECT * FROM {table} ORDER BY ALL");
        ((*table).to_owned(), succeed(["query", "--store", store, "--csv", &select]))
    };
    TABLES.iter().map(table).collect()
}

#[test]
fn wide_spreadsheets_give_the_same_evidence_as_the_clean_table() {
    let folder: PathBuf = Path::new(env!("CARGO_TARGET_TMPDIR")).join("messy-spreadsheet");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let jobs = clean_jobs(&folder.join("simulated"));
    assert!(jobs.len() > 1_000);
    let clean: Rows = std::iter::once(COLUMNS.map(|(field, _)| field.to_owned()).to_vec()).chain(jobs.iter().cloned()).collect();
    let expected = evidence(&folder, "clean.csv", text(&clean, b',').replace("labour_cost", "labour_cost £").as_bytes());
    assert!(expected.iter().all(|(_, table)| table.lines().count() > 5), "{expected:?}");

    let comma = typed(&jobs, true, |year, month, day| format!("{day}/{month}/{year}"));
    let words = typed(&jobs, false, |year, month, day| {
        let names = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
        format!("{} {} {year}", day.trim_start_matches('0'), names[month.parse::<usize>().unwrap() - 1])
    });
    let american = typed(&jobs, false, |year, month, day| format!("{month}/{day}/{}", &year[2..]));
    let utf_16: Vec<u8> = [b"\xff\xfe".to_vec(), text(&words, b'\t').encode_utf16().flat_map(u16::to_le_bytes).collect()].concat();
    for (name, content) in [
        ("windows.csv", windows_1252(&text(&comma, b';'))),
        ("utf-16.txt", utf_16),
        ("bars.csv", format!("\u{feff}{}", text(&american, b'|')).into_bytes()),
        ("book.xlsx", workbook(&jobs)),
    ] {
        for ((table, expected), (_, found)) in expected.iter().zip(evidence(&folder, name, &content)) {
            let differing = expected.lines().zip(found.lines()).find(|(expected, found)| expected != found);
            assert!(*expected == found, "{name}: {table} differs: {differing:?}");
        }
    }
}
