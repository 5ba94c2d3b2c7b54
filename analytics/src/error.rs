//! What can go wrong between the store and the evidence, and what to do about it.

use std::path::PathBuf;

use thiserror::Error;

#[derive(Debug, Error)]
pub enum AnalyticsError {
    #[error("{}: there is no evidence here yet; run `fixodds analyse --store {}` first", .0.display(), .0.display())]
    NotAnalysed(PathBuf),
    #[error("the store holds no jobs, so there is nothing to analyse; ingest some records first")]
    EmptyStore,
    #[error("{}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    #[error("{}: cannot be read as an evidence table ({message}); run `fixodds analyse` again", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: {damage}; run `fixodds store verify --store {1}`, then `fixodds store rollback --store {1}` to go back to the last good snapshot", folder.display(), store.display())]
    Damaged { store: PathBuf, folder: PathBuf, damage: fixodds_schemas::checksums::Damage },
    #[error("{}: {damage}; run `fixodds analyse` again", folder.display())]
    DamagedEvidence { folder: PathBuf, damage: fixodds_schemas::checksums::Damage },
    #[error("another analysis of {} is running; wait until it has finished", .0.display())]
    Locked(PathBuf),
    #[error("evidence step `{step}`: {source}")]
    Sql { step: String, source: duckdb::Error },
    #[error("evidence step `{step}` needs more memory than it is given; run the analysis again with a larger --memory-mib ({message})")]
    OutOfMemory { step: String, message: String },
    #[error("evidence table `{table}`: {message}")]
    Table { table: &'static str, message: String },
    #[error("{}: line {line}: {message}", path.display())]
    Settings { path: PathBuf, line: usize, message: String },
    #[error("evidence table `{table}` cannot be made ready for publication: {message}; run `fixodds analyse` again")]
    Publication { table: String, message: String },
    #[error("{0}")]
    Query(String),
    #[error(transparent)]
    Store(#[from] fixodds_schemas::StoreLayoutError),
}

impl AnalyticsError {
    pub(crate) fn file(path: impl Into<PathBuf>) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::File { path, source }
    }
}
