//! Looks over the content of an open document before the library reads it: the library does not return where an element is never
//! closed, and writes out every repetition that a short file may claim.

use std::io::{BufRead, BufReader, Read};

/// More cells than a sheet of records has; a cell that says it is repeated counts as often.
const MOST_CELLS: u64 = 32_000_000;
const MOST_ROWS: u64 = 1 << 20;
const MOST_COLUMNS: u64 = 1 << 14;
const LONGEST_TAG: u64 = 4 << 20;
const DEEPEST: usize = 1_000;

/// Whether every element is closed where it should be and no more cells are claimed than fit into memory.
///
/// # Errors
/// What is wrong, in a few words.
pub fn check_content(content: impl Read) -> Result<(), String> {
    let mut content = BufReader::new(content);
    let mut open: Vec<Vec<u8>> = Vec::new();
    let mut cells = Cells::default();
    let mut tag = Vec::new();
    let unreadable = |error: std::io::Error| error.to_string();
    loop {
        let skipped = content.skip_until(b'<').map_err(unreadable)?;
        if skipped == 0 || content.fill_buf().map_err(unreadable)?.is_empty() {
            break;
        }
        read_tag(&mut content, &mut tag).map_err(unreadable)?;
        let Some(inside) = tag.strip_suffix(b">") else { return Err("a tag is cut off".to_owned()) };
        match inside {
            [b'!' | b'?', ..] => {}
            [b'/', name @ ..] => {
                if open.pop().as_deref() != Some(name.trim_ascii()) {
                    return Err(format!("the element {} is not closed properly", String::from_utf8_lossy(name)));
                }
                if name.trim_ascii() == b"table:table-row" {
                    cells.end_row();
                }
            }
            _ => {
                let (inside, is_closed) = inside.strip_suffix(b"/").map_or((inside, false), |inside| (inside, true));
                let name = inside.split(u8::is_ascii_whitespace).next().unwrap_or_default();
                cells.start(name, inside, is_closed);
                if cells.all > MOST_CELLS {
                    return Err(format!("it claims more than {MOST_CELLS} cells"));
                }
                if !is_closed {
                    open.push(name.to_vec());
                }
                if open.len() > DEEPEST {
                    return Err("its elements lie too deep within each other".to_owned());
                }
            }
        }
    }
    if open.is_empty() { Ok(()) } else { Err("its end is missing".to_owned()) }
}

/// Reads up to the end of a tag, comment or unparsed section, the `<` before it already read.
fn read_tag(content: &mut impl BufRead, tag: &mut Vec<u8>) -> std::io::Result<()> {
    tag.clear();
    loop {
        let room = LONGEST_TAG.saturating_sub(tag.len() as u64);
        let read = content.by_ref().take(room).read_until(b'>', tag)?;
        let is_whole = if tag.starts_with(b"!--") {
            tag.ends_with(b"-->") && tag.len() >= 6
        } else if tag.starts_with(b"![CDATA[") {
            tag.ends_with(b"]]>")
        } else if tag.starts_with(b"?") {
            tag.ends_with(b"?>")
        } else {
            closes_quotes(tag)
        };
        if is_whole {
            return Ok(());
        }
        if read == 0 || tag.last() != Some(&b'>') {
            tag.clear();
            return Ok(());
        }
    }
}

fn closes_quotes(tag: &[u8]) -> bool {
    let mut quote = None;
    for &byte in tag {
        match quote {
            None if matches!(byte, b'"' | b'\'') => quote = Some(byte),
            Some(open) if open == byte => quote = None,
            _ => {}
        }
    }
    quote.is_none()
}

/// Cells that the library will write out: empty ones only where another follows in the row.
#[derive(Default)]
struct Cells {
    all: u64,
    rows: u64,
    in_row: u64,
    empty: u64,
}

impl Cells {
    fn start(&mut self, name: &[u8], tag: &[u8], is_closed: bool) {
        match name {
            b"table:table-row" => {
                self.rows = number(tag, b"table:number-rows-repeated=").min(MOST_ROWS);
                (self.in_row, self.empty) = (0, 0);
            }
            b"table:table-cell" | b"table:covered-table-cell" => {
                let repeated = number(tag, b"table:number-columns-repeated=").min(MOST_COLUMNS);
                let is_empty = is_closed && !tag.windows(7).any(|word| word == b"office:" || word == b"formula");
                if is_empty {
                    self.empty += repeated;
                } else {
                    self.in_row = (self.in_row + self.empty + repeated).min(MOST_COLUMNS);
                    self.empty = 0;
                    self.all = self.all.max(self.rows.saturating_mul(self.in_row));
                }
            }
            _ => {}
        }
    }

    fn end_row(&mut self) {
        self.all = self.all.saturating_add(self.rows.saturating_mul(self.in_row));
        (self.rows, self.in_row) = (0, 0);
    }
}

/// The number in quotes after a name; 1 if it is not there.
fn number(tag: &[u8], name: &[u8]) -> u64 {
    let Some(at) = tag.windows(name.len()).position(|word| word == name) else { return 1 };
    let digits = tag[at + name.len()..].iter().skip(1).take_while(|byte| byte.is_ascii_digit());
    digits.fold(0_u64, |number, digit| number.saturating_mul(10).saturating_add(u64::from(digit - b'0'))).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_closed_is_refused() {
        for sound in ["<a/>", "<?xml version=\"1.0\"?><a><!-- <b> --><b c='>'>d</b><![CDATA[<x>]]></a>\n", "", "text"] {
            assert_eq!(check_content(sound.as_bytes()), Ok(()), "{sound}");
        }
        for broken in ["<a>", "<a></b>", "<a><b></a></b>", "</a>", "<a", "<a b='></a>", "<!-- ", "<![CDATA[ ]>"] {
            assert!(check_content(broken.as_bytes()).is_err(), "{broken}");
        }
    }

    #[test]
    fn repeated_cells_are_counted_and_empty_ones_at_the_end_are_not() {
        let row =
            |rows: u64, cells: &str| format!("<t><table:table-row table:number-rows-repeated=\"{rows}\">{cells}</table:table-row></t>");
        let empty = "<table:table-cell table:number-columns-repeated=\"16384\"/>";
        let full = "<table:table-cell table:number-columns-repeated=\"16384\" office:value=\"1\"/>";
        assert_eq!(check_content(row(1_048_576, empty).as_bytes()), Ok(()));
        assert_eq!(check_content(row(100, full).as_bytes()), Ok(()));
        assert!(check_content(row(1_048_576, full).as_bytes()).is_err());
        assert!(check_content(row(1_048_576, &format!("{empty}<table:table-cell><p>1</p></table:table-cell>")).as_bytes()).is_err());
    }
}
