//! From what the user names to files: single files, folders, and `jobs=path`.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use fixodds_schemas::input_tables;
use tempfile::TempPath;

use crate::error::IngestError;
use crate::report::Doubt;

/// Endings of files that are read from a folder.
const READABLE: [&str; 10] = ["csv", "tsv", "txt", "jsonl", "ndjson", "json", "gz", "xlsx", "ods", "parquet"];
/// Stands for the standard input.
const STANDARD_INPUT: &str = "-";

/// A file to read.
#[derive(Debug, Clone)]
pub struct Input {
    pub path: PathBuf,
    /// Its name in messages and in the store: the file name, with as many folders as tell it from the others.
    pub label: String,
    /// The table, where the user says which.
    pub table: Option<&'static str>,
    /// Keeps the copy of the standard input as long as it is needed.
    _copy: Option<Arc<TempPath>>,
}

/// All files, in the order given; those of a folder by name.
pub fn expand(arguments: &[PathBuf], doubts: &mut Vec<Doubt>) -> Result<Vec<Input>, IngestError> {
    let mut files = Vec::new();
    for argument in arguments {
        let (path, table) = split_table(argument)?;
        if path.as_os_str() == STANDARD_INPUT {
            let copy = copy_of_standard_input()?;
            files.push((copy.to_path_buf(), table, Some(Arc::new(copy))));
            continue;
        }
        let metadata = fs::metadata(&path).map_err(|source| match source.kind() {
            std::io::ErrorKind::NotFound => IngestError::NotFound { path: path.clone() },
            _ => IngestError::io("read", &path, source),
        })?;
        if metadata.is_dir() {
            files.extend(files_of_folder(&path, doubts)?.into_iter().map(|path| (path, table, None)));
        } else {
            files.push((path, table, None));
        }
    }
    if files.is_empty() {
        return Err(IngestError::NoFiles);
    }
    let named = |(path, _, copy): &(PathBuf, _, Option<Arc<TempPath>>)| if copy.is_some() { "standard input".into() } else { path.clone() };
    let labels = labels(&files.iter().map(named).collect::<Vec<_>>());
    Ok(files.into_iter().zip(labels).map(|((path, table, copy), label)| Input { path, label, table, _copy: copy }).collect())
}

/// The standard input in a file, because records are read more than once.
fn copy_of_standard_input() -> Result<TempPath, IngestError> {
    let unwritable = |source| IngestError::io("copy the standard input to", &std::env::temp_dir(), source);
    let mut copy = tempfile::NamedTempFile::new().map_err(unwritable)?;
    std::io::copy(&mut std::io::stdin().lock(), &mut copy).map_err(unwritable)?;
    Ok(copy.into_temp_path())
}

/// `jobs=path`, unless there is a file of that very name.
fn split_table(argument: &Path) -> Result<(PathBuf, Option<&'static str>), IngestError> {
    let Some((name, path)) = argument.to_str().and_then(|text| text.split_once('=')) else { return Ok((argument.to_owned(), None)) };
    if argument.exists() || name.contains(['/', '\\']) {
        return Ok((argument.to_owned(), None));
    }
    match input_tables().iter().find(|table| table.name == name) {
        Some(table) => Ok((path.into(), Some(&table.name))),
        None => Err(IngestError::NoSuchTable { table: name.to_owned(), argument: argument.display().to_string() }),
    }
}

fn files_of_folder(folder: &Path, doubts: &mut Vec<Doubt>) -> Result<Vec<PathBuf>, IngestError> {
    let unreadable = |source| IngestError::io("read", folder, source);
    let mut readable = Vec::new();
    let mut entries = fs::read_dir(folder)
        .map_err(unreadable)?
        .map(|entry| entry.map(|entry| entry.path()))
        .collect::<Result<Vec<_>, _>>()
        .map_err(unreadable)?;
    entries.sort();
    for path in entries {
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase()).unwrap_or_default();
        if path.is_dir() || name.starts_with(['.', '~']) {
        } else if READABLE.contains(&ending.as_str()) {
            readable.push(path);
        } else {
            doubts.push(Doubt::FileSkipped { file: name });
        }
    }
    if readable.is_empty() { Err(IngestError::EmptyFolder { path: folder.to_owned() }) } else { Ok(readable) }
}

/// The shortest ends of the paths that are all different; a file named twice keeps the same label.
fn labels(paths: &[PathBuf]) -> Vec<String> {
    let end = |path: &Path, parts: usize| {
        let all: Vec<_> = path.components().map(|part| part.as_os_str().to_string_lossy().into_owned()).collect();
        all[all.len().saturating_sub(parts)..].join("/")
    };
    let longest = paths.iter().map(|path| path.components().count()).max().unwrap_or(1);
    let is_unique = |parts: usize| {
        let mut paths_by_label: BTreeMap<String, &PathBuf> = BTreeMap::new();
        paths.iter().all(|path| *paths_by_label.entry(end(path, parts)).or_insert(path) == path)
    };
    let parts = (1..longest).find(|&parts| is_unique(parts)).unwrap_or(longest);
    paths.iter().map(|path| end(path, parts)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_as_short_as_they_can_be() {
        let labels_of = |paths: &[&str]| labels(&paths.iter().map(PathBuf::from).collect::<Vec<_>>());
        assert_eq!(labels_of(&["/a/b/jobs.csv", "parts.csv"]), ["jobs.csv", "parts.csv"]);
        assert_eq!(labels_of(&["/a/2020/jobs.csv", "/a/2021/jobs.csv"]), ["2020/jobs.csv", "2021/jobs.csv"]);
        assert_eq!(labels_of(&["jobs.csv", "jobs.csv"]), ["jobs.csv", "jobs.csv"]);
    }

    #[test]
    fn folders_and_tables_are_understood() {
        let folder = tempfile::tempdir().unwrap();
        let expand_one = |argument: PathBuf| {
            let mut doubts = Vec::new();
            expand(&[argument], &mut doubts).map(|inputs| (inputs, doubts))
        };
        assert!(matches!(expand_one(folder.path().to_owned()), Err(IngestError::EmptyFolder { .. })));
        for name in ["b.csv", "a.jsonl", "photo.png", ".hidden.csv"] {
            fs::write(folder.path().join(name), "x").unwrap();
        }
        let (inputs, doubts) = expand_one(folder.path().to_owned()).unwrap();
        assert_eq!(inputs.iter().map(|input| input.label.as_str()).collect::<Vec<_>>(), ["a.jsonl", "b.csv"]);
        assert_eq!(doubts, [Doubt::FileSkipped { file: "photo.png".into() }]);
        let given = PathBuf::from(format!("jobs={}", folder.path().join("b.csv").display()));
        assert_eq!(expand_one(given).unwrap().0[0].table, Some("jobs"));
        assert!(matches!(expand_one("cats=b.csv".into()), Err(IngestError::NoSuchTable { .. })));
        assert!(matches!(expand_one("nowhere.csv".into()), Err(IngestError::NotFound { .. })));
        assert!(matches!(expand(&[], &mut Vec::new()), Err(IngestError::NoFiles)));
    }
}
