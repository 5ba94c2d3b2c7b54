//! Writes what is kept apart, each entry once.

use fixodds_schemas::TableSchema;

use crate::cells::SetAside;
use crate::error::IngestError;
use crate::identity::{HashKeyed, hash_texts};
use crate::privacy;
use crate::quarantine::{Reason, head};
use crate::row::Row;
use crate::rules::{Rejection, position, schema_of};
use crate::store::TableWriter;

const LONGEST_VALUE: usize = 1_000;

/// Where a record stands.
#[derive(Debug, Clone, Copy)]
pub struct Place<'a> {
    pub table: &'a str,
    pub file: &'a str,
    pub line: u64,
}

/// Writes the quarantine table.
pub struct QuarantineWriter {
    writer: TableWriter,
    known: HashKeyed<()>,
    row: Row,
    schema: &'static TableSchema,
}

impl QuarantineWriter {
    /// `known` are the hashes of entries that the store has already.
    pub fn new(writer: TableWriter, known: HashKeyed<()>) -> Self {
        let schema = schema_of("quarantine");
        Self { writer, known, row: Row::new(schema), schema }
    }

    /// Keeps a row that cannot be used; `raw` is its text with personal data masked.
    ///
    /// `titles` are the titles of its columns, separated as the text is.
    pub fn row(&mut self, place: Place<'_>, rejection: &Rejection, raw: &str, titles: Option<&str>) -> Result<(), IngestError> {
        self.write(place, "row", rejection.column.as_deref(), rejection.value.as_deref(), Some((raw, titles)), rejection.reason)
    }

    /// Keeps a value that cannot be used, of a row that is.
    pub fn value(&mut self, place: Place<'_>, set_aside: &SetAside) -> Result<(), IngestError> {
        self.write(place, "value", Some(&set_aside.column), Some(&set_aside.value), None, set_aside.reason)
    }

    fn write(
        &mut self,
        place: Place<'_>,
        kind: &str,
        column: Option<&str>,
        value: Option<&str>,
        raw: Option<(&str, Option<&str>)>,
        reason: Reason,
    ) -> Result<(), IngestError> {
        let is_private_number = matches!(column, Some("serial" | "machine_id" | "donor_machine"));
        let value = value.map(|value| match reason {
            Reason::PlaceholderIdentifier => head(value, LONGEST_VALUE).into(),
            _ if is_private_number => privacy::NUMBER.into(),
            _ => privacy::mask(head(value, LONGEST_VALUE)),
        });
        let line = place.line.to_string();
        let entry: [(&str, Option<&str>); 10] = [
            ("table", Some(place.table)),
            ("source_file", Some(place.file)),
            ("source_line", Some(line.as_str())),
            ("kind", Some(kind)),
            ("column", column),
            ("value", value.as_deref()),
            ("raw", raw.map(|(raw, _)| raw)),
            ("titles", raw.and_then(|(_, titles)| titles)),
            ("reason", Some(reason.code())),
            ("remedy", Some(reason.remedy())),
        ];
        // in the order of the table's columns, as `quarantine_hashes` reads them
        let in_order = self
            .schema
            .columns
            .iter()
            .map(|column| entry.iter().find(|(name, _)| *name == column.name).and_then(|(_, text)| *text).unwrap_or_default());
        if self.known.insert(hash_texts(in_order), ()).is_some() {
            return Ok(());
        }
        self.row.clear();
        for (name, text) in entry {
            let at = position(self.schema, name);
            if name == "source_line" {
                self.row.set_integer(at, place.line.cast_signed());
            } else if let Some(text) = text {
                self.row.set_text(at, text);
            }
        }
        self.writer.append(&self.row)
    }

    pub fn finish(self) -> Result<Vec<std::path::PathBuf>, IngestError> {
        self.writer.finish()
    }
}
