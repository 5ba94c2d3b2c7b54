//! What the reading of every row needs to know.

use std::sync::Arc;

use crate::identity::{HashKeyed, IdentityKey, IdentityKind};
use crate::normalise::Reading;
use crate::normalise::identifier::{parse_machine_id, parse_serial};
use crate::normalise::model::Catalogue;
use crate::options::IngestOptions;
use crate::privacy::NUMBER;

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

/// The category of each job, by the hash of its source and number, for words that depend on it.
#[derive(Debug, Default)]
pub struct JobCategories {
    names: Vec<Arc<str>>,
    by_job: HashKeyed<u8>,
}

impl JobCategories {
    pub fn insert(&mut self, job: u64, category: Option<&str>) {
        let Some(category) = category else {
            self.by_job.insert(job, u8::MAX);
            return;
        };
        let mut at = self.names.iter().position(|known| **known == *category);
        // more than 255 categories do not occur; those beyond count as unknown
        if at.is_none() && self.names.len() < usize::from(u8::MAX) {
            at = Some(self.names.len());
            self.names.push(category.into());
        }
        self.by_job.insert(job, at.map_or(u8::MAX, |at| at as u8));
    }

    pub fn knows(&self, job: u64) -> bool {
        self.by_job.contains_key(&job)
    }

    pub fn get(&self, job: u64) -> Option<&Arc<str>> {
        self.by_job.get(&job).and_then(|&at| self.names.get(usize::from(at)))
    }
}
