//! Which sign separates the columns, and where the titles stand: by evidence in the first records.

use super::delimited::DelimitedReader;
use super::encoding::TextFile;
use super::{Record, RecordReader};
use crate::columns::known_titles;
use crate::error::IngestError;
use crate::quarantine::head;

pub const DELIMITERS: [u8; 4] = [b',', b';', b'\t', b'|'];
/// Records looked at.
const SAMPLE_RECORDS: usize = 200;
/// Titles are looked for in the first records, because spreadsheets often begin with a heading.
const MOST_RECORDS_BEFORE_TITLES: usize = 20;

/// How a delimited file is laid out.
#[derive(Debug)]
pub struct Dialect {
    pub delimiter: u8,
    pub headers: Vec<String>,
    pub header_line: u64,
    /// Records above the titles.
    pub records_before_data: usize,
}

struct Candidate {
    delimiter: u8,
    records: Vec<(u64, Vec<String>)>,
    header_at: usize,
    known_titles: usize,
    /// Share of the records below the titles with as many fields as there are titles.
    regular_share: f64,
}

impl Candidate {
    fn rows_below_titles(&self) -> &[(u64, Vec<String>)] {
        self.records.get(self.header_at + 1..).unwrap_or_default()
    }

    /// Whether no row has as many columns as there are titles, but every row would have with another separator.
    fn rows_are_separated_as_in(&self, other: &Self) -> bool {
        let other_rows = other.records.get(self.header_at + 1..).unwrap_or_default();
        let fits_all = |rows: &[(u64, Vec<String>)]| rows.iter().all(|(_, fields)| fields.len() == self.columns());
        !self.rows_below_titles().is_empty() && self.regular_share == 0.0 && !other_rows.is_empty() && fits_all(other_rows)
    }

    fn columns(&self) -> usize {
        self.records.get(self.header_at).map_or(0, |(_, fields)| fields.len())
    }
}

pub fn detect(text: &TextFile, delimiters: &[u8]) -> Result<Dialect, IngestError> {
    let candidates = delimiters.iter().map(|&delimiter| candidate(text, delimiter)).collect::<Result<Vec<_>, _>>()?;
    let best = candidates
        .iter()
        .filter(|candidate| candidate.columns() > 1)
        .reduce(|best, other| if is_better(other, best) { other } else { best });
    let Some(best) = best else {
        let beginning =
            String::from_utf8_lossy(&text.sample).trim_start().lines().next().map_or_else(String::new, |line| head(line, 60).to_owned());
        return Err(IngestError::OneColumn { file: text.label.clone(), line: 1, beginning });
    };
    if let Some(other) = candidates.iter().find(|other| best.rows_are_separated_as_in(other)) {
        let file = text.label.clone();
        return Err(IngestError::TwoDelimiters { file, titles: delimiter_name(best.delimiter), rows: delimiter_name(other.delimiter) });
    }
    let (header_line, titles) = &best.records[best.header_at];
    Ok(Dialect {
        delimiter: best.delimiter,
        headers: unique_titles(titles),
        header_line: *header_line,
        records_before_data: best.header_at,
    })
}

/// What separates the columns, for people.
pub fn delimiter_name(delimiter: u8) -> &'static str {
    match delimiter {
        b',' => "commas",
        b';' => "semicolons",
        b'\t' => "tabs",
        _ => "vertical bars",
    }
}

/// More known titles first, then more regular records, then more columns.
fn is_better(other: &Candidate, best: &Candidate) -> bool {
    let rank = |candidate: &Candidate| (candidate.known_titles, candidate.regular_share * candidate.columns() as f64);
    rank(other) > rank(best)
}

fn candidate(text: &TextFile, delimiter: u8) -> Result<Candidate, IngestError> {
    let mut reader = DelimitedReader::new(text.clone(), delimiter)?;
    let mut record = Record::default();
    let mut records = Vec::new();
    while records.len() < SAMPLE_RECORDS && reader.bytes_read() < text.sample.len() as u64 + text.start && reader.read(&mut record)? {
        records.push((record.line, record.fields().map(str::to_owned).collect::<Vec<_>>()));
    }
    let titles_known = |at: usize| known_titles(records[at].1.iter().map(String::as_str));
    let first_filled = records.iter().position(|(_, fields)| fields.iter().any(|field| !field.trim().is_empty())).unwrap_or(0);
    let mut header_at = first_filled;
    let mut known = if records.is_empty() { 0 } else { titles_known(header_at) };
    for at in first_filled + 1..records.len().min(MOST_RECORDS_BEFORE_TITLES) {
        // one known word may be chance, for example a value that equals a title
        let here = titles_known(at);
        if here > known && here > 1 {
            (header_at, known) = (at, here);
        }
    }
    let columns = records.get(header_at).map_or(0, |(_, fields)| fields.len());
    let below = records.get(header_at + 1..).unwrap_or_default();
    let regular = below.iter().filter(|(_, fields)| fields.len() == columns).count();
    let regular_share = if below.is_empty() { 1.0 } else { regular as f64 / below.len() as f64 };
    Ok(Candidate { delimiter, records, header_at, known_titles: known, regular_share })
}

/// Titles without spaces around them; empty ones are called after their place, repeated ones numbered.
pub fn unique_titles(titles: &[String]) -> Vec<String> {
    let mut unique: Vec<String> = Vec::with_capacity(titles.len());
    for (at, title) in titles.iter().enumerate() {
        let title = crate::normalise::tidy(title).into_owned();
        let title = if title.is_empty() { format!("column {}", at + 1) } else { head(&title, 200).to_owned() };
        let candidates = std::iter::once(title.clone()).chain((2..).map(|count| format!("{title} ({count})")));
        let free = candidates.into_iter().find(|candidate| !unique.contains(candidate));
        unique.extend(free);
    }
    unique
}

#[cfg(test)]
mod tests {
    use super::super::tests::{open_bytes, read_all};
    use super::*;

    fn headers(text: &str) -> Vec<String> {
        open_bytes(text.as_bytes()).unwrap().tables[0].headers().to_vec()
    }

    #[test]
    fn the_separator_is_found_even_beside_decimal_commas() {
        for separator in [",", ";", "\t", "|"] {
            let text = ["job_id,closed_on,outcome", "1,2021-01-02,repaired", "2,2021-01-03,repaired"].join("\n").replace(',', separator);
            assert_eq!(headers(&text), ["job_id", "closed_on", "outcome"], "{separator:?}");
        }
        assert_eq!(headers("job_id;charged;parts cost\n1;12,50;3,20\n2;10,00;4,00\n"), ["job_id", "charged", "parts cost"]);
        assert_eq!(headers("a;b\n1,5;2\n"), ["a", "b"]);
    }

    #[test]
    fn titles_may_stand_below_a_heading() {
        let text = "Jobs of 2021,,\n,,\njob_id,closed_on,outcome\n1,2021-01-02,repaired\n";
        assert_eq!(headers(text), ["job_id", "closed_on", "outcome"]);
        assert_eq!(read_all(text.as_bytes())[0].0, 4);
    }

    #[test]
    fn a_table_of_one_column_is_refused() {
        let refusal = open_bytes(b"job_id~closed_on~outcome\n1~2~3\n").err().unwrap().to_string();
        assert!(refusal.contains("only one column") && refusal.contains("job_id~closed_on"), "{refusal}");
    }

    #[test]
    fn titles_and_rows_must_be_separated_alike() {
        let refusal = open_bytes(b"job_id,closed_on,outcome\n1;2021-01-02;repaired\n2;2021-01-03;repaired\n").err().unwrap().to_string();
        assert!(refusal.contains("titles are separated by commas and the rows by semicolons"), "{refusal}");
    }

    #[test]
    fn titles_are_unique() {
        let titles = [" a ", "", "a", "a (2)", "a"].map(str::to_owned).to_vec();
        assert_eq!(unique_titles(&titles), ["a", "column 2", "a (2)", "a (2) (2)", "a (3)"]);
    }
}
