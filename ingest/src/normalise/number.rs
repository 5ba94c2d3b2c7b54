//! Decimal numbers with either decimal mark, thousands separators and signs.

use serde::{Deserialize, Serialize};

/// Which sign separates the decimals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DecimalMark {
    Point,
    Comma,
}

/// The decimal mark that this text proves, if it does: `12,5` has a decimal comma, `1,234` may have either.
#[must_use]
pub fn proven_mark(text: &str) -> Option<DecimalMark> {
    let digits_and_marks: String = text.chars().filter(|character| character.is_ascii_digit() || matches!(character, '.' | ',')).collect();
    let last = digits_and_marks.rfind(['.', ','])?;
    let last_mark = digits_and_marks.as_bytes()[last];
    let as_mark = |byte: u8| if byte == b'.' { DecimalMark::Point } else { DecimalMark::Comma };
    let other_mark = if last_mark == b'.' { ',' } else { '.' };
    let occurrences = digits_and_marks.bytes().filter(|&byte| byte == last_mark).count();
    if occurrences > 1 {
        return Some(as_mark(other_mark as u8));
    }
    if digits_and_marks[..last].contains(other_mark) {
        return Some(as_mark(last_mark));
    }
    let decimals = digits_and_marks.len() - last - 1;
    (decimals != 3 || last == 0 || last > 3 || digits_and_marks.starts_with('0')).then(|| as_mark(last_mark))
}

/// Reads a number without unit. `mark` decides only where the text alone does not: `1,234`.
#[must_use]
pub fn parse_number(text: &str, mark: DecimalMark) -> Option<f64> {
    let text = text.trim();
    if text.len() > 32 {
        return None;
    }
    let (negative, text) = match text.strip_prefix(['-', '\u{2212}']).or_else(|| text.strip_suffix('-')) {
        Some(rest) => (true, rest.trim()),
        None => (false, text.strip_prefix('+').unwrap_or(text).trim()),
    };
    if !text.starts_with(|first: char| first.is_ascii_digit() || first == '.' || first == ',') {
        return None;
    }
    let mark = if proven_mark(text).unwrap_or(mark) == DecimalMark::Point { '.' } else { ',' };
    let mut plain = String::with_capacity(text.len());
    let mut digits_since_separator = None;
    let mut decimals = false;
    for character in text.chars() {
        match character {
            '0'..='9' => {
                plain.push(character);
                digits_since_separator = digits_since_separator.map(|count: usize| count + 1);
            }
            _ if character == mark && !decimals => {
                if digits_since_separator.is_some_and(|count| count != 3) {
                    return None;
                }
                decimals = true;
                digits_since_separator = None;
                plain.push('.');
            }
            '.' | ',' | ' ' | '\'' | '\u{a0}' | '\u{202f}' | '\u{2019}' if !decimals => {
                let whole_group = digits_since_separator.map_or((1..=3).contains(&plain.len()), |count| count == 3);
                if !whole_group {
                    return None;
                }
                digits_since_separator = Some(0);
            }
            _ => return None,
        }
    }
    if digits_since_separator.is_some_and(|count| count != 3) {
        return None;
    }
    let value: f64 = plain.parse().ok()?;
    Some(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_decimal_marks_and_thousands() {
        for (text, value) in [
            ("1234.5", 1234.5),
            ("1,234.50", 1234.5),
            ("1.234,50", 1234.5),
            ("1 234,50", 1234.5),
            ("12,5", 12.5),
            (",5", 0.5),
            ("0,125", 0.125),
            ("1,234,567", 1_234_567.0),
            ("-3", -3.0),
            ("3-", -3.0),
            ("+7", 7.0),
            ("1'200", 1200.0),
            ("1234,567.0", f64::NAN),
            ("007", 7.0),
        ] {
            let read = parse_number(text, DecimalMark::Point);
            assert_eq!(read, (!value.is_nan()).then_some(value), "{text}");
        }
    }

    #[test]
    fn the_column_decides_where_the_text_does_not() {
        assert_eq!(proven_mark("1,234"), None);
        assert_eq!(parse_number("1,234", DecimalMark::Point), Some(1234.0));
        assert_eq!(parse_number("1,234", DecimalMark::Comma), Some(1.234));
        assert_eq!(parse_number("1.234", DecimalMark::Comma), Some(1234.0));
        assert_eq!(proven_mark("12,50"), Some(DecimalMark::Comma));
        assert_eq!(proven_mark("1.234.567"), Some(DecimalMark::Comma));
        assert_eq!(proven_mark("12"), None);
    }

    #[test]
    fn what_is_no_number_is_refused() {
        for text in ["", "abc", "1.2.3", "12 5", "1,23,456", "inf", "NaN", "1e5", "--3", "12,34,56", "1 2"] {
            assert_eq!(parse_number(text, DecimalMark::Point), None, "{text}");
        }
    }
}
