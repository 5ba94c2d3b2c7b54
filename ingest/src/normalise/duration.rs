//! Labour time: minutes, hours, h:mm and words for them.

use super::number::{DecimalMark, parse_number};
use super::{Reading, is_blank};
use crate::quarantine::Reason;

/// Unit of a bare number in a column, taken from its title.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DurationUnit {
    Minutes,
    Hours,
}

/// Reads a time in minutes; a bare number is in `unit`.
///
/// # Errors
/// [`Reason::UnreadableDuration`].
pub fn parse_minutes(text: &str, unit: DurationUnit, mark: DecimalMark) -> Reading<f64> {
    let text = text.trim();
    if is_blank(text) {
        return Ok(None);
    }
    read(&text.to_lowercase(), unit, mark).map(Some).ok_or(Reason::UnreadableDuration)
}

fn read(text: &str, unit: DurationUnit, mark: DecimalMark) -> Option<f64> {
    let factor = |unit| if unit == DurationUnit::Hours { 60.0 } else { 1.0 };
    if let Some(number) = parse_number(text, mark) {
        return Some(number * factor(unit));
    }
    if text.contains(':') {
        return clock(text.trim_end_matches(|character: char| character.is_alphabetic() || character == ' '));
    }
    let text = text.replace('½', ".5").replace('¼', ".25").replace('¾', ".75");
    let mut minutes = 0.0;
    let mut last_unit = None;
    let mut rest = text.as_str();
    while !rest.trim().is_empty() {
        rest = rest.trim_start().trim_start_matches("and ");
        let number_length =
            rest.find(|character: char| !character.is_ascii_digit() && !matches!(character, '.' | ',')).unwrap_or(rest.len());
        let number = parse_number(rest[..number_length].trim_end_matches(','), mark)?;
        rest = rest[number_length..].trim_start();
        let word_length = rest.find(|character: char| !character.is_alphabetic()).unwrap_or(rest.len());
        let unit = match (&rest[..word_length], last_unit) {
            ("h" | "hr" | "hrs" | "hour" | "hours" | "std" | "heure" | "heures", None) => DurationUnit::Hours,
            ("m" | "min" | "mins" | "minute" | "minutes", None | Some(DurationUnit::Hours)) => DurationUnit::Minutes,
            ("", Some(DurationUnit::Hours)) if number < 60.0 => DurationUnit::Minutes,
            _ => return None,
        };
        minutes += number * factor(unit);
        last_unit = Some(unit);
        rest = rest[word_length..].trim_start_matches(['.', ',']);
    }
    last_unit.map(|_| minutes)
}

/// h:mm or h:mm:ss.
fn clock(text: &str) -> Option<f64> {
    let parts =
        text.trim().split(':').map(|part| (part.len() <= 3).then(|| part.parse::<u32>().ok()).flatten()).collect::<Option<Vec<_>>>()?;
    match parts[..] {
        [hours, minutes @ 0..=59] => Some(f64::from(hours * 60 + minutes)),
        [hours, minutes @ 0..=59, seconds @ 0..=59] => Some(f64::from(hours * 60 + minutes) + f64::from(seconds) / 60.0),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ninety_minutes_in_every_way_they_are_written() {
        for text in [
            "90",
            "1:30",
            "01:30:00",
            "1.5 hrs",
            "1,5 h",
            "1h30",
            "1 h 30 min",
            "1hr 30",
            "90 min",
            "90m",
            "90 mins.",
            "1½ hours",
            "1 hour and 30 minutes",
            "1:30 h",
            "90.0",
        ] {
            assert_eq!(parse_minutes(text, DurationUnit::Minutes, DecimalMark::Point), Ok(Some(90.0)), "{text}");
        }
        assert_eq!(parse_minutes("1.5", DurationUnit::Hours, DecimalMark::Point), Ok(Some(90.0)));
        assert_eq!(parse_minutes("-20", DurationUnit::Minutes, DecimalMark::Point), Ok(Some(-20.0)));
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for text in ["an hour", "1:75", "90 cats", "30 min 1 h", "1:2:3:4", "h", "10 h 70", "4294967295:00"] {
            assert_eq!(parse_minutes(text, DurationUnit::Minutes, DecimalMark::Point), Err(Reason::UnreadableDuration), "{text}");
        }
        assert_eq!(parse_minutes("n/a", DurationUnit::Minutes, DecimalMark::Point), Ok(None));
    }
}
