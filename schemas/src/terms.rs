//! Recognising a term whatever its case, spacing, punctuation or number (singular or plural).
//!
//! Misspellings are not handled here: [`TermIndex::terms`] lists what a fuzzy search may compare with.

use std::collections::HashMap;

/// Lower case, words separated by one space, no other punctuation: `" Door-Lock (PTC)"` becomes `"door lock ptc"`.
///
/// Apostrophes vanish (`won't` becomes `wont`), `#` becomes `no`, `&` becomes `and`, and the currency signs £, € and $ stay as words
/// of their own, because "parts £" and "parts" are different column titles.
#[must_use]
pub fn normalise(text: &str) -> String {
    let mut spaced = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '\'' | '\u{2019}' | '\u{2018}' | '`' => {}
            '#' | '\u{2116}' => spaced.push_str(" no "),
            '&' => spaced.push_str(" and "),
            '£' | '€' | '$' => spaced.extend([' ', character, ' ']),
            _ if character.is_ascii_alphanumeric() => spaced.push(character.to_ascii_lowercase()),
            _ if character.is_alphanumeric() => spaced.extend(character.to_lowercase()),
            _ => spaced.push(' '),
        }
    }
    if !spaced.starts_with(' ') && !spaced.ends_with(' ') && !spaced.contains("  ") {
        return spaced;
    }
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The form in which two spellings of one term are equal: normalised, every word singular, spaces dropped.
///
/// `"Drive-belts"`, `"drive belt"` and `"drivebelt"` share one match key, and so do `"N/F/F"` and `"nff"`.
#[must_use]
pub fn match_key(text: &str) -> String {
    let normalised = normalise(text);
    let mut key = String::with_capacity(normalised.len());
    for word in normalised.split(' ') {
        let (stem, ending) = singular(word);
        key.push_str(stem);
        key.push_str(ending);
    }
    key
}

/// A rough English singular, as its stem and ending. It only has to treat both sides of a comparison alike, so wrong singulars do no harm.
fn singular(word: &str) -> (&str, &str) {
    let Some(without_s) = word.strip_suffix('s') else { return (word, "") };
    if let Some(stem) = word.strip_suffix("ies").filter(|stem| stem.len() > 1) {
        return (stem, "y");
    }
    if ["sses", "shes", "ches", "xes"].iter().any(|ending| word.ends_with(ending)) {
        return (&word[..word.len() - 2], "");
    }
    if without_s.len() > 1 && !without_s.ends_with('s') { (without_s, "") } else { (word, "") }
}

/// What a text turned out to mean.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Match<'a> {
    /// One key.
    One(&'a str),
    /// Several keys, sorted: the text alone does not say which. Naming the appliance category may help.
    Several(Vec<&'a str>),
    /// No term of the list is written so.
    Unknown,
}

impl<'a> Match<'a> {
    /// The key, if there is exactly one.
    #[must_use]
    pub fn key(&self) -> Option<&'a str> {
        match self {
            Self::One(key) => Some(key),
            Self::Several(_) | Self::Unknown => None,
        }
    }
}

#[derive(Debug, Clone)]
pub(crate) struct Term {
    pub text: String,
    pub key: String,
    /// Appliance categories in which the term has this meaning; empty for all.
    pub categories: Vec<String>,
}

impl Term {
    fn applies_to(&self, category: Option<&str>) -> bool {
        category.is_none_or(|category| self.categories.is_empty() || self.categories.iter().any(|known| known == category))
    }

    fn overlaps(&self, other: &Self) -> bool {
        self.categories.is_empty() || self.categories.iter().any(|category| other.applies_to(Some(category)))
    }
}

/// Two terms that are written alike, mean different keys and apply to the same category.
pub(crate) struct Collision {
    pub term: String,
    pub first_key: String,
    pub second_key: String,
}

/// All spellings of one list of the vocabulary, with the key each stands for.
#[derive(Debug, Clone, Default)]
pub struct TermIndex {
    terms: Vec<Term>,
    by_match_key: HashMap<String, Vec<usize>>,
}

impl TermIndex {
    pub(crate) fn new(terms: Vec<Term>) -> Result<Self, Collision> {
        let mut index = Self::default();
        for mut term in terms {
            let same_spelling = index.by_match_key.entry(match_key(&term.text)).or_default();
            if let Some(other) =
                same_spelling.iter().map(|&at| &index.terms[at]).find(|other| other.key != term.key && other.overlaps(&term))
            {
                return Err(Collision { term: term.text, first_key: other.key.clone(), second_key: term.key });
            }
            same_spelling.push(index.terms.len());
            term.text = normalise(&term.text);
            index.terms.push(term);
        }
        Ok(index)
    }

    /// What `text` means; `category` (a category key) decides between words that mean different things in different appliances.
    ///
    /// Without a category, a word is accepted when it means the same in all categories that know it.
    #[must_use]
    pub fn find(&self, text: &str, category: Option<&str>) -> Match<'_> {
        self.find_key(&match_key(text), category)
    }

    /// As [`TermIndex::find`], for a text whose [`match_key`] is known.
    #[must_use]
    pub fn find_key(&self, match_key: &str, category: Option<&str>) -> Match<'_> {
        let Some(candidates) = self.by_match_key.get(match_key) else { return Match::Unknown };
        let mut keys: Vec<&str> =
            candidates.iter().map(|&at| &self.terms[at]).filter(|term| term.applies_to(category)).map(|term| term.key.as_str()).collect();
        keys.sort_unstable();
        keys.dedup();
        match keys[..] {
            [] => Match::Unknown,
            [key] => Match::One(key),
            _ => Match::Several(keys),
        }
    }

    /// Every normalised spelling that applies to the category (all, if none is given) with its key, in a fixed order.
    pub fn terms<'a>(&'a self, category: Option<&'a str>) -> impl Iterator<Item = (&'a str, &'a str)> {
        self.terms.iter().filter(move |term| term.applies_to(category)).map(|term| (term.text.as_str(), term.key.as_str()))
    }
}
