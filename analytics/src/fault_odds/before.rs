//! The odds as they stood a year before the cut-off: counted, and their settings fitted, without a job of the last twelve months. For tests of rules that rest on
//! the odds.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::{CategoryOdds, Question};
use fixodds_estimators::{CONFIDENCE, Interval};

use super::records::{self, Period};
use super::{Asked, Category, FaultOdds, counting, scoring};
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;

pub(crate) struct OddsBefore {
    known: FaultOdds,
    odds: BTreeMap<String, CategoryOdds>,
}

impl OddsBefore {
    pub fn read(engine: &Engine) -> Result<Self, AnalyticsError> {
        let records = records::read(engine)?;
        let (settings, _) = scoring::fitted(&records, Period::LastYearButOne);
        let categories = counting::count(&records, |record| record.period < Period::LastYear);
        let odds = |category: &Category| Some((category.key.clone(), CategoryOdds::new(&category.counts, &settings).ok()?));
        let odds = categories.iter().filter(|category| category.jobs() > 0).filter_map(odds).collect();
        let known = FaultOdds { age_band_edges: AGE_BAND_EDGES_YEARS.to_vec(), settings, categories, ..FaultOdds::default() };
        Ok(Self { known, odds })
    }

    /// Components with their odds; symptoms that no job had mentioned by then are passed over, as a question's are that the records do not know.
    pub fn answer(&self, asked: &Asked) -> Option<Vec<(String, Interval)>> {
        let category = self.known.category(&asked.category)?;
        let is_mentioned = |symptom: &usize| category.counts.mentions.iter().any(|row| row[*symptom] > 0);
        let position = |key: &String| category.symptoms.iter().position(|known| known == key).filter(is_mentioned);
        let symptoms: Vec<usize> = asked.symptoms.iter().filter_map(position).collect();
        let groups = category.groups(asked.brand.as_deref(), asked.platform.as_deref(), asked.model.as_deref());
        let age_band = asked.age_years.and_then(|age| self.known.age_band(age)).map(|(band, ..)| band);
        let odds = self.odds.get(&asked.category)?.answer(&Question { groups, age_band, symptoms: &symptoms }, CONFIDENCE).ok()?;
        Some(category.components.iter().cloned().zip(odds).collect())
    }
}
