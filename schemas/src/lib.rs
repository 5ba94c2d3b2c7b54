//! Record formats, table schemas and vocabularies: the words that every other part of the project shares.
//!
//! Everything here is data with one definition: TOML files beside the source, embedded in the program, read once, and checked by
//! the tests of this crate. Nothing here asks the clock or computes a statistic, and only [`store_layout`] and [`checksums`] touch files.
//!
//! - [`vocabulary()`]: appliance categories, components, symptoms, outcomes and their synonyms, statutory part lists and cautions
//! - [`emergencies()`]: what in a customer's words is an emergency
//! - [`records`]: what a record looks like in its canonical form, as types and as JSON Schema
//! - [`fields`]: the same input fields as a dictionary, with the column titles that workshops use
//! - [`tables`]: the column dictionary of the store and of the evidence tables
//! - [`words`]: the words of a complaint in the form in which they are counted
//! - [`store_layout`]: where the files of a store lie
//! - [`checksums`]: whether they are still as they were written

pub mod checksums;
pub mod emergencies;
pub mod fields;
pub mod records;
pub mod store_layout;
pub mod tables;
pub mod terms;
pub mod text_rules;
pub mod vocabulary;
pub mod words;

pub use emergencies::emergencies;
pub use fields::{Field, FieldKind, InputTable, input_table, input_tables};
pub use store_layout::{StoreLayout, StoreLayoutError};
pub use tables::{Column, ColumnKind, TableSchema, evidence_table, evidence_tables, store_table, store_tables};
pub use terms::{Match, TermIndex, normalise};
pub use text_rules::{KeyPhrases, TextRules, text_rules};
pub use vocabulary::{List, Vocabulary, VocabularyError, vocabulary};
