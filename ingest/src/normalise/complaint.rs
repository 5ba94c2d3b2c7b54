//! What the customer reported: the symptoms that the vocabulary knows, and the words as such.

use fixodds_schemas::TextRules;
use fixodds_schemas::words::words;

use super::terms::{How, RecognisedTerms, TermReader};
use crate::privacy;
use crate::quarantine::head;

/// Longest complaint of which words are taken, in bytes.
const LONGEST_COMPLAINT: usize = 1_000;

/// A complaint as it is stored and asked with.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Complaint {
    pub terms: RecognisedTerms,
    /// None where the complaint holds nothing but keys of symptoms, which the words would only repeat.
    pub words: Vec<String>,
}

impl Complaint {
    /// Keys of the symptoms, sorted.
    #[must_use]
    pub fn keys(&self) -> Vec<&str> {
        let mut keys: Vec<&str> = self.terms.terms.iter().map(|term| term.key.as_str()).collect();
        keys.sort_unstable();
        keys
    }
}

/// Reads a complaint; `category` decides between words that mean different things in different appliances.
#[must_use]
pub fn read_complaint(reader: &TermReader<'_>, text: &str, category: Option<&str>) -> Complaint {
    let terms = reader.several(text, category);
    let is_plain = terms.set_aside.is_empty() && terms.terms.iter().all(|term| term.how == How::Exact);
    let words = if is_plain { Vec::new() } else { words(&privacy::mask(head(text, LONGEST_COMPLAINT))) };
    Complaint { terms, words }
}

/// A text on the fault as what the customer reported, if it begins with saying so, and what the repairer wrote.
#[must_use]
pub fn split_complaint<'t>(text: &'t str, rules: &TextRules) -> (Option<&'t str>, &'t str) {
    let small = text.to_ascii_lowercase();
    let start = small.len() - small.trim_start().len();
    let begins =
        |phrase: &&String| small[start..].strip_prefix(phrase.as_str()).is_some_and(|rest| !rest.starts_with(char::is_alphanumeric));
    let Some(cue) = rules.customer_says.iter().filter(begins).max_by_key(|phrase| phrase.len()) else { return (None, text) };
    let from = start + cue.len();
    let is_word = |at: usize, phrase: &str| {
        let before = small[..at].chars().next_back().is_none_or(|character| !character.is_alphanumeric());
        before && small[at + phrase.len()..].chars().next().is_none_or(|character| !character.is_alphanumeric())
    };
    let finds = |phrase: &String| small[from..].match_indices(phrase.as_str()).map(|(at, _)| from + at).find(|at| is_word(*at, phrase));
    let end = rules.repairer_says.iter().filter_map(finds).min().unwrap_or(text.len());
    let joint = |character: char| character.is_whitespace() || matches!(character, ':' | '-' | ',' | ';' | '.');
    (Some(text[from..end].trim_matches(joint)).filter(|said| !said.is_empty()), &text[end..])
}

#[cfg(test)]
mod tests {
    use fixodds_schemas::{List, text_rules, vocabulary};

    use super::*;

    #[test]
    fn keys_need_no_words_and_everything_else_keeps_them() {
        let reader = TermReader::new(vocabulary(), List::Symptom, &Default::default());
        let read = |text: &str| read_complaint(&reader, text, Some("washing_machine"));
        let plain = read("leaks; Drum does not turn");
        assert_eq!((plain.keys(), plain.words.len()), (vec!["drum_does_not_turn", "leaks"], 0));
        let told = read("leaks; moans like a ghost, E-18, ring Mrs Whittle");
        assert_eq!(told.keys(), ["leaks"]);
        assert!(told.words.contains(&"ghost".to_owned()) && told.words.contains(&"e18".to_owned()), "{:?}", told.words);
        assert!(!told.words.contains(&"whittle".to_owned()), "{:?}", told.words);
    }

    #[test]
    fn a_text_says_itself_what_the_customer_reported() {
        let split = |text: &'static str| split_complaint(text, text_rules());
        assert_eq!(split("Customer says: will not drain, E18. Found pump blocked"), (Some("will not drain, E18"), "Found pump blocked"));
        assert_eq!(split("customer reports noise"), (Some("noise"), ""));
        assert_eq!(split("pump blocked, customer says noisy"), (None, "pump blocked, customer says noisy"));
        assert_eq!(split("customer saysso"), (None, "customer saysso"));
        assert_eq!(split("Customer says: "), (None, ""));
    }
}
