//! The odds as they stood a year before the cut-off: counted, and their settings fitted, without a job of the last twelve months. For tests of rules that rest on
//! the odds.

use fixodds_estimators::fault_odds::{CategoryOdds, Question};
use fixodds_estimators::{CONFIDENCE, Interval};

use super::records::{self, Period, Record};
use super::{Asked, FaultOdds, complaints, counting, scoring};
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;

pub(crate) struct OddsBefore {
    known: FaultOdds,
}

impl OddsBefore {
    pub fn read(engine: &Engine) -> Result<Self, AnalyticsError> {
        let records = records::read(engine)?;
        let (settings, _) = scoring::fitted(&records, Period::LastYearButOne);
        let is_before = |record: &Record| record.period < Period::LastYear;
        let mut categories = counting::count(&records, is_before);
        complaints::learn(&records, &mut categories, &settings, is_before);
        let known = FaultOdds { age_band_edges: AGE_BAND_EDGES_YEARS.to_vec(), settings, categories, ..FaultOdds::default() };
        Ok(Self { known })
    }

    /// Components with their odds; symptoms that no job had mentioned by then are passed over, as a question's are that the records do not know.
    pub fn answer(&self, asked: &Asked) -> Option<Vec<(String, Interval)>> {
        let category = self.known.category(&asked.category)?;
        let symptoms: Vec<String> = asked.symptoms.iter().filter(|key| category.symptoms.contains(key)).cloned().collect();
        let said = category.said(&symptoms, &asked.words, asked.brand.as_deref());
        let groups = category.groups(asked.brand.as_deref(), asked.platform.as_deref(), asked.model.as_deref());
        let age_band = asked.age_years.and_then(|age| self.known.age_band(age)).map(|(band, ..)| band);
        if category.jobs() == 0 {
            return None;
        }
        let odds = CategoryOdds::new(&category.counts, &category.complaint, &self.known.settings).ok()?;
        let odds = odds.answer(&Question { groups, age_band, complaint: said.as_ref() }, CONFIDENCE).ok()?;
        Some(category.components.iter().cloned().zip(odds).collect())
    }
}
