//! JSON Lines: one JSON object on each line, with nested lists of findings and parts.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::sync::Arc;

use serde_json::{Map, Value};

use super::encoding::{TextFile, decode};
use super::{LONGEST_CELL, LONGEST_RECORD, Record, RecordReader, TableSource};
use crate::columns::names_field;
use crate::error::IngestError;
use crate::quarantine::Reason;

/// The job's own number is copied into the records of its lists.
const JOB_NUMBER: &str = "job_id";
/// Position within the nested list, for records that do not give it.
const STEP: &str = "step";

/// The objects themselves, or the objects in one of their lists.
pub struct JsonTable {
    text: TextFile,
    list: Option<String>,
    headers: Arc<[String]>,
    columns: Arc<BTreeMap<String, usize>>,
}

/// The table of the objects, and one for each list of objects in them.
pub fn tables(text: TextFile) -> Result<Vec<Box<dyn TableSource>>, IngestError> {
    let mut own_keys = BTreeSet::new();
    let mut nested_keys: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut lines = Lines::new(text.clone())?;
    while let Some(line) = lines.next_line()? {
        let Ok(object) = line.parse() else { continue };
        for (key, value) in object {
            match nested_objects(&value) {
                Some(objects) => {
                    let keys = nested_keys.entry(key).or_default();
                    keys.extend(objects.flat_map(|object| object.keys().cloned()));
                }
                None => {
                    own_keys.insert(key);
                }
            }
        }
    }
    own_keys.retain(|key| !nested_keys.contains_key(key));
    let mut tables: Vec<Box<dyn TableSource>> = Vec::with_capacity(nested_keys.len() + 1);
    tables.push(Box::new(JsonTable::new(text.clone(), None, own_keys)));
    for (list, mut keys) in nested_keys {
        keys.extend([JOB_NUMBER.to_owned(), STEP.to_owned()]);
        tables.push(Box::new(JsonTable::new(text.clone(), Some(list), keys)));
    }
    Ok(tables)
}

/// The objects of a list that holds nothing else.
fn nested_objects(value: &Value) -> Option<impl Iterator<Item = &Map<String, Value>>> {
    let list = value.as_array().filter(|list| !list.is_empty() && list.iter().all(Value::is_object))?;
    Some(list.iter().filter_map(Value::as_object))
}

impl JsonTable {
    fn new(text: TextFile, list: Option<String>, keys: BTreeSet<String>) -> Self {
        let headers: Arc<[String]> = keys.into_iter().collect();
        let columns = Arc::new(headers.iter().enumerate().map(|(at, key)| (key.clone(), at)).collect());
        Self { text, list, headers, columns }
    }
}

impl TableSource for JsonTable {
    fn headers(&self) -> &[String] {
        &self.headers
    }

    fn header_line(&self) -> u64 {
        1
    }

    fn name(&self) -> Option<&str> {
        self.list.as_deref()
    }

    fn delimiter(&self) -> Option<u8> {
        None
    }

    fn records(&self) -> Result<Box<dyn RecordReader>, IngestError> {
        Ok(Box::new(JsonReader {
            lines: Lines::new(self.text.clone())?,
            list: self.list.clone(),
            columns: Arc::clone(&self.columns),
            pending: Vec::new(),
            cells: Vec::new(),
        }))
    }
}

struct JsonReader {
    lines: Lines,
    list: Option<String>,
    columns: Arc<BTreeMap<String, usize>>,
    /// Nested records of the current line, last first.
    pending: Vec<Map<String, Value>>,
    cells: Vec<String>,
}

impl RecordReader for JsonReader {
    fn read(&mut self, record: &mut Record) -> Result<bool, IngestError> {
        loop {
            if let Some(object) = self.pending.pop() {
                record.clear(self.lines.number);
                self.fill(record, &object);
                return Ok(true);
            }
            let Some(line) = self.lines.next_line()? else { return Ok(false) };
            match (line.parse(), &self.list) {
                (Ok(object), None) => self.pending.push(object),
                (Ok(mut object), Some(list)) => {
                    let job_number = object.iter().find(|(key, _)| names_field("jobs", JOB_NUMBER, key)).map(|(_, number)| number.clone());
                    let Some(Value::Array(nested)) = object.remove(list) else { continue };
                    for (at, value) in nested.into_iter().enumerate().rev() {
                        let Value::Object(mut nested) = value else { continue };
                        if let Some(number) = &job_number {
                            nested.entry(JOB_NUMBER).or_insert_with(|| number.clone());
                        }
                        nested.entry(STEP).or_insert_with(|| Value::from(at + 1));
                        self.pending.push(nested);
                    }
                }
                // the table of the objects accounts for lines that cannot be read
                (Err(_), Some(_)) => {}
                (Err(reason), None) => {
                    record.clear(line.number);
                    record.set_fault(reason, &line.bytes, (line.length > line.bytes.len() as u64).then_some(line.length));
                    return Ok(true);
                }
            }
        }
    }

    fn bytes_read(&self) -> u64 {
        self.lines.bytes_read
    }
}

impl JsonReader {
    fn fill(&mut self, record: &mut Record, object: &Map<String, Value>) {
        self.cells.clear();
        self.cells.resize(self.columns.len(), String::new());
        for (key, value) in object {
            if let Some(&at) = self.columns.get(key) {
                self.cells[at] = cell_text(value);
            }
        }
        if let Some(cell) = self.cells.iter().find(|cell| cell.len() > LONGEST_CELL) {
            let raw = Value::Object(object.clone()).to_string();
            record.set_fault(Reason::CellTooLong, raw.as_bytes(), Some(cell.len() as u64));
            return;
        }
        for cell in &self.cells {
            record.push(cell);
        }
    }
}

/// Texts as they are, lists of plain values joined by `;`, anything else as JSON.
fn cell_text(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        Value::Array(list) if list.iter().all(|value| !value.is_object() && !value.is_array()) => {
            list.iter().map(cell_text).collect::<Vec<_>>().join("; ")
        }
        other => other.to_string(),
    }
}

/// Reads lines with bounded memory.
struct Lines {
    text: TextFile,
    reader: BufReader<File>,
    number: u64,
    bytes_read: u64,
}

struct Line {
    number: u64,
    /// The line, or its beginning if it is too long.
    bytes: Vec<u8>,
    length: u64,
}

impl Line {
    fn parse(&self) -> Result<Map<String, Value>, Reason> {
        if self.length > self.bytes.len() as u64 {
            return Err(Reason::RecordTooLong);
        }
        match serde_json::from_str(&decode(&self.bytes).0) {
            Ok(Value::Object(object)) => Ok(object),
            _ => Err(Reason::UnreadableRecord),
        }
    }
}

impl Lines {
    fn new(text: TextFile) -> Result<Self, IngestError> {
        let reader = BufReader::with_capacity(128 * 1024, text.reopen()?);
        Ok(Self { text, reader, number: 0, bytes_read: 0 })
    }

    /// The next line that is not blank.
    fn next_line(&mut self) -> Result<Option<Line>, IngestError> {
        loop {
            let mut line = Line { number: self.number + 1, bytes: Vec::new(), length: 0 };
            let mut ended = false;
            while !ended {
                let available = self.reader.fill_buf().map_err(|source| self.text.unreadable(source))?;
                if available.is_empty() {
                    break;
                }
                let line_end = available.iter().position(|&byte| byte == b'\n');
                ended = line_end.is_some();
                let taken = line_end.map_or(available.len(), |at| at + 1);
                let content = &available[..line_end.unwrap_or(taken)];
                let room = LONGEST_RECORD.saturating_sub(line.bytes.len());
                line.bytes.extend_from_slice(&content[..content.len().min(room)]);
                line.length += content.len() as u64;
                self.reader.consume(taken);
                self.bytes_read += taken as u64;
            }
            if !ended && line.length == 0 {
                return Ok(None);
            }
            self.number += 1;
            if !line.bytes.trim_ascii().is_empty() {
                return Ok(Some(line));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{open_bytes, read_table};
    use super::*;

    #[test]
    fn nested_lists_become_tables() {
        let text = r#"{"job_id": 7, "closed_on": "2021-01-02", "symptoms": ["leaks", "noisy"], "findings": [{"component": "drain pump"}, {"component": "door seal", "step": 5}]}

{"job_id": "8", "notes": null, "findings": []}
"#;
        let opened = open_bytes(text.as_bytes()).unwrap();
        assert_eq!(opened.tables.iter().map(|table| table.name()).collect::<Vec<_>>(), [None, Some("findings")]);
        let jobs = &opened.tables[0];
        assert_eq!(jobs.headers(), ["closed_on", "job_id", "notes", "symptoms"]);
        let row = |line, values: &[&str]| (line, Ok(values.iter().map(|value| (*value).to_owned()).collect::<Vec<_>>()));
        assert_eq!(read_table(&**jobs), [row(1, &["2021-01-02", "7", "", "leaks; noisy"]), row(3, &["", "8", "", ""])]);
        let findings = &opened.tables[1];
        assert_eq!(findings.headers(), ["component", "job_id", "step"]);
        assert_eq!(read_table(&**findings), [row(1, &["drain pump", "7", "1"]), row(1, &["door seal", "7", "5"])]);
    }

    #[test]
    fn lines_that_are_no_objects_are_faults() {
        let text = b"{\"job_id\": 1}\n{\"job_id\": \n[1]\n{\"job_id\": 2}";
        let opened = open_bytes(text).unwrap();
        let records = read_table(&*opened.tables[0]);
        assert_eq!(
            records.iter().map(|(line, content)| (*line, content.is_ok())).collect::<Vec<_>>(),
            [(1, true), (2, false), (3, false), (4, true)]
        );
        assert_eq!(records[1].1, Err(Reason::UnreadableRecord));
    }

    #[test]
    fn values_and_lines_that_are_too_long_are_faults() {
        let long_value = format!("{{\"notes\": \"{}\"}}\n{{\"notes\": \"a\"}}\n", "x".repeat(LONGEST_CELL + 1));
        let records = read_table(&*open_bytes(long_value.as_bytes()).unwrap().tables[0]);
        assert_eq!(records[0].1, Err(Reason::CellTooLong));
        assert!(records[1].1.is_ok());
        let long_line = format!("{{\"notes\": \"{}\"}}\n{{\"notes\": \"a\"}}\n", "x".repeat(LONGEST_RECORD));
        let records = read_table(&*open_bytes(long_line.as_bytes()).unwrap().tables[0]);
        assert_eq!(records[0].1, Err(Reason::RecordTooLong));
        assert!(records[1].1.is_ok());
    }
}
