//! Ages as they are stated: "7yrs", "18 months", "approx 6", "5-6 years", "10+".

use super::number::{DecimalMark, parse_number};
use super::{Reading, is_blank};
use crate::quarantine::Reason;

/// Unit of a bare number in a column, taken from its title.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AgeUnit {
    Years,
    Months,
}

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
const FILLERS: [&str; 19] = [
    "approx",
    "approximately",
    "about",
    "around",
    "roughly",
    "circa",
    "ca",
    "c",
    "est",
    "estimated",
    "say",
    "maybe",
    "nearly",
    "almost",
    "over",
    "old",
    "of",
    "age",
    "and",
];

/// Reads an age in years; a bare number is in `unit`. A range becomes its middle, "10+" becomes 10, "under 1" the middle of 0 to 1.
///
/// # Errors
/// [`Reason::UnreadableAge`].
pub fn parse_age_years(text: &str, unit: AgeUnit) -> Reading<f64> {
    let text = text.trim();
    if is_blank(text) {
        return Ok(None);
    }
    read(&text.to_lowercase(), unit).map(Some).ok_or(Reason::UnreadableAge)
}

fn read(text: &str, unit: AgeUnit) -> Option<f64> {
    if text.len() > 48 {
        return None;
    }
    if let Some(number) = parse_number(text, DecimalMark::Point) {
        return Some(number * years_per(unit));
    }
    if matches!(text, "new" | "brand new") {
        return Some(0.0);
    }
    let text =
        text.replace(['½'], ".5 ").replace(" 1/2", ".5 ").replace(['~', '?', '(', ')'], " ").replace(['–', '—'], "-").replace(" to ", "-");
    let text = text.trim();
    if let Some(limit) = ["<", "under ", "less than "].iter().find_map(|sign| text.strip_prefix(sign)) {
        return read_sum(limit, unit, &mut None).map(|years| years / 2.0);
    }
    let text = text.trim_start_matches('>');
    match text.split_once('-') {
        Some((from, to)) if !from.trim().is_empty() => {
            let mut shared_unit = None;
            let to = read_sum(to, unit, &mut shared_unit)?;
            let from = read_sum(from, shared_unit.unwrap_or(unit), &mut None)?;
            (from <= to).then_some((from + to) / 2.0)
        }
        _ => read_sum(text, unit, &mut None),
    }
}

fn years_per(unit: AgeUnit) -> f64 {
    match unit {
        AgeUnit::Years => 1.0,
        AgeUnit::Months => 1.0 / 12.0,
    }
}

/// "3 years 6 months": numbers with units, added up. `found` becomes the first unit seen.
fn read_sum(text: &str, bare_unit: AgeUnit, found: &mut Option<AgeUnit>) -> Option<f64> {
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
            years = Some(years.unwrap_or(0.0) + pending.take()? * factor);
            found.get_or_insert(unit);
        } else if FILLERS.contains(&token) || token == "+" {
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
    match (years, pending) {
        (None, Some(number)) => Some(number * years_per(bare_unit)),
        (years, None) => years,
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

    #[test]
    fn ages_as_people_state_them() {
        for (text, years) in [
            ("7", 7.0),
            ("7yrs", 7.0),
            ("7 years old", 7.0),
            ("18 months", 1.5),
            ("approx 6", 6.0),
            ("approx. 6 yrs", 6.0),
            ("~6", 6.0),
            ("10+", 10.0),
            (">10", 10.0),
            ("5-6 years", 5.5),
            ("3y 6m", 3.5),
            ("6 1/2", 6.5),
            ("6½ years", 6.5),
            ("<1", 0.5),
            ("under 2 years", 1.0),
            ("six years", 6.0),
            ("a year", 1.0),
            ("new", 0.0),
            ("2,5", 2.5),
            ("about ten", 10.0),
            ("6 to 12 months", 0.75),
            ("-3", -3.0),
            ("4 years?", 4.0),
            ("c. 9 yrs.", 9.0),
        ] {
            assert_eq!(parse_age_years(text, AgeUnit::Years), Ok(Some(years)), "{text}");
        }
        assert_eq!(parse_age_years("30", AgeUnit::Months), Ok(Some(2.5)));
    }

    #[test]
    fn what_is_no_age_is_refused() {
        for text in ["old", "very old", "7 cats", "years", "2015 model", "9-3", "3 years 6 7"] {
            assert_eq!(parse_age_years(text, AgeUnit::Years), Err(Reason::UnreadableAge), "{text}");
        }
        assert_eq!(parse_age_years("?", AgeUnit::Years), Ok(None));
    }
}
