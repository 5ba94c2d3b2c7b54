//! Brands that are written nearly alike. `STORE/brands.csv` lists every one with the brand it may be; what a person says beside it, or in the
//! mapping, holds in every later ingest. Nothing is merged that nobody has said.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::IngestError;
use crate::mapping::Mapping;
use crate::normalise::model::Catalogue;
use crate::review::{NONE, YES, write_lines};

pub const FILE: &str = "brands.csv";

/// One line of the file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Line {
    written: String,
    /// The brand that is written nearly so. (`read_as` merged the two before anybody had been asked.)
    #[serde(default, alias = "read_as")]
    proposed: String,
    /// Rows so far, as often as they were read.
    #[serde(default)]
    rows: u64,
    /// For a person to fill in: `yes`, `no`, or the brand it is.
    #[serde(default)]
    decision: String,
}

/// What is proposed and decided of brands, by how they are written.
#[derive(Debug, Default)]
pub struct Brands {
    lines: BTreeMap<String, Line>,
    /// Those of the mapping at hand.
    mapped: BTreeSet<String>,
}

impl Brands {
    /// What the store remembers, overruled by what the mapping says.
    ///
    /// # Errors
    /// If the file cannot be read, or has no column `written`.
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
                    message: format!("{source}; the columns written, proposed, rows and decision are needed"),
                })?;
                brands.lines.insert(line.written.clone(), line);
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
        for (written, brand) in &mapping.brands {
            self.line(written).decision = brand.clone();
            self.mapped.insert(written.clone());
        }
    }

    fn line(&mut self, written: &str) -> &mut Line {
        self.lines.entry(written.to_owned()).or_insert_with(|| Line { written: written.to_owned(), ..Line::default() })
    }

    /// Tells the catalogue; where two ways of writing come to the same, the mapping has the last word.
    pub fn apply(&self, catalogue: &mut Catalogue) {
        let (mapped, others): (Vec<&Line>, Vec<&Line>) = self.lines.values().partition(|line| self.mapped.contains(&line.written));
        for Line { written, proposed, decision, .. } in others.into_iter().chain(mapped) {
            let decision = decision.trim();
            let says = |words: &[&str]| words.iter().any(|word| word.eq_ignore_ascii_case(decision));
            match decision {
                "" => {}
                _ if says(&NONE) => catalogue.keep_apart(written),
                _ if says(&YES) => catalogue.decide(written, proposed),
                brand => catalogue.decide(written, brand),
            }
        }
    }

    /// Lists a brand that is written nearly like another.
    pub fn propose(&mut self, written: &str, like: &str, rows: u64) {
        let line = self.line(written);
        line.rows += rows;
        like.clone_into(&mut line.proposed);
    }

    /// Writes the file, if there is anything to say.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn write(&self, store: &Path) -> Result<(), IngestError> {
        write_lines(&store.join(FILE), self.lines.values())
    }
}
