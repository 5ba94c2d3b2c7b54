//! Documents as files: one exporter a format, each a pure function from document to bytes.
//!
//! Formats that print tables as text share [`rendered`]; a spreadsheet format reads the typed cells of
//! [`crate::document`] itself, so that numbers stay numbers.

mod html;
mod markdown;
mod rendered;

use crate::charts::ChartError;
use crate::document::Document;

/// A document could not be written in a format.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    #[error(transparent)]
    Chart(#[from] ChartError),
    #[error("the evidence table {table} cannot be written: {message}; run `fixodds analyse` again")]
    Table { table: String, message: String },
    #[error("the workbook cannot be put together: {0}; please report this with the evidence folder")]
    Workbook(#[from] rust_xlsxwriter::XlsxError),
    #[error("the page \"{title}\" could not be put together: {source}; please report this with the evidence folder")]
    Template {
        title: String,
        #[source]
        source: minijinja::Error,
    },
}

/// Turns a document into the bytes of one file.
pub trait Exporter {
    /// # Errors
    /// [`ExportError`] if a chart or the page cannot be put together.
    fn export(&self, document: &Document) -> Result<Vec<u8>, ExportError>;
}

/// The formats a document can be had in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    Markdown,
    Html,
}

impl Format {
    pub const ALL: [Format; 2] = [Format::Markdown, Format::Html];

    pub fn extension(self) -> &'static str {
        match self {
            Format::Markdown => "md",
            Format::Html => "html",
        }
    }

    pub fn exporter(self) -> Box<dyn Exporter> {
        match self {
            Format::Markdown => Box::new(markdown::Markdown),
            Format::Html => Box::new(html::Html),
        }
    }
}
