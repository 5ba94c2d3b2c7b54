//! Calendar dates: ISO, day-first, month-first, with the month in words, and spreadsheet serial numbers.

use chrono::{Datelike, Days, NaiveDate};
use serde::{Deserialize, Serialize};

use super::{Reading, is_blank};
use crate::quarantine::Reason;

/// How `03/04/2021` is to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DateOrder {
    /// 3 April 2021.
    DayFirst,
    /// 4 March 2021.
    MonthFirst,
}

/// A date as far as the text gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PartialDate {
    Day(NaiveDate),
    Month { year: i32, month: u32 },
    Year(i32),
}

impl PartialDate {
    /// The day itself, or the 15th where only the month is known, so that the error is at most half a month either way.
    #[must_use]
    pub fn day(self) -> Option<NaiveDate> {
        match self {
            Self::Day(date) => Some(date),
            Self::Month { year, month } => NaiveDate::from_ymd_opt(year, month, 15),
            Self::Year(_) => None,
        }
    }
}

/// First year that a machine or a record can come from; earlier dates are taken for mistakes.
const EARLIEST_YEAR: i32 = 1950;
const LATEST_YEAR: i32 = 2199;
/// Longest text that can be a date: a weekday, a long month name, a time with a zone.
const LONGEST_DATE: usize = 48;

/// Reads a date. `latest_year` decides the century of two-digit years: those after it lie in the 1900s.
///
/// # Errors
/// The reason why the text is not a date.
pub fn parse_date(text: &str, order: DateOrder, latest_year: i32) -> Reading<PartialDate> {
    let text = text.trim();
    if is_blank(text) {
        return Ok(None);
    }
    if let Some(date) = plain_date(text, order) {
        return Ok(Some(date));
    }
    let tokens = tokenise(text).ok_or(Reason::UnreadableDate)?;
    let date = read_tokens(&tokens, order, latest_year).ok_or(Reason::UnreadableDate)?;
    check(date).map(Some)
}

/// The order that this text proves, if it does: `25/03/2021` can only be day-first.
#[must_use]
pub fn proven_order(text: &str) -> Option<DateOrder> {
    match numeric_parts(text)? {
        (1..=12, 1..=12) => None,
        (13..=31, 1..=12) => Some(DateOrder::DayFirst),
        (1..=12, 13..=31) => Some(DateOrder::MonthFirst),
        _ => None,
    }
}

/// Whether the order matters for this text: `03/04/2021`, but not `04/04/2021`.
#[must_use]
pub fn order_matters(text: &str) -> bool {
    matches!(numeric_parts(text), Some((first @ 1..=12, second @ 1..=12)) if first != second)
}

/// The first two numbers of a date that is written in numbers with the year last.
fn numeric_parts(text: &str) -> Option<(u32, u32)> {
    let tokens = tokenise(text.trim())?;
    match tokens[..] {
        [Token::Number(first, 1..=2), Token::Number(second, 1..=2), Token::Number(_, 2 | 4), ..] => Some((first, second)),
        _ => None,
    }
}

fn check(date: PartialDate) -> Result<PartialDate, Reason> {
    let year = match date {
        PartialDate::Day(date) => date.year(),
        PartialDate::Month { year, .. } | PartialDate::Year(year) => year,
    };
    if (EARLIEST_YEAR..=LATEST_YEAR).contains(&year) { Ok(date) } else { Err(Reason::ImpossibleDate) }
}

/// The common cases `2021-04-03` and `03/04/2021`, without tokenising. What it does not know, [`parse_date`] may.
#[must_use]
pub fn plain_date(text: &str, order: DateOrder) -> Option<PartialDate> {
    let bytes: &[u8; 10] = text.as_bytes().try_into().ok()?;
    let number = |range: std::ops::Range<usize>| {
        bytes[range].iter().try_fold(0u32, |sum, byte| byte.is_ascii_digit().then(|| sum * 10 + u32::from(byte - b'0')))
    };
    let (year, month, day) = match (bytes[2], bytes[4], bytes[5], bytes[7], order) {
        (_, b'-', _, b'-', _) => (0..4, 5..7, 8..10),
        (b'/' | b'-' | b'.', _, b'/' | b'-' | b'.', _, DateOrder::DayFirst) => (6..10, 3..5, 0..2),
        (b'/' | b'-' | b'.', _, b'/' | b'-' | b'.', _, DateOrder::MonthFirst) => (6..10, 0..2, 3..5),
        _ => return None,
    };
    let date = NaiveDate::from_ymd_opt(i32::try_from(number(year)?).ok()?, number(month)?, number(day)?)?;
    check(PartialDate::Day(date)).ok()
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Token {
    /// Value and number of digits.
    Number(u32, usize),
    Month(u32),
    /// AM, PM, T, Z and the like: only after the date.
    TimeWord,
}

/// Splits into numbers and words; none if there is a word or sign that no date has.
fn tokenise(text: &str) -> Option<Vec<Token>> {
    if text.len() > LONGEST_DATE || !text.contains(|character: char| character.is_ascii_digit()) {
        return None;
    }
    let mut tokens = Vec::with_capacity(8);
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let is_same_kind = |character: &char| {
            if first.is_ascii_digit() { character.is_ascii_digit() } else { character.is_alphabetic() }
        };
        if !first.is_ascii_digit() && !first.is_alphabetic() {
            if !matches!(first, ' ' | '-' | '/' | '.' | ',' | '\'' | '\u{2019}' | ':' | '_' | '+' | '\u{a0}' | '\u{2013}') {
                return None;
            }
            rest = &rest[first.len_utf8()..];
            continue;
        }
        let length = rest.chars().take_while(is_same_kind).map(char::len_utf8).sum();
        let (word, after) = rest.split_at(length);
        rest = after;
        if first.is_ascii_digit() {
            tokens.push(Token::Number(word.parse().ok()?, length));
        } else if let Some(month) = month_of(word) {
            tokens.push(Token::Month(month));
        } else {
            match word.to_ascii_lowercase().as_str() {
                "st" | "nd" | "rd" | "th" | "of" | "de" if !tokens.is_empty() => {}
                "am" | "pm" | "t" | "z" | "utc" | "gmt" | "bst" => tokens.push(Token::TimeWord),
                other if is_weekday(other) && tokens.is_empty() => {}
                _ => return None,
            }
        }
    }
    Some(tokens)
}

fn read_tokens(tokens: &[Token], order: DateOrder, latest_year: i32) -> Option<PartialDate> {
    use Token::{Month, Number, TimeWord};
    let only_time_follows = |from: usize| tokens[from..].iter().all(|token| !matches!(token, Month(_))) && tokens.len() - from <= 8;
    let day = |year: i32, month: u32, day: u32| NaiveDate::from_ymd_opt(year, month, day).map(PartialDate::Day);
    match *tokens {
        [Number(serial, 5)] | [Number(serial, 5), Number(..)] => from_serial(serial).map(PartialDate::Day),
        [Number(compact, 8), ref time @ ..] if !time.iter().any(|token| matches!(token, Month(_))) => {
            day(i32::try_from(compact / 10_000).ok()?, compact / 100 % 100, compact % 100)
        }
        [Number(year, 4)] => Some(PartialDate::Year(i32::try_from(year).ok()?)),
        [Number(year, 4), Number(month, 1..=2)] | [Number(month, 1..=2), Number(year, 4)] | [Month(month), Number(year, 4)] => {
            (1..=12).contains(&month).then_some(PartialDate::Month { year: i32::try_from(year).ok()?, month })
        }
        [Number(year, 4), Number(month, 1..=2) | Month(month), Number(date, 1..=2), ..] if only_time_follows(3) => {
            day(i32::try_from(year).ok()?, month, date)
        }
        [Number(date, 1..=2), Month(month), Number(year, digits @ (2 | 4)), ..]
        | [Month(month), Number(date, 1..=2), Number(year, digits @ (2 | 4)), ..]
            if only_time_follows(3) =>
        {
            day(full_year(year, digits, latest_year)?, month, date)
        }
        [Number(first, 1..=2), Number(second, 1..=2), Number(year, digits @ (2 | 4)), ref time @ ..]
            if only_time_follows(3) && (time.is_empty() || time.len() >= 2 || time == [TimeWord]) =>
        {
            let (date, month) = if order == DateOrder::DayFirst { (first, second) } else { (second, first) };
            day(full_year(year, digits, latest_year)?, month, date)
        }
        _ => None,
    }
}

fn full_year(year: u32, digits: usize, latest_year: i32) -> Option<i32> {
    let year = i32::try_from(year).ok()?;
    Some(match digits {
        4 => year,
        _ if 2000 + year <= latest_year => 2000 + year,
        _ => 1900 + year,
    })
}

/// Days in the 1900 date system of spreadsheets, in which day 1 is 1900-01-01 and 1900 counts as a leap year (which it was not).
fn from_serial(serial: u32) -> Option<NaiveDate> {
    NaiveDate::from_ymd_opt(1899, 12, 30)?.checked_add_days(Days::new(u64::from(serial)))
}

fn is_weekday(word: &str) -> bool {
    const WEEKDAYS: [&str; 7] = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
    word.len() >= 3 && WEEKDAYS.iter().any(|day| day.starts_with(word) || word == "thurs" || word == "weds")
}

/// English month names and what other languages of Europe use in spreadsheets.
fn month_of(word: &str) -> Option<u32> {
    const MONTHS: [&[&str]; 12] = [
        &["january", "januar", "janvier", "janv", "enero", "ene", "januari", "gennaio", "gen"],
        &["february", "februar", "février", "fevrier", "févr", "fév", "fevr", "febrero", "februari", "febbraio"],
        &["march", "märz", "maerz", "mär", "mrz", "mars", "marzo", "maart", "mrt"],
        &["april", "avril", "avr", "abril", "abr", "aprile"],
        &["may", "mai", "mayo", "mei", "maggio", "mag"],
        &["june", "juni", "juin", "junio", "giugno", "giu"],
        &["july", "juli", "juillet", "juil", "julio", "luglio", "lug"],
        &["august", "août", "aout", "agosto", "ago", "augustus"],
        &["september", "sept", "septembre", "septiembre", "settembre", "set"],
        &["october", "oktober", "okt", "octobre", "octubre", "ottobre", "ott"],
        &["november", "novembre", "noviembre"],
        &["december", "dezember", "dez", "décembre", "decembre", "déc", "diciembre", "dic", "dicembre"],
    ];
    let word = word.to_lowercase();
    let is_month = |names: &&[&str]| names.contains(&word.as_str()) || (word.len() == 3 && names[0].starts_with(&word));
    MONTHS.iter().position(is_month).and_then(|at| u32::try_from(at + 1).ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, order: DateOrder) -> Reading<String> {
        Ok(parse_date(text, order, 2026)?.map(|date| match date {
            PartialDate::Day(date) => date.to_string(),
            PartialDate::Month { year, month } => format!("{year}-{month:02}"),
            PartialDate::Year(year) => year.to_string(),
        }))
    }

    #[test]
    fn one_day_is_read_in_every_way_it_is_written() {
        for text in [
            "2021-04-03",
            "2021/4/3",
            "2021.04.03",
            "20210403",
            "2021-04-03T09:30:00Z",
            "2021-04-03 09:30:15.250+01:00",
            "03/04/2021",
            "3.4.2021",
            "3-4-21",
            "03/04/2021 14:05",
            "3 Apr 2021",
            "3rd April 2021",
            "Sat 3 April 2021",
            "April 3, 2021",
            "Apr-03-21",
            "3 avr. 2021",
            "44289",
            "44289.75",
            " 3/4/2021 ",
        ] {
            assert_eq!(read(text, DateOrder::DayFirst), Ok(Some("2021-04-03".into())), "{text}");
        }
        assert_eq!(read("04/03/2021", DateOrder::MonthFirst), Ok(Some("2021-04-03".into())));
    }

    #[test]
    fn a_part_of_a_date_stays_a_part() {
        assert_eq!(read("2015", DateOrder::DayFirst), Ok(Some("2015".into())));
        assert_eq!(read("03/2015", DateOrder::DayFirst), Ok(Some("2015-03".into())));
        assert_eq!(read("Mar 2015", DateOrder::MonthFirst), Ok(Some("2015-03".into())));
        assert_eq!(PartialDate::Month { year: 2015, month: 2 }.day(), NaiveDate::from_ymd_opt(2015, 2, 15));
    }

    #[test]
    fn two_digit_years_after_the_latest_belong_to_the_last_century() {
        assert_eq!(read("1/2/26", DateOrder::DayFirst), Ok(Some("2026-02-01".into())));
        assert_eq!(read("1/2/98", DateOrder::DayFirst), Ok(Some("1998-02-01".into())));
    }

    #[test]
    fn what_is_no_date_is_refused() {
        for text in [
            "31/02/2021",
            "25/13/2021",
            "last week",
            "12",
            "2021-3-45",
            "03/25/2021",
            "3/4/2021 next week",
            "1/2/3/4/5/6/7/8/9/10/11/12/13",
        ] {
            assert_eq!(read(text, DateOrder::DayFirst), Err(Reason::UnreadableDate), "{text}");
        }
        assert_eq!(read("1021-04-03", DateOrder::DayFirst), Err(Reason::ImpossibleDate));
        assert_eq!(read("n/a", DateOrder::DayFirst), Ok(None));
    }

    #[test]
    fn evidence_of_the_order() {
        assert_eq!(proven_order("25/03/2021"), Some(DateOrder::DayFirst));
        assert_eq!(proven_order("3-25-21"), Some(DateOrder::MonthFirst));
        assert_eq!(proven_order("03/04/2021"), None);
        assert_eq!(proven_order("2021-03-25"), None);
        assert!(order_matters("03/04/2021"));
        assert!(!order_matters("04/04/2021"));
        assert!(!order_matters("2021-03-04"));
    }
}
