//! A map from 64-bit hashes that holds so many entries in memory and keeps the others sorted in temporary files.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::error::IngestError;
use crate::identity::HashKeyed;

/// Entries held in memory, some 140 MB, and as much again while they are sorted: as many as a table of two to the 23rd places takes before it
/// would grow.
const ROOM: usize = 7 << 20;
const ENTRY_BYTES: usize = 16;
/// Entries that are read together from a file.
const BLOCK_ENTRIES: usize = 256;
/// How many times as many beginnings of hashes are told apart as there are entries, so that most strangers are known as such without reading.
const BEGINNINGS_PER_ENTRY: usize = 8;

/// The values of hashes; the last value that was inserted counts. Keys must be spread evenly over all 64-bit numbers, as hashes are.
#[derive(Debug)]
pub struct SpillingMap {
    recent: HashKeyed<u64>,
    room: usize,
    /// The oldest first.
    runs: Vec<Run>,
    folder: PathBuf,
}

impl SpillingMap {
    /// Temporary files will lie in `folder`.
    pub fn new(folder: &Path) -> Self {
        Self::with_room(folder, ROOM)
    }

    /// One that writes a file whenever it holds `room` entries in memory.
    pub fn with_room(folder: &Path, room: usize) -> Self {
        Self { recent: HashKeyed::default(), room, runs: Vec::new(), folder: folder.to_owned() }
    }

    /// # Errors
    /// If a temporary file cannot be read.
    pub fn get(&self, key: u64) -> Result<Option<u64>, IngestError> {
        if let Some(value) = self.recent.get(&key) {
            return Ok(Some(*value));
        }
        for run in self.runs.iter().rev() {
            let found = run.get(key).map_err(|source| IngestError::io("read a temporary file in", &self.folder, source))?;
            if found.is_some() {
                return Ok(found);
            }
        }
        Ok(None)
    }

    /// # Errors
    /// If a temporary file cannot be written.
    pub fn insert(&mut self, key: u64, value: u64) -> Result<(), IngestError> {
        self.recent.insert(key, value);
        if self.recent.len() >= self.room {
            let mut entries: Vec<(u64, u64)> = self.recent.drain().collect();
            entries.sort_unstable();
            let run = Run::write(&self.folder, &entries);
            self.runs.push(run.map_err(|source| IngestError::io("write a temporary file in", &self.folder, source))?);
        }
        Ok(())
    }
}

/// Sorted entries in a file that has no name and goes when it is closed.
#[derive(Debug)]
struct Run {
    file: Mutex<File>,
    entries: usize,
    /// The first key of each block.
    first_keys: Vec<u64>,
    beginnings: Beginnings,
}

impl Run {
    fn write(folder: &Path, entries: &[(u64, u64)]) -> std::io::Result<Self> {
        let mut file = BufWriter::with_capacity(1 << 16, tempfile::tempfile_in(folder)?);
        let mut beginnings = Beginnings::of_entries(entries.len());
        for (key, value) in entries {
            file.write_all(&key.to_le_bytes())?;
            file.write_all(&value.to_le_bytes())?;
            beginnings.add(*key);
        }
        let first_keys = entries.chunks(BLOCK_ENTRIES).map(|block| block[0].0).collect();
        let file = Mutex::new(file.into_inner().map_err(std::io::IntoInnerError::into_error)?);
        Ok(Self { file, entries: entries.len(), first_keys, beginnings })
    }

    fn get(&self, key: u64) -> std::io::Result<Option<u64>> {
        if !self.beginnings.may_hold(key) {
            return Ok(None);
        }
        let Some(block) = self.first_keys.partition_point(|first| *first <= key).checked_sub(1) else { return Ok(None) };
        let first = block * BLOCK_ENTRIES;
        let mut bytes = [0; BLOCK_ENTRIES * ENTRY_BYTES];
        let bytes = &mut bytes[..BLOCK_ENTRIES.min(self.entries - first) * ENTRY_BYTES];
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.seek(SeekFrom::Start((first * ENTRY_BYTES) as u64))?;
        file.read_exact(bytes)?;
        drop(file);
        let (entries, _) = bytes.as_chunks::<ENTRY_BYTES>();
        let halves = |entry: &[u8; ENTRY_BYTES]| {
            let both = u128::from_le_bytes(*entry);
            (both as u64, (both >> 64) as u64)
        };
        Ok(entries.binary_search_by_key(&key, |entry| halves(entry).0).ok().map(|at| halves(&entries[at]).1))
    }
}

/// With which bits keys begin.
#[derive(Debug)]
struct Beginnings {
    words: Vec<u64>,
    /// How far a key is shifted until only its beginning is left.
    shift: u32,
}

impl Beginnings {
    fn of_entries(entries: usize) -> Self {
        let told_apart = (entries * BEGINNINGS_PER_ENTRY).max(64).next_power_of_two();
        Self { words: vec![0; told_apart / 64], shift: u64::BITS - told_apart.ilog2() }
    }

    fn place(&self, key: u64) -> (usize, u64) {
        let beginning = key >> self.shift;
        ((beginning / 64) as usize, 1 << (beginning % 64))
    }

    fn add(&mut self, key: u64) {
        let (word, bit) = self.place(key);
        self.words[word] |= bit;
    }

    fn may_hold(&self, key: u64) -> bool {
        let (word, bit) = self.place(key);
        self.words[word] & bit != 0
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashMap;

    use super::*;
    use crate::identity::hash_bytes;

    fn filled(room: usize, inserts: u64, keys: u64, folder: &Path) -> (SpillingMap, HashMap<u64, u64>) {
        let mut map = SpillingMap::with_room(folder, room);
        let mut plain = HashMap::new();
        for value in 0..inserts {
            let key = hash_bytes(&(value * 7 % keys).to_le_bytes());
            map.insert(key, value).unwrap();
            plain.insert(key, value);
        }
        (map, plain)
    }

    #[test]
    fn the_last_value_counts_wherever_it_lies() {
        let folder = tempfile::tempdir().unwrap();
        for (room, runs) in [(100, 50), (700, 7), (5001, 0)] {
            let (map, plain) = filled(room, 5000, 1900, folder.path());
            assert_eq!(map.runs.len(), runs);
            for key in plain.keys() {
                assert_eq!(map.get(*key).unwrap(), plain.get(key).copied());
            }
            for stranger in (5000..7000).map(|number: u64| hash_bytes(&number.to_le_bytes())).chain([0, u64::MAX]) {
                assert_eq!(map.get(stranger).unwrap(), None);
            }
        }
        assert_eq!(folder.path().read_dir().unwrap().count(), 0);
    }

    #[test]
    fn a_file_that_cannot_be_made_is_an_error() {
        let mut map = SpillingMap::with_room(Path::new("no such folder"), 2);
        map.insert(1, 1).unwrap();
        assert!(matches!(map.insert(2, 2), Err(IngestError::Io { .. })));
    }
}
