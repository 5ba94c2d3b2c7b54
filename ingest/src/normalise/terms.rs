//! Words of the vocabulary: known spellings first, then misspellings within edit distance, and cells that hold several terms. Before
//! all that, what customers say is read for emergencies: no text that tells of one is read as an ordinary symptom.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::ops::Range;
use std::rc::Rc;

use fixodds_schemas::{List, Match, TermIndex, Vocabulary, emergencies, normalise, terms::match_key};

use super::is_blank;
use crate::quarantine::Reason;

/// How a term was recognised.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum How {
    /// The key itself, whatever its case and number.
    Exact,
    /// The vocabulary knows this spelling.
    Known,
    /// The mapping file says what it means.
    Mapped,
    /// One or two letters differ from this spelling.
    Misspelt { of: String },
}

/// A key of the vocabulary and how the text led to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recognised {
    pub key: String,
    pub how: How,
}

/// What a cell with several terms holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RecognisedTerms {
    /// In the order of the cell, each key once.
    pub terms: Vec<Recognised>,
    /// Parts of the cell that are no term.
    pub set_aside: Vec<(String, Reason)>,
}

/// Longest text compared letter by letter; longer ones are sentences.
const LONGEST_MISSPELT: usize = 40;
/// Longest cell that can hold terms.
const LONGEST_CELL: usize = 400;

/// Reads the terms of one list.
#[derive(Debug)]
pub struct TermReader<'a> {
    list: List,
    index: &'a TermIndex,
    mapped: BTreeMap<String, String>,
    spellings: RefCell<BTreeMap<Option<String>, Rc<[Spelling]>>>,
}

/// A spelling of a term, in the form in which misspellings are compared with it.
#[derive(Debug)]
struct Spelling {
    match_key: String,
    length: usize,
    term: String,
    key: String,
    match_key_letters: Letters,
    term_letters: Letters,
}

/// Which letters a text holds, a bit for each; different ones may share a bit.
type Letters = u64;

fn letters_of(text: &str) -> Letters {
    text.chars().fold(0, |letters, letter| letters | 1 << (u32::from(letter) % Letters::BITS))
}

/// The fewest edits that make one text of the other: an edit changes which letters there are in two places at most.
fn fewest_edits(one: Letters, other: Letters) -> usize {
    (one ^ other).count_ones().div_ceil(2) as usize
}

impl<'a> TermReader<'a> {
    /// `mapped` gives further spellings and the key of each.
    pub fn new(vocabulary: &'a Vocabulary, list: List, mapped: &BTreeMap<String, String>) -> Self {
        let mapped = mapped.iter().map(|(text, key)| (match_key(text), key.clone())).collect();
        Self { list, index: vocabulary.index(list), mapped, spellings: RefCell::default() }
    }

    /// The one term that a cell holds, or nothing.
    ///
    /// # Errors
    /// If no term of the list is written so, or if it means different things in different appliances.
    pub fn one(&self, text: &str, category: Option<&str>) -> Result<Option<Recognised>, Reason> {
        if text.trim().is_empty() {
            return Ok(None);
        }
        if text.len() > LONGEST_CELL {
            return Err(self.unknown());
        }
        match self.known(text, category) {
            Err(_) if is_blank(text) => Ok(None),
            Err(reason) if reason == self.unknown() && !self.is_list(text, category) => self.misspelt(text, category).map(Some),
            other => other.map(Some),
        }
    }

    /// All terms of a cell: split at `;`, `|`, `+`, line breaks, `/`, at commas between two terms, and at "and".
    #[must_use]
    pub fn several(&self, text: &str, category: Option<&str>) -> RecognisedTerms {
        let mut found = RecognisedTerms::default();
        // The words of an emergency may stand in several parts of the cell.
        let tells_of_emergency = self.add_emergencies(text, category, &mut found);
        if text.len() > LONGEST_CELL {
            found.set_aside.push((text.to_owned(), self.unknown()));
        } else {
            self.split(text, category, Joint::ALL, &mut found);
        }
        if tells_of_emergency {
            found.set_aside.clear();
        }
        found
    }

    /// Adds the emergencies that a text tells of; whether it tells of any.
    fn add_emergencies(&self, text: &str, category: Option<&str>, found: &mut RecognisedTerms) -> bool {
        let keys = self.emergencies(text, category);
        keys.iter().for_each(|key| found.add(Recognised { key: (*key).to_owned(), how: How::Known }));
        !keys.is_empty()
    }

    fn emergencies(&self, text: &str, category: Option<&str>) -> Vec<&'static str> {
        if self.list == List::Symptom { emergencies().read(text, category) } else { Vec::new() }
    }

    fn split(&self, text: &str, category: Option<&str>, joints: &[Joint], found: &mut RecognisedTerms) {
        let text = text.trim();
        match self.known(text, category) {
            Ok(term) => return found.add(term),
            Err(_) if is_blank(text) => return,
            Err(_) => {}
        }
        let Some((joint, finer_joints)) = joints.split_first() else {
            if self.add_emergencies(text, category, found) {
                return;
            }
            return match self.one(text, category) {
                Ok(Some(term)) => found.add(term),
                Ok(None) => {}
                Err(reason) => found.set_aside.push((text.to_owned(), reason)),
            };
        };
        let mut places = joint.places(text);
        if *joint == Joint::Comma {
            self.keep_places_between_terms(text, category, finer_joints, &mut places);
        }
        // a term may contain the joint ("cuts in and out"), so the longest known run of pieces is taken first
        let starts: Vec<usize> = std::iter::once(0).chain(places.iter().map(|place| place.end)).collect();
        let ends: Vec<usize> = places.iter().map(|place| place.start).chain([text.len()]).collect();
        let mut at = 0;
        while at < starts.len() {
            let longest = (at..ends.len())
                .rev()
                .find_map(|last| self.known(text[starts[at]..ends[last]].trim(), category).ok().map(|term| (last, term)));
            match longest {
                Some((last, term)) => {
                    found.add(term);
                    at = last + 1;
                }
                None => {
                    self.split(&text[starts[at]..ends[at]], category, finer_joints, found);
                    at += 1;
                }
            }
        }
    }

    /// Leaves only the places with nothing but terms on both sides.
    fn keep_places_between_terms(&self, text: &str, category: Option<&str>, finer_joints: &[Joint], places: &mut Vec<Range<usize>>) {
        let starts = std::iter::once(0).chain(places.iter().map(|place| place.end));
        let ends = places.iter().map(|place| place.start).chain([text.len()]);
        let are_terms: Vec<bool> = starts
            .zip(ends)
            .map(|(start, end)| {
                let mut found = RecognisedTerms::default();
                self.split(&text[start..end], category, finer_joints, &mut found);
                !found.terms.is_empty() && found.set_aside.is_empty()
            })
            .collect();
        let mut at = 0;
        places.retain(|_| {
            at += 1;
            are_terms[at - 1] && are_terms[at]
        });
    }

    /// The key of a known spelling that needs no category other than this one.
    #[must_use]
    pub fn spelt(&self, text: &str, category: Option<&str>) -> Option<String> {
        let match_key = match_key(text);
        self.mapped.get(&match_key).cloned().or_else(|| self.index.find_key(&match_key, category).key().map(str::to_owned))
    }

    fn known(&self, text: &str, category: Option<&str>) -> Result<Recognised, Reason> {
        if !self.emergencies(text, category).is_empty() {
            return Err(self.unknown());
        }
        let text_key = match_key(text);
        if let Some(key) = self.mapped.get(&text_key) {
            return Ok(Recognised { key: key.clone(), how: How::Mapped });
        }
        if self.is_list(text, category) {
            return Err(self.unknown());
        }
        let known = |key: &str| {
            let how = if text_key == match_key(key) { How::Exact } else { How::Known };
            Ok(Recognised { key: key.to_owned(), how })
        };
        match self.index.find_key(&text_key, category) {
            Match::One(key) => known(key),
            // a key written as it is stands for itself
            Match::Several(keys) if keys.contains(&text) => Ok(Recognised { key: text.to_owned(), how: How::Exact }),
            Match::Several(_) => Err(Reason::AmbiguousTerm),
            Match::Unknown => match self.index.find_key(&text_key, None) {
                Match::One(key) if category.is_some() => known(key),
                _ => Err(self.unknown()),
            },
        }
    }

    /// Whether a strong joint stands between terms: "drain pump; motor" is two, although "drain pump motor" is another name of one.
    fn is_list(&self, text: &str, category: Option<&str>) -> bool {
        let is_term = |piece: &str| self.index.find_key(&match_key(piece), category) != Match::Unknown;
        let mut pieces = text.split(Joint::STRONG).filter(|piece| !is_blank(piece)).peekable();
        text.contains(Joint::STRONG) && pieces.next().is_some_and(is_term) && pieces.peek().is_some() && pieces.all(is_term)
    }

    /// The only nearest spelling: one letter may differ from five letters on, two from eight on.
    fn misspelt(&self, text: &str, category: Option<&str>) -> Result<Recognised, Reason> {
        let normalised = normalise(text);
        let text = match_key(text);
        let length = text.chars().count();
        let allowed = match length {
            0..=4 => 0,
            5..=7 => 1,
            8..=LONGEST_MISSPELT => 2,
            _ => 0,
        };
        if allowed == 0 {
            return Err(self.unknown());
        }
        let (letters, normalised_letters) = (letters_of(&text), letters_of(&normalised));
        let spellings = self.spellings(category);
        let mut best: Option<(usize, &Spelling)> = None;
        let mut is_tied = false;
        for spelling in spellings.iter() {
            let within = best.map_or(allowed, |(distance, _)| distance);
            if spelling.length.abs_diff(length) > within + 1 {
                continue;
            }
            let fewest = fewest_edits(letters, spelling.match_key_letters).min(fewest_edits(normalised_letters, spelling.term_letters));
            if fewest > within {
                continue;
            }
            // the form without plural forgives more, but a wrong letter may hide the plural
            let distance = strsim::osa_distance(&text, &spelling.match_key).min(strsim::osa_distance(&normalised, &spelling.term));
            match best {
                _ if distance > within => {}
                Some((nearest, other)) if nearest == distance => is_tied |= other.key != spelling.key,
                _ => {
                    best = Some((distance, spelling));
                    is_tied = false;
                }
            }
        }
        match best {
            Some((_, spelling)) if !is_tied => {
                Ok(Recognised { key: spelling.key.clone(), how: How::Misspelt { of: spelling.term.clone() } })
            }
            _ => Err(self.unknown()),
        }
    }

    /// All spellings that apply to a category, in the form in which they are compared; worked out once.
    fn spellings(&self, category: Option<&str>) -> Rc<[Spelling]> {
        let mut known = self.spellings.borrow_mut();
        if let Some(spellings) = known.get(&category.map(str::to_owned)) {
            return Rc::clone(spellings);
        }
        let spelling = |(term, key): (&str, &str)| {
            let match_key = match_key(term);
            Spelling {
                length: match_key.chars().count(),
                match_key_letters: letters_of(&match_key),
                term_letters: letters_of(term),
                match_key,
                term: term.to_owned(),
                key: key.to_owned(),
            }
        };
        let spellings: Rc<[Spelling]> = self.index.terms(category).map(spelling).collect();
        known.insert(category.map(str::to_owned), Rc::clone(&spellings));
        spellings
    }

    fn unknown(&self) -> Reason {
        match self.list {
            List::Outcome => Reason::UnknownOutcome,
            List::YesNo => Reason::UnreadableFlag,
            _ => Reason::UnknownTerm,
        }
    }
}

impl RecognisedTerms {
    fn add(&mut self, term: Recognised) {
        if !self.terms.iter().any(|known| known.key == term.key) {
            self.terms.push(term);
        }
    }
}

/// What stands between two terms of a cell, the strongest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Joint {
    /// `;`, `|`, `+` or a line break.
    Strong,
    Slash,
    Comma,
    And,
}

impl Joint {
    const STRONG: &[char] = &[';', '|', '+', '\n', '\r'];
    const ALL: &[Self] = &[Self::Strong, Self::Slash, Self::Comma, Self::And];

    /// Where the joint stands in a text.
    fn places(self, text: &str) -> Vec<Range<usize>> {
        let signs: &[char] = match self {
            Self::Strong => Self::STRONG,
            Self::Slash => &['/'],
            Self::Comma => &[','],
            Self::And => return and_places(text),
        };
        text.match_indices(signs).map(|(at, sign)| at..at + sign.len()).collect()
    }
}

/// `&`, and "and" as a word of its own.
fn and_places(text: &str) -> Vec<Range<usize>> {
    let bytes = text.as_bytes();
    let is_word = |at: usize| {
        let word = bytes.get(at + 1..at + 5);
        bytes[at].is_ascii_whitespace() && word.is_some_and(|word| word[..3].eq_ignore_ascii_case(b"and") && word[3].is_ascii_whitespace())
    };
    let mut places: Vec<Range<usize>> = Vec::new();
    for (at, byte) in bytes.iter().enumerate() {
        let length = if *byte == b'&' {
            1
        } else if is_word(at) {
            5
        } else {
            continue;
        };
        if places.last().is_none_or(|last| last.end <= at) {
            places.push(at..at + length);
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::vocabulary;

    fn components() -> TermReader<'static> {
        TermReader::new(vocabulary(), List::Component, &BTreeMap::new())
    }

    fn keys(text: &str) -> Vec<String> {
        components().several(text, Some("washing_machine")).terms.into_iter().map(|term| term.key).collect()
    }

    #[test]
    fn known_spellings_need_no_guess() {
        let read = components().one("Drive Belts", Some("washing_machine")).unwrap().unwrap();
        assert_eq!(read, Recognised { key: "drive_belt".into(), how: How::Exact });
        assert_eq!(components().one("n/a", None), Ok(None));
    }

    #[test]
    fn misspellings_lead_to_the_only_nearest_term() {
        let read = components().one("drane pump", Some("washing_machine")).unwrap().unwrap();
        assert_eq!(read, Recognised { key: "drain_pump".into(), how: How::Misspelt { of: "drain pump".into() } });
        assert_eq!(components().one("flux capacitor", Some("washing_machine")), Err(Reason::UnknownTerm));
        assert_eq!(components().one("dr", None), Err(Reason::UnknownTerm));
    }

    #[test]
    fn a_mapping_comes_first() {
        let mapped = BTreeMap::from([("Gone to tip".to_owned(), "condemned".to_owned())]);
        let outcomes = TermReader::new(vocabulary(), List::Outcome, &mapped);
        assert_eq!(outcomes.one("gone to TIP", None).unwrap().unwrap(), Recognised { key: "condemned".into(), how: How::Mapped });
        assert_eq!(outcomes.one("vanished utterly", None), Err(Reason::UnknownOutcome));
    }

    #[test]
    fn cells_with_several_terms_are_split() {
        assert_eq!(keys("drain pump; door lock"), ["drain_pump", "door_lock"]);
        assert_eq!(keys("drain pump/door lock"), ["drain_pump", "door_lock"]);
        assert_eq!(keys("drain_pump;motor"), ["drain_pump", "motor"]);
        assert_eq!(keys("drain pump motor;"), ["drain_pump"]);
        assert_eq!(components().one("drain pump; motor", Some("washing_machine")), Err(Reason::UnknownTerm));
        assert_eq!(keys("Drain pump and door lock & drive belt"), ["drain_pump", "door_lock", "drive_belt"]);
        assert_eq!(keys("drain pump\ndoor lock + drain pump"), ["drain_pump", "door_lock"]);
        assert_eq!(keys("drain pump, door lock, drive belt"), ["drain_pump", "door_lock", "drive_belt"]);
    }

    #[test]
    fn an_emergency_goes_before_everything_else() {
        let mapped = BTreeMap::from([("smell of gas".to_owned(), "does_not_ignite".to_owned())]);
        let symptoms = TermReader::new(vocabulary(), List::Symptom, &mapped);
        let keys = |text: &str| symptoms.several(text, Some("hob")).terms.into_iter().map(|term| term.key).collect::<Vec<_>>();
        assert_eq!(keys("smell of gas"), ["gas_smell"]);
        assert_eq!(keys("won't light and smell of gas"), ["gas_smell", "does_not_ignite"]);
        assert_eq!(keys("won't light, smels of gas"), ["gas_smell", "does_not_ignite"]);
        assert_eq!(keys("the socket behind it / is wet; noisy"), ["water_near_electricity", "noisy"]);
        assert_eq!(keys(&format!("{} smoke", "and then ".repeat(60))), ["fire_or_smoke"]);
        assert_eq!(keys("gas_smell;electric_shock"), ["gas_smell", "electric_shock"]);
        assert_eq!(keys("no smell of gas"), [""; 0]);
    }

    #[test]
    fn a_comma_splits_only_between_two_terms() {
        let found = components().several("drain pump, door lock, quite worn", Some("washing_machine"));
        assert_eq!(found.terms.len(), 1);
        assert_eq!(found.set_aside, [("door lock, quite worn".to_owned(), Reason::UnknownTerm)]);
    }

    #[test]
    fn a_term_may_contain_what_else_splits() {
        let symptoms = TermReader::new(vocabulary(), List::Symptom, &BTreeMap::new());
        let keys = |text: &str| symptoms.several(text, Some("washing_machine")).terms.into_iter().map(|term| term.key).collect::<Vec<_>>();
        for text in ["cuts in and out and trips supply", "cuts in and out, trips supply", "trips supply and cuts in and out"] {
            let mut found = keys(text);
            found.sort();
            assert_eq!(found, ["runs_intermittently", "trips_supply"], "{text}");
        }
    }

    #[test]
    fn splitting_at_and_leaves_words_alone() {
        let pieces = |text: &'static str| and_places(text).into_iter().map(|place| &text[place]).collect::<Vec<_>>();
        assert_eq!(pieces("sand and land and"), [" and "]);
        assert_eq!(pieces("a and and b"), [" and "]);
        assert_eq!(pieces("é &ü"), ["&"]);
    }
}
