//! One subcommand a file.

pub mod analyse;
pub mod business;
pub mod check;
pub mod demo;
pub mod export;
pub mod ingest;
pub mod odds;
pub mod query;
pub mod quote;
pub mod report;
pub mod simulate;
pub mod store;
