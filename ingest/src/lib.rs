//! Reads the records of repairers, recognises what they hold, normalises them, and commits them to the store.
//!
//! [`check`] says what would be read as what and writes nothing; [`ingest`] makes the next snapshot of a store, all or nothing. Every
//! row is accounted for: `rows_in = accepted + repeats + superseded + quarantined`. What cannot be used is kept in `quarantine` with a
//! reason and a remedy. Serial and machine numbers are stored only as keyed hashes; phone numbers, e-mail addresses, postcodes and
//! names after a cue are masked in free text.
//!
//! The way of a record: `readers` give its cells as text, `columns` and `inspect` decide once per file which field each column
//! holds, `cells` reads each cell with [`normalise`], `rules` compares the values of the row, `store` recognises the record by its
//! hashes and writes it.

mod assignment;
mod brands;
mod cells;
mod columns;
mod context;
mod error;
mod evidence;
pub mod free_text;
mod identity;
mod ingest;
mod inputs;
mod inspect;
mod job_text;
mod mapping;
pub mod normalise;
mod open_repair;
mod options;
pub mod privacy;
mod quarantine;
mod quarantine_writer;
mod readers;
mod remembered;
mod report;
mod requeue;
mod review;
mod row;
mod row_completer;
mod rules;
mod sample;
mod spilling_map;
mod stays;
mod store;
mod table_reader;
mod words;

pub use error::IngestError;
pub use identity::IdentityKey;
pub use ingest::{check, ingest};
pub use mapping::Mapping;
pub use normalise::date::DateOrder;
pub use normalise::number::DecimalMark;
pub use options::IngestOptions;
pub use quarantine::Reason;
pub use report::{CheckReport, ColumnCheck, Doubt, FileCheck, IngestReport, Progress, RecognisedBy, TableAccount, TableCheck};
pub use requeue::requeue;
pub use store::{SnapshotState, Store};
