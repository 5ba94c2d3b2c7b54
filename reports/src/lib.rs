//! Reports for repairers, advocates and technicians.
//!
//! Evidence becomes a [`document::Document`] ([`documents::build`]), a document becomes a file
//! ([`exporters::Format::exporter`]); the technician's question becomes a page that answers by itself ([`odds_page`]). Nothing here computes a statistic or decides a verdict.

pub mod charts;
pub mod claims;
pub mod data_package;
pub mod document;
pub mod documents;
pub mod evidence_frames;
pub mod evidence_view;
pub mod exporters;
pub mod odds_page;
pub mod open_repair;
pub mod table_files;
pub mod wording;
pub mod workbook;

mod names;
