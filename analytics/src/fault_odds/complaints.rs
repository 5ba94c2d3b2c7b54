//! Complaints as features of the odds: which symptoms and words count, and what they tell.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::complaint::{Job, Said, Weights};
use fixodds_estimators::fault_odds::{CategoryOdds, Kind, Settings};
use fixodds_schemas::words::find_word;
use rayon::prelude::*;

use super::Category;
use super::records::{CategoryKeys, Origin, Record, Records, counted_word};

/// Words said in fewer jobs are taken for one of the others, if they are one letter away, or for a word that was not met.
const FEWEST_JOBS: u32 = 5;
/// Words beyond these, the most frequent of a category, are not counted.
const MOST_WORDS: usize = 300;
/// Different jobs of a category that weights are fitted to, evenly spaced over all: more would hardly move them.
const MOST_JOBS: usize = 15_000;

/// Features of the symptoms and words that positions of the records stand for.
pub struct Features {
    symptoms: Vec<Option<usize>>,
    words: Vec<Option<usize>>,
}

impl Features {
    pub fn new(keys: &CategoryKeys, category: &Category) -> Self {
        let symptom = |key: &String| category.symptoms.iter().position(|known| known == key);
        let word = |word: &String| find_word(word, &category.words).map(|at| category.symptoms.len() + at);
        Self { symptoms: keys.symptoms.iter().map(symptom).collect(), words: keys.words.iter().map(word).collect() }
    }

    /// What a record's complaint holds; none where none is known.
    pub fn said(&self, record: &Record) -> Option<Said> {
        let found = record.symptoms.iter().map(|at| self.symptoms[*at]).chain(record.words.iter().map(|at| self.words[*at]));
        (record.origin == Origin::Complaint).then(|| gathered(found))
    }
}

fn gathered(found: impl Iterator<Item = Option<usize>>) -> Said {
    let mut said = Said::default();
    for feature in found {
        match feature {
            Some(feature) => said.features.push(feature),
            None => said.unknown_words += 1,
        }
    }
    said.features.sort_unstable();
    said.features.dedup();
    said
}

impl Category {
    /// What a complaint of such symptoms and words holds; none where nothing was said.
    #[must_use]
    pub fn said(&self, symptoms: &[String], words: &[String], brand: Option<&str>) -> Option<Said> {
        let of_symptoms = symptoms.iter().map(|key| self.symptoms.iter().position(|known| known == key));
        let of_words = words.iter().map(|word| self.find_word(word, brand).map(|at| self.symptoms.len() + at));
        (!symptoms.is_empty() || !words.is_empty()).then(|| gathered(of_symptoms.chain(of_words)))
    }

    /// The counted word that a word of a complaint is, or is nearly.
    #[must_use]
    pub fn find_word(&self, word: &str, brand: Option<&str>) -> Option<usize> {
        find_word(&counted_word(word, brand)?, &self.words)
    }
}

/// Chooses the words that count from the records that `wanted` holds for: one list for each category, the most frequent word first.
pub fn words(records: &Records, wanted: impl Fn(&Record) -> bool) -> Vec<Vec<String>> {
    let mut jobs: Vec<BTreeMap<usize, u32>> = vec![BTreeMap::new(); records.categories.len()];
    for record in records.records.iter().filter(|record| wanted(record)) {
        for word in &record.words {
            *jobs[record.category].entry(*word).or_default() += record.jobs;
        }
    }
    let most_frequent = |(keys, jobs): (&CategoryKeys, BTreeMap<usize, u32>)| {
        let mut counted: Vec<(usize, u32)> = jobs.into_iter().filter(|(_, jobs)| *jobs >= FEWEST_JOBS).collect();
        // Equally frequent words stay in the order of the alphabet.
        counted.sort_by_key(|(_, jobs)| std::cmp::Reverse(*jobs));
        counted.into_iter().take(MOST_WORDS).map(|(word, _)| keys.words[word].clone()).collect()
    };
    records.categories.iter().zip(jobs).map(most_frequent).collect()
}

/// Fits what complaints tell to the records that `wanted` holds for, from which the categories were counted.
pub fn learn(records: &Records, categories: &mut [Category], settings: &Settings, wanted: impl Fn(&Record) -> bool) {
    let mut of_category: Vec<Vec<&Record>> = vec![Vec::new(); categories.len()];
    for record in records.records.iter().filter(|record| record.origin == Origin::Complaint && wanted(record)) {
        of_category[record.category].push(record);
    }
    categories.par_iter_mut().zip(&records.categories).zip(of_category).for_each(|((category, keys), told)| {
        let features = Features::new(keys, category);
        let count = category.symptoms.len() + category.words.len();
        category.mentions = vec![vec![0; category.components.len()]; count];
        category.mention_jobs = vec![0; count];
        for record in &told {
            for feature in features.said(record).into_iter().flat_map(|said| said.features) {
                category.mentions[feature][record.fault] += record.jobs;
                category.mention_jobs[feature] += record.jobs;
            }
        }
        let step = told.len().div_ceil(MOST_JOBS).max(1);
        let none = Weights::none(category.components.len(), 0);
        let mut jobs = Vec::with_capacity(told.len().min(MOST_JOBS));
        if let Ok(odds) = CategoryOdds::new(&category.counts, &none, settings) {
            let mut kinds: BTreeMap<usize, Kind> = BTreeMap::new();
            for record in told.into_iter().step_by(step) {
                let kind = kinds.entry(record.kind).or_insert_with(|| {
                    let kind = &keys.kinds[record.kind];
                    odds.kind(&category.groups(kind.brand.as_deref(), kind.platform.as_deref(), kind.model.as_deref()))
                });
                jobs.push(Job {
                    offset: odds.offset(kind, record.age_band, Some(record.fault)),
                    features: features.said(record).unwrap_or_default().features,
                    fault: record.fault,
                    jobs: record.jobs,
                });
            }
        }
        // All positions come from the category itself.
        category.complaint =
            Weights::fitted(category.components.len(), count, &jobs).unwrap_or_else(|_| Weights::none(category.components.len(), count));
    });
}
