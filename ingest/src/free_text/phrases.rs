//! Phrases of a list, found among the words of a text.

use std::collections::HashMap;
use std::ops::Range;

use fixodds_schemas::terms::match_key;
use fixodds_schemas::{KeyPhrases, normalise};

use super::tokens::Token;

/// Longest phrase, in words.
pub const MOST_WORDS: usize = 7;
/// Words that may stand between a phrase and the component it refers to.
const FILLERS: [&str; 22] = [
    "the", "a", "an", "its", "it", "this", "that", "both", "all", "one", "was", "is", "were", "are", "been", "has", "had", "also", "very",
    "just", "x2", "now",
];

/// Phrases and what each means.
#[derive(Debug)]
pub struct Phrases<T> {
    by_key: HashMap<String, Vec<(T, Vec<String>)>>,
    longest: usize,
}

pub fn is_filler(token: &Token) -> bool {
    FILLERS.contains(&token.word.as_str())
}

/// The form in which the words of a range are compared.
pub fn key_of(tokens: &[Token]) -> String {
    tokens.iter().map(|token| token.key.as_str()).collect()
}

impl Phrases<()> {
    pub fn plain<'p>(phrases: impl IntoIterator<Item = &'p String>) -> Self {
        let mut set = Self { by_key: HashMap::new(), longest: 0 };
        phrases.into_iter().for_each(|phrase| set.add(phrase, (), &[]));
        set
    }

    /// Whether the words end with a phrase, words without weight aside.
    pub fn ends(&self, tokens: &[Token]) -> bool {
        let end = tokens.iter().rposition(|token| !is_filler(token)).map_or(0, |at| at + 1);
        // an article may belong to the phrase
        [end, tokens.len()]
            .into_iter()
            .any(|end| (1..=self.longest.min(end)).any(|length| self.by_key.contains_key(&key_of(&tokens[end - length..end]))))
    }

    /// Whether the words begin with a phrase, words without weight and those of `skipped` aside.
    pub fn begins(&self, tokens: &[Token], skipped: &Self) -> bool {
        let skip = |token: &&Token| is_filler(token) || skipped.by_key.contains_key(&token.key);
        let start = tokens.iter().take_while(skip).count();
        [0, start].into_iter().any(|start| {
            (1..=self.longest.min(tokens.len() - start)).any(|length| self.by_key.contains_key(&key_of(&tokens[start..start + length])))
        })
    }
}

impl<T: Clone> Phrases<T> {
    pub fn keyed(entries: &[KeyPhrases], meaning: impl Fn(&str) -> T) -> Self {
        let mut set = Self { by_key: HashMap::new(), longest: 0 };
        for entry in entries {
            entry.phrases.iter().for_each(|phrase| set.add(phrase, meaning(&entry.key), &entry.categories));
        }
        set
    }

    pub fn add(&mut self, phrase: &str, meaning: T, categories: &[String]) {
        let words = normalise(phrase).split(' ').count();
        self.longest = self.longest.max(words).min(MOST_WORDS);
        self.by_key.entry(match_key(phrase)).or_default().push((meaning, categories.to_vec()));
    }

    /// What the words of a range mean together.
    pub fn get(&self, tokens: &[Token], category: Option<&str>) -> Option<&T> {
        let meanings = self.by_key.get(&key_of(tokens))?;
        let applies = |categories: &[String]| {
            categories.is_empty() || category.is_none_or(|category| categories.iter().any(|known| known == category))
        };
        meanings.iter().find(|(_, categories)| applies(categories)).map(|(meaning, _)| meaning)
    }

    /// The first and longest phrase within the words.
    pub fn find<'p>(&'p self, tokens: &'p [Token], category: Option<&'p str>) -> Option<(Range<usize>, &'p T)> {
        self.all(tokens, category).next()
    }

    /// All phrases within the words, the longest at each place, none overlapping.
    pub fn all<'p>(&'p self, tokens: &'p [Token], category: Option<&'p str>) -> impl Iterator<Item = (Range<usize>, &'p T)> + 'p {
        let mut at = 0;
        std::iter::from_fn(move || {
            while at < tokens.len() {
                let start = at;
                at += 1;
                let longest = (1..=self.longest.min(tokens.len() - start))
                    .rev()
                    .filter(|length| tokens[start].sentence == tokens[start + length - 1].sentence)
                    .find_map(|length| Some((length, self.get(&tokens[start..start + length], category)?)));
                if let Some((length, meaning)) = longest {
                    at = start + length;
                    return Some((start..at, meaning));
                }
            }
            None
        })
    }

    /// Whether any phrase stands within the words.
    pub fn has(&self, tokens: &[Token]) -> bool {
        self.find(tokens, None).is_some()
    }
}
