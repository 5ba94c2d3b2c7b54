//! All evidence tables in one workbook: a contents sheet, a sheet a table with its titles frozen, numbers as numbers, and every text as a text: nothing
//! that the records say is ever taken for a formula or a link.

use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::publication::Withheld;
use fixodds_schemas::evidence_tables;
use fixodds_schemas::tables::{Column, ColumnKind, TableSchema};
use polars::prelude::{AnyValue, DataFrame};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, FormatAlign, Workbook, Worksheet, XlsxError};

use crate::exporters::ExportError;

/// Rows of a sheet under its titles; a longer table goes on in another sheet.
const MOST_ROWS: usize = 1_048_575;
/// Characters of a cell.
const LONGEST_TEXT: usize = 32_767;
const CONTENTS: &str = "contents";

/// The workbook's bytes. `evidence` is ready for publication; rows that are withheld are left out and counted in the contents.
///
/// # Errors
/// [`ExportError::Workbook`] if the workbook cannot be put together.
pub fn build(evidence: &Evidence, withheld: &Withheld) -> Result<Vec<u8>, ExportError> {
    Ok(write(evidence, withheld)?)
}

struct Formats {
    title: Format,
    wrapped: Format,
    count: Format,
    years: Format,
    money: Format,
    real: Format,
}

impl Formats {
    fn new() -> Formats {
        let top = |format: Format| format.set_align(FormatAlign::Top);
        Formats {
            title: Format::new().set_bold(),
            wrapped: top(Format::new().set_text_wrap()),
            count: top(Format::new().set_num_format("#,##0")),
            years: Format::new().set_num_format("0.0"),
            money: Format::new().set_num_format("#,##0.00"),
            real: Format::new().set_num_format("0.0000"),
        }
    }

    fn of(&self, column: &Column) -> &Format {
        match (column.kind, column.unit.as_deref()) {
            (ColumnKind::Integer32 | ColumnKind::Integer64, _) => &self.count,
            (_, Some("years")) => &self.years,
            (_, Some("currency")) => &self.money,
            _ => &self.real,
        }
    }
}

fn write(evidence: &Evidence, withheld: &Withheld) -> Result<Vec<u8>, XlsxError> {
    let mut workbook = Workbook::new();
    let mut properties = DocProperties::new().set_title("Evidence from completed repair jobs");
    if let Some(day) = day(&evidence.about.as_of) {
        properties = properties.set_creation_datetime(&day?);
    }
    workbook.set_properties(&properties);
    let formats = Formats::new();
    let tables: Vec<(&TableSchema, &DataFrame, Vec<usize>)> = evidence_tables()
        .iter()
        .filter_map(|schema| {
            let frame = evidence.tables.get(&schema.name)?;
            Some((schema, frame, published_rows(frame)))
        })
        .collect();
    contents(workbook.add_worksheet(), evidence, withheld, &tables, &formats)?;
    for (schema, frame, rows) in &tables {
        for (number, rows) in pieces(rows).enumerate() {
            let sheet = workbook.add_worksheet();
            sheet.set_name(sheet_name(schema, number))?;
            table(sheet, schema, frame, rows, &formats)?;
        }
    }
    workbook.save_to_buffer()
}

/// At least one piece, so that a table without rows has its sheet too.
fn pieces(rows: &[usize]) -> impl Iterator<Item = &[usize]> {
    let empty: &[usize] = &[];
    rows.chunks(MOST_ROWS).chain(rows.is_empty().then_some(empty))
}

fn sheet_name(schema: &TableSchema, number: usize) -> String {
    if number == 0 { schema.name.clone() } else { format!("{} {}", schema.name, number + 1) }
}

fn day(iso: &str) -> Option<Result<ExcelDateTime, XlsxError>> {
    let mut parts = iso.splitn(3, '-');
    let (year, month, day) = (parts.next()?.parse().ok()?, parts.next()?.parse().ok()?, parts.next()?.parse().ok()?);
    Some(ExcelDateTime::from_ymd(year, month, day))
}

/// Rows that hold a figure, or a reason other than that they are withheld.
fn published_rows(frame: &DataFrame) -> Vec<usize> {
    let reasons = frame.column("reason").ok();
    let is_withheld = |row: usize| {
        reasons
            .is_some_and(|reasons| reasons.get(row).is_ok_and(|value| value.get_str().is_some_and(|text| text.starts_with("withheld: "))))
    };
    (0..frame.height()).filter(|row| !is_withheld(*row)).collect()
}

fn contents(
    sheet: &mut Worksheet,
    evidence: &Evidence,
    withheld: &Withheld,
    tables: &[(&TableSchema, &DataFrame, Vec<usize>)],
    formats: &Formats,
) -> Result<(), XlsxError> {
    sheet.set_name(CONTENTS)?;
    let about = &evidence.about;
    let least = about.least_cell.unwrap_or_default();
    let head = format!(
        "{} jobs closed {} to {}, as known on {}; money in {}; intervals of 95 %; fixodds {}; nothing that rests on fewer than {least} machines or jobs",
        about.jobs, about.first_closed_on, about.last_closed_on, about.as_of, about.currency, about.program_version
    );
    sheet.write_string_with_format(0, 0, "Evidence from completed repair jobs", &formats.title)?;
    sheet.write_string(1, 0, head)?;
    for (column, (title, width)) in
        [("table", 20.0), ("rows", 10.0), ("rows withheld", 14.0), ("one row", 50.0), ("what it holds", 60.0), ("method", 110.0)]
            .iter()
            .enumerate()
    {
        sheet.write_string_with_format(3, column as u16, *title, &formats.title)?;
        sheet.set_column_width(column as u16, *width)?;
    }
    for (place, (schema, _, rows)) in tables.iter().enumerate() {
        let row = 4 + place as u32;
        sheet.write_string_with_format(row, 0, &schema.name, &formats.wrapped)?;
        sheet.write_number_with_format(row, 1, rows.len() as f64, &formats.count)?;
        sheet.write_number_with_format(row, 2, withheld.get(&schema.name).map_or(0, |(rows, _)| *rows) as f64, &formats.count)?;
        sheet.write_string_with_format(row, 3, schema.grain.trim_start_matches("one row per "), &formats.wrapped)?;
        sheet.write_string_with_format(row, 4, &schema.description, &formats.wrapped)?;
        let why = about.missing.get(&schema.name).map(String::as_str);
        sheet.write_string_with_format(row, 5, why.or(schema.method.as_deref()).unwrap_or_default(), &formats.wrapped)?;
    }
    sheet.set_freeze_panes(4, 1)?;
    Ok(())
}

fn table(sheet: &mut Worksheet, schema: &TableSchema, frame: &DataFrame, rows: &[usize], formats: &Formats) -> Result<(), XlsxError> {
    sheet.set_freeze_panes(1, 0)?;
    for (place, column) in schema.columns.iter().enumerate() {
        let place = place as u16;
        sheet.write_string_with_format(0, place, &column.name, &formats.title)?;
        sheet.set_column_width(place, if column.kind == ColumnKind::Text { 22.0 } else { 14.0 })?;
        let Ok(values) = frame.column(&column.name) else { continue };
        for (line, row) in rows.iter().enumerate() {
            let line = line as u32 + 1;
            match values.get(*row).unwrap_or(AnyValue::Null) {
                AnyValue::Null => {}
                AnyValue::Boolean(flag) => {
                    sheet.write_boolean(line, place, flag)?;
                }
                AnyValue::Int32(count) => {
                    sheet.write_number_with_format(line, place, count, formats.of(column))?;
                }
                AnyValue::Int64(count) => {
                    sheet.write_number_with_format(line, place, count as f64, formats.of(column))?;
                }
                AnyValue::Float64(real) if real.is_finite() => {
                    sheet.write_number_with_format(line, place, real, formats.of(column))?;
                }
                other => {
                    sheet.write_string(line, place, bounded(other.get_str().unwrap_or_default()))?;
                }
            }
        }
    }
    if !rows.is_empty() {
        sheet.autofilter(0, 0, rows.len() as u32, schema.columns.len() as u16 - 1)?;
    }
    Ok(())
}

fn bounded(text: &str) -> String {
    text.chars().take(LONGEST_TEXT).collect()
}
