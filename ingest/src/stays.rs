//! The stays of machines on the roster. Those of one machine may not overlap, or its time and its faults would be counted twice.

use std::path::Path;
use std::sync::Arc;

use fixodds_schemas::TableSchema;

use crate::error::IngestError;
use crate::identity::{HashKeyed, hash_texts};
use crate::row::Row;
use crate::rules::{position, schema_of};
use crate::store::{IntegerColumn, TextColumn, for_each_batch};

/// A stay without a day of leaving goes on.
const STILL_THERE: i32 = i32::MAX;

/// From a day to another, counted from 1970-01-01, and where it was read.
#[derive(Debug, Clone, Copy)]
struct Stay {
    entered: i32,
    left: i32,
    /// Position in the list of files.
    file: u32,
    line: u32,
}

/// What is known of all machines.
#[derive(Debug, Default)]
pub struct Stays {
    /// Most machines have one.
    first: HashKeyed<Stay>,
    further: HashKeyed<Vec<Stay>>,
    files: Vec<Arc<str>>,
}

impl Stays {
    /// The stays that the store holds in these files.
    ///
    /// # Errors
    /// If a file cannot be read.
    pub fn read<P: AsRef<Path>>(files: &[P]) -> Result<Self, IngestError> {
        let mut stays = Self::default();
        for_each_batch(files, &["source", "machine_key", "entered_on", "left_on", "source_file", "source_line"], |batch| {
            let [source, machine, file] = ["source", "machine_key", "source_file"].map(|name| TextColumn::of(batch, name));
            let [entered, left, line] = ["entered_on", "left_on", "source_line"].map(|name| IntegerColumn::of(batch, name));
            for row in 0..batch.num_rows() {
                let (Some(source), Some(machine), Some(entered)) = (source.at(row), machine.at(row), entered.at(row)) else { continue };
                let file = stays.file(file.at(row).unwrap_or_default());
                stays.put(hash_texts([source, machine]), stay(entered, left.at(row), file, line.at(row).unwrap_or_default()));
            }
            Ok(())
        })?;
        Ok(stays)
    }

    /// Remembers the stay of a roster row, or says which other stay of the machine it overlaps. A later version of a stay takes its place.
    pub fn take(&mut self, row: &Row, file: &Arc<str>, line: u64) -> Option<String> {
        let Columns { source, machine_key, entered_on, left_on } = Columns::of(schema_of("machines"));
        let machine = hash_texts([row.text(source)?, row.text(machine_key)?]);
        let file = self.file(file);
        let new = stay(row.integer(entered_on)?, row.integer(left_on), file, line.cast_signed());
        let overlapped =
            self.of(machine).find(|known| known.entered != new.entered && new.entered < known.left && known.entered < new.left);
        match overlapped.copied() {
            Some(known) => {
                let [began, from, to] = [new.entered, known.entered, known.left].map(day);
                Some(format!("{began}: overlaps the stay from {from} to {to} ({}, line {})", self.files[known.file as usize], known.line))
            }
            None => {
                self.put(machine, new);
                None
            }
        }
    }

    fn of(&self, machine: u64) -> impl Iterator<Item = &Stay> {
        self.first.get(&machine).into_iter().chain(self.further.get(&machine).into_iter().flatten())
    }

    fn put(&mut self, machine: u64, new: Stay) {
        match self.first.get_mut(&machine) {
            None => {
                self.first.insert(machine, new);
            }
            Some(first) if first.entered == new.entered => *first = new,
            Some(_) => {
                let further = self.further.entry(machine).or_default();
                match further.iter_mut().find(|known| known.entered == new.entered) {
                    Some(known) => *known = new,
                    None => further.push(new),
                }
            }
        }
    }

    fn file(&mut self, name: &str) -> u32 {
        let at = self.files.iter().rposition(|known| **known == *name).unwrap_or_else(|| {
            self.files.push(Arc::from(name));
            self.files.len() - 1
        });
        u32::try_from(at).unwrap_or(u32::MAX)
    }
}

struct Columns {
    source: usize,
    machine_key: usize,
    entered_on: usize,
    left_on: usize,
}

impl Columns {
    fn of(schema: &TableSchema) -> Self {
        let at = |name| position(schema, name);
        Self { source: at("source"), machine_key: at("machine_key"), entered_on: at("entered_on"), left_on: at("left_on") }
    }
}

fn stay(entered: i64, left: Option<i64>, file: u32, line: i64) -> Stay {
    let days = |days: i64| i32::try_from(days).unwrap_or(STILL_THERE);
    Stay { entered: days(entered), left: left.map_or(STILL_THERE, days), file, line: u32::try_from(line).unwrap_or(u32::MAX) }
}

fn day(days: i32) -> String {
    let date = (days != STILL_THERE).then(|| chrono::NaiveDate::from_epoch_days(days)).flatten();
    date.map_or_else(|| "today".to_owned(), |date| date.to_string())
}
