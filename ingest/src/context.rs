//! What the reading of every row needs to know.

use std::path::Path;
use std::sync::Arc;

use crate::error::IngestError;
use crate::identity::{IdentityKey, IdentityKind};
use crate::normalise::Reading;
use crate::normalise::identifier::{parse_machine_id, parse_serial};
use crate::normalise::model::Catalogue;
use crate::options::IngestOptions;
use crate::privacy::NUMBER;
use crate::spilling_map::SpillingMap;

/// How quarantined rows show a number that must not be stored; it is understood when the row is corrected and ingested again.
const HASH_PREFIX: &str = "hash:";

/// What the reading of every row needs to know.
pub struct Context<'a> {
    pub options: &'a IngestOptions,
    pub identity_key: &'a IdentityKey,
    /// Brands and models of the store and of the files read so far.
    pub catalogue: Catalogue,
}

impl Context<'_> {
    /// The keyed hash of a serial or machine number.
    ///
    /// # Errors
    /// If the text stands for a missing number or is no number.
    pub fn hash_number(&self, kind: IdentityKind, text: &str) -> Reading<String> {
        let is_digit = |byte: u8| matches!(byte, b'0'..=b'9' | b'a'..=b'f');
        if let Some(hash) = text.strip_prefix(HASH_PREFIX).filter(|hash| hash.len() == 16 && hash.bytes().all(is_digit)) {
            return Ok(Some(hash.to_owned()));
        }
        let number = if kind == IdentityKind::Serial { parse_serial(text)? } else { parse_machine_id(text)? };
        Ok(number.map(|number| self.identity_key.hash(kind, &number)))
    }

    /// A serial or machine number as it may be shown.
    pub fn hidden_number(&self, kind: IdentityKind, text: &str) -> String {
        match self.hash_number(kind, text) {
            Ok(Some(hash)) => format!("{HASH_PREFIX}{hash}"),
            Ok(None) | Err(crate::quarantine::Reason::PlaceholderIdentifier) => text.to_owned(),
            Err(_) => NUMBER.to_owned(),
        }
    }
}

const MOST_CATEGORIES: usize = 255;

/// What is known of the job that a finding or part belongs to.
#[derive(Clone, Copy)]
pub enum KnownJob<'c> {
    Unknown,
    Known { category: Option<&'c Arc<str>> },
}

/// The category of each job, by the hash of its source and number, for words that depend on it.
#[derive(Debug)]
pub struct JobCategories {
    names: Vec<Arc<str>>,
    by_job: SpillingMap,
}

impl JobCategories {
    /// None yet; `folder` is for those that do not fit into memory.
    pub fn new(folder: &Path) -> Self {
        Self { names: Vec::new(), by_job: SpillingMap::new(folder) }
    }

    /// # Errors
    /// If a temporary file cannot be written.
    pub fn insert(&mut self, job: u64, category: Option<&str>) -> Result<(), IngestError> {
        let mut at = category.and_then(|category| self.names.iter().position(|known| **known == *category));
        // more categories do not occur; those beyond count as unknown
        if let (None, Some(category)) = (at, category)
            && self.names.len() < MOST_CATEGORIES
        {
            at = Some(self.names.len());
            self.names.push(category.into());
        }
        self.by_job.insert(job, at.map_or(u64::MAX, |at| at as u64))
    }

    /// # Errors
    /// If a temporary file cannot be read.
    pub fn get(&self, job: u64) -> Result<KnownJob<'_>, IngestError> {
        Ok(match self.by_job.get(job)? {
            None => KnownJob::Unknown,
            Some(at) => KnownJob::Known { category: self.names.get(at as usize) },
        })
    }
}
