//! Files that hold a text or a table in a wrapping: gzip, JSON arrays, workbooks, Parquet. Each is rewritten to temporary text files,
//! which the readers of text then read, so that memory stays bounded and line numbers are row numbers.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;

use flate2::read::MultiGzDecoder;
use tempfile::NamedTempFile;

use super::encoding::{self, TextFile};
use crate::error::IngestError;

/// Up to this size nothing is suspected.
const HARMLESS_BYTES: u64 = 64 << 20;
/// No table of records shrinks to less than one in so many.
const MOST_RATIO: u64 = 200;
/// Largest content that is unpacked.
const MOST_BYTES: u64 = 64 << 30;

pub fn temporary() -> Result<NamedTempFile, IngestError> {
    NamedTempFile::new().map_err(cannot_write)
}

pub fn cannot_write(source: std::io::Error) -> IngestError {
    IngestError::io("write a temporary copy in", &std::env::temp_dir(), source)
}

/// Refuses what unpacks to far more than a table of records would.
pub fn check_size(unpacked: u64, packed: u64, most: u64, label: &str) -> Result<(), IngestError> {
    if unpacked > most || unpacked > HARMLESS_BYTES && unpacked / packed.max(1) > MOST_RATIO {
        return Err(IngestError::TooLarge { file: label.to_owned(), mib: unpacked >> 20, packed_mib: packed.div_ceil(1 << 20) });
    }
    Ok(())
}

/// The text in a gzip file, whatever it is.
pub fn gzip(path: &Path, label: &str) -> Result<NamedTempFile, IngestError> {
    let file = File::open(path).map_err(|source| IngestError::io("read", path, source))?;
    let packed = file.metadata().map_or(0, |metadata| metadata.len());
    let mut decoder = MultiGzDecoder::new(BufReader::new(file));
    let mut unpacked = temporary()?;
    let mut chunk = vec![0; 128 * 1024];
    let mut length = 0;
    loop {
        let read = match decoder.read(&mut chunk) {
            Ok(0) => break,
            Ok(read) => read,
            Err(source) => return Err(IngestError::Damaged { file: label.to_owned(), message: source.to_string() }),
        };
        length += read as u64;
        check_size(length, packed, MOST_BYTES, label)?;
        unpacked.write_all(&chunk[..read]).map_err(cannot_write)?;
    }
    Ok(unpacked)
}

/// Whether a text is an array of objects.
pub fn is_json_array(sample: &[u8]) -> bool {
    sample.trim_ascii_start().strip_prefix(b"[").is_some_and(|rest| matches!(rest.trim_ascii_start().first(), Some(b'{' | b']')))
}

/// The elements of a JSON array, one on each line: its lines are numbered by element, and one that is damaged stays one line.
pub fn json_array(text: &TextFile) -> Result<TextFile, IngestError> {
    let mut reader = BufReader::with_capacity(128 * 1024, text.reopen()?);
    let file = temporary()?;
    let mut writer = BufWriter::new(file.as_file());
    let (mut depth, mut in_string, mut is_escaped) = (0_u32, false, false);
    let mut chunk = vec![0; 128 * 1024];
    loop {
        let read = reader.read(&mut chunk).map_err(|source| text.unreadable(source))?;
        if read == 0 {
            break;
        }
        for &byte in &chunk[..read] {
            let was_outside = depth <= 1;
            if in_string {
                in_string = is_escaped || byte != b'"';
                is_escaped = !is_escaped && byte == b'\\';
            } else {
                match byte {
                    b'"' => in_string = true,
                    b'[' | b'{' => depth += 1,
                    b']' | b'}' => depth = depth.saturating_sub(1),
                    _ => {}
                }
            }
            let is_outside = depth <= 1 && was_outside && !in_string;
            let byte = match byte {
                b',' if is_outside && depth == 1 => b'\n',
                b'[' | b']' if is_outside => b' ',
                b'\n' | b'\r' => b' ',
                other => other,
            };
            writer.write_all(&[byte]).map_err(cannot_write)?;
        }
    }
    writer.flush().map_err(cannot_write)?;
    drop(writer);
    encoding::of_temporary(file, &text.label)
}
