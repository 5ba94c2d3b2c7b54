//! What a person says about texts that the rules were not sure of: `STORE/review.csv` asks, the corrected file answers.
//!
//! An answer is remembered in `STORE/reviewed.csv` and goes before the rules in every later ingest.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use fixodds_schemas::{List, Vocabulary, normalise};
use serde::{Deserialize, Serialize};

use crate::error::IngestError;
use crate::free_text::{Reached, TextFinding, TextReading};
use crate::normalise::terms::TermReader;

pub const ASKED: &str = "review.csv";
pub const ANSWERED: &str = "reviewed.csv";
/// Texts that one file asks about.
const MOST_TEXTS: usize = 5_000;
/// An answer that agrees with what was proposed.
pub const YES: [&str; 4] = ["yes", "y", "ok", "right"];
/// An answer that nothing was at fault.
pub const NONE: [&str; 3] = ["none", "no", "n"];

/// One line of the file.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
struct Line {
    text: String,
    category: String,
    times: u64,
    /// What the rules make of it, the role after each component.
    proposed: String,
    proposed_outcome: String,
    confidence: String,
    /// For a person to fill in: components separated by semicolons, `yes`, or `none`.
    primary: String,
    consequential: String,
    outcome: String,
}

type Key = (String, String);

/// What a person has said of a text.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub findings: Vec<TextFinding>,
    pub outcome: Option<String>,
}

/// Questions and answers.
#[derive(Debug, Default)]
pub struct Reviews {
    pub answers: Answers,
    pub questions: Questions,
}

/// What people have said, by text and category.
#[derive(Debug, Default)]
pub struct Answers(BTreeMap<Key, (Line, Answer)>);

/// What people are asked, by text and category.
#[derive(Debug, Default)]
pub struct Questions(BTreeMap<Key, Line>);

/// A text whose reading is not sure.
#[derive(Debug)]
pub struct Question {
    pub text: String,
    pub category: Option<Arc<str>>,
    pub reading: Arc<TextReading>,
}

fn key(text: &str, category: Option<&str>) -> Key {
    (normalise(text), category.unwrap_or_default().to_owned())
}

impl Reviews {
    /// The remembered answers and open questions of a store, and the answers of a file.
    ///
    /// # Errors
    /// If a file cannot be read, or gives a component or outcome that the vocabulary does not know.
    pub fn read(store: &Path, file: Option<&Path>, vocabulary: &Vocabulary) -> Result<Self, IngestError> {
        let mut reviews = Self::default();
        for (path, must_exist) in
            [(store.join(ASKED), false), (store.join(ANSWERED), false)].into_iter().chain(file.map(|file| (file.to_owned(), true)))
        {
            if must_exist || path.exists() {
                reviews.add_file(&path, vocabulary)?;
            }
        }
        Ok(reviews)
    }

    fn add_file(&mut self, path: &Path, vocabulary: &Vocabulary) -> Result<(), IngestError> {
        let error = |line: u64, message: String| IngestError::Review { path: path.to_owned(), line, message };
        let text = std::fs::read(path).map_err(|source| IngestError::io("read", path, source))?;
        // spreadsheets save Windows-1252 or a byte order mark
        let text = crate::readers::decode(text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text)).0.into_owned();
        let separator = if text.lines().next().is_some_and(|titles| titles.contains(';')) { b';' } else { b',' };
        let mut lines = csv::ReaderBuilder::new().delimiter(separator).flexible(true).from_reader(text.as_bytes());
        for (at, line) in lines.deserialize::<Line>().enumerate() {
            let number = at as u64 + 2;
            let line = line.map_err(|source| error(number, source.to_string()))?;
            let key = key(&line.text, Some(&line.category));
            match answer(&line, vocabulary).map_err(|message| error(number, message))? {
                Some(answer) => {
                    self.questions.0.remove(&key);
                    self.answers.0.insert(key, (line, answer));
                }
                None if !self.answers.0.contains_key(&key) => {
                    self.questions.0.insert(key, Line { times: 0, ..line });
                }
                None => {}
            }
        }
        Ok(())
    }

    /// Texts that are asked about.
    #[must_use]
    pub fn open_questions(&self) -> u64 {
        self.questions.0.len() as u64
    }

    /// Writes both files; one without lines is not written.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn write(&self, store: &Path) -> Result<(), IngestError> {
        let mut asked: Vec<&Line> = self.questions.0.values().collect();
        asked.sort_by(|first, second| second.times.cmp(&first.times).then_with(|| first.text.cmp(&second.text)));
        write_lines(&store.join(ASKED), asked.into_iter())?;
        write_lines(&store.join(ANSWERED), self.answers.0.values().map(|(line, _)| line))
    }
}

impl Answers {
    /// What a person has said of a text.
    #[must_use]
    pub fn of(&self, text: &str, category: Option<&str>) -> Option<&Answer> {
        if self.0.is_empty() {
            return None;
        }
        self.0.get(&key(text, category)).map(|(_, answer)| answer)
    }
}

impl Questions {
    pub fn ask(&mut self, Question { text, category, reading }: &Question) {
        let key = key(text, category.as_deref());
        if let Some(line) = self.0.get_mut(&key) {
            line.times += 1;
        } else if self.0.len() < MOST_TEXTS {
            let role = |finding: &TextFinding| if finding.consequential { "consequential" } else { "primary" };
            let all = || reading.findings.iter().chain(&reading.suspected);
            let proposed: Vec<String> = all().map(|finding| format!("{} ({})", finding.component, role(finding))).collect();
            let confidence = all().map(|finding| finding.confidence).fold(1.0, f64::min);
            let line = Line {
                text: text.clone(),
                category: key.1.clone(),
                times: 1,
                proposed: proposed.join("; "),
                proposed_outcome: reading.outcome.clone().unwrap_or_default(),
                confidence: format!("{confidence:.2}"),
                ..Line::default()
            };
            self.0.insert(key, line);
        }
    }
}

/// Writes a file of the store at one stroke; one without lines is not made.
pub fn write_lines<'l, L: Serialize + 'l>(path: &Path, lines: impl ExactSizeIterator<Item = &'l L>) -> Result<(), IngestError> {
    if lines.len() == 0 && !path.exists() {
        return Ok(());
    }
    let unwritable = |source: std::io::Error| IngestError::io("write", path, source);
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(unwritable)?;
    {
        let mut writer = csv::WriterBuilder::new().from_writer(file.as_file_mut());
        for line in lines {
            writer.serialize(line).map_err(|error| unwritable(error.into()))?;
        }
        writer.flush().map_err(unwritable)?;
    }
    file.as_file().sync_all().map_err(unwritable)?;
    file.persist(path).map(|_| ()).map_err(|error| unwritable(error.error))
}

/// What the filled-in columns say; none if they are empty.
fn answer(line: &Line, vocabulary: &Vocabulary) -> Result<Option<Answer>, String> {
    let cells = [&line.primary, &line.consequential, &line.outcome].map(|cell| cell.trim());
    if cells.iter().all(|cell| cell.is_empty()) {
        return Ok(None);
    }
    let is = |words: &[&str], cell: &str| words.iter().any(|word| cell.eq_ignore_ascii_case(word));
    let category = Some(line.category.as_str()).filter(|category| !category.is_empty());
    let mut findings = Vec::new();
    for (cell, consequential) in [(cells[0], false), (cells[1], true)] {
        if is(&YES, cell) || cell.is_empty() && is(&YES, cells[0]) {
            for proposal in line.proposed.split(';') {
                let (component, role) = proposal.trim().split_once(" (").unwrap_or((proposal.trim(), "primary)"));
                if !component.is_empty() && (role == "consequential)") == consequential {
                    findings.push(finding(component, consequential));
                }
            }
        } else if !is(&NONE, cell) {
            let found = TermReader::new(vocabulary, List::Component, &BTreeMap::new()).several(cell, category);
            if let Some((word, _)) = found.set_aside.first() {
                return Err(format!("`{word}` is no component of the vocabulary; write a name or key of it, `yes`, or `none`"));
            }
            findings.extend(found.terms.iter().map(|term| finding(&term.key, consequential)));
        }
    }
    let outcome = match cells[2] {
        "" => None,
        cell if is(&YES, cell) => Some(line.proposed_outcome.clone()).filter(|outcome| !outcome.is_empty()),
        cell => match TermReader::new(vocabulary, List::Outcome, &BTreeMap::new()).one(cell, None) {
            Ok(term) => term.map(|term| term.key),
            Err(_) => {
                return Err(format!("`{cell}` is no outcome; write one of repaired, repairable, condemned, declined, no_fault_found"));
            }
        },
    };
    Ok(Some(Answer { findings, outcome }))
}

fn finding(component: &str, consequential: bool) -> TextFinding {
    let caused_by = consequential.then_some(0);
    TextFinding { component: component.to_owned(), consequential, caused_by, reached: Reached::Review, confidence: 1.0 }
}
