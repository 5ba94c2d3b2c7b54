//! Free text into components with their roles, symptoms, outcome and reason, by the rules of `text_rules.toml`.
//!
//! A text is split into words, clauses and sentences. Components are looked for by the spellings of the vocabulary; the phrases around
//! each say whether it had failed or was worked on, was found sound, was only suspected, or is only a place; the phrases between two
//! say which damaged the other. Nothing is inferred that no phrase says.

mod mentions;
mod phrases;
mod tokens;

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::rc::Rc;

use fixodds_schemas::{List, TextRules, Vocabulary, emergencies, normalise, terms::match_key};
use serde::Serialize;

use crate::normalise::terms::TermReader;
use mentions::Mention;
use phrases::Phrases;
use tokens::Tokens;

/// Findings of at least this confidence are used; others are proposed in the review file.
pub const LEAST_CONFIDENCE: f64 = 0.6;
/// Longest text that is read, in bytes; the rest of a longer one is not looked at.
const LONGEST_TEXT: usize = 4_000;

/// How a component was recognised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reached {
    /// The cell holds the key or the name of the vocabulary.
    Exact,
    /// Another known spelling, or one of the mapping file.
    Synonym,
    /// A spelling that differs by a letter or two.
    Fuzzy,
    /// The rules for free text found it in a sentence.
    Rule,
    /// A person said so in a review file.
    Review,
}

impl Reached {
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Exact => "exact",
            Self::Synonym => "synonym",
            Self::Fuzzy => "fuzzy",
            Self::Rule => "rule",
            Self::Review => "review",
        }
    }
}

/// A component that a text names as faulty.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TextFinding {
    /// Key of the vocabulary.
    pub component: String,
    /// Whether another component damaged it.
    pub consequential: bool,
    /// Position, in the same list, of the finding that damaged it.
    pub caused_by: Option<usize>,
    pub reached: Reached,
    /// From 0 to 1. A rank, not a probability: how plainly the text says it.
    pub confidence: f64,
}

/// What a text says.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct TextReading {
    /// In the order of the text.
    pub findings: Vec<TextFinding>,
    /// Less certain than [`LEAST_CONFIDENCE`].
    pub suspected: Vec<TextFinding>,
    /// Sorted keys.
    pub symptoms: Vec<String>,
    pub outcome: Option<String>,
    /// What a person has said.
    pub reviewed_outcome: Option<String>,
    /// Why the machine was not repaired.
    pub reason: Option<String>,
}

/// Spellings and keys of components, by category and first letter.
type Spellings = BTreeMap<String, BTreeMap<char, Rc<[(String, Rc<str>)]>>>;

/// Reads free text.
pub struct FreeTextReader<'a> {
    vocabulary: &'a Vocabulary,
    components: TermReader<'a>,
    component_phrases: Phrases<String>,
    symptoms: Phrases<String>,
    outcomes: Phrases<String>,
    reasons: Phrases<String>,
    known_words: HashSet<String>,
    spellings: RefCell<Spellings>,
    marks: Marks,
}

/// The lists of phrases around components.
struct Marks {
    sound_before: Phrases<()>,
    sound_after: Phrases<()>,
    unsure_before: Phrases<()>,
    unsure_after: Phrases<()>,
    action: Phrases<()>,
    needed: Phrases<()>,
    examined: Phrases<()>,
    failure: Phrases<()>,
    place: Phrases<()>,
    damaged_next: Phrases<()>,
    damaged_after: Phrases<()>,
    therefore: Phrases<()>,
    because_of: Phrases<()>,
    after_failure: Phrases<()>,
    complaint: Phrases<()>,
    follows_if: Phrases<()>,
    not_in_prose: BTreeSet<String>,
    if_failed: BTreeSet<String>,
    follows_from_others: Vec<String>,
    vague_symptoms: Vec<String>,
}

impl Marks {
    /// Whether the words hold a failure other than those phrases.
    fn failure_without(&self, other: &Phrases<()>, words: &[tokens::Token]) -> bool {
        self.failure.all(words, None).any(|(range, ())| other.get(&words[range], None).is_none())
    }
}

impl<'a> FreeTextReader<'a> {
    /// `mapped` gives further spellings of components and the key of each.
    #[must_use]
    pub fn new(vocabulary: &'a Vocabulary, rules: &TextRules, mapped: &BTreeMap<String, String>) -> Self {
        let mut symptoms = Phrases::keyed(&rules.symptom, str::to_owned);
        for symptom in &vocabulary.symptoms {
            for phrase in std::iter::once(&symptom.name).chain(&symptom.synonyms) {
                symptoms.add(phrase, symptom.key.clone(), &symptom.categories);
            }
            for (category, phrases) in &symptom.synonyms_in {
                phrases.iter().for_each(|phrase| symptoms.add(phrase, symptom.key.clone(), std::slice::from_ref(category)));
            }
        }
        let modes = vocabulary.index(List::FailureMode).terms(None).map(|(term, _)| term.to_owned()).collect::<Vec<_>>();
        let keys = |words: &[String]| words.iter().map(|word| match_key(word)).collect::<BTreeSet<_>>();
        let marks = Marks {
            sound_before: Phrases::plain(&rules.sound_before),
            sound_after: Phrases::plain(&rules.sound_after),
            unsure_before: Phrases::plain(&rules.unsure_before),
            unsure_after: Phrases::plain(&rules.unsure_after),
            action: Phrases::plain(&rules.action),
            needed: Phrases::plain(&rules.needed),
            examined: Phrases::plain(&rules.examined),
            failure: Phrases::plain(rules.failure.iter().chain(&modes)),
            place: Phrases::plain(&rules.place),
            damaged_next: Phrases::plain(&rules.damaged_next),
            damaged_after: Phrases::plain(&rules.damaged_after),
            therefore: Phrases::plain(&rules.therefore),
            because_of: Phrases::plain(&rules.because_of),
            after_failure: Phrases::plain(&rules.after_failure),
            complaint: Phrases::plain(&rules.complaint),
            follows_if: Phrases::plain(&rules.follows_if),
            not_in_prose: keys(&rules.not_in_prose),
            if_failed: keys(&rules.if_failed),
            follows_from_others: rules.follows_from_others.clone(),
            vague_symptoms: rules.vague_symptoms.clone(),
        };
        let component_terms = vocabulary.index(List::Component).terms(None).map(|(term, _)| term.to_owned());
        let lists = [
            &rules.sound_before,
            &rules.sound_after,
            &rules.unsure_before,
            &rules.unsure_after,
            &rules.action,
            &rules.needed,
            &rules.examined,
            &rules.failure,
            &rules.place,
            &rules.damaged_next,
            &rules.because_of,
            &rules.therefore,
        ];
        let keyed = [&rules.component, &rules.symptom, &rules.outcome, &rules.reason];
        let phrases = lists
            .into_iter()
            .flatten()
            .chain(keyed.into_iter().flatten().flat_map(|entry| &entry.phrases))
            .cloned()
            .chain(component_terms)
            .chain(modes)
            .chain(vocabulary.index(List::Symptom).terms(None).map(|(term, _)| term.to_owned()));
        let known_words = phrases.flat_map(|phrase| normalise(&phrase).split(' ').map(match_key).collect::<Vec<_>>()).collect();
        Self {
            vocabulary,
            components: TermReader::new(vocabulary, List::Component, mapped),
            component_phrases: Phrases::keyed(&rules.component, str::to_owned),
            symptoms,
            outcomes: Phrases::keyed(&rules.outcome, str::to_owned),
            reasons: Phrases::keyed(&rules.reason, str::to_owned),
            known_words,
            spellings: RefCell::default(),
            marks,
        }
    }

    /// Reads a text; `category` decides between words that mean different things in different appliances.
    #[must_use]
    pub fn read(&self, text: &str, category: Option<&str>) -> TextReading {
        let category = category.filter(|key| self.vocabulary.category(key).is_some());
        let tokens = Tokens::of(crate::quarantine::head(text, LONGEST_TEXT));
        let reasons: Vec<_> = self.reasons.all(&tokens.words, category).collect();
        let mut symptoms: Vec<_> = self.symptoms.all(&tokens.words, category).map(|(range, key)| (range, key.clone())).collect();
        let mentions = self.mentions(&tokens, category, &symptoms, &reasons.iter().map(|(range, _)| range.clone()).collect::<Vec<_>>());
        symptoms.retain(|(range, key)| self.is_symptom(&tokens, &mentions, range, key));
        let mut reading = TextReading::default();
        (reading.findings, reading.suspected) = self.findings(&mentions);
        let urgent = emergencies().read(text, category).into_iter().map(str::to_owned);
        reading.symptoms = symptoms.into_iter().map(|(_, key)| key).chain(urgent).collect::<BTreeSet<_>>().into_iter().collect();
        let reason_keys: Vec<&str> = reasons.iter().map(|(_, key)| key.as_str()).collect();
        // the vocabulary lists the general reasons last
        reading.reason = self.vocabulary.reasons.iter().map(|reason| &reason.key).find(|key| reason_keys.contains(&key.as_str())).cloned();
        reading.outcome = self.outcome(&tokens, category, &mentions, &reading);
        reading
    }

    fn outcome(&self, tokens: &Tokens, category: Option<&str>, mentions: &[Mention], reading: &TextReading) -> Option<String> {
        let said: BTreeSet<&str> = self.outcomes.all(&tokens.words, category).map(|(_, key)| key.as_str()).collect();
        let plain = ["condemned", "declined", "no_fault_found", "repairable"]
            .into_iter()
            .filter(|key| *key != "no_fault_found" || reading.findings.is_empty())
            .find(|key| said.contains(key));
        let is = |status: mentions::Status| mentions.iter().any(|mention| mention.status == status);
        let implied = if reading.reason.as_deref() == Some("not_economic") {
            Some("condemned")
        } else if reading.reason.is_some() {
            None
        } else if is(mentions::Status::Acted) || said.contains("repaired") {
            Some("repaired")
        } else if is(mentions::Status::Needed) {
            Some("repairable")
        } else {
            None
        };
        plain.or(implied).map(str::to_owned)
    }
}
