//! From jobs to counts by component, age, symptom, brand, platform and model.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::{CategoryCounts, GroupCounts};

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
        for symptom in &record.symptoms {
            own.mentions[record.fault][*symptom] += record.jobs;
        }
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
    add_mentions_elsewhere(records, &mut counts);
    records.categories.iter().zip(counts).zip(groups).map(|((keys, counts), groups)| category(keys, counts, groups)).collect()
}

fn category(keys: &CategoryKeys, counts: CategoryCounts, mut groups: Groups) -> Category {
    let counted = |tallies: BTreeMap<String, Tally>| tallies.into_iter().map(|(key, tally)| (key, tally.counts())).collect();
    let model = |(key, described): (&String, &Described)| {
        let Described { brand, platform, price_new } = described.clone();
        (key.clone(), Model { brand, platform, price_new, counts: groups.models.remove(key).unwrap_or_default().counts() })
    };
    let models = keys.models.iter().map(model).collect();
    Category {
        key: keys.key.clone(),
        components: keys.components.clone(),
        symptoms: keys.symptoms.clone(),
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
    CategoryCounts {
        faults_by_age: vec![vec![0; AGE_UNKNOWN + 1]; components],
        mentions: vec![vec![0; keys.symptoms.len()]; components],
        mentions_elsewhere: vec![vec![0; keys.symptoms.len()]; components],
        all_mentions_elsewhere: vec![0; components],
    }
}

/// What the same component's faults were reported as in all other categories.
fn add_mentions_elsewhere(records: &Records, counts: &mut [CategoryCounts]) {
    let mut everywhere: BTreeMap<(&str, &str), u32> = BTreeMap::new();
    let mut of_component: BTreeMap<&str, u32> = BTreeMap::new();
    for (keys, counts) in records.categories.iter().zip(&*counts) {
        for (component, row) in keys.components.iter().zip(&counts.mentions) {
            for (symptom, mentions) in keys.symptoms.iter().zip(row) {
                *everywhere.entry((component, symptom)).or_default() += mentions;
                *of_component.entry(component).or_default() += mentions;
            }
        }
    }
    for (keys, counts) in records.categories.iter().zip(counts) {
        for (k, component) in keys.components.iter().enumerate() {
            let own: u32 = counts.mentions[k].iter().sum();
            counts.all_mentions_elsewhere[k] = of_component.get(component.as_str()).map_or(0, |all| all - own);
            for (j, symptom) in keys.symptoms.iter().enumerate() {
                let all = everywhere.get(&(component.as_str(), symptom.as_str())).copied().unwrap_or(0);
                counts.mentions_elsewhere[k][j] = all - counts.mentions[k][j];
            }
        }
    }
}
