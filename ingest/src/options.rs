//! What a caller decides.

use std::path::PathBuf;

use chrono::NaiveDate;
use fixodds_schemas::{Vocabulary, vocabulary};

use crate::identity::IdentityKey;
use crate::mapping::Mapping;
use crate::normalise::date::DateOrder;

/// How files are read and where they go.
#[derive(Debug, Clone)]
pub struct IngestOptions {
    /// Folder of the store; made if it does not exist. `check` does not use it.
    pub store: PathBuf,
    /// Label of where the records come from; a job is identified by it and by its number.
    pub source: String,
    /// Day of ingest: what is dated later cannot have happened.
    pub today: NaiveDate,
    pub mapping: Mapping,
    /// Order of day and month in all columns for which the mapping does not say otherwise; by evidence if none.
    pub date_order: Option<DateOrder>,
    /// Key of a new store, for reproducible results; random if none.
    pub identity_key: Option<IdentityKey>,
    pub vocabulary: Vocabulary,
    /// A review file with answers (see `STORE/review.csv`); they are remembered in the store.
    pub review: Option<PathBuf>,
}

impl IngestOptions {
    /// Everything by default but the store and the day.
    pub fn new(store: impl Into<PathBuf>, today: NaiveDate) -> Self {
        Self {
            store: store.into(),
            source: "workshop".to_owned(),
            today,
            mapping: Mapping::default(),
            date_order: None,
            identity_key: None,
            vocabulary: vocabulary().clone(),
            review: None,
        }
    }
}
