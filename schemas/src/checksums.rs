//! Checksums of all files of a folder, in the form that `b3sum --check` reads: `HASH  PATH` (BLAKE3), one file a line.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::Path;

use crate::store_layout::sync_dir;

/// Name of the file that holds them.
pub const CHECKSUMS: &str = "checksums.b3";

/// Checksums by path relative to the folder, with `/` between its parts.
pub type Checksums = BTreeMap<String, String>;

/// What is wrong with a folder.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Damage {
    #[error("{0}: missing")]
    Missing(String),
    #[error("{0}: changed since it was written")]
    Changed(String),
    #[error("{0}: not among the files that were written")]
    NotListed(String),
    #[error("{CHECKSUMS}: missing or no list of checksums")]
    NoChecksums,
}

/// The checksum of some bytes.
#[must_use]
pub fn of_bytes(bytes: &[u8]) -> String {
    blake3::hash(bytes).to_hex().to_string()
}

/// Writes the checksums of all files in a folder and its subfolders, durably; those in `known` are not computed again.
///
/// # Errors
/// If a file cannot be read, or the list cannot be written.
pub fn write(folder: &Path, known: &Checksums) -> io::Result<()> {
    let mut text = String::new();
    for path in files(folder)? {
        let hash = match known.get(&path) {
            Some(hash) => hash.clone(),
            None => of_file(&folder.join(&path))?,
        };
        text.push_str(&format!("{hash}  {path}\n"));
    }
    let mut file = File::create(folder.join(CHECKSUMS))?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    sync_dir(folder)
}

/// Reads the checksums of a folder; none if there are none, or the list is damaged.
///
/// # Errors
/// If the list exists and cannot be read.
pub fn read(folder: &Path) -> io::Result<Option<Checksums>> {
    let bytes = match fs::read(folder.join(CHECKSUMS)) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error),
    };
    let text = String::from_utf8(bytes).ok().filter(|text| text.is_empty() || text.ends_with('\n'));
    let Some(text) = text else { return Ok(None) };
    Ok(text.lines().map(|line| line.split_once("  ").map(|(hash, path)| (path.to_owned(), hash.to_owned()))).collect())
}

/// Everything that is wrong with a folder; nothing if all its files are as they were written.
///
/// # Errors
/// If a file cannot be read at all.
pub fn verify(folder: &Path) -> io::Result<Vec<Damage>> {
    let Some(listed) = read(folder)? else { return Ok(vec![Damage::NoChecksums]) };
    let found: BTreeSet<String> = files(folder)?.into_iter().collect();
    let mut damage = Vec::new();
    for (path, hash) in &listed {
        if !found.contains(path) {
            damage.push(Damage::Missing(path.clone()));
        } else if of_file(&folder.join(path))? != *hash {
            damage.push(Damage::Changed(path.clone()));
        }
    }
    damage.extend(found.into_iter().filter(|path| !listed.contains_key(path)).map(Damage::NotListed));
    Ok(damage)
}

fn of_file(path: &Path) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// The files of a folder and of its direct subfolders, relative to it, sorted; the list of checksums left out.
fn files(folder: &Path) -> io::Result<Vec<String>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.file_type()?.is_dir() {
            for inner in fs::read_dir(entry.path())? {
                found.push(format!("{name}/{}", inner?.file_name().to_string_lossy()));
            }
        } else if name != CHECKSUMS {
            found.push(name);
        }
    }
    found.sort();
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The BLAKE3 hash of no bytes, from the test vectors of its specification (from memory).
    const OF_NOTHING: &str = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";

    #[test]
    fn every_kind_of_damage_is_named() {
        let folder = std::env::temp_dir().join(format!("fixodds-checksums-{}", std::process::id()));
        fs::create_dir_all(folder.join("jobs")).unwrap();
        fs::write(folder.join("jobs/a"), "").unwrap();
        fs::write(folder.join("about"), "text").unwrap();
        assert_eq!(verify(&folder).unwrap(), [Damage::NoChecksums]);
        write(&folder, &Checksums::new()).unwrap();
        assert_eq!(verify(&folder).unwrap(), []);
        assert_eq!(read(&folder).unwrap().unwrap()["jobs/a"], OF_NOTHING);
        fs::write(folder.join("jobs/a"), "x").unwrap();
        fs::write(folder.join("jobs/b"), "").unwrap();
        fs::remove_file(folder.join("about")).unwrap();
        let damage = [Damage::Missing("about".to_owned()), Damage::Changed("jobs/a".to_owned()), Damage::NotListed("jobs/b".to_owned())];
        assert_eq!(verify(&folder).unwrap(), damage);
        let list = fs::read(folder.join(CHECKSUMS)).unwrap();
        fs::write(folder.join(CHECKSUMS), &list[..list.len() - 1]).unwrap();
        assert_eq!(verify(&folder).unwrap(), [Damage::NoChecksums]);
        fs::write(folder.join(CHECKSUMS), [0xff, 0xfe]).unwrap();
        assert_eq!(verify(&folder).unwrap(), [Damage::NoChecksums]);
        fs::remove_dir_all(folder).unwrap();
    }
}
