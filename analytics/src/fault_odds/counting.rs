//! From jobs to counts by component, age, brand, platform and model.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_estimators::fault_odds::complaint::Weights;
use fixodds_estimators::fault_odds::{CategoryCounts, GroupCounts};

use super::complaints;
use super::records::{CategoryKeys, Described, Record, Records};
use super::{Category, Economics, Model};
use crate::engine::AGE_BAND_EDGES_YEARS;

/// Position of the column for jobs of unknown age.
const AGE_UNKNOWN: usize = AGE_BAND_EDGES_YEARS.len();

/// Counts of one group while they grow.
#[derive(Default)]
struct Tally {
    jobs: BTreeMap<usize, u32>,
    faults: BTreeMap<usize, u32>,
}

impl Tally {
    fn add(&mut self, record: &Record) {
        *self.jobs.entry(record.age_band.unwrap_or(AGE_UNKNOWN)).or_default() += record.jobs;
        *self.faults.entry(record.fault).or_default() += record.jobs;
    }

    fn counts(self) -> GroupCounts {
        GroupCounts { jobs: self.jobs.into_iter().collect(), faults: self.faults.into_iter().collect() }
    }
}

#[derive(Default)]
struct Groups {
    brands: BTreeMap<String, Tally>,
    platforms: BTreeMap<String, Tally>,
    models: BTreeMap<String, Tally>,
}

/// The counts of the records that `wanted` holds for, one entry for every category of the records.
pub fn count(records: &Records, wanted: impl Fn(&Record) -> bool) -> Vec<Category> {
    let mut counts: Vec<CategoryCounts> = records.categories.iter().map(empty).collect();
    let mut groups: Vec<Groups> = records.categories.iter().map(|_| Groups::default()).collect();
    for record in records.records.iter().filter(|record| wanted(record)) {
        let own = &mut counts[record.category];
        own.faults_by_age[record.fault][record.age_band.unwrap_or(AGE_UNKNOWN)] += record.jobs;
        let kind = &records.categories[record.category].kinds[record.kind];
        let groups = &mut groups[record.category];
        for (tallies, key) in
            [(&mut groups.brands, &kind.brand), (&mut groups.platforms, &kind.platform), (&mut groups.models, &kind.model)]
        {
            if let Some(key) = key {
                tallies.entry(key.clone()).or_default().add(record);
            }
        }
    }
    let mut said: Vec<BTreeSet<usize>> = vec![BTreeSet::new(); records.categories.len()];
    for record in records.records.iter().filter(|record| wanted(record)) {
        said[record.category].extend(&record.symptoms);
    }
    let words = complaints::words(records, &wanted);
    let of_records = records.categories.iter().zip(counts).zip(groups).zip(said).zip(words);
    of_records.map(|((((keys, counts), groups), said), words)| category(keys, counts, groups, &said, words)).collect()
}

fn category(keys: &CategoryKeys, counts: CategoryCounts, mut groups: Groups, said: &BTreeSet<usize>, words: Vec<String>) -> Category {
    let counted = |tallies: BTreeMap<String, Tally>| tallies.into_iter().map(|(key, tally)| (key, tally.counts())).collect();
    let model = |(key, described): (&String, &Described)| {
        let Described { brand, platform, price_new } = described.clone();
        (key.clone(), Model { brand, platform, price_new, counts: groups.models.remove(key).unwrap_or_default().counts() })
    };
    let models = keys.models.iter().map(model).collect();
    Category {
        key: keys.key.clone(),
        components: keys.components.clone(),
        complaint: Weights::none(keys.components.len(), said.len() + words.len()),
        symptoms: said.iter().map(|symptom| keys.symptoms[*symptom].clone()).collect(),
        words,
        mentions: Vec::new(),
        mention_jobs: Vec::new(),
        counts,
        brands: counted(groups.brands),
        platforms: counted(groups.platforms),
        models,
        consequences: Vec::new(),
        repair_scopes: Vec::new(),
        economics: Economics::default(),
    }
}

fn empty(keys: &CategoryKeys) -> CategoryCounts {
    let components = keys.components.len();
    CategoryCounts { faults_by_age: vec![vec![0; AGE_UNKNOWN + 1]; components] }
}
