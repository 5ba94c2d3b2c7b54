//! Ages as they are stated: "7yrs", "18 months", "approx 6", "5-6 years", "10+", "2014 model"; with how precisely they are stated.

use super::number::{DecimalMark, parse_number};
use super::{Reading, is_blank};
use crate::quarantine::Reason;

/// Unit of a bare number in a column, taken from its title.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AgeUnit {
    Years,
    Months,
}

/// What a cell says of a machine's age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum StatedAge {
    Years(f64, Precision),
    /// The calendar year in which it was made.
    MadeIn(i32),
    /// The calendar year in which it was bought.
    BoughtIn(i32),
}

/// How precisely an age is stated. The codes are part of the store and stay stable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Precision {
    /// In months, weeks or days, or with a fraction of a year.
    Month,
    /// In whole years.
    Year,
    /// "about 6", "6?"
    Approximate,
    /// "5-6": the middle is taken.
    Range,
    /// "10+": 10 is taken.
    AtLeast,
    /// "under 2": half of it is taken.
    AtMost,
    /// From the calendar year in which the machine was bought.
    YearBought,
}

impl Precision {
    /// As stored.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Month => "month",
            Self::Year => "year",
            Self::Approximate => "approximate",
            Self::Range => "range",
            Self::AtLeast => "at_least",
            Self::AtMost => "at_most",
            Self::YearBought => "year_bought",
        }
    }
}

const EARLIEST_YEAR: i32 = 1950;
const WORDS: [&str; 21] = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
    "twenty",
];
/// Words that say that a number is a guess.
const GUESSES: [&str; 14] =
    ["approx", "approximately", "about", "around", "roughly", "circa", "ca", "c", "est", "estimated", "say", "maybe", "nearly", "almost"];
const FILLERS: [&str; 4] = ["old", "of", "age", "and"];
const OF_MAKING: [&str; 12] = ["model", "mod", "made", "mfg", "mfd", "manufactured", "built", "build", "year", "yr", "from", "in"];
const OF_BUYING: [&str; 6] = ["bought", "purchased", "purchase", "installed", "new", "since"];
const AT_MOST: [&str; 4] = ["<", "under ", "less than ", "up to "];
const AT_LEAST: [&str; 5] = [">", "over ", "more than ", "at least ", "min "];

/// Reads an age; a bare number is in `unit`. A range becomes its middle, "10+" becomes 10, "under 1" the middle of 0 to 1.
/// A number from 1950 to `latest_year`, alone or with words such as "model" or "bought", is a calendar year.
///
/// # Errors
/// [`Reason::UnreadableAge`].
pub fn parse_age(text: &str, unit: AgeUnit, latest_year: i32) -> Reading<StatedAge> {
    let text = text.trim();
    if is_blank(text) {
        return Ok(None);
    }
    if text.len() > 48 {
        return Err(Reason::UnreadableAge);
    }
    let text = text.to_lowercase();
    let age = read_year(&text, latest_year).or_else(|| read(&text, unit).map(|(years, precision)| StatedAge::Years(years, precision)));
    age.map(Some).ok_or(Reason::UnreadableAge)
}

/// "2014", "2014 model", "made in 2014", "bought 2014".
fn read_year(text: &str, latest_year: i32) -> Option<StatedAge> {
    let mut year = None;
    let mut is_bought = false;
    for token in tokens(text) {
        if token.len() == 4 && token.bytes().all(|byte| byte.is_ascii_digit()) && year.is_none() {
            year = Some(token.parse::<i32>().ok().filter(|year| (EARLIEST_YEAR..=latest_year).contains(year))?);
        } else if OF_BUYING.contains(&token) {
            is_bought = true;
        } else if !OF_MAKING.contains(&token) && !GUESSES.contains(&token) {
            return None;
        }
    }
    year.map(|year| if is_bought { StatedAge::BoughtIn(year) } else { StatedAge::MadeIn(year) })
}

fn read(text: &str, unit: AgeUnit) -> Option<(f64, Precision)> {
    if let Some(number) = parse_number(text, DecimalMark::Point) {
        let precision = if unit == AgeUnit::Months || number.fract() != 0.0 { Precision::Month } else { Precision::Year };
        return Some((number * years_per(unit), precision));
    }
    if matches!(text, "new" | "brand new") {
        return Some((0.0, Precision::Month));
    }
    let is_guess = text.contains(['~', '?']) || tokens(text).any(|token| GUESSES.contains(&token));
    let text = text
        .replace(['½'], ".5 ")
        .replace(" 1/2", ".5 ")
        .replace(['~', '?', '(', ')'], " ")
        .replace(['–', '—'], "-")
        .replace(" to ", "-")
        .replace(" or ", "-");
    let text = text.trim();
    let after = |signs: &[&str]| signs.iter().find_map(|sign| text.strip_prefix(sign));
    if let Some(limit) = after(&AT_MOST) {
        return read_sum(limit, unit, &mut None).map(|(years, _)| (years / 2.0, Precision::AtMost));
    }
    if let Some(limit) = after(&AT_LEAST) {
        return read_sum(limit, unit, &mut None).map(|(years, _)| (years, Precision::AtLeast));
    }
    match text.split_once('-') {
        Some((from, to)) if !from.trim().is_empty() => {
            let mut shared_unit = None;
            let (to, _) = read_sum(to, unit, &mut shared_unit)?;
            let (from, _) = read_sum(from, shared_unit.unwrap_or(unit), &mut None)?;
            (from <= to).then_some(((from + to) / 2.0, Precision::Range))
        }
        _ => {
            let (years, precision) = read_sum(text, unit, &mut None)?;
            let precision = match precision {
                _ if text.contains('+') => Precision::AtLeast,
                _ if is_guess => Precision::Approximate,
                precision => precision,
            };
            Some((years, precision))
        }
    }
}

fn years_per(unit: AgeUnit) -> f64 {
    match unit {
        AgeUnit::Years => 1.0,
        AgeUnit::Months => 1.0 / 12.0,
    }
}

/// "3 years 6 months": numbers with units, added up. `found` becomes the first unit seen.
fn read_sum(text: &str, bare_unit: AgeUnit, found: &mut Option<AgeUnit>) -> Option<(f64, Precision)> {
    let mut is_fine = false;
    let mut years = None;
    let mut pending: Option<f64> = None;
    for token in tokens(text) {
        let per_unit = match token {
            "y" | "yr" | "yrs" | "year" | "years" | "jahre" | "ans" => Some((1.0, AgeUnit::Years)),
            "m" | "mo" | "mos" | "mth" | "mths" | "month" | "months" => Some((1.0 / 12.0, AgeUnit::Months)),
            "w" | "wk" | "wks" | "week" | "weeks" => Some((7.0 / 365.25, AgeUnit::Months)),
            "d" | "day" | "days" => Some((1.0 / 365.25, AgeUnit::Months)),
            _ => None,
        };
        if let Some((factor, unit)) = per_unit {
            let number = pending.take()?;
            is_fine |= unit == AgeUnit::Months || number.fract() != 0.0;
            years = Some(years.unwrap_or(0.0) + number * factor);
            found.get_or_insert(unit);
        } else if FILLERS.contains(&token) || GUESSES.contains(&token) || token == "+" {
        } else if pending.is_some() {
            return None;
        } else if matches!(token, "a" | "an") {
            pending = Some(1.0);
        } else if let Some(number) = WORDS.iter().position(|word| *word == token) {
            pending = Some(number as f64);
        } else {
            pending = Some(parse_number(token, DecimalMark::Point)?);
        }
    }
    let precision = |is_fine: bool| if is_fine { Precision::Month } else { Precision::Year };
    match (years, pending) {
        (None, Some(number)) => Some((number * years_per(bare_unit), precision(bare_unit == AgeUnit::Months || number.fract() != 0.0))),
        (years, None) => years.map(|years| (years, precision(is_fine))),
        (Some(_), Some(_)) => None,
    }
}

/// Words, numbers and plus signs.
fn tokens(text: &str) -> impl Iterator<Item = &str> {
    let kind = |character: char| match character {
        '0'..='9' | '.' | ',' => 1,
        '+' => 2,
        _ if character.is_alphabetic() => 3,
        _ => 0,
    };
    let mut rest = text;
    std::iter::from_fn(move || {
        rest = rest.trim_start_matches(|character: char| kind(character) == 0);
        let first = kind(rest.chars().next()?);
        let length = rest.find(|character: char| kind(character) != first).unwrap_or(rest.len());
        let (token, after) = rest.split_at(length);
        rest = after;
        Some(token)
    })
    .map(|token: &str| if token.len() > 1 { token.trim_end_matches(['.', ',']) } else { token })
    .filter(|token| !token.is_empty() && *token != "." && *token != ",")
}

#[cfg(test)]
mod tests {
    use super::*;
    use Precision::{Approximate, AtLeast, AtMost, Month, Range, Year};

    fn parse(text: &str) -> Reading<StatedAge> {
        parse_age(text, AgeUnit::Years, 2026)
    }

    #[test]
    fn ages_as_people_state_them() {
        for (text, years, precision) in [
            ("7", 7.0, Year),
            ("7yrs", 7.0, Year),
            ("7 years old", 7.0, Year),
            ("18 months", 1.5, Month),
            ("approx 6", 6.0, Approximate),
            ("approx. 6 yrs", 6.0, Approximate),
            ("~6", 6.0, Approximate),
            ("10+", 10.0, AtLeast),
            ("10 years +", 10.0, AtLeast),
            (">10", 10.0, AtLeast),
            ("over 10 yrs", 10.0, AtLeast),
            ("at least 8", 8.0, AtLeast),
            ("5-6 years", 5.5, Range),
            ("5 or 6", 5.5, Range),
            ("3y 6m", 3.5, Month),
            ("6 1/2", 6.5, Month),
            ("6½ years", 6.5, Month),
            ("<1", 0.5, AtMost),
            ("under 2 years", 1.0, AtMost),
            ("six years", 6.0, Year),
            ("a year", 1.0, Year),
            ("new", 0.0, Month),
            ("2,5", 2.5, Month),
            ("about ten", 10.0, Approximate),
            ("6 to 12 months", 0.75, Range),
            ("-3", -3.0, Year),
            ("4 years?", 4.0, Approximate),
            ("c. 9 yrs.", 9.0, Approximate),
        ] {
            assert_eq!(parse(text), Ok(Some(StatedAge::Years(years, precision))), "{text}");
        }
        assert_eq!(parse_age("30", AgeUnit::Months, 2026), Ok(Some(StatedAge::Years(2.5, Month))));
    }

    #[test]
    fn calendar_years_say_when_it_was_made_or_bought() {
        for (text, stated) in [
            ("2014", StatedAge::MadeIn(2014)),
            ("2014 model", StatedAge::MadeIn(2014)),
            ("c. 2014 model", StatedAge::MadeIn(2014)),
            ("made in 2014", StatedAge::MadeIn(2014)),
            ("bought new 2014", StatedAge::BoughtIn(2014)),
            ("since 2014", StatedAge::BoughtIn(2014)),
        ] {
            assert_eq!(parse(text), Ok(Some(stated)), "{text}");
        }
        assert_eq!(parse("2031"), Ok(Some(StatedAge::Years(2031.0, Year))), "an impossible age, not a year to come");
    }

    #[test]
    fn what_is_no_age_is_refused() {
        for text in ["old", "very old", "7 cats", "years", "2015 cats", "9-3", "3 years 6 7", "2014 2015", "model"] {
            assert_eq!(parse(text), Err(Reason::UnreadableAge), "{text}");
        }
        assert_eq!(parse("?"), Ok(None));
    }
}
