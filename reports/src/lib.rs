//! Reports for repairers, advocates and technicians.
//!
//! Evidence becomes a [`document::Document`] ([`documents::build`]), a document becomes a file
//! ([`exporters::Format::exporter`]). Nothing here computes a statistic or decides a verdict.

pub mod charts;
pub mod document;
pub mod documents;
pub mod evidence_frames;
pub mod evidence_view;
pub mod exporters;
pub mod wording;

mod names;
