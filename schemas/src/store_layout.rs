//! Where things lie in a store: `snapshots/000007/TABLE/*.parquet`, `current` pointing at one snapshot, `evidence/current/TABLE.parquet`.
//!
//! `current` is a symbolic link where the system has them, else a file that holds the relative path of the snapshot. Either is
//! replaced by renaming, so a reader sees the old snapshot or the new one. Resolve it once per task ([`StoreLayout::current_dir`])
//! and read from the folder it gives: that snapshot does not change.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Paths of one store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreLayout {
    root: PathBuf,
}

/// Why a store cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum StoreLayoutError {
    #[error("{} is not a store yet: nothing has been ingested into it; run `fixodds ingest FILES... --store {}` first", .root.display(), .root.display())]
    NoSnapshot { root: PathBuf },
    #[error("cannot read {}: {source}; check that the path is right and that you may read it", .path.display())]
    Unreadable { path: PathBuf, source: io::Error },
}

impl StoreLayout {
    pub fn new(root: impl Into<PathBuf>) -> Self {
        Self { root: root.into() }
    }

    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The folder of all snapshots.
    #[must_use]
    pub fn snapshots_dir(&self) -> PathBuf {
        self.root.join("snapshots")
    }

    /// The link (or file) that names the current snapshot.
    #[must_use]
    pub fn current_link(&self) -> PathBuf {
        self.root.join("current")
    }

    /// Locked while an ingest runs.
    #[must_use]
    pub fn lock_path(&self) -> PathBuf {
        self.root.join("lock")
    }

    /// The secret with which serial and machine numbers are hashed.
    #[must_use]
    pub fn identity_key_path(&self) -> PathBuf {
        self.root.join("identity.key")
    }

    /// The folder of all evidence; inside, `current` is swapped as the store's own is.
    #[must_use]
    pub fn evidence_dir(&self) -> PathBuf {
        self.root.join("evidence")
    }

    /// The link that names the current evidence.
    #[must_use]
    pub fn evidence_link(&self) -> PathBuf {
        self.evidence_dir().join("current")
    }

    /// Name of the folder of a snapshot: `000007`.
    #[must_use]
    pub fn snapshot_name(number: u32) -> String {
        format!("{number:06}")
    }

    /// The number of the current snapshot; none if nothing has been ingested.
    ///
    /// # Errors
    /// If `current` exists and cannot be read, or does not point at a snapshot.
    pub fn current_number(&self) -> Result<Option<u32>, StoreLayoutError> {
        let link = self.current_link();
        let Some(target) = read_link(&link).map_err(|source| StoreLayoutError::Unreadable { path: link.clone(), source })? else {
            return Ok(None);
        };
        let number = target.file_name().and_then(|name| name.to_str()).and_then(|name| name.parse().ok());
        let bad_target = || io::Error::new(io::ErrorKind::InvalidData, format!("it points at {}, which is no snapshot", target.display()));
        number.map(Some).ok_or_else(|| StoreLayoutError::Unreadable { path: link, source: bad_target() })
    }

    /// The folder of the current snapshot.
    ///
    /// # Errors
    /// If nothing has been ingested, or `current` cannot be read.
    pub fn current_dir(&self) -> Result<PathBuf, StoreLayoutError> {
        let number = self.current_number()?.ok_or_else(|| StoreLayoutError::NoSnapshot { root: self.root.clone() })?;
        Ok(self.snapshots_dir().join(Self::snapshot_name(number)))
    }

    /// The Parquet files of a table in the current snapshot, sorted by name.
    ///
    /// # Errors
    /// If nothing has been ingested, or the folder cannot be read.
    pub fn table_files(&self, table: &str) -> Result<Vec<PathBuf>, StoreLayoutError> {
        let folder = self.current_dir()?.join(table);
        parquet_files(&folder).map_err(|source| StoreLayoutError::Unreadable { path: folder, source })
    }

    /// A pattern that matches the Parquet files of a table in the current snapshot, for `read_parquet('...')`. At least one file matches.
    ///
    /// # Errors
    /// If nothing has been ingested, or `current` cannot be read.
    pub fn table_glob(&self, table: &str) -> Result<String, StoreLayoutError> {
        Ok(self.current_dir()?.join(table).join("*.parquet").display().to_string())
    }

    /// A pattern that matches an evidence table's file.
    ///
    /// # Errors
    /// If `evidence/current` cannot be read or does not exist: the store has not been analysed.
    pub fn evidence_file(&self, table: &str) -> Result<PathBuf, StoreLayoutError> {
        let link = self.evidence_link();
        let target = read_link(&link).and_then(|target| target.ok_or_else(|| io::ErrorKind::NotFound.into()));
        let target = target.map_err(|source| StoreLayoutError::Unreadable { path: link, source })?;
        Ok(self.evidence_dir().join(target).join(format!("{table}.parquet")))
    }
}

/// The Parquet files of a folder, sorted by name; none if there is no such folder.
///
/// # Errors
/// If the folder cannot be read.
pub fn parquet_files(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(error),
    };
    let mut files = entries.map(|entry| entry.map(|entry| entry.path())).collect::<io::Result<Vec<_>>>()?;
    files.retain(|path| path.extension().is_some_and(|extension| extension == "parquet"));
    files.sort();
    Ok(files)
}

/// What a link made by [`swap_link`] points at, relative to its own folder; none if there is no link.
///
/// # Errors
/// If it exists and cannot be read.
pub fn read_link(link: &Path) -> io::Result<Option<PathBuf>> {
    match fs::symlink_metadata(link) {
        Ok(metadata) if metadata.is_symlink() => fs::read_link(link).map(Some),
        Ok(_) => fs::read_to_string(link).map(|text| Some(PathBuf::from(text.trim()))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Lets `link` point at `target` (relative to the folder of `link`), in one atomic step, and makes that durable.
///
/// # Errors
/// If the folder cannot be written.
pub fn swap_link(link: &Path, target: &Path) -> io::Result<()> {
    let new_link = link.with_extension("new");
    match fs::remove_file(&new_link) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    #[cfg(unix)]
    std::os::unix::fs::symlink(target, &new_link)?;
    #[cfg(not(unix))]
    fs::write(&new_link, target.display().to_string()).and_then(|()| fs::File::open(&new_link)?.sync_all())?;
    fs::rename(&new_link, link)?;
    sync_dir(link.parent().unwrap_or(Path::new(".")))
}

/// Makes the entries of a folder durable, where the system can.
///
/// # Errors
/// If the folder cannot be opened or synced.
pub fn sync_dir(folder: &Path) -> io::Result<()> {
    if cfg!(unix) { fs::File::open(folder)?.sync_all() } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn current_points_at_the_newest_swapped_snapshot() {
        let folder = std::env::temp_dir().join(format!("fixodds-store-layout-{}", std::process::id()));
        fs::create_dir_all(folder.join("snapshots/000002/jobs")).unwrap();
        let layout = StoreLayout::new(&folder);
        assert!(matches!(layout.current_dir(), Err(StoreLayoutError::NoSnapshot { .. })));
        swap_link(&layout.current_link(), Path::new("snapshots/000001")).unwrap();
        swap_link(&layout.current_link(), Path::new("snapshots/000002")).unwrap();
        assert_eq!(layout.current_number().unwrap(), Some(2));
        assert_eq!(layout.current_dir().unwrap(), folder.join("snapshots/000002"));
        fs::write(folder.join("snapshots/000002/jobs/b.parquet"), "").unwrap();
        fs::write(folder.join("snapshots/000002/jobs/a.parquet"), "").unwrap();
        let files = layout.table_files("jobs").unwrap();
        assert_eq!(files.iter().filter_map(|path| path.file_name()).collect::<Vec<_>>(), ["a.parquet", "b.parquet"]);
        assert!(layout.table_glob("jobs").unwrap().ends_with("000002/jobs/*.parquet"));
        assert!(layout.evidence_file("life").is_err());
        fs::remove_dir_all(folder).unwrap();
    }
}
