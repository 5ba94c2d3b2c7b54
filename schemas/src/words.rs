//! The words of a complaint that can be counted, in the form in which two complaints are compared.

use std::collections::BTreeSet;

use crate::terms::normalise;

/// Words of one complaint that are looked at, and the longest of them.
const MOST_WORDS: usize = 60;
const LONGEST_WORD: usize = 24;
/// Shorter words are taken as they are: a letter more or less makes another word of them.
const SHORTEST_MISSPELT: usize = 4;

/// The words of a text, sorted, each once: in small letters, without masks (`[name]`), single letters and bare numbers. What looks like an
/// error code is one word however it is spaced and padded: `E-018`, `e 18` and `E18` are `e18`.
#[must_use]
pub fn words(text: &str) -> Vec<String> {
    let mut plain = String::with_capacity(text.len());
    let mut depth = 0_u32;
    for character in text.chars() {
        match character {
            '[' => depth += 1,
            ']' => depth = depth.saturating_sub(1),
            _ if depth == 0 => plain.push(character),
            _ => {}
        }
        if matches!(character, '[' | ']') {
            plain.push(' ');
        }
    }
    let normalised = normalise(&plain);
    let pieces: Vec<&str> = normalised.split(' ').take(MOST_WORDS).collect();
    let mut words = BTreeSet::new();
    let mut at = 0;
    while at < pieces.len() {
        let next = pieces.get(at + 1).copied().unwrap_or_default();
        // "on 60" is no code.
        let joined = if pieces[at].len() == 1 { code(&format!("{}{next}", pieces[at])) } else { None };
        if let Some(code) = code(pieces[at]) {
            words.insert(code);
        } else if let Some(code) = joined {
            words.insert(code);
            at += 1;
        } else if pieces[at].chars().count() > 1
            && pieces[at].len() <= LONGEST_WORD
            && !pieces[at].chars().all(|character| character.is_ascii_digit())
        {
            words.insert(pieces[at].to_owned());
        }
        at += 1;
    }
    words.into_iter().collect()
}

/// Whether a word of [`words`] is an error code: one or two letters and up to three digits.
#[must_use]
pub fn is_code(word: &str) -> bool {
    code(word).is_some()
}

fn is_short_letters(text: &str) -> bool {
    (1..=2).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_lowercase())
}

/// The code without the zeros that pad its number.
fn code(word: &str) -> Option<String> {
    let digits = word.find(|character: char| character.is_ascii_digit())?;
    let (letters, number) = word.split_at(digits);
    let is_number = number.len() <= 3 && number.bytes().all(|byte| byte.is_ascii_digit());
    if !is_short_letters(letters) || !is_number {
        return None;
    }
    let bare = number.trim_start_matches('0');
    Some(format!("{letters}{}", if bare.is_empty() { "0" } else { bare }))
}

/// The first of `known` that is the word, or else the first that differs by one letter missing, added, changed or swapped with the next.
#[must_use]
pub fn find_word(word: &str, known: &[String]) -> Option<usize> {
    let has_digit = |word: &str| word.bytes().any(|byte| byte.is_ascii_digit());
    known.iter().position(|other| other == word).or_else(|| {
        if word.len() < SHORTEST_MISSPELT || has_digit(word) {
            return None;
        }
        known.iter().position(|other| other.len() >= SHORTEST_MISSPELT && is_misspelling(word, other) && !has_digit(other))
    })
}

fn is_misspelling(one: &str, other: &str) -> bool {
    if one.is_ascii() && other.is_ascii() {
        return differ_by_one(one.as_bytes(), other.as_bytes());
    }
    differ_by_one(&one.chars().collect::<Vec<_>>(), &other.chars().collect::<Vec<_>>())
}

fn differ_by_one<T: PartialEq>(one: &[T], other: &[T]) -> bool {
    let (long, short) = if one.len() >= other.len() { (one, other) } else { (other, one) };
    if long.len() - short.len() > 1 {
        return false;
    }
    let same = long.iter().zip(short).take_while(|(a, b)| a == b).count();
    if long.len() > short.len() {
        return long[same + 1..] == short[same..];
    }
    let is_changed = long.get(same + 1..) == short.get(same + 1..);
    let is_swapped =
        long.len() >= same + 2 && long[same] == short[same + 1] && long[same + 1] == short[same] && long[same + 2..] == short[same + 2..];
    is_changed || is_swapped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_told_apart_from_numbers_and_codes() {
        assert_eq!(words("BANGS on 60, then E-018 [name] and e 18!"), ["and", "bangs", "e18", "on", "then"]);
        assert_eq!(words("F05; f5; shows H 2"), ["f5", "h2", "shows"]);
        assert_eq!(words("won't go, 1200 rpm"), ["go", "rpm", "wont"]);
        assert!(words("").is_empty() && words("[phone]").is_empty() && words("7 a").is_empty());
        assert!(is_code("e18") && !is_code("door") && !is_code("e1234") && !is_code("18"));
    }

    #[test]
    fn one_letter_may_differ_but_not_in_codes_and_short_words() {
        let known: Vec<String> = ["drum", "drums", "soon", "e18", "wet"].map(str::to_owned).into();
        let found = |word: &str| find_word(word, &known).map(|at| known[at].as_str());
        assert_eq!(found("drums"), Some("drums"));
        for misspelt in ["durm", "drumm", "drun", "drm"] {
            assert_eq!(found(misspelt), Some("drum").filter(|_| misspelt.len() >= SHORTEST_MISSPELT), "{misspelt}");
        }
        assert_eq!(found("sono"), Some("soon"));
        assert_eq!((found("e19"), found("wett"), found("drummed")), (None, None, None));
    }
}
