//! What the free text of a job adds where its columns say nothing.

use std::collections::HashMap;
use std::rc::Rc;

use fixodds_schemas::{List, text_rules};

use crate::context::Context;
use crate::free_text::{FreeTextReader, TextReading};
use crate::review::{Answer, Reviews};

/// Different texts that are remembered.
const MOST_REMEMBERED: usize = 50_000;

type CategoryAndText = (Option<Rc<str>>, Box<str>);

/// Reads the texts of jobs, each different one once.
pub struct JobText<'a> {
    reader: FreeTextReader<'a>,
    known: HashMap<CategoryAndText, Rc<TextReading>>,
    /// Jobs whose components come from their text.
    pub jobs: u64,
}

impl<'a> JobText<'a> {
    pub fn new(context: &'a Context<'a>) -> Self {
        let options = context.options;
        let rules = text_rules().clone().with(options.mapping.text.clone());
        let reader = FreeTextReader::new(&options.vocabulary, &rules, &options.mapping.terms_of("jobs", List::Component));
        Self { reader, known: HashMap::new(), jobs: 0 }
    }

    /// What a text says; what a person has said of it goes before the rules.
    pub fn read(&mut self, text: &str, category: Option<&Rc<str>>, reviews: &mut Reviews) -> Rc<TextReading> {
        let key = (category.cloned(), Box::from(text));
        let reading = match self.known.get(&key) {
            Some(reading) => Rc::clone(reading),
            None => {
                let mut reading = self.reader.read(text, category.map(AsRef::as_ref));
                if let Some(Answer { findings, outcome }) = reviews.answer(text, category.map(AsRef::as_ref)) {
                    reading.findings.clone_from(findings);
                    reading.suspected.clear();
                    reading.reviewed_outcome.clone_from(outcome);
                }
                let reading = Rc::new(reading);
                if self.known.len() < MOST_REMEMBERED {
                    self.known.insert(key, Rc::clone(&reading));
                }
                reading
            }
        };
        if !reading.suspected.is_empty() {
            reviews.ask(text, category.map(AsRef::as_ref), &reading);
        }
        reading
    }
}
