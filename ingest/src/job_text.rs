//! What the free text of a job adds where its columns say nothing.

use std::sync::Arc;

use fixodds_schemas::{List, TextRules, text_rules};

use crate::context::Context;
use crate::free_text::{FreeTextReader, TextReading};
use crate::normalise::complaint::{Complaint, read_complaint, split_complaint};
use crate::normalise::terms::TermReader;
use crate::remembered::Remembered;
use crate::review::{Answer, Answers, Question};

/// Reads the texts of jobs, each different one once.
pub struct JobText<'a> {
    reader: FreeTextReader<'a>,
    symptoms: TermReader<'a>,
    rules: TextRules,
    known: Remembered<Arc<TextReading>>,
}

impl<'a> JobText<'a> {
    pub fn new(context: &'a Context<'a>) -> Self {
        let options = context.options;
        let rules = text_rules().clone().with(options.mapping.text.clone());
        let reader = FreeTextReader::new(&options.vocabulary, &rules, &options.mapping.terms_of("jobs", List::Component));
        let symptoms = TermReader::new(&options.vocabulary, List::Symptom, &options.mapping.terms_of("jobs", List::Symptom));
        Self { reader, symptoms, rules, known: Remembered::new() }
    }

    /// A text as what it says the customer reported, and what the repairer wrote.
    pub fn split<'t>(&self, text: &'t str) -> (Option<&'t str>, &'t str) {
        split_complaint(text, &self.rules)
    }

    pub fn complaint(&self, text: &str, category: Option<&Arc<str>>) -> Complaint {
        read_complaint(&self.symptoms, text, category.map(AsRef::as_ref))
    }

    /// What a text says; what a person has said of it goes before the rules. If it is not sure, that is a question.
    pub fn read(&mut self, text: &str, category: Option<&Arc<str>>, answers: &Answers, questions: &mut Vec<Question>) -> Arc<TextReading> {
        let reading = self.known.of_category(category, text, || {
            let mut reading = self.reader.read(text, category.map(AsRef::as_ref));
            if let Some(Answer { findings, outcome }) = answers.of(text, category.map(AsRef::as_ref)) {
                reading.findings.clone_from(findings);
                reading.suspected.clear();
                reading.reviewed_outcome.clone_from(outcome);
            }
            Arc::new(reading)
        });
        if !reading.suspected.is_empty() {
            questions.push(Question { text: text.to_owned(), category: category.cloned(), reading: Arc::clone(&reading) });
        }
        reading
    }
}
