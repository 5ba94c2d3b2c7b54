//! From files to records of text. One file for each format; all give [`RecordReader`]s.
//!
//! A format is added by implementing [`TableSource`] for its tables and one arm in [`open`].

mod ahead;
mod delimited;
mod dialect;
mod encoding;
#[cfg(test)]
mod fuzz;
mod json_lines;
mod open_document;
mod parquet_claims;
mod parquet_file;
mod unpack;
mod workbook;

pub use ahead::for_each_record;
pub use encoding::decode;

use std::path::Path;

use crate::error::IngestError;
use crate::quarantine::{LONGEST_RAW, Reason, head};

/// Longest value that is read, in bytes; longer ones go to quarantine.
pub const LONGEST_CELL: usize = 1 << 20;
/// Longest record that is held in memory, in bytes.
pub const LONGEST_RECORD: usize = 8 << 20;

/// One table in a file. It can be read several times.
pub trait TableSource: Sync {
    /// Column titles, in the order of the record's fields.
    fn headers(&self) -> &[String];
    /// Line of the titles, counted from 1.
    fn header_line(&self) -> u64;
    /// How the file calls the table, if it does: the name of a sheet or of a nested list.
    fn name(&self) -> Option<&str>;
    /// What separates the fields of a record, where something does.
    fn delimiter(&self) -> Option<u8>;
    /// A reader from the first record on.
    ///
    /// # Errors
    /// If the file cannot be opened.
    fn records(&self) -> Result<Box<dyn RecordReader>, IngestError>;
}

/// Reads the records of a table in order.
pub trait RecordReader {
    /// Replaces the content of `record` by the next one; false at the end.
    ///
    /// # Errors
    /// If the file cannot be read. A record that makes no sense is no error: it carries a fault.
    fn read(&mut self, record: &mut Record) -> Result<bool, IngestError>;
    /// Bytes read so far, for showing progress.
    fn bytes_read(&self) -> u64;
}

/// A file that has been looked into.
pub struct OpenedFile {
    /// "CSV, separated by semicolons", for people.
    pub format: String,
    /// "UTF-8", for people.
    pub encoding: &'static str,
    /// Whether the encoding is only what remains when it is not UTF-8.
    pub encoding_assumed: bool,
    pub tables: Vec<Box<dyn TableSource>>,
}

/// Looks into a file; `label` is its name in messages.
///
/// # Errors
/// If the file cannot be read, is empty, or is not a table in text form.
pub fn open(path: &Path, label: &str) -> Result<OpenedFile, IngestError> {
    let mut beginning = [0; 4];
    let length = encoding::read_beginning(path, &mut beginning)?;
    match &beginning[..length] {
        [0x1f, 0x8b, ..] => {
            let unpacked = unpack::gzip(path, label)?;
            let mut head = [0; 4];
            let length = encoding::read_beginning(unpacked.path(), &mut head)?;
            if head[..length].starts_with(b"PK\x03\x04") || head[..length].starts_with(b"\x1f\x8b") || head == *b"PAR1" {
                return Err(IngestError::NotText {
                    file: label.to_owned(),
                    found: "a gzip archive of something that is no text",
                    advice: "unpack it first",
                });
            }
            let opened = open_text(encoding::of_temporary(unpacked, label)?)?;
            Ok(OpenedFile { format: format!("{}, packed with gzip", opened.format), ..opened })
        }
        b"PK\x03\x04" => workbook::open(path, label),
        b"PAR1" => parquet_file::open(path, label),
        _ => open_text(encoding::open_text(path, label)?),
    }
}

fn open_text(text: encoding::TextFile) -> Result<OpenedFile, IngestError> {
    let (encoding, encoding_assumed) = (text.encoding, text.encoding_assumed);
    if text.sample.trim_ascii_start().starts_with(b"{") {
        let tables = json_lines::tables(text)?;
        Ok(OpenedFile { format: "JSON Lines".into(), encoding, encoding_assumed, tables })
    } else if unpack::is_json_array(&text.sample) {
        let tables = json_lines::tables(unpack::json_array(&text)?)?;
        Ok(OpenedFile { format: "JSON array".into(), encoding, encoding_assumed, tables })
    } else {
        let table = delimited::table(text)?;
        Ok(OpenedFile { format: table.describe(), encoding, encoding_assumed, tables: vec![Box::new(table)] })
    }
}

/// Does what a library does with a file; some are not proof against every damage.
fn guarded<T>(label: &str, read: impl FnOnce() -> Result<T, IngestError>) -> Result<T, IngestError> {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(read))
        .unwrap_or_else(|_| Err(IngestError::Damaged { file: label.to_owned(), message: "its parts do not fit together".to_owned() }))
}

/// One record: the texts of its fields, and where it stands.
#[derive(Debug, Default)]
pub struct Record {
    text: String,
    ends: Vec<usize>,
    /// Line of the file in which it begins, counted from 1.
    pub line: u64,
    /// Why the record cannot be used.
    pub fault: Option<RecordFault>,
    /// Whether some of its bytes were no UTF-8 and were read as Windows-1252.
    pub encoding_fell_back: bool,
}

/// A record that cannot be split into fields.
#[derive(Debug)]
pub struct RecordFault {
    pub reason: Reason,
    /// The record's text, or its beginning.
    pub raw: String,
    /// Length of the part that is too long, in bytes.
    pub length: Option<u64>,
}

impl Record {
    /// The text of a field; empty if the record is shorter.
    #[must_use]
    pub fn field(&self, index: usize) -> &str {
        let Some(&end) = self.ends.get(index) else { return "" };
        let start = if index == 0 { 0 } else { self.ends[index - 1] };
        &self.text[start..end]
    }

    #[must_use]
    pub fn fields(&self) -> impl ExactSizeIterator<Item = &str> {
        (0..self.ends.len()).map(|index| self.field(index))
    }

    #[must_use]
    pub fn is_blank(&self) -> bool {
        self.text.trim().is_empty()
    }

    fn clear(&mut self, line: u64) {
        self.text.clear();
        self.ends.clear();
        self.line = line;
        self.fault = None;
        self.encoding_fell_back = false;
    }

    fn push(&mut self, field: &str) {
        self.text.push_str(field);
        self.ends.push(self.text.len());
    }

    /// Takes fields from bytes that are meant to be UTF-8; `ends` are the ends of the fields in `bytes`.
    fn set_bytes(&mut self, bytes: &[u8], ends: &[usize]) {
        if let Ok(text) = std::str::from_utf8(bytes)
            && ends.iter().all(|&end| text.is_char_boundary(end))
        {
            self.text.push_str(text);
            self.ends.extend_from_slice(ends);
            return;
        }
        let mut start = 0;
        for &end in ends {
            let (text, fell_back) = encoding::decode(&bytes[start..end]);
            self.push(&text);
            self.encoding_fell_back |= fell_back;
            start = end;
        }
    }

    fn set_fault(&mut self, reason: Reason, raw: &[u8], length: Option<u64>) {
        let (raw, fell_back) = encoding::decode(&raw[..raw.len().min(LONGEST_RAW)]);
        self.encoding_fell_back |= fell_back;
        self.fault = Some(RecordFault { reason, raw: head(&raw, LONGEST_RAW).to_owned(), length });
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub fn open_bytes(bytes: &[u8]) -> Result<OpenedFile, IngestError> {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), bytes).unwrap();
        let opened = open(file.path(), "test.csv");
        // readers open the file again, so it has to outlive this function
        file.keep().unwrap();
        opened
    }

    /// All records of the first table as (line, fields or reason).
    pub fn read_all(bytes: &[u8]) -> Vec<(u64, Result<Vec<String>, Reason>)> {
        let opened = open_bytes(bytes).unwrap();
        read_table(&*opened.tables[0])
    }

    pub fn read_table(table: &dyn TableSource) -> Vec<(u64, Result<Vec<String>, Reason>)> {
        let mut reader = table.records().unwrap();
        let mut record = Record::default();
        let mut all = Vec::new();
        while reader.read(&mut record).unwrap() {
            let content = match &record.fault {
                Some(fault) => Err(fault.reason),
                None => Ok(record.fields().map(str::to_owned).collect()),
            };
            all.push((record.line, content));
        }
        all
    }

    #[test]
    fn a_mixed_encoding_is_read_field_by_field() {
        let mut record = Record::default();
        record.set_bytes("é".as_bytes(), &[1, 2]);
        assert_eq!(record.fields().collect::<Vec<_>>(), ["Ã", "©"]);
        record.clear(1);
        record.set_bytes(b"\xc3\xa9\xe9", &[2, 3]);
        assert_eq!(record.fields().collect::<Vec<_>>(), ["é", "é"]);
        assert!(record.encoding_fell_back);
        assert_eq!(record.field(7), "");
    }
}
