//! Brands that are read otherwise than they are written. `STORE/brands.csv` lists every one; what it says, also after a person has
//! changed it, holds in every later ingest.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::IngestError;
use crate::mapping::Mapping;
use crate::normalise::model::Catalogue;
use crate::review::write_lines;

pub const FILE: &str = "brands.csv";

/// One line of the file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Line {
    written: String,
    read_as: String,
    /// Rows so far, as often as they were read.
    #[serde(default)]
    rows: u64,
    #[serde(default)]
    decided_by: String,
}

/// What has been decided of brands, by how they are written.
#[derive(Debug, Default)]
pub struct Brands {
    lines: BTreeMap<String, Line>,
}

impl Brands {
    /// What the store remembers, overruled by what the mapping says.
    ///
    /// # Errors
    /// If the file cannot be read, or has no columns `written` and `read_as`.
    pub fn read(store: &Path, mapping: &Mapping) -> Result<Self, IngestError> {
        let mut brands = Self::default();
        let path = store.join(FILE);
        if path.exists() {
            let text = std::fs::read(&path).map_err(|source| IngestError::io("read", &path, source))?;
            let text = crate::readers::decode(text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text)).0.into_owned();
            let mut lines = csv::ReaderBuilder::new().flexible(true).from_reader(text.as_bytes());
            for (at, line) in lines.deserialize::<Line>().enumerate() {
                let line = line.map_err(|source| IngestError::Review {
                    path: path.clone(),
                    line: at as u64 + 2,
                    message: format!("{source}; the columns written and read_as are needed"),
                })?;
                if !line.read_as.trim().is_empty() {
                    brands.lines.insert(line.written.clone(), line);
                }
            }
        }
        brands.overrule(mapping);
        Ok(brands)
    }

    /// What the mapping says.
    pub fn of_mapping(mapping: &Mapping) -> Self {
        let mut brands = Self::default();
        brands.overrule(mapping);
        brands
    }

    fn overrule(&mut self, mapping: &Mapping) {
        for (written, read_as) in &mapping.brands {
            let rows = self.lines.get(written).map_or(0, |line| line.rows);
            let line = Line { written: written.clone(), read_as: read_as.clone(), rows, decided_by: "mapping".to_owned() };
            self.lines.insert(written.clone(), line);
        }
    }

    /// Tells the catalogue; where two ways of writing come to the same, the mapping has the last word.
    pub fn apply(&self, catalogue: &mut Catalogue) {
        let (mapped, others): (Vec<&Line>, Vec<&Line>) = self.lines.values().partition(|line| line.decided_by == "mapping");
        others.into_iter().chain(mapped).for_each(|line| catalogue.decide(&line.written, &line.read_as));
    }

    /// Remembers that a brand was read as another.
    pub fn note(&mut self, written: &str, read_as: &str, rows: u64) {
        let line = self.lines.entry(written.to_owned()).or_insert_with(|| Line {
            written: written.to_owned(),
            read_as: read_as.to_owned(),
            rows: 0,
            decided_by: "likeness".to_owned(),
        });
        line.rows += rows;
    }

    /// Writes the file, if there is anything to say.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn write(&self, store: &Path) -> Result<(), IngestError> {
        write_lines(&store.join(FILE), self.lines.values())
    }
}
