//! Workbooks: XLSX and ODS, one table a sheet. A sheet becomes a text file with one line for each of its rows.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;

use calamine::{Data, Dimensions, ExcelDateTime, Ods, Reader, Xlsx};
use tempfile::NamedTempFile;

use super::unpack::{cannot_write, check_size, temporary};
use super::{OpenedFile, TableSource, delimited, guarded};
use super::{encoding, open_document};
use crate::error::IngestError;

/// Largest unpacked part of a workbook; its texts are held in memory.
const MOST_PART_BYTES: u64 = 1 << 30;
/// More columns than any table of records has.
const MOST_COLUMNS: u32 = 2_000;
/// More rows than a sheet can have.
const MOST_ROWS: u32 = 1_100_000;

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Xlsx,
    Ods,
}

/// The sheets of a workbook; those that hold no table are left out.
pub fn open(path: &Path, label: &str) -> Result<OpenedFile, IngestError> {
    let kind = check_parts(path, label)?;
    let sheets = guarded(label, || match kind {
        Kind::Xlsx => xlsx_sheets(path, label),
        Kind::Ods => ods_sheets(path, label),
    })?;
    let mut tables: Vec<Box<dyn TableSource>> = Vec::new();
    let mut first_error = None;
    for (name, file) in sheets {
        let table = encoding::of_temporary(file, &format!("{label}, sheet {name}")).and_then(|text| delimited::sheet(text, name));
        match table {
            Ok(table) => tables.push(Box::new(table)),
            Err(error) => first_error = first_error.or(Some(error)),
        }
    }
    if tables.is_empty() {
        return Err(first_error.unwrap_or_else(|| IngestError::EmptyFile { file: label.to_owned() }));
    }
    let format = if kind == Kind::Xlsx { "XLSX workbook" } else { "ODS workbook" };
    Ok(OpenedFile { format: format.to_owned(), encoding: "UTF-8", encoding_assumed: false, tables })
}

/// Unpacks every part once without keeping it, because a small archive can say anything of its size.
fn check_parts(path: &Path, label: &str) -> Result<Kind, IngestError> {
    let damaged = |message: String| IngestError::Damaged { file: label.to_owned(), message };
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    let packed = file.metadata().map_or(0, |metadata| metadata.len());
    let mut archive = zip::ZipArchive::new(BufReader::new(file)).map_err(|error| damaged(error.to_string()))?;
    let has = |name: &str| archive.index_for_name(name).is_some();
    let kind = match (has("xl/workbook.xml"), has("content.xml")) {
        (true, _) => Kind::Xlsx,
        (_, true) => Kind::Ods,
        _ => {
            return Err(IngestError::NotText {
                file: label.to_owned(),
                found: "a ZIP archive that is neither an XLSX nor an ODS workbook",
                advice: "unpack it, or save the workbook as XLSX, ODS or CSV (UTF-8)",
            });
        }
    };
    let mut chunk = vec![0; 128 * 1024];
    let mut total = 0;
    for at in 0..archive.len() {
        let mut part = archive.by_index(at).map_err(|error| damaged(error.to_string()))?;
        let mut length = 0;
        loop {
            let read = part.read(&mut chunk).map_err(|error| damaged(error.to_string()))?;
            if read == 0 {
                break;
            }
            length += read as u64;
            total += read as u64;
            check_size(length, packed, MOST_PART_BYTES, label)?;
            check_size(total, packed, 2 * MOST_PART_BYTES, label)?;
        }
    }
    if kind == Kind::Ods {
        let content = archive.by_name("content.xml").map_err(|error| damaged(error.to_string()))?;
        open_document::check_content(content).map_err(damaged)?;
    }
    Ok(kind)
}

type Sheets = Vec<(String, NamedTempFile)>;

fn xlsx_sheets(path: &Path, label: &str) -> Result<Sheets, IngestError> {
    let damaged = |message: String| IngestError::Damaged { file: label.to_owned(), message };
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    let mut workbook: Xlsx<_> = Xlsx::new(BufReader::new(file)).map_err(|error| damaged(error.to_string()))?;
    let mut sheets = Vec::new();
    for name in workbook.sheet_names() {
        let merged = workbook.merge_cells_by_sheet_name(&name).unwrap_or_default();
        let Ok(mut cells) = workbook.worksheet_cells_reader(&name) else { continue };
        let mut writer = SheetWriter::new(merged)?;
        while let Some(cell) = cells.next_cell().map_err(|error| damaged(error.to_string()))? {
            let (row, column) = cell.get_position();
            if column < MOST_COLUMNS && row < MOST_ROWS {
                writer.put(row, column, text_of(cell.get_value().clone().into()))?;
            }
        }
        sheets.push((name, writer.finish()?));
    }
    Ok(sheets)
}

fn ods_sheets(path: &Path, label: &str) -> Result<Sheets, IngestError> {
    let damaged = |message: String| IngestError::Damaged { file: label.to_owned(), message };
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    let mut workbook: Ods<_> = Ods::new(BufReader::new(file)).map_err(|error| damaged(error.to_string()))?;
    let mut sheets = Vec::new();
    for (name, range) in workbook.worksheets() {
        let mut writer = SheetWriter::new(Vec::new())?;
        let (first_row, first_column) = range.start().unwrap_or_default();
        for (row, column, cell) in range.used_cells() {
            let (row, column) = (first_row + row as u32, first_column + column as u32);
            if column < MOST_COLUMNS && row < MOST_ROWS {
                writer.put(row, column, text_of(cell.clone()))?;
            }
        }
        sheets.push((name, writer.finish()?));
    }
    Ok(sheets)
}

/// A cell as a person would type it.
fn text_of(cell: Data) -> String {
    match cell {
        Data::Empty | Data::Error(_) => String::new(),
        Data::String(text) => text,
        Data::Int(number) => number.to_string(),
        Data::Float(number) => number.to_string(),
        Data::Bool(value) => if value { "yes" } else { "no" }.to_owned(),
        Data::DateTime(date) => date_text(date),
        Data::DateTimeIso(text) => text.split_once("T00:00:00").map_or(text.clone(), |(day, _)| day.to_owned()),
        Data::DurationIso(text) => iso_duration(&text).unwrap_or(text),
    }
}

fn date_text(date: ExcelDateTime) -> String {
    let days = date.as_f64();
    if date.is_duration() || (0.0..1.0).contains(&days) {
        let minutes = (days * 24.0 * 60.0).round() as i64;
        return format!("{}:{:02}", minutes / 60, minutes % 60);
    }
    let (year, month, day, hour, minute, ..) = date.to_ymd_hms_milli();
    let day = format!("{year:04}-{month:02}-{day:02}");
    if (hour, minute) == (0, 0) { day } else { format!("{day} {hour:02}:{minute:02}") }
}

/// `PT01H30M00S` as `1:30`.
fn iso_duration(text: &str) -> Option<String> {
    let (hours, rest) = text.strip_prefix("PT")?.split_once('H')?;
    let (minutes, _) = rest.split_once('M')?;
    Some(format!("{}:{:02}", hours.parse::<u64>().ok()?, minutes.parse::<u64>().ok()?))
}

/// Writes the cells of a sheet, which come row by row, as lines with commas.
struct SheetWriter {
    writer: BufWriter<NamedTempFile>,
    row: u32,
    cells: Vec<String>,
    merged: Vec<Dimensions>,
    /// Text of the first cell of each merged region.
    merged_texts: Vec<String>,
}

impl SheetWriter {
    fn new(mut merged: Vec<Dimensions>) -> Result<Self, IngestError> {
        // regions over several columns are headings
        merged.retain(|region| region.start.1 == region.end.1 && region.start.1 < MOST_COLUMNS);
        merged.truncate(10_000);
        let merged_texts = vec![String::new(); merged.len()];
        Ok(Self { writer: BufWriter::new(temporary()?), row: 0, cells: Vec::new(), merged, merged_texts })
    }

    fn put(&mut self, row: u32, column: u32, text: String) -> Result<(), IngestError> {
        if text.trim().is_empty() || row < self.row {
            return Ok(());
        }
        while self.row < row {
            self.end_row()?;
        }
        for (region, known) in self.merged.iter().zip(&mut self.merged_texts) {
            if region.start == (row, column) {
                known.clone_from(&text);
            }
        }
        let at = column as usize;
        if self.cells.len() <= at {
            self.cells.resize(at + 1, String::new());
        }
        self.cells[at] = text;
        Ok(())
    }

    fn end_row(&mut self) -> Result<(), IngestError> {
        for (region, text) in self.merged.iter().zip(&self.merged_texts) {
            let at = region.start.1 as usize;
            if !text.is_empty()
                && (region.start.0 + 1..=region.end.0).contains(&self.row)
                && self.cells.get(at).is_none_or(String::is_empty)
            {
                self.cells.resize(self.cells.len().max(at + 1), String::new());
                self.cells[at].clone_from(text);
            }
        }
        let mut line = String::new();
        for (at, cell) in self.cells.iter().enumerate() {
            if at > 0 {
                line.push(',');
            }
            // one line for each row: a break within a cell parts what stands in it, as a semicolon does
            let cell = cell.trim().replace("\r\n", "; ").replace(['\n', '\r'], "; ");
            if cell.contains([',', '"']) {
                line.push('"');
                line.push_str(&cell.replace('"', "\"\""));
                line.push('"');
            } else {
                line.push_str(&cell);
            }
        }
        line.push('\n');
        self.cells.clear();
        self.row += 1;
        self.writer.write_all(line.as_bytes()).map_err(cannot_write)
    }

    fn finish(mut self) -> Result<NamedTempFile, IngestError> {
        if !self.cells.is_empty() {
            self.end_row()?;
        }
        self.writer.into_inner().map_err(|error| cannot_write(error.into_error()))
    }
}
