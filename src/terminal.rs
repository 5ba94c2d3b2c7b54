//! Text for people: what a terminal would obey (control characters, reversed writing) is shown as a space instead.

use std::io::{self, BufWriter, StdoutLock, Write};

/// Standard output.
pub struct Terminal {
    out: BufWriter<StdoutLock<'static>>,
    for_people: bool,
}

impl Terminal {
    pub fn for_people() -> Self {
        Self { out: BufWriter::new(io::stdout().lock()), for_people: true }
    }

    /// JSON and the like go to programs as they are.
    pub fn for_programs_if(for_programs: bool) -> Self {
        Self { for_people: !for_programs, ..Self::for_people() }
    }
}

impl Write for Terminal {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.for_people {
            self.out.write_all(plain(&String::from_utf8_lossy(bytes)).as_bytes())?;
        } else {
            self.out.write_all(bytes)?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// The text without anything that a terminal would obey, but for line ends and tabs.
pub fn plain(text: &str) -> String {
    let obeyed = |c: char| c.is_control() && c != '\n' && c != '\t' || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().map(|c| if obeyed(c) { ' ' } else { c }).collect()
}
