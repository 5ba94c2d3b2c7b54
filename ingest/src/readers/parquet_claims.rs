//! Looks over the footer and the page headers of a Parquet file before the library reads them: the library takes the flags in a list for
//! elements without bytes, so that a few bytes may claim thousands of millions of them, and walks through them one by one (parquet 60.1).
//! Values are as in the compact protocol of Apache Thrift.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

const MAGIC: &[u8] = b"PAR1";
/// Lists within lists; footers have a handful.
const DEEPEST: u32 = 64;

/// Most headers are shorter; a longer one is read again as a whole.
const USUAL_HEADER: u64 = 4 << 10;
/// More than any header needs.
const LONGEST_HEADER: u64 = 16 << 20;

/// Whether the footer, where it can be found, claims no more elements than it has bytes. Other damage is for the library to find,
/// which says more of it.
///
/// # Errors
/// What is wrong, in a few words.
pub fn check_footer(file: &mut File) -> Result<(), String> {
    let footer = read_footer(file).map_err(|error| error.to_string())?;
    match skip(&mut footer.as_slice(), STRUCT, DEEPEST) {
        Err(Fault::ListOfFlags) => Err("its footer holds a list of flags, which no footer does".to_owned()),
        Ok(()) | Err(Fault::Other) => Ok(()),
    }
}

/// The same for the header of every page; `chunks` are the beginnings and lengths of the columns' pages.
///
/// # Errors
/// What is wrong, in a few words.
pub fn check_pages(file: &mut File, chunks: impl Iterator<Item = (u64, u64)>) -> Result<(), String> {
    let mut left = file.metadata().map_err(|error| error.to_string())?.len();
    for (start, length) in chunks {
        left = left.checked_sub(length).ok_or("its columns are larger together than the file")?;
        let end = start.saturating_add(length);
        let mut at = start;
        while at < end {
            match page_length(file, at, end).map_err(|error| error.to_string())? {
                Ok(length) => at = at.saturating_add(length),
                Err(Fault::ListOfFlags) => return Err("a page holds a list of flags in its header, which no page does".to_owned()),
                Err(Fault::Other) => break,
            }
        }
    }
    Ok(())
}

/// Length of a page and its header.
fn page_length(file: &mut File, at: u64, end: u64) -> std::io::Result<Result<u64, Fault>> {
    let most = LONGEST_HEADER.min(end - at);
    let mut room = USUAL_HEADER.min(most);
    loop {
        let mut header = Vec::new();
        file.seek(SeekFrom::Start(at))?;
        file.by_ref().take(room).read_to_end(&mut header)?;
        let mut rest = header.as_slice();
        match page_size(&mut rest) {
            Err(Fault::Other) if room < most => room = most,
            other => return Ok(other.map(|size| (header.len() - rest.len()) as u64 + size)),
        }
    }
}

/// Skips the header of a page; gives the size of what follows.
fn page_size(rest: &mut &[u8]) -> Result<u64, Fault> {
    const PACKED_SIZE: u64 = 3;
    let mut field = 0;
    let mut size = None;
    loop {
        let header = byte(rest)?;
        let kind = header & 15;
        if kind == 0 {
            return size.ok_or(Fault::Other);
        }
        field = if header >> 4 == 0 { number(rest)? / 2 } else { field + u64::from(header >> 4) };
        if field == PACKED_SIZE && kind == 5 {
            size = Some(number(rest)? / 2);
        } else {
            skip(rest, kind, DEEPEST)?;
        }
    }
}

fn read_footer(file: &mut File) -> std::io::Result<Vec<u8>> {
    let mut end = [0; 8];
    let mut footer = Vec::new();
    let length = file.metadata()?.len();
    if length >= 12 {
        file.seek(SeekFrom::End(-8))?;
        file.read_exact(&mut end)?;
        let footer_length = u64::from(u32::from_le_bytes([end[0], end[1], end[2], end[3]]));
        if end[4..] == *MAGIC && footer_length <= length - 8 {
            file.seek(SeekFrom::Start(length - 8 - footer_length))?;
            file.by_ref().take(footer_length).read_to_end(&mut footer)?;
        }
    }
    file.seek(SeekFrom::Start(0))?;
    Ok(footer)
}

enum Fault {
    ListOfFlags,
    Other,
}

/// Kinds of values.
const TRUE: u8 = 1;
const FALSE: u8 = 2;
const STRUCT: u8 = 12;

fn skip(rest: &mut &[u8], kind: u8, deepest: u32) -> Result<(), Fault> {
    let deepest = deepest.checked_sub(1).ok_or(Fault::Other)?;
    match kind {
        TRUE | FALSE => Ok(()),
        3 => take(rest, 1),
        4..=6 => number(rest).map(|_| ()),
        7 => take(rest, 8),
        8 => {
            let length = number(rest)?;
            take(rest, length)
        }
        9 | 10 => {
            let header = byte(rest)?;
            let count = if header >> 4 == 15 { number(rest)? } else { u64::from(header >> 4) };
            elements(rest, count, &[header & 15], deepest)
        }
        11 => match number(rest)? {
            0 => Ok(()),
            count => {
                let kinds = byte(rest)?;
                elements(rest, count, &[kinds >> 4, kinds & 15], deepest)
            }
        },
        STRUCT => loop {
            let header = byte(rest)?;
            if header & 15 == 0 {
                return Ok(());
            }
            if header >> 4 == 0 {
                number(rest)?;
            }
            skip(rest, header & 15, deepest)?;
        },
        13 => take(rest, 16),
        _ => Err(Fault::Other),
    }
}

fn elements(rest: &mut &[u8], count: u64, kinds: &[u8], deepest: u32) -> Result<(), Fault> {
    if count > 0 && kinds.iter().all(|kind| matches!(*kind, TRUE | FALSE)) {
        return Err(Fault::ListOfFlags);
    }
    for _ in 0..count {
        for kind in kinds {
            skip(rest, *kind, deepest)?;
        }
    }
    Ok(())
}

fn byte(rest: &mut &[u8]) -> Result<u8, Fault> {
    let (first, after) = rest.split_first().ok_or(Fault::Other)?;
    *rest = after;
    Ok(*first)
}

fn take(rest: &mut &[u8], count: u64) -> Result<(), Fault> {
    *rest = usize::try_from(count).ok().and_then(|count| rest.get(count..)).ok_or(Fault::Other)?;
    Ok(())
}

fn number(rest: &mut &[u8]) -> Result<u64, Fault> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let next = byte(rest)?;
        value |= u64::from(next & 0x7f) << shift;
        if next < 0x80 {
            return Ok(value);
        }
    }
    Err(Fault::Other)
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    /// A struct whose first field is a list of 2^31 - 1 flags.
    const FLAGS: [u8; 8] = [0x19, 0xf1, 0xff, 0xff, 0xff, 0xff, 0x07, 0x00];

    fn with_footer(footer: &[u8]) -> File {
        let mut file = tempfile::tempfile().unwrap();
        let length = u32::try_from(footer.len()).unwrap().to_le_bytes();
        file.write_all(&[MAGIC, footer, &length, MAGIC].concat()).unwrap();
        file
    }

    #[test]
    fn a_list_of_flags_is_refused_before_it_is_walked_through() {
        assert_eq!(check_footer(&mut with_footer(&FLAGS)).unwrap_err(), "its footer holds a list of flags, which no footer does");
        // The same claim of numbers is for the library to refuse, which it does where the bytes end.
        let numbers = [0x19, 0xf5, 0xff, 0xff, 0xff, 0xff, 0x07, 0x00];
        assert!(check_footer(&mut with_footer(&numbers)).is_ok());
        assert!(check_footer(&mut with_footer(&[])).is_ok());
    }

    #[test]
    fn columns_larger_than_the_file_are_refused() {
        let mut file = with_footer(&[0]);
        let twice = [(0, 10), (0, 10)];
        assert!(check_pages(&mut file, twice.into_iter()).unwrap_err().contains("larger together than the file"));
    }

    #[test]
    fn a_page_whose_header_holds_a_list_of_flags_is_refused() {
        // Type 0, 5 bytes packed and unpacked; after it, the header with the list.
        let page = [0x15, 0x00, 0x15, 0x0a, 0x15, 0x0a, 0x00, 1, 2, 3, 4, 5];
        let all = [&page[..], &page, &FLAGS].concat();
        let mut file = with_footer(&all);
        let start = MAGIC.len() as u64;
        assert!(check_pages(&mut file, std::iter::once((start, 2 * page.len() as u64))).is_ok());
        let refused = check_pages(&mut file, std::iter::once((start, all.len() as u64))).unwrap_err();
        assert_eq!(refused, "a page holds a list of flags in its header, which no page does");
    }
}
