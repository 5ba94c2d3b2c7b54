//! Days on which nobody delivers, from a file of the user: one day a line.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use chrono::NaiveDate;

use crate::error::AnalyticsError;

const LARGEST_FILE: u64 = 1 << 20;
const WANTED: &str = "each line holds one day as YYYY-MM-DD, and after it what you like, for example 2026-12-25 Christmas Day";

/// The days of a file, each once, in order. Empty lines and those that begin with `#` are skipped.
///
/// # Errors
/// The file cannot be read, is larger than 1 MiB, or has a line that does not begin with a day; the message names the line.
pub fn read_holidays(path: &Path) -> Result<BTreeSet<NaiveDate>, AnalyticsError> {
    let mut bytes = Vec::new();
    File::open(path).and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes)).map_err(AnalyticsError::file(path))?;
    let wrong = |line, message| AnalyticsError::Settings { path: path.to_owned(), line, message };
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(wrong(1, "this is too large for a list of holidays (more than 1 MiB)".to_owned()));
    }
    days(&String::from_utf8_lossy(&bytes)).map_err(|(line, message)| wrong(line, message))
}

fn days(text: &str) -> Result<BTreeSet<NaiveDate>, (usize, String)> {
    let lines = text.trim_start_matches('\u{feff}').lines().map(str::trim).enumerate();
    lines
        .filter(|(_, line)| !line.is_empty() && !line.starts_with('#'))
        .map(|(at, line)| {
            let word = line.split([' ', '\t', ',', ';']).next().unwrap_or_default();
            NaiveDate::parse_from_str(word, "%Y-%m-%d").map_err(|_| {
                let beginning: String = word.chars().take(40).filter(|letter| !letter.is_control()).collect();
                (at + 1, format!("`{beginning}` is no day; {WANTED}"))
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_read_and_a_wrong_line_is_named() {
        let found = days("\u{feff}# bank holidays\n2026-12-25 Christmas Day\n\n2026-01-01;New Year\n2026-12-25\n").unwrap();
        let words: Vec<String> = found.iter().map(NaiveDate::to_string).collect();
        assert_eq!(words, ["2026-01-01", "2026-12-25"]);
        let (line, message) = days("2026-12-25\n26/12/2026\n").unwrap_err();
        assert_eq!(line, 2);
        assert!(message.starts_with("`26/12/2026` is no day; each line holds one day as YYYY-MM-DD"), "{message}");
        assert!(days("2026-02-30").is_err());
    }
}
