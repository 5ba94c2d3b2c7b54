//! Evidence tables from the store: SQL reduces the records to sufficient statistics, estimators turn those into numbers with intervals.
//!
//! [`analyse`] builds every table and swaps them in as one; [`evidence::Evidence`] reads them back; [`query`] answers read-only SQL.

pub mod business;
mod columns;
pub mod engine;
pub mod error;
pub mod evidence;
mod evidence_rows;
pub mod fault_odds;
pub mod holidays;
pub mod open_repair;
pub mod publication;
pub mod query;
pub mod quote;
mod tables;

mod analyse;

pub use analyse::{AnalyseOptions, analyse};
pub use error::AnalyticsError;
