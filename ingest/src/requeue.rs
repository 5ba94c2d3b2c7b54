//! Corrected rows of the quarantine, ingested again.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use crate::error::IngestError;
use crate::ingest::ingest;
use crate::options::IngestOptions;
use crate::report::{IngestReport, Progress};

/// A row of the quarantine as `fixodds query` writes it; other columns are not looked at.
#[derive(Deserialize)]
struct Line {
    table: String,
    #[serde(default = "row")]
    kind: String,
    raw: String,
    #[serde(default)]
    titles: String,
}

fn row() -> String {
    "row".to_owned()
}

/// Ingests the rows of a corrected quarantine file: CSV with the columns `table`, `raw` (corrected) and `titles` of the quarantine table.
///
/// Rows of kind `value` were used already and are passed over. A row that still cannot be used is quarantined again. The rows go to the
/// source of `options`, which must be that of the first attempt.
///
/// # Errors
/// If the file is no such table, and as [`ingest`].
pub fn requeue(file: &Path, options: &IngestOptions, progress: &mut dyn FnMut(Progress)) -> Result<IngestReport, IngestError> {
    let error = |line: u64, message: String| IngestError::Review { path: file.to_owned(), line, message };
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_path(file).map_err(|source| error(1, source.to_string()))?;
    let mut texts: BTreeMap<(String, String), String> = BTreeMap::new();
    for (at, line) in reader.deserialize::<Line>().enumerate() {
        let number = at as u64 + 2;
        let line =
            line.map_err(|source| error(number, format!("{source}; the columns table, raw and titles of the quarantine are needed")))?;
        if line.kind != "row" || line.raw.trim().is_empty() {
            continue;
        }
        if fixodds_schemas::input_table(&line.table).is_none() {
            return Err(error(number, format!("`{}` is no table; leave that column as it was", line.table)));
        }
        if line.titles.is_empty() && !line.raw.trim_start().starts_with('{') {
            return Err(error(number, "the column titles is empty, so that nobody knows which value is which; export it too".to_owned()));
        }
        let text = texts
            .entry((line.table, line.titles))
            .or_insert_with_key(|(_, titles)| if titles.is_empty() { String::new() } else { format!("{titles}\n") });
        // writing to a string cannot fail
        let _ = writeln!(text, "{}", line.raw);
    }
    let folder = tempfile::tempdir().map_err(|source| IngestError::io("write a temporary copy in", &std::env::temp_dir(), source))?;
    let mut files = Vec::new();
    for (at, ((table, _), text)) in texts.iter().enumerate() {
        let path = folder.path().join(format!("requeued-{table}-{}", at + 1));
        std::fs::write(&path, text).map_err(|source| IngestError::io("write", &path, source))?;
        files.push(PathBuf::from(format!("{table}={}", path.display())));
    }
    ingest(&files, options, progress)
}
