//! Opens a store, and makes the next snapshot the current one in one atomic step.

use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};

use fixodds_schemas::checksums::{self, Checksums, Damage};
use fixodds_schemas::store_layout::{parquet_files, swap_link, sync_dir};
use fixodds_schemas::{StoreLayout, store_tables};

use super::table_writer::write_batches;
use crate::error::IngestError;

/// Snapshots that are kept, the current one included.
const SNAPSHOTS_KEPT: u32 = 3;
/// Folder in which the next snapshot is put together.
const BUILDING: &str = ".building";

/// A store that this process may write to.
pub struct Store {
    layout: StoreLayout,
    current: Option<u32>,
    _lock: StoreLock,
}

/// A snapshot, held against its checksums.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SnapshotState {
    pub number: u32,
    pub is_current: bool,
    pub damage: Vec<Damage>,
}

/// Holds others off while it lives.
pub struct StoreLock {
    _file: File,
}

impl Store {
    /// Opens a store for writing, or makes an empty one; leftovers of an ingest that was interrupted are removed.
    ///
    /// # Errors
    /// If another ingest is running, or if the folder cannot be written.
    pub fn create_or_open(root: &Path) -> Result<Self, IngestError> {
        let layout = StoreLayout::new(root);
        let snapshots = layout.snapshots_dir();
        fs::create_dir_all(&snapshots).map_err(|source| IngestError::io("make the folder", &snapshots, source))?;
        let lock = lock(&layout)?;
        let current = layout.current_number()?;
        let store = Self { layout, current, _lock: lock };
        store.remove_leftovers()?;
        let building = store.building_dir();
        fs::create_dir_all(&building).map_err(|source| IngestError::io("make the folder", &building, source))?;
        Ok(store)
    }

    #[must_use]
    pub fn layout(&self) -> &StoreLayout {
        &self.layout
    }

    /// Number of the snapshot that is being made.
    #[must_use]
    pub fn next_number(&self) -> u32 {
        self.current.unwrap_or(0) + 1
    }

    /// The folder in which the next snapshot is put together.
    #[must_use]
    pub fn building_dir(&self) -> PathBuf {
        self.layout.snapshots_dir().join(BUILDING)
    }

    /// The files of a table in the current snapshot; those without rows are left out.
    ///
    /// # Errors
    /// If the folder cannot be read.
    pub fn current_files(&self, table: &str) -> Result<Vec<PathBuf>, IngestError> {
        if self.current.is_none() {
            return Ok(Vec::new());
        }
        let mut files = self.layout.table_files(table)?;
        files.retain(|path| !is_empty_table(path));
        Ok(files)
    }

    /// Makes the next snapshot current: files of the current one are linked, tables without rows get one empty file.
    ///
    /// `tables` are the files of each table, in the current snapshot or in the building folder.
    ///
    /// # Errors
    /// If the folder cannot be written; the old snapshot stays current.
    pub fn commit(self, tables: &[(&str, Vec<PathBuf>)]) -> Result<u32, IngestError> {
        let building = self.building_dir();
        let earlier = self.current_checksums()?;
        let mut known = Checksums::new();
        for schema in store_tables() {
            let folder = building.join(&schema.name);
            fs::create_dir_all(&folder).map_err(|source| IngestError::io("make the folder", &folder, source))?;
            let files = tables.iter().filter(|(table, _)| *table == schema.name).flat_map(|(_, files)| files);
            for path in files.filter(|path| path.parent() != Some(&folder)) {
                let name = path.file_name().unwrap_or_default();
                link_or_copy(path, &folder.join(name))?;
                known.extend(
                    earlier.get_key_value(&format!("{}/{}", schema.name, name.to_string_lossy())).map(|(k, v)| (k.clone(), v.clone())),
                );
            }
            if parquet_files(&folder).map_err(|source| IngestError::io("read", &folder, source))?.is_empty() {
                write_batches(&folder.join(EMPTY_TABLE), &schema.arrow_schema().into(), [])?;
            }
            sync_dir(&folder).map_err(|source| IngestError::io("write", &folder, source))?;
        }
        checksums::write(&building, &known).map_err(|source| IngestError::io("write", &building, source))?;

        let number = self.next_number();
        let name = StoreLayout::snapshot_name(number);
        let snapshots = self.layout.snapshots_dir();
        let finished = snapshots.join(&name);
        fs::rename(&building, &finished).map_err(|source| IngestError::io("write", &finished, source))?;
        sync_dir(&snapshots).map_err(|source| IngestError::io("write", &snapshots, source))?;
        let link = self.layout.current_link();
        swap_link(&link, &Path::new("snapshots").join(&name)).map_err(|source| IngestError::io("write", &link, source))?;
        self.remove_old_snapshots(number);
        Ok(number)
    }

    /// Checksums of the files that the next snapshot may take over.
    fn current_checksums(&self) -> Result<Checksums, IngestError> {
        if self.current.is_none() {
            return Ok(Checksums::new());
        }
        let folder = self.layout.current_dir()?;
        Ok(checksums::read(&folder).map_err(|source| IngestError::io("read", &folder, source))?.unwrap_or_default())
    }

    /// Checks every snapshot against its checksums; the newest last.
    ///
    /// # Errors
    /// If a folder or file cannot be read at all.
    pub fn verify(layout: &StoreLayout) -> Result<Vec<SnapshotState>, IngestError> {
        let current = layout.current_number()?;
        let mut states = Vec::new();
        for (path, number) in snapshots(layout)? {
            let Some(number) = number else { continue };
            let damage = checksums::verify(&path).map_err(|source| IngestError::io("read", &path, source))?;
            states.push(SnapshotState { number, is_current: current == Some(number), damage });
        }
        states.sort_by_key(|state| state.number);
        Ok(states)
    }

    /// Makes the newest undamaged snapshot before the current one current again; the answer is its number, and that of the one left.
    ///
    /// # Errors
    /// If an ingest is running, if there is no such snapshot, or if the store cannot be written.
    pub fn rollback(layout: &StoreLayout) -> Result<(u32, u32), IngestError> {
        layout.current_dir()?;
        let _lock = lock(layout)?;
        let states = Self::verify(layout)?;
        let left = layout.current_number()?.unwrap_or(0);
        let good = states.iter().rfind(|state| state.number < left && state.damage.is_empty());
        let to = good.ok_or_else(|| IngestError::NoSnapshotToReturnTo { store: layout.root().to_owned() })?.number;
        let link = layout.current_link();
        let target = Path::new("snapshots").join(StoreLayout::snapshot_name(to));
        swap_link(&link, &target).map_err(|source| IngestError::io("write", &link, source))?;
        Ok((to, left))
    }

    /// Removes what an interrupted ingest left: a snapshot in the making, or one that never became current.
    fn remove_leftovers(&self) -> Result<(), IngestError> {
        for (path, number) in snapshots(&self.layout)? {
            let is_leftover = match number {
                Some(number) => number > self.current.unwrap_or(0),
                None => path.file_name().is_some_and(|name| name == BUILDING),
            };
            if is_leftover {
                fs::remove_dir_all(&path).map_err(|source| IngestError::io("remove the leftovers in", &path, source))?;
            }
        }
        Ok(())
    }

    /// An old snapshot that cannot be removed (somebody reads it) does no harm and is tried again next time.
    fn remove_old_snapshots(&self, current: u32) {
        for (path, number) in snapshots(&self.layout).unwrap_or_default() {
            if number.is_some_and(|number| number + SNAPSHOTS_KEPT <= current)
                && let Err(error) = fs::remove_dir_all(&path)
            {
                tracing::debug!("old snapshot {} stays: {error}", path.display());
            }
        }
    }
}

/// The folders of all snapshots with their numbers; others without one.
fn snapshots(layout: &StoreLayout) -> Result<Vec<(PathBuf, Option<u32>)>, IngestError> {
    let folder = layout.snapshots_dir();
    let unreadable = |source| IngestError::io("read", &folder, source);
    fs::read_dir(&folder)
        .map_err(unreadable)?
        .map(|entry| {
            let path = entry.map_err(unreadable)?.path();
            let number = path.file_name().and_then(|name| name.to_str()).and_then(|name| name.parse().ok());
            Ok((path, number))
        })
        .collect()
}

impl Drop for Store {
    /// What was not committed is removed; the next ingest would do it otherwise.
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir_all(self.building_dir())
            && error.kind() != std::io::ErrorKind::NotFound
        {
            tracing::debug!("the unfinished snapshot stays: {error}");
        }
    }
}

const EMPTY_TABLE: &str = "000000-0000.parquet";

fn is_empty_table(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name == EMPTY_TABLE)
}

fn lock(layout: &StoreLayout) -> Result<StoreLock, IngestError> {
    let path = layout.lock_path();
    let file =
        File::options().create(true).truncate(false).write(true).open(&path).map_err(|source| IngestError::io("write", &path, source))?;
    match file.try_lock() {
        Ok(()) => Ok(StoreLock { _file: file }),
        Err(TryLockError::WouldBlock) => Err(IngestError::Locked { store: layout.root().to_owned() }),
        Err(TryLockError::Error(source)) => Err(IngestError::io("lock", &path, source)),
    }
}

/// A second name for the same file; a copy where the file system has no such names.
fn link_or_copy(from: &Path, to: &Path) -> Result<(), IngestError> {
    if fs::hard_link(from, to).is_ok() {
        return Ok(());
    }
    let unwritable = |source| IngestError::io("write", to, source);
    fs::copy(from, to).map_err(unwritable)?;
    File::open(to).and_then(|file| file.sync_all()).map_err(unwritable)
}
