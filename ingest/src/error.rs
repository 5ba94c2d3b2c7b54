//! What stops an ingest. Nothing has been changed in the store when one of these is returned.

use std::path::{Path, PathBuf};

use fixodds_schemas::StoreLayoutError;

/// Why files cannot be checked or ingested: what, where, and what to do.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    #[error("no files to read; name at least one file or folder with job records")]
    NoFiles,
    #[error("{}: there is no such file or folder; check the path", .path.display())]
    NotFound { path: PathBuf },
    #[error("{}: the folder holds no file that can be read; CSV, TSV, JSON, XLSX, ODS and Parquet files can, the text files also packed with gzip", .path.display())]
    EmptyFolder { path: PathBuf },
    #[error("{file}: the file is empty; export it again with its column titles and rows")]
    EmptyFile { file: String },
    #[error("{file}: this is {found}, not a table in text form; {advice}")]
    NotText { file: String, found: &'static str, advice: &'static str },
    #[error(
        "{file}, line {line}: only one column was found; separate the columns with a comma, semicolon, tab or vertical bar (the first line begins \"{beginning}\")"
    )]
    OneColumn { file: String, line: u64, beginning: String },
    #[error("{file}: the titles are separated by {titles} and the rows by {rows}; export the table again with one separator")]
    TwoDelimiters { file: String, titles: &'static str, rows: &'static str },
    #[error(
        "{file}, line {line}: the columns ({columns}) belong to no table that is known; say which it is as in `jobs={file}`, or name the columns in a mapping file"
    )]
    UnknownTable { file: String, line: u64, columns: String },
    #[error(
        "{file}, line {line}: the {table} table needs a column for {field} ({meaning}), and none of {columns} was recognised as one; rename the column, or add `\"title of the column\" = \"{field}\"` under [{table}.columns] in a mapping file"
    )]
    MissingColumn { file: String, line: u64, table: &'static str, field: String, meaning: String, columns: String },
    #[error("\"{table}\" in \"{argument}\" is no table; write one of jobs, findings, parts, machines, models")]
    NoSuchTable { table: String, argument: String },
    #[error("{file}, line {line}: {message}")]
    Mapping { file: String, line: usize, message: String },
    #[error(
        "{file}: {packed_mib} MiB unpack to more than {mib} MiB, which no table of records does; unpack it yourself and look what it is, or split it"
    )]
    TooLarge { file: String, mib: u64, packed_mib: u64 },
    #[error("{file}: the file is damaged ({message}); save or copy it again")]
    Damaged { file: String, message: String },
    #[error("{}, line {line}: {message}", .path.display())]
    Review { path: PathBuf, line: u64, message: String },
    #[error("another ingest into {} is running; wait until it has finished", .store.display())]
    Locked { store: PathBuf },
    #[error("{}: there is no undamaged earlier snapshot to go back to; ingest the records again into a new store", .store.display())]
    NoSnapshotToReturnTo { store: PathBuf },
    #[error("{}: the identity key is damaged (64 hexadecimal digits are expected); restore it from a backup, or new serial numbers will not match old ones", .path.display())]
    IdentityKeyDamaged { path: PathBuf },
    #[error("{}: the store already has another identity key; leave out the given key, or use another store", .path.display())]
    IdentityKeyDiffers { path: PathBuf },
    #[error("the system gives no random numbers for a new identity key: {message}")]
    NoRandomness { message: String },
    #[error(transparent)]
    Store(#[from] StoreLayoutError),
    #[error("{}: the table cannot be read or written as Parquet: {source}; if the store is damaged, `fixodds store verify` names what is, and `fixodds store rollback` goes back to the last good snapshot", .path.display())]
    Parquet { path: PathBuf, source: parquet::errors::ParquetError },
    #[error("cannot {action} {}: {source}; check the path, the permissions and the free space", .path.display())]
    Io { action: &'static str, path: PathBuf, source: std::io::Error },
}

impl IngestError {
    pub(crate) fn io(action: &'static str, path: &Path, source: std::io::Error) -> Self {
        Self::Io { action, path: path.to_owned(), source }
    }

    pub(crate) fn parquet(path: &Path, source: impl Into<parquet::errors::ParquetError>) -> Self {
        match source.into() {
            // What the system refuses is no fault of the table.
            parquet::errors::ParquetError::External(cause) if cause.is::<std::io::Error>() => match cause.downcast() {
                Ok(source) => Self::io("read or write", path, *source),
                Err(cause) => Self::Parquet { path: path.to_owned(), source: parquet::errors::ParquetError::External(cause) },
            },
            source => Self::Parquet { path: path.to_owned(), source },
        }
    }
}
