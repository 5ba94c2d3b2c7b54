//! From what people write to what can be counted. One file for each kind of value; all of them are pure functions.

pub mod age;
pub mod closing_test;
pub mod complaint;
pub mod date;
pub mod duration;
pub mod identifier;
pub mod model;
pub mod money;
pub mod number;
pub mod terms;

use crate::quarantine::Reason;

/// A value, nothing (the cell is empty or says so), or why the text cannot be used.
pub type Reading<T> = Result<Option<T>, Reason>;

/// Whether a cell is empty or holds a sign for "nothing here".
#[must_use]
pub fn is_blank(text: &str) -> bool {
    const SIGNS: [&str; 21] = [
        "-",
        "--",
        "---",
        "?",
        "??",
        "???",
        ".",
        "/",
        "\\",
        "n/a",
        "na",
        "n.a.",
        "#n/a",
        "none",
        "null",
        "nil",
        "nan",
        "unknown",
        "not known",
        "tbc",
        "tba",
    ];
    let text = text.trim();
    text.is_empty() || (text.len() <= 9 && SIGNS.iter().any(|sign| sign.eq_ignore_ascii_case(text)))
}

/// One space between words, none around them; control characters become spaces.
#[must_use]
pub fn tidy(text: &str) -> std::borrow::Cow<'_, str> {
    let trimmed = text.trim();
    let is_plain = trimmed.bytes().all(|byte| byte == b' ' || byte.is_ascii_graphic());
    if is_plain && !trimmed.as_bytes().windows(2).any(|pair| pair == b"  ") {
        return trimmed.into();
    }
    let is_untidy = |character: char| character.is_control() || (character.is_whitespace() && character != ' ');
    if trimmed.contains("  ") || trimmed.contains(is_untidy) {
        let spaced = trimmed.replace(char::is_control, " ");
        spaced.split_whitespace().collect::<Vec<_>>().join(" ").into()
    } else {
        trimmed.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signs_for_nothing_are_blank() {
        for text in ["", "  ", "-", "N/A", "None", "unknown", "?"] {
            assert!(is_blank(text), "{text}");
        }
        for text in ["0", "no", "nothing", "not known yet"] {
            assert!(!is_blank(text), "{text}");
        }
    }

    #[test]
    fn spaces_are_tidied() {
        assert_eq!(tidy("  a \t b\u{a0}c\n"), "a b c");
        assert_eq!(tidy("a b"), "a b");
        assert_eq!(tidy("a\u{0}b"), "a b");
        assert_eq!(tidy("\u{0}"), "");
    }
}
