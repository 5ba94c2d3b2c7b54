//! Job numbers, serial numbers and machine numbers.

use super::{Reading, is_blank, tidy};
use crate::quarantine::Reason;

const LONGEST_IDENTIFIER: usize = 200;

/// A number or name that is kept as written, apart from spaces.
///
/// # Errors
/// If a spreadsheet has rounded it, or if it is far too long.
pub fn parse_identifier(text: &str) -> Reading<std::borrow::Cow<'_, str>> {
    let text = text.trim();
    if is_blank(text) {
        return Ok(None);
    }
    if text.len() > LONGEST_IDENTIFIER {
        return Err(Reason::TextTooLong);
    }
    if is_rounded(text) {
        return Err(Reason::RoundedNumber);
    }
    Ok(Some(tidy(text)))
}

/// A serial number in the form in which two spellings are equal: capital letters and digits only.
///
/// # Errors
/// As [`parse_identifier`], and [`Reason::PlaceholderIdentifier`] for what people write when they cannot read the label.
pub fn parse_serial(text: &str) -> Reading<String> {
    let Some(text) = parse_identifier(text)? else { return Ok(None) };
    let serial: String = capitals(text.chars().filter(|character| character.is_alphanumeric()));
    if is_placeholder(&serial) { Err(Reason::PlaceholderIdentifier) } else { Ok(Some(serial)) }
}

/// A machine number in the form in which two spellings are equal: capital letters, no spaces.
///
/// # Errors
/// As [`parse_identifier`], and [`Reason::PlaceholderIdentifier`] for words that stand for a missing number.
pub fn parse_machine_id(text: &str) -> Reading<String> {
    let Some(text) = parse_identifier(text)? else { return Ok(None) };
    let id: String = capitals(text.chars().filter(|character| !character.is_whitespace()));
    let letters: String = id.chars().filter(|character| character.is_alphanumeric()).collect();
    if letters.is_empty() || is_word_for_missing(&letters) { Err(Reason::PlaceholderIdentifier) } else { Ok(Some(id)) }
}

fn capitals(characters: impl Iterator<Item = char>) -> String {
    characters.fold(String::new(), |mut capitals, character| {
        if character.is_ascii() {
            capitals.push(character.to_ascii_uppercase());
        } else {
            capitals.extend(character.to_uppercase());
        }
        capitals
    })
}

/// `4.81231E+11`: digits are lost.
fn is_rounded(text: &str) -> bool {
    let Some((mantissa, exponent)) = text.split_once(['E', 'e']) else { return false };
    let is_number = |part: &str| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit() || byte == b'.' || byte == b',');
    exponent.strip_prefix('+').is_some_and(is_number) && is_number(mantissa)
}

fn is_placeholder(serial: &str) -> bool {
    let mut characters = serial.chars();
    let all_alike = characters.next().is_none_or(|first| characters.all(|other| other == first));
    serial.chars().count() < 4 || all_alike || "1234567890".starts_with(serial) || is_word_for_missing(serial)
}

fn is_word_for_missing(letters: &str) -> bool {
    const WORDS: [&str; 16] = [
        "UNKNOWN",
        "NOTKNOWN",
        "ILLEGIBLE",
        "UNREADABLE",
        "MISSING",
        "NOSERIAL",
        "NOLABEL",
        "NOPLATE",
        "NONUMBER",
        "NOTREADABLE",
        "NOTRECORDED",
        "LABELMISSING",
        "PLATEMISSING",
        "WORNOFF",
        "NONE",
        "NOTAVAILABLE",
    ];
    WORDS.contains(&letters)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn serial_numbers_are_equal_whatever_their_spacing() {
        assert_eq!(parse_serial(" ab-12 34/x "), Ok(Some("AB1234X".into())));
        assert_eq!(parse_machine_id("m-0 01"), Ok(Some("M-001".into())));
        assert_eq!(parse_identifier("J-1  a").unwrap().as_deref(), Some("J-1 a"));
    }

    #[test]
    fn placeholders_do_not_tie_machines_together() {
        for text in ["0000000", "xxxx", "not readable", "12345", "no label", "abc"] {
            assert_eq!(parse_serial(text), Err(Reason::PlaceholderIdentifier), "{text}");
        }
        assert_eq!(parse_machine_id("missing"), Err(Reason::PlaceholderIdentifier));
        assert_eq!(parse_serial("n/a"), Ok(None));
    }

    #[test]
    fn numbers_rounded_by_a_spreadsheet_are_set_aside() {
        assert_eq!(parse_serial("4.81231E+11"), Err(Reason::RoundedNumber));
        assert_eq!(parse_identifier("4E12").unwrap().as_deref(), Some("4E12"));
    }
}
