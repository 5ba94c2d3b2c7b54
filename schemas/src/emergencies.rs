//! Whether a text tells of an emergency, by the phrases of `vocabularies/emergencies.toml`; the page of odds works by the same rules.
//!
//! Comes before every other reading of what customers say: see [`Emergencies::read`].

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::OnceLock;

use regex::Regex;
use serde::{Deserialize, Serialize};

/// Longest text that is looked at, in bytes.
const LONGEST_TEXT: usize = 4_000;
/// Words shorter than this are never put right.
const SHORTEST_SPELT: usize = 5;
/// From this length on two letters may differ.
const LONG_WORD: usize = 9;
/// A break between clauses, as a word of its own.
const BREAK: &str = ",";
/// Different words whose spelling is remembered.
const MOST_REMEMBERED: usize = 20_000;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Rules {
    spelt: Vec<String>,
    not_misspelt: Vec<String>,
    words: BTreeMap<String, String>,
    instead_of: BTreeMap<String, Vec<String>>,
    ordinary: Vec<Phrases>,
    emergency: Vec<Phrases>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Phrases {
    #[serde(default)]
    symptom: String,
    #[serde(default)]
    categories: Vec<String>,
    #[serde(default)]
    except: Vec<String>,
    phrases: Vec<String>,
}

/// A phrase as a regular expression, in the form that a browser reads too.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pattern {
    /// The emergency; empty for an ordinary phrase.
    pub symptom: String,
    /// Keys of the categories in which it holds; empty for all.
    pub categories: Vec<String>,
    pub except: Vec<String>,
    pub pattern: String,
}

/// The rules, ready to read with.
#[derive(Debug, Serialize)]
pub struct Emergencies {
    /// Words to which slips of the finger are put right.
    pub spelt: Vec<String>,
    /// Words that are taken as they stand.
    pub known: BTreeSet<String>,
    /// The first key goes before the others.
    pub instead_of: BTreeMap<String, Vec<String>>,
    pub ordinary: Vec<Pattern>,
    pub emergency: Vec<Pattern>,
    #[serde(skip)]
    compiled_ordinary: Vec<Regex>,
    #[serde(skip)]
    compiled_emergency: Vec<Regex>,
    /// For each word, the emergency phrases that cannot do without it or another such.
    #[serde(skip)]
    candidates: HashMap<String, Vec<usize>>,
    /// The same for beginnings and endings of words.
    #[serde(skip)]
    partial_candidates: Vec<(String, bool, usize)>,
}

/// The built-in rules.
///
/// # Panics
/// Never: the embedded file is part of the program, and the tests of this crate load it.
#[must_use]
pub fn emergencies() -> &'static Emergencies {
    static RULES: OnceLock<Emergencies> = OnceLock::new();
    RULES.get_or_init(|| {
        let rules = toml::from_str(include_str!("../vocabularies/emergencies.toml")).map_err(|error| error.to_string());
        rules.and_then(Emergencies::new).expect("the embedded rules are valid, as the tests of this crate show")
    })
}

/// What a word stands for: the word that it was put right to, and the phrases that need it or another such.
struct Meant {
    put_right: Option<usize>,
    numbers: Vec<usize>,
}

/// What stands at one place of a phrase.
enum Place<'a> {
    /// Anything.
    Rest,
    /// Up to so many words of the clause.
    Words(&'a str),
    /// One of these words; may be missing.
    Choice(Vec<String>, bool),
}

impl Rules {
    /// The places of a phrase.
    fn places<'a>(&self, phrase: &'a str) -> Result<Vec<Place<'a>>, String> {
        let place = |text: &'a str| match text.strip_prefix('~') {
            Some("~") => Ok(Place::Rest),
            Some(most) => Ok(Place::Words(most)),
            None => {
                let (text, optional) = text.strip_suffix('?').map_or((text, false), |text| (text, true));
                let words: Result<Vec<Vec<String>>, String> = text.split('|').map(|word| self.choice(word)).collect();
                Ok(Place::Choice(words?.concat(), optional))
            }
        };
        phrase.split(' ').map(place).collect()
    }

    fn choice(&self, word: &str) -> Result<Vec<String>, String> {
        match word.strip_prefix('{').and_then(|group| group.strip_suffix('}')) {
            Some(group) => {
                let words = self.words.get(group).ok_or_else(|| format!("no group of words is called `{group}`"))?;
                Ok(words.split(' ').map(str::to_owned).collect())
            }
            None => Ok(vec![word.to_owned()]),
        }
    }

    /// Every word that a phrase or a group holds.
    fn known(&self) -> BTreeSet<String> {
        let of_phrases = self.ordinary.iter().chain(&self.emergency).flat_map(|group| &group.phrases);
        let words = of_phrases.chain(self.words.values()).flat_map(|text| text.split([' ', '|', '_']));
        let plain = words.map(|word| word.trim_matches(['?', '*'])).filter(|word| !word.starts_with(['{', '~']));
        plain.map(str::to_owned).chain(self.not_misspelt.iter().cloned()).collect()
    }
}

/// A place of a phrase as a regular expression.
fn expression(place: &Place<'_>) -> String {
    match place {
        Place::Rest => ".*".to_owned(),
        Place::Words(most) => format!("(?: [a-z0-9]+){{0,{most}}}"),
        Place::Choice(words, optional) => {
            let words: Vec<String> = words.iter().map(|word| word.replace('_', " ").replace('*', "[a-z0-9]*")).collect();
            let choice = format!(" (?:{})\\b", words.join("|"));
            if *optional { format!("(?:{choice})?") } else { choice }
        }
    }
}

impl Emergencies {
    fn new(rules: Rules) -> Result<Self, String> {
        let mut made = Self {
            known: rules.known(),
            spelt: rules.spelt.clone(),
            instead_of: rules.instead_of.clone(),
            ordinary: Vec::new(),
            emergency: Vec::new(),
            compiled_ordinary: Vec::new(),
            compiled_emergency: Vec::new(),
            candidates: HashMap::new(),
            partial_candidates: Vec::new(),
        };
        for (group, is_emergency) in
            rules.ordinary.iter().map(|group| (group, false)).chain(rules.emergency.iter().map(|group| (group, true)))
        {
            for phrase in &group.phrases {
                let places = rules.places(phrase).map_err(|error| format!("`{phrase}`: {error}"))?;
                let pattern: String = places.iter().map(expression).collect();
                let compiled = Regex::new(&pattern.replace("\\b", "(?-u:\\b)")).map_err(|error| format!("`{phrase}`: {error}"))?;
                let pattern =
                    Pattern { symptom: group.symptom.clone(), categories: group.categories.clone(), except: group.except.clone(), pattern };
                if is_emergency {
                    made.add_candidate(&places);
                    made.emergency.push(pattern);
                    made.compiled_emergency.push(compiled);
                } else {
                    made.ordinary.push(pattern);
                    made.compiled_ordinary.push(compiled);
                }
            }
        }
        Ok(made)
    }

    /// Notes the next phrase under the words of its place with the fewest, so that most texts need no expression at all.
    fn add_candidate(&mut self, places: &[Place<'_>]) {
        let needed = places.iter().filter_map(|place| match place {
            Place::Choice(words, false) => Some(words),
            _ => None,
        });
        let number = self.emergency.len();
        for word in needed.min_by_key(|words| words.len()).into_iter().flatten() {
            let first = word.split('_').next().unwrap_or_default();
            match (first.strip_suffix('*'), first.strip_prefix('*')) {
                (Some(beginning), _) => self.partial_candidates.push((beginning.to_owned(), true, number)),
                (_, Some(ending)) => self.partial_candidates.push((ending.to_owned(), false, number)),
                _ => self.candidates.entry(first.to_owned()).or_default().push(number),
            }
        }
    }

    /// Keys of the emergencies that a text tells of, in the order of the rules; `category` is the key of the appliance, if it is known.
    #[must_use]
    pub fn read(&self, text: &str, category: Option<&str>) -> Vec<&str> {
        let (mut words, numbers) = self.words(text);
        let mut wanted = self.wanted(&words, numbers, category);
        if wanted.is_empty() {
            return Vec::new();
        }
        for (pattern, compiled) in self.ordinary.iter().zip(&self.compiled_ordinary) {
            let holds = pattern.categories.is_empty() || category.is_some_and(|key| pattern.categories.iter().any(|known| known == key));
            if holds && compiled.is_match(&words) {
                words = compiled.replace_all(&words, " ,").into_owned();
            }
        }
        wanted.retain(|number| self.compiled_emergency[*number].is_match(&words));
        let found: BTreeSet<&str> = wanted.iter().map(|number| self.emergency[*number].symptom.as_str()).collect();
        let is_replaced = |key: &str| {
            self.instead_of.iter().any(|(first, others)| found.contains(first.as_str()) && others.iter().any(|other| other == key))
        };
        let mut keys: Vec<&str> = Vec::with_capacity(found.len());
        for number in wanted {
            let key = self.emergency[number].symptom.as_str();
            if !keys.contains(&key) && !is_replaced(key) {
                keys.push(key);
            }
        }
        keys
    }

    /// Those of the phrases that the words hold before anything ordinary is taken out.
    fn wanted(&self, words: &str, mut numbers: Vec<usize>, category: Option<&str>) -> Vec<usize> {
        numbers.sort_unstable();
        numbers.dedup();
        let holds = |pattern: &Pattern| {
            category.is_none_or(|key| {
                let names = |list: &[String]| list.iter().any(|known| known == key);
                (pattern.categories.is_empty() || names(&pattern.categories)) && !names(&pattern.except)
            })
        };
        numbers.retain(|number| holds(&self.emergency[*number]) && self.compiled_emergency[*number].is_match(words));
        numbers
    }

    /// The text as small words without accents and punctuation, each after a space, slips of the finger put right; and the phrases that
    /// they are worth looking for.
    fn words(&self, text: &str) -> (String, Vec<usize>) {
        let end = text.floor_char_boundary(LONGEST_TEXT);
        let mut words = String::with_capacity(end.min(text.len()) + 1);
        let mut numbers = Vec::new();
        let mut word = String::new();
        for character in text[..end].chars().chain([' ']) {
            if character.is_ascii_alphanumeric() {
                word.push(character.to_ascii_lowercase());
            } else if character.is_alphanumeric() {
                word.push('x');
            } else if !matches!(character, '\'' | '\u{2019}' | '\u{2018}' | '`') {
                if !word.is_empty() {
                    words.push(' ');
                    self.push_word(&word, &mut words, &mut numbers);
                    word.clear();
                }
                if ",.;:!?()\n\r\u{2013}\u{2014}\"+".contains(character) && !words.is_empty() && !words.ends_with(BREAK) {
                    words.push(' ');
                    words.push_str(BREAK);
                }
            }
        }
        (words, numbers)
    }

    fn push_word(&self, word: &str, words: &mut String, numbers: &mut Vec<usize>) {
        thread_local! {
            static REMEMBERED: RefCell<HashMap<String, Meant>> = RefCell::default();
        }
        let mut take = |meant: &Meant| {
            words.push_str(meant.put_right.map_or(word, |position| self.spelt[position].as_str()));
            numbers.extend(&meant.numbers);
        };
        REMEMBERED.with_borrow_mut(|remembered| {
            if let Some(meant) = remembered.get(word) {
                return take(meant);
            }
            let meant = self.meant(word);
            take(&meant);
            if remembered.len() >= MOST_REMEMBERED {
                remembered.clear();
            }
            remembered.insert(word.to_owned(), meant);
        });
    }

    fn meant(&self, word: &str) -> Meant {
        let is_taken_as_it_stands = word.len() < SHORTEST_SPELT || self.known.contains(word);
        let put_right = if is_taken_as_it_stands { None } else { self.nearest(word) };
        let word = put_right.map_or(word, |position| &self.spelt[position]);
        let fits = |part: &str, begins: bool| if begins { word.starts_with(part) } else { word.ends_with(part) };
        let partial = self.partial_candidates.iter().filter(|(part, begins, _)| fits(part, *begins)).map(|(.., number)| *number);
        Meant { put_right, numbers: self.candidates.get(word).into_iter().flatten().copied().chain(partial).collect() }
    }

    /// The word that is meant.
    #[must_use]
    pub fn put_right<'a>(&'a self, word: &'a str) -> &'a str {
        self.meant(word).put_right.map_or(word, |position| &self.spelt[position])
    }

    /// Position of the nearest word, and the first of several.
    fn nearest(&self, word: &str) -> Option<usize> {
        let distance = |spelt: &String| {
            let allowed = if spelt.len().min(word.len()) >= LONG_WORD { 2 } else { 1 };
            let is_near =
                spelt.len() >= SHORTEST_SPELT && spelt.len().abs_diff(word.len()) <= allowed && has_letters_of(word, spelt, allowed);
            is_near.then(|| strsim::osa_distance(word, spelt)).filter(|distance| *distance <= allowed)
        };
        let near = self.spelt.iter().enumerate().filter_map(|(position, spelt)| Some((distance(spelt)?, position)));
        near.min().map(|(_, position)| position)
    }
}

/// Whether so few edits could make one word of the other, going by which letters there are: an edit changes two of them at most.
fn has_letters_of(word: &str, other: &str, edits: usize) -> bool {
    let letters = |text: &str| text.bytes().fold(0_u64, |letters, byte| letters | 1 << (byte % 64));
    (letters(word) ^ letters(other)).count_ones() as usize <= 2 * edits
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::vocabulary;

    #[test]
    fn every_rule_names_what_the_vocabulary_has() {
        let rules = emergencies();
        let vocabulary = vocabulary();
        for pattern in rules.emergency.iter().chain(&rules.ordinary) {
            let is_emergency = rules.emergency.contains(pattern);
            assert_eq!(vocabulary.emergency(&pattern.symptom).is_some(), is_emergency, "{}", pattern.symptom);
            assert!(pattern.categories.iter().chain(&pattern.except).all(|key| vocabulary.category(key).is_some()));
        }
        let read: BTreeSet<&str> = rules.emergency.iter().map(|pattern| pattern.symptom.as_str()).collect();
        let named = vocabulary.symptoms.iter().filter(|symptom| symptom.emergency.is_some()).map(|symptom| symptom.key.as_str());
        assert_eq!(read, named.collect(), "an emergency without rules, or rules without advice");
    }

    #[test]
    fn slips_of_the_finger_are_put_right_and_negations_heeded() {
        let read = |text: &str, category: &str| emergencies().read(text, Some(category));
        assert_eq!(read("smel of gass from the hob", "hob"), ["gas_smell"]);
        assert_eq!(read("No smell of gas.", "hob"), [""; 0]);
        assert_eq!(read("no spark, strong smell of gas", "hob"), ["gas_smell"]);
        assert_eq!(read("not sure if it smells of gas", "cooker"), ["gas_smell"]);
        assert_eq!(read("gas hob won't light", "hob"), [""; 0]);
        assert_eq!(read("worn shock absorber", "washing_machine"), [""; 0]);
        assert_eq!(read("burns the toast", "oven"), [""; 0]);
        assert_eq!(read("smoke, and I got a shock off it", "oven"), ["electric_shock", "fire_or_smoke"]);
        assert_eq!(emergencies().read("", None), [""; 0]);
        assert_eq!(emergencies().read(&"é,.' ".repeat(3_000), None), [""; 0]);
    }

    #[test]
    fn a_wrong_rule_is_refused() {
        let rules = |phrase: &str| {
            let text = format!(
                "spelt = []\nnot_misspelt = []\nordinary = []\n[words]\na = \"b\"\n[instead_of]\n[[emergency]]\nsymptom = \"x\"\nphrases = [\"{phrase}\"]"
            );
            Emergencies::new(toml::from_str(&text).unwrap()).map(|_| ())
        };
        assert_eq!(rules("{a} ~2 b|c?"), Ok(()));
        assert!(rules("{z} b").unwrap_err().contains("`z`"));
        assert!(rules("a(b").is_err());
    }
}
