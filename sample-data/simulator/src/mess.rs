//! How untidily the records are written. The records themselves are the same.

use chrono::NaiveDate;
use rand::{Rng, RngExt, SeedableRng, seq::IndexedRandom};
use rand_pcg::Pcg64Mcg;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Write;

const TERMS: &str = include_str!("../../terms.toml");

/// Probabilities of each kind of mess, per cell or per row as said.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mess {
    pub seed: u64,
    /// Columns titled as a workshop would, with a few of its own; a byte order mark and CRLF in jobs.csv.
    pub workshop_titles: bool,
    /// A date as 2021-03-08; the others are day-first, 08/03/2021.
    pub iso_date: f64,
    /// A date as 8 Mar 2021.
    pub written_date: f64,
    /// Money with a pound sign, and a comma in thousands; the others plain.
    pub pound_sign: f64,
    /// Minutes as h:mm or, where they are quarters of an hour, as "1.5 hrs".
    pub hours: f64,
    /// A brand in another case or with a stray character.
    pub brand_variant: f64,
    /// A model number in lower case, or with spaces for its dash, or without it.
    pub model_variant: f64,
    /// A serial number in lower case or spaced.
    pub serial_variant: f64,
    /// Another wording for a vocabulary term than the usual one.
    pub synonym: f64,
    /// A letter dropped or doubled in a component or symptom of seven letters or more.
    pub misspelling: f64,
    /// A row of jobs, findings or machines that is entered twice, differently written.
    pub repeated_row: f64,
    /// A job first entered as unfinished, and again in full further down.
    pub resent_row: f64,
    /// Per empty cell: an age of 250 (roster machines only).
    pub impossible_age: f64,
    /// Per empty cell: minutes below 0.
    pub negative_minutes: f64,
    /// Per empty cell: a booking after the job was closed.
    pub booked_after_closed: f64,
    /// Per job: a spoilt extra row, the kinds of [`BrokenRow`] in turn, that no reader should accept.
    pub broken_row: f64,
}

impl Mess {
    /// Tidy files: the canonical column names, keys, ISO dates, plain numbers.
    pub fn none() -> Self {
        Self {
            seed: 0,
            workshop_titles: false,
            iso_date: 1.0,
            written_date: 0.0,
            pound_sign: 0.0,
            hours: 0.0,
            brand_variant: 0.0,
            model_variant: 0.0,
            serial_variant: 0.0,
            synonym: 0.0,
            misspelling: 0.0,
            repeated_row: 0.0,
            resent_row: 0.0,
            impossible_age: 0.0,
            negative_minutes: 0.0,
            booked_after_closed: 0.0,
            broken_row: 0.0,
        }
    }

    /// A workshop whose job sheets were typed up in a hurry.
    pub fn workshop() -> Self {
        Self {
            seed: 17,
            workshop_titles: true,
            iso_date: 0.10,
            written_date: 0.06,
            pound_sign: 0.45,
            hours: 0.25,
            brand_variant: 0.12,
            model_variant: 0.15,
            serial_variant: 0.04,
            synonym: 0.30,
            misspelling: 0.03,
            repeated_row: 0.004,
            resent_row: 0.006,
            impossible_age: 0.003,
            negative_minutes: 0.20,
            booked_after_closed: 0.15,
            broken_row: 0.005,
        }
    }
}

impl Mess {
    /// The workshop's mess, thick enough that 300 jobs show all of it.
    pub fn extract() -> Self {
        Self {
            repeated_row: 0.02,
            resent_row: 0.02,
            impossible_age: 0.02,
            negative_minutes: 0.6,
            booked_after_closed: 0.4,
            broken_row: 0.04,
            ..Self::workshop()
        }
    }
}

/// Why an extra row of jobs.csv must be refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum BrokenRow {
    UnreadableClosingDate,
    ClosedInTheFuture,
    UnknownOutcome,
    MissingClosingDate,
    MissingJobNumber,
    /// Ends before the day of closing.
    Truncated,
    TooManyFields,
}

impl BrokenRow {
    pub const ALL: [Self; 7] = [
        Self::UnreadableClosingDate,
        Self::ClosedInTheFuture,
        Self::UnknownOutcome,
        Self::MissingClosingDate,
        Self::MissingJobNumber,
        Self::Truncated,
        Self::TooManyFields,
    ];
}

/// What a reader of one file should find.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct ExpectedTable {
    /// Data rows written, of every kind.
    pub rows: u64,
    /// Rows equal to another one once normalised.
    pub identical_repeats: u64,
    /// Rows that replace an earlier one of the same job.
    pub superseding: u64,
    pub quarantined: BTreeMap<BrokenRow, u64>,
    /// Impossible values in rows that are good otherwise, by canonical column; repeats count again.
    pub values_set_aside: BTreeMap<&'static str, u64>,
}

/// What a reader of the files should find: the broken part of the truth.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct ExpectedIngest {
    pub tables: BTreeMap<&'static str, ExpectedTable>,
}

impl ExpectedIngest {
    pub fn write_json(&self, mut writer: impl Write) -> std::io::Result<()> {
        serde_json::to_writer_pretty(&mut writer, self)?;
        writeln!(writer)
    }
}

/// The workshop's wordings, by kind and key.
pub(crate) type Wordings = BTreeMap<String, BTreeMap<String, Vec<String>>>;

pub(crate) fn wordings() -> Result<Wordings, toml::de::Error> {
    toml::from_str(TERMS)
}

/// Writes the cells of one row.
pub(crate) struct Pen<'a> {
    pub mess: &'a Mess,
    pub words: &'a Wordings,
    pub rng: Pcg64Mcg,
}

impl<'a> Pen<'a> {
    pub fn new(mess: &'a Mess, words: &'a Wordings, table: u64, row: u64) -> Self {
        let stream = row.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ table.wrapping_mul(0xD1B5_4A32_D192_ED03);
        Self { mess, words, rng: Pcg64Mcg::seed_from_u64(mess.seed ^ stream) }
    }

    pub fn chance(&mut self, probability: f64) -> bool {
        probability > 0.0 && self.rng.random_bool(probability)
    }

    pub fn date(&mut self, date: NaiveDate) -> String {
        let style: f64 = self.rng.random();
        if style < self.mess.iso_date {
            date.to_string()
        } else if style < self.mess.iso_date + self.mess.written_date {
            date.format("%-d %b %Y").to_string()
        } else {
            date.format("%d/%m/%Y").to_string()
        }
    }

    pub fn optional_date(&mut self, date: Option<NaiveDate>) -> String {
        date.map_or_else(String::new, |date| self.date(date))
    }

    pub fn money(&mut self, pence: i64) -> String {
        let (pounds, pence) = (pence / 100, pence % 100);
        if !self.chance(self.mess.pound_sign) {
            format!("{pounds}.{pence:02}")
        } else if pounds >= 1000 {
            format!("£{},{:03}.{pence:02}", pounds / 1000, pounds % 1000)
        } else if pence == 0 {
            format!("£{pounds}")
        } else {
            format!("£{pounds}.{pence:02}")
        }
    }

    pub fn optional_money(&mut self, pence: Option<i64>) -> String {
        pence.map_or_else(String::new, |pence| self.money(pence))
    }

    pub fn minutes(&mut self, minutes: u32) -> String {
        if !self.chance(self.mess.hours) {
            minutes.to_string()
        } else if minutes.is_multiple_of(15) && self.chance(0.5) {
            format!("{} hrs", f64::from(minutes) / 60.0)
        } else {
            format!("{}:{:02}", minutes / 60, minutes % 60)
        }
    }

    pub fn brand(&mut self, brand: &str) -> String {
        if !self.chance(self.mess.brand_variant) {
            return brand.to_owned();
        }
        match self.rng.random_range(0..4) {
            0 => brand.to_uppercase(),
            1 => brand.to_lowercase(),
            2 => format!("{brand}."),
            _ => format!(" {} ", brand.to_uppercase()),
        }
    }

    pub fn model(&mut self, model: &str) -> String {
        if !self.chance(self.mess.model_variant) {
            return model.to_owned();
        }
        match self.rng.random_range(0..4) {
            0 => model.to_lowercase(),
            1 => model.replace('-', " "),
            2 => model.replace('-', ""),
            _ => model.replace('-', " - ").to_lowercase(),
        }
    }

    pub fn serial(&mut self, serial: Option<&str>) -> String {
        let serial = serial.unwrap_or_default();
        if serial.is_empty() || !self.chance(self.mess.serial_variant) {
            return serial.to_owned();
        }
        if self.chance(0.5) { serial.to_lowercase() } else { format!("{} {}", &serial[..2], &serial[2..]) }
    }

    /// A vocabulary term as the workshop words it; the key itself in tidy files.
    pub fn term(&mut self, kind: &str, key: &str) -> String {
        if !self.mess.workshop_titles {
            return key.to_owned();
        }
        let wordings = self.words.get(kind).and_then(|words| words.get(key));
        let Some((usual, others)) = wordings.and_then(|w| w.split_first()) else { return key.replace('_', " ") };
        if self.chance(self.mess.synonym) { others.choose(&mut self.rng).unwrap_or(usual).clone() } else { usual.clone() }
    }

    pub fn misspelt_term(&mut self, kind: &str, key: &str) -> String {
        let term = self.term(kind, key);
        if term.len() >= 7 && self.chance(self.mess.misspelling) { misspell(&term, &mut self.rng) } else { term }
    }

    pub fn terms<T: AsRef<str>>(&mut self, kind: &str, keys: &[T]) -> String {
        match keys {
            [only] => self.misspelt_term(kind, only.as_ref()),
            several => {
                let separator = if self.mess.workshop_titles {
                    ["; ", " / ", " + ", " and ", ", "].choose(&mut self.rng).copied().unwrap_or(";")
                } else {
                    ";"
                };
                several.iter().map(|key| self.term(kind, key.as_ref())).collect::<Vec<_>>().join(separator)
            }
        }
    }
}

/// Drops or doubles one letter, not the first.
fn misspell(word: &str, rng: &mut impl Rng) -> String {
    let letters: Vec<char> = word.chars().collect();
    let at = rng.random_range(1..letters.len());
    let doubled = letters[at] != ' ' && rng.random_bool(0.5);
    let mut result: String = letters[..at].iter().collect();
    if doubled {
        result.extend([letters[at], letters[at]]);
    }
    result.extend(&letters[at + 1..]);
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wordings_can_be_read_and_never_hold_a_separator() {
        for (kind, words) in wordings().unwrap() {
            for (key, wordings) in words {
                assert!(!wordings.is_empty(), "{kind}.{key}");
                let separated = |w: &String| kind != "category" && (w.contains([';', '|', '/', '+', ',']) || w.contains(" and "));
                assert!(!wordings.iter().any(separated), "{kind}.{key}: {wordings:?}");
            }
        }
    }

    #[test]
    fn a_tidy_pen_writes_plain_values() {
        let words = wordings().unwrap();
        let mess = Mess::none();
        let mut pen = Pen::new(&mess, &words, 0, 0);
        assert_eq!(pen.money(123456), "1234.56");
        assert_eq!(pen.date(NaiveDate::from_ymd_opt(2021, 3, 8).unwrap()), "2021-03-08");
        assert_eq!(pen.terms("component", &["motor", "drain_pump"]), "motor;drain_pump");
    }

    #[test]
    fn an_untidy_pen_writes_what_a_person_would() {
        let words = wordings().unwrap();
        let mess = Mess { iso_date: 0.0, written_date: 1.0, pound_sign: 1.0, hours: 1.0, ..Mess::workshop() };
        let mut pen = Pen::new(&mess, &words, 0, 0);
        assert_eq!(pen.money(123456), "£1,234.56");
        assert_eq!(pen.money(8500), "£85");
        assert_eq!(pen.minutes(80), "1:20");
        assert_eq!(pen.date(NaiveDate::from_ymd_opt(2021, 3, 8).unwrap()), "8 Mar 2021");
    }
}
