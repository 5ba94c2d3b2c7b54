//! Which characters the bytes of a file mean.

use std::borrow::Cow;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};
use tempfile::TempPath;

use crate::error::IngestError;

const SAMPLE_SIZE: usize = 256 * 1024;

/// A file in UTF-8, or in Windows-1252 where its bytes are no UTF-8 (see [`decode`]).
///
/// UTF-16 is converted to a temporary file first, so that all reading is done on seekable UTF-8.
#[derive(Clone)]
pub struct TextFile {
    pub label: String,
    path: PathBuf,
    /// Where the text begins, after a byte order mark.
    pub start: u64,
    pub encoding: &'static str,
    pub encoding_assumed: bool,
    /// The beginning of the text.
    pub sample: Arc<[u8]>,
    _converted: Option<Arc<TempPath>>,
}

impl TextFile {
    pub fn reopen(&self) -> Result<File, IngestError> {
        let mut file = File::open(&self.path).map_err(|source| self.unreadable(source))?;
        file.seek(SeekFrom::Start(self.start)).map_err(|source| self.unreadable(source))?;
        Ok(file)
    }

    pub fn unreadable(&self, source: std::io::Error) -> IngestError {
        IngestError::io("read", &self.path, source)
    }
}

/// UTF-8 if it is, else Windows-1252; true if it fell back.
pub fn decode(bytes: &[u8]) -> (Cow<'_, str>, bool) {
    match std::str::from_utf8(bytes) {
        Ok(text) => (text.into(), false),
        Err(_) => (WINDOWS_1252.decode_without_bom_handling(bytes).0, true),
    }
}

/// The first bytes of a file; how many there are.
pub fn read_beginning(path: &Path, beginning: &mut [u8]) -> Result<usize, IngestError> {
    let unreadable = |source| IngestError::io("read", path, source);
    let mut bytes = Vec::new();
    File::open(path).map_err(unreadable)?.take(beginning.len() as u64).read_to_end(&mut bytes).map_err(unreadable)?;
    beginning[..bytes.len()].copy_from_slice(&bytes);
    Ok(bytes.len())
}

/// A temporary text file, which is removed when nobody reads it any more.
pub fn of_temporary(file: tempfile::NamedTempFile, label: &str) -> Result<TextFile, IngestError> {
    let mut text = open_text(file.path(), label)?;
    if text._converted.is_none() {
        text._converted = Some(Arc::new(file.into_temp_path()));
    }
    Ok(text)
}

/// Finds out how a file is encoded.
pub fn open_text(path: &Path, label: &str) -> Result<TextFile, IngestError> {
    let unreadable = |source| IngestError::io("read", path, source);
    let mut file = File::open(path).map_err(unreadable)?;
    let (sample, is_all) = read_sample(&mut file).map_err(unreadable)?;
    if let Some((found, advice)) = known_binary(&sample) {
        return Err(IngestError::NotText { file: label.to_owned(), found, advice });
    }
    if let Some(encoding) = utf_16(&sample) {
        return convert(file, encoding, path, label);
    }
    if is_binary(&sample) {
        return Err(IngestError::NotText {
            file: label.to_owned(),
            found: "a binary file",
            advice: "save the table as CSV (UTF-8) and ingest that",
        });
    }
    let start = if sample.starts_with(b"\xef\xbb\xbf") { 3 } else { 0 };
    let text = &sample[start..];
    if text.trim_ascii().is_empty() && is_all {
        return Err(IngestError::EmptyFile { file: label.to_owned() });
    }
    let is_utf_8 = match std::str::from_utf8(text) {
        Ok(_) => true,
        Err(error) => error.error_len().is_none() && !is_all,
    };
    Ok(TextFile {
        label: label.to_owned(),
        path: path.to_owned(),
        start: start as u64,
        encoding: if is_utf_8 { "UTF-8" } else { "Windows-1252" },
        encoding_assumed: !is_utf_8,
        sample: text.into(),
        _converted: None,
    })
}

fn read_sample(file: &mut File) -> std::io::Result<(Vec<u8>, bool)> {
    let mut sample = Vec::new();
    Read::by_ref(file).take(SAMPLE_SIZE as u64).read_to_end(&mut sample)?;
    let is_all = sample.len() < SAMPLE_SIZE;
    Ok((sample, is_all))
}

/// Files that people mistake for text, by their first bytes.
fn known_binary(sample: &[u8]) -> Option<(&'static str, &'static str)> {
    const SAVE_AS_CSV: &str = "open it in a spreadsheet, save the sheet as CSV (UTF-8), and ingest that";
    [
        (&b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"[..], "an old spreadsheet workbook", SAVE_AS_CSV),
        (b"%PDF", "a PDF document", "ask for the table behind it as CSV or as a spreadsheet"),
        (b"\x89PNG", "a picture", "ask for the table as CSV or as a spreadsheet"),
        (b"\xff\xd8\xff", "a picture", "ask for the table as CSV or as a spreadsheet"),
        (b"SQLite format 3", "a database file", "export its tables as CSV (UTF-8), and ingest those"),
    ]
    .into_iter()
    .find(|(magic, ..)| sample.starts_with(magic))
    .map(|(_, found, advice)| (found, advice))
}

/// UTF-16 by its byte order mark, or by zero bytes in every other place.
fn utf_16(sample: &[u8]) -> Option<&'static Encoding> {
    if sample.starts_with(b"\xff\xfe") {
        return Some(UTF_16LE);
    }
    if sample.starts_with(b"\xfe\xff") {
        return Some(UTF_16BE);
    }
    let pairs = sample.len() / 2;
    let zeros_at = |offset: usize| sample.iter().skip(offset).step_by(2).filter(|&&byte| byte == 0).count();
    let (even, odd) = (zeros_at(0), zeros_at(1));
    if pairs < 4 {
        None
    } else if odd * 10 > pairs * 7 && even * 50 < pairs {
        Some(UTF_16LE)
    } else if even * 10 > pairs * 7 && odd * 50 < pairs {
        Some(UTF_16BE)
    } else {
        None
    }
}

fn is_binary(sample: &[u8]) -> bool {
    let is_control = |byte: &&u8| matches!(byte, 0..=8 | 14..=26 | 28..=31);
    let controls = sample.iter().filter(is_control).count();
    let zeros = sample.iter().filter(|&&byte| byte == 0).count();
    controls * 50 > sample.len() || zeros * 1000 > sample.len()
}

/// Writes the text as UTF-8 to a temporary file.
fn convert(mut file: File, encoding: &'static Encoding, path: &Path, label: &str) -> Result<TextFile, IngestError> {
    let unreadable = |source| IngestError::io("read", path, source);
    let mut converted =
        tempfile::NamedTempFile::new().map_err(|source| IngestError::io("write a temporary copy in", &std::env::temp_dir(), source))?;
    let unwritable = |source| IngestError::io("write a temporary copy in", &std::env::temp_dir(), source);
    file.seek(SeekFrom::Start(0)).map_err(unreadable)?;
    let mut decoder = encoding.new_decoder_with_bom_removal();
    let mut input = vec![0; 64 * 1024];
    let mut output = vec![0; 256 * 1024];
    loop {
        let length = file.read(&mut input).map_err(unreadable)?;
        // four times the input is always enough room, so one call consumes all
        let (_, _, written, _) = decoder.decode_to_utf8(&input[..length], &mut output, length == 0);
        converted.write_all(&output[..written]).map_err(unwritable)?;
        if length == 0 {
            break;
        }
    }
    let mut reader = converted.reopen().map_err(unwritable)?;
    let (sample, sample_is_all) = read_sample(&mut reader).map_err(unwritable)?;
    if sample.trim_ascii().is_empty() && sample_is_all {
        return Err(IngestError::EmptyFile { file: label.to_owned() });
    }
    let temporary = converted.into_temp_path();
    Ok(TextFile {
        label: label.to_owned(),
        path: temporary.to_path_buf(),
        start: 0,
        encoding: "UTF-16",
        encoding_assumed: false,
        sample: sample.into(),
        _converted: Some(Arc::new(temporary)),
    })
}

#[cfg(test)]
mod tests {
    use super::super::tests::{open_bytes, read_all};
    use super::*;

    const EXPECTED: &str = "job_id,notes\n1,façade – ok\n";

    fn notes(bytes: &[u8]) -> String {
        read_all(bytes)[0].1.as_ref().unwrap()[1].clone()
    }

    #[test]
    fn every_encoding_gives_the_same_text() {
        let utf_16 = |to_bytes: fn(u16) -> [u8; 2]| EXPECTED.encode_utf16().flat_map(to_bytes).collect::<Vec<u8>>();
        let little_endian = utf_16(u16::to_le_bytes);
        let big_endian = utf_16(u16::to_be_bytes);
        assert_eq!(notes(EXPECTED.as_bytes()), "façade – ok");
        assert_eq!(notes(&[b"\xef\xbb\xbf", EXPECTED.as_bytes()].concat()), "façade – ok");
        assert_eq!(notes(&WINDOWS_1252.encode(EXPECTED).0), "façade – ok");
        assert_eq!(notes(&[b"\xff\xfe", &little_endian[..]].concat()), "façade – ok");
        assert_eq!(notes(&[b"\xfe\xff", &big_endian[..]].concat()), "façade – ok");
        assert_eq!(notes(&little_endian), "façade – ok");
        assert_eq!(notes(&big_endian), "façade – ok");
    }

    #[test]
    fn a_byte_order_mark_is_no_part_of_the_first_title() {
        let opened = open_bytes(&[b"\xef\xbb\xbf", EXPECTED.as_bytes()].concat()).unwrap();
        assert_eq!(opened.tables[0].headers(), ["job_id", "notes"]);
    }

    #[test]
    fn files_that_are_no_text_are_refused_with_advice() {
        let refusal = |bytes: &[u8]| open_bytes(bytes).err().unwrap().to_string();
        assert!(refusal(b"\x1f\x8bxx").contains("damaged"));
        assert!(refusal(&(0..=255).collect::<Vec<u8>>()).contains("a binary file"));
        assert!(refusal(b"").contains("empty"));
        assert!(refusal(b"\xff\xfe").contains("empty"));
        assert!(refusal(b" \n\n").contains("empty"));
    }
}
