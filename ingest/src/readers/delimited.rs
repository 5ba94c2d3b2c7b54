//! Comma-separated, semicolon-separated, tab-separated and bar-separated text.
//!
//! Fields are split by `csv_core`; this file adds what records typed by people need: bounded memory, line numbers, and recovery from
//! a quotation mark that is never closed, which would otherwise swallow the rest of the file.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use csv_core::ReadRecordResult;

use super::dialect::{self, Dialect};
use super::encoding::TextFile;
use super::{LONGEST_CELL, LONGEST_RECORD, Record, RecordReader, TableSource};
use crate::error::IngestError;
use crate::quarantine::{LONGEST_RAW, Reason};

const BUFFER_SIZE: usize = 128 * 1024;
/// More fields than any table of records has.
const MOST_FIELDS: usize = 10_000;

/// A table in a delimited file.
pub struct DelimitedTable {
    text: TextFile,
    dialect: Dialect,
    /// Of the sheet that it was.
    name: Option<String>,
}

/// A sheet of a workbook, rewritten as text with commas.
pub fn sheet(text: TextFile, name: String) -> Result<DelimitedTable, IngestError> {
    Ok(DelimitedTable { name: Some(name), ..rewritten(text)? })
}

/// A table that was rewritten as text with commas.
pub fn rewritten(text: TextFile) -> Result<DelimitedTable, IngestError> {
    let dialect = dialect::detect(&text, b",")?;
    Ok(DelimitedTable { text, dialect, name: None })
}

/// Finds the separator and the titles.
pub fn table(text: TextFile) -> Result<DelimitedTable, IngestError> {
    let dialect = dialect::detect(&text, &dialect::DELIMITERS)?;
    Ok(DelimitedTable { text, dialect, name: None })
}

impl DelimitedTable {
    pub fn describe(&self) -> String {
        format!("text separated by {}", dialect::delimiter_name(self.dialect.delimiter))
    }
}

impl TableSource for DelimitedTable {
    fn headers(&self) -> &[String] {
        &self.dialect.headers
    }

    fn header_line(&self) -> u64 {
        self.dialect.header_line
    }

    fn name(&self) -> Option<&str> {
        self.name.as_deref()
    }

    fn delimiter(&self) -> Option<u8> {
        Some(self.dialect.delimiter)
    }

    fn records(&self) -> Result<Box<dyn RecordReader>, IngestError> {
        let mut reader = DelimitedReader::new(self.text.clone(), self.dialect.delimiter)?;
        let mut record = Record::default();
        for _ in 0..=self.dialect.records_before_data {
            reader.read(&mut record)?;
        }
        Ok(Box::new(reader))
    }
}

/// Reads records with bounded memory.
pub struct DelimitedReader {
    text: TextFile,
    file: File,
    splitter: csv_core::Reader,
    delimiter: u8,
    buffer: Vec<u8>,
    /// Unread part of the buffer.
    unread: std::ops::Range<usize>,
    /// How often the buffer has been filled.
    fills: u64,
    /// Offset in the file of the first unread byte.
    offset: u64,
    line: u64,
    last_byte: u8,
    output: Vec<u8>,
    ends: Vec<usize>,
}

/// How a record ended.
struct Split {
    output_length: usize,
    field_count: usize,
    at_end_of_file: bool,
    /// Whether the record is longer than what is kept in memory, and by how many bytes of text.
    is_cut: bool,
    dropped: u64,
}

impl DelimitedReader {
    pub fn new(text: TextFile, delimiter: u8) -> Result<Self, IngestError> {
        let file = text.reopen()?;
        let offset = text.start;
        Ok(Self {
            text,
            file,
            splitter: csv_core::ReaderBuilder::new().delimiter(delimiter).build(),
            delimiter,
            buffer: vec![0; BUFFER_SIZE],
            unread: 0..0,
            fills: 0,
            offset,
            line: 1,
            last_byte: b'\n',
            output: vec![0; 4096],
            ends: vec![0; 64],
        })
    }

    /// Fills the buffer if it is used up; false at the end of the file.
    fn fill(&mut self) -> Result<bool, IngestError> {
        if self.unread.is_empty() {
            let length = loop {
                match self.file.read(&mut self.buffer) {
                    Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                    result => break result.map_err(|source| self.text.unreadable(source))?,
                }
            };
            self.unread = 0..length;
            self.fills += 1;
        }
        Ok(!self.unread.is_empty())
    }

    fn consume(&mut self, length: usize) {
        if length > 0 {
            self.last_byte = self.buffer[self.unread.start + length - 1];
            self.unread.start += length;
            self.offset += length as u64;
        }
    }

    /// Passes over line ends, counting lines; false at the end of the file.
    fn skip_line_ends(&mut self) -> Result<bool, IngestError> {
        while self.fill()? {
            let byte = self.buffer[self.unread.start];
            if self.last_byte == b'\r' && byte != b'\n' {
                self.line += 1;
                self.last_byte = 0;
            }
            match byte {
                b'\n' => self.line += 1,
                b'\r' => {}
                _ => return Ok(true),
            }
            self.consume(1);
        }
        Ok(false)
    }

    fn split_record(&mut self) -> Result<Split, IngestError> {
        let mut split = Split { output_length: 0, field_count: 0, at_end_of_file: false, is_cut: false, dropped: 0 };
        let lines_before = self.splitter.line();
        let mut scratch = Vec::new();
        loop {
            let has_input = self.fill()?;
            split.at_end_of_file = !has_input;
            let input = &self.buffer[self.unread.clone()];
            split.is_cut |= split.field_count >= MOST_FIELDS;
            let (result, read, written, ended) = if split.is_cut {
                scratch.resize(BUFFER_SIZE, 0);
                let mut ends = [0; 256];
                self.splitter.read_record(input, &mut scratch, &mut ends)
            } else {
                self.splitter.read_record(input, &mut self.output[split.output_length..], &mut self.ends[split.field_count..])
            };
            self.consume(read);
            if split.is_cut {
                split.dropped += written as u64;
            } else {
                split.output_length += written;
                split.field_count += ended;
            }
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull | ReadRecordResult::OutputEndsFull if split.is_cut => {}
                ReadRecordResult::OutputFull if self.output.len() < LONGEST_RECORD => self.output.resize(self.output.len() * 2, 0),
                ReadRecordResult::OutputFull => split.is_cut = true,
                ReadRecordResult::OutputEndsFull => self.ends.resize(self.ends.len() * 2, 0),
                ReadRecordResult::Record | ReadRecordResult::End => break,
            }
        }
        self.line += self.splitter.line() - lines_before;
        Ok(split)
    }

    /// Whether every quotation mark that opens a field of the record is closed, and at the field's end.
    ///
    /// The record begins at `start` in the file; it is read again only if it is no longer in memory.
    fn quotes_are_closed(&self, start: u64, in_memory: Option<std::ops::Range<usize>>) -> Result<bool, IngestError> {
        let mut check = QuoteCheck { state: QuoteState::FieldStart, delimiter: self.delimiter };
        if let Some(range) = in_memory {
            return Ok(check.feed(&self.buffer[range]) && check.state != QuoteState::Quoted);
        }
        let mut file = self.text.reopen()?;
        file.seek(SeekFrom::Start(start)).map_err(|source| self.text.unreadable(source))?;
        let mut reader = file.take(self.offset - start);
        let mut chunk = vec![0; BUFFER_SIZE];
        loop {
            match reader.read(&mut chunk).map_err(|source| self.text.unreadable(source))? {
                0 => return Ok(check.state != QuoteState::Quoted),
                length if !check.feed(&chunk[..length]) => return Ok(false),
                _ => {}
            }
        }
    }

    /// Takes only the line that begins at `from` as the record and goes on with the line after it.
    fn take_one_line(&mut self, from: u64, record: &mut Record) -> Result<(), IngestError> {
        self.file.seek(SeekFrom::Start(from)).map_err(|source| self.text.unreadable(source))?;
        self.unread = 0..0;
        self.offset = from;
        self.line = record.line;
        self.splitter.reset();
        let mut raw = Vec::new();
        while self.fill()? {
            let unread = &self.buffer[self.unread.clone()];
            let line_end = unread.iter().position(|byte| matches!(byte, b'\n' | b'\r'));
            let length = line_end.unwrap_or(unread.len());
            raw.extend_from_slice(&unread[..length.min(LONGEST_RAW.saturating_sub(raw.len()))]);
            self.consume(length);
            if line_end.is_some() {
                break;
            }
        }
        record.set_fault(Reason::UnclosedQuote, &raw, None);
        Ok(())
    }
}

/// Follows the quotation marks of a record more strictly than the splitter does.
struct QuoteCheck {
    state: QuoteState,
    delimiter: u8,
}

#[derive(Clone, Copy, PartialEq)]
enum QuoteState {
    FieldStart,
    Plain,
    Quoted,
    /// After a quotation mark inside a quoted field: it ends the field, unless another follows.
    AfterQuote,
}

impl QuoteCheck {
    /// False if a field goes on after its closing quotation mark.
    fn feed(&mut self, bytes: &[u8]) -> bool {
        for &byte in bytes {
            self.state = match (self.state, byte) {
                (QuoteState::FieldStart | QuoteState::AfterQuote, b'"') => QuoteState::Quoted,
                (QuoteState::Quoted, b'"') => QuoteState::AfterQuote,
                (QuoteState::Quoted, _) => QuoteState::Quoted,
                (_, byte) if byte == self.delimiter || byte == b'\n' || byte == b'\r' => QuoteState::FieldStart,
                (QuoteState::AfterQuote, _) => return false,
                _ => QuoteState::Plain,
            };
        }
        true
    }
}

impl RecordReader for DelimitedReader {
    fn read(&mut self, record: &mut Record) -> Result<bool, IngestError> {
        if !self.skip_line_ends()? {
            return Ok(false);
        }
        record.clear(self.line);
        let (start, start_in_buffer, fills) = (self.offset, self.unread.start, self.fills);
        let split = self.split_record()?;
        let in_memory = (self.fills == fills).then_some(start_in_buffer..self.unread.start);
        let output = &self.output[..split.output_length];
        if (output.contains(&b'\n') || split.at_end_of_file || split.is_cut) && !self.quotes_are_closed(start, in_memory)? {
            self.take_one_line(start, record)?;
            return Ok(true);
        }
        let output = &self.output[..split.output_length];
        let mut field_start = 0;
        let mut longest = 0;
        for &end in &self.ends[..split.field_count] {
            longest = longest.max(end - field_start);
            field_start = end;
        }
        let unfinished = if split.is_cut { (output.len() - field_start) as u64 + split.dropped } else { 0 };
        let longest = unfinished.max(longest as u64);
        if longest > LONGEST_CELL as u64 {
            record.set_fault(Reason::CellTooLong, output, Some(longest));
        } else if split.is_cut {
            record.set_fault(Reason::RecordTooLong, output, Some(output.len() as u64 + split.dropped));
        } else {
            record.set_bytes(output, &self.ends[..split.field_count]);
        }
        Ok(true)
    }

    fn bytes_read(&self) -> u64 {
        self.offset
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::read_all;
    use super::*;

    fn fields(values: &[&str]) -> Result<Vec<String>, Reason> {
        Ok(values.iter().map(|value| (*value).to_owned()).collect())
    }

    #[test]
    fn lines_are_counted_with_every_line_end() {
        for line_end in ["\n", "\r\n", "\r"] {
            let text = ["job_id,notes", "1,a", "", "2,b", "3,c"].join(line_end);
            assert_eq!(
                read_all(text.as_bytes()),
                [(2, fields(&["1", "a"])), (4, fields(&["2", "b"])), (5, fields(&["3", "c"]))],
                "{line_end:?}"
            );
        }
    }

    #[test]
    fn a_quoted_field_may_hold_line_ends_and_quotes() {
        let records = read_all(b"job_id,notes\n1,\"a\nb \"\"c\"\", d\"\n2,5\" pipe\n");
        assert_eq!(records, [(2, fields(&["1", "a\nb \"c\", d"])), (4, fields(&["2", "5\" pipe"]))]);
    }

    #[test]
    fn a_quote_that_is_never_closed_costs_one_line() {
        let records = read_all(b"job_id,notes\n1,\"broken\n2,fine\n3,fine\n");
        assert_eq!(records, [(2, Err(Reason::UnclosedQuote)), (3, fields(&["2", "fine"])), (4, fields(&["3", "fine"]))]);
    }

    #[test]
    fn a_stray_quote_is_not_closed_by_a_later_one() {
        let records = read_all(b"job_id,notes,x\n1,\"12 inch hose,y\n2,fine,y\n3,\"quoted, fine\",y\n4,z,y\n");
        assert_eq!(
            records,
            [
                (2, Err(Reason::UnclosedQuote)),
                (3, fields(&["2", "fine", "y"])),
                (4, fields(&["3", "quoted, fine", "y"])),
                (5, fields(&["4", "z", "y"]))
            ]
        );
    }

    #[test]
    fn an_unclosed_quote_in_the_last_line_is_found() {
        assert_eq!(read_all(b"job_id,notes\n1,\"a"), [(2, Err(Reason::UnclosedQuote))]);
        assert_eq!(read_all(b"job_id,notes\n1,\"a\""), [(2, fields(&["1", "a"]))]);
    }

    #[test]
    fn cells_that_are_too_long_do_not_stop_the_rest() {
        for (quote, length) in [("", LONGEST_CELL + 1), ("\"", LONGEST_CELL + 1), ("", 10 << 20), ("\"", 10 << 20)] {
            let text = format!("job_id,notes\n1,{quote}{}{quote}\n2,b\n", "x".repeat(length));
            let opened = super::super::tests::open_bytes(text.as_bytes()).unwrap();
            let mut reader = opened.tables[0].records().unwrap();
            let mut record = Record::default();
            assert!(reader.read(&mut record).unwrap());
            let fault = record.fault.as_ref().unwrap();
            assert_eq!((fault.reason, fault.length), (Reason::CellTooLong, Some(length as u64)));
            assert!(fault.raw.starts_with("1") && fault.raw.len() <= LONGEST_RAW);
            assert!(reader.read(&mut record).unwrap());
            assert_eq!((record.line, record.field(1)), (3, "b"));
        }
    }

    #[test]
    fn a_long_cell_with_line_ends_is_one_record() {
        let text = format!("job_id,notes\n1,\"{}\"\n2,b\n", "line\n".repeat(2 << 20));
        let records = read_all(text.as_bytes());
        assert_eq!(records.len(), 2);
        assert_eq!(records[0], (2, Err(Reason::CellTooLong)));
        assert_eq!(records[1], ((2 << 20) + 3, fields(&["2", "b"])));
    }

    #[test]
    fn a_record_with_very_many_fields_is_bounded() {
        let text = format!("job_id,notes\n1{}\n2,b\n", ",x".repeat(100_000));
        let records = read_all(text.as_bytes());
        assert_eq!(records.len(), 2);
        assert_eq!(records[0].1, Err(Reason::RecordTooLong));
        assert_eq!(records[1], (3, fields(&["2", "b"])));
    }
}
