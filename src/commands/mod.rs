//! One subcommand a file.

pub mod analyse;
pub mod check;
pub mod demo;
pub mod export;
pub mod ingest;
pub mod odds;
pub mod query;
pub mod report;
pub mod simulate;
