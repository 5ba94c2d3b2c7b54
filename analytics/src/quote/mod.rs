//! What to quote: costs of repairs by fault, how long machines live, what new ones cost. Counted from the store and kept in one file beside the
//! evidence tables, so that a question opens neither the database nor any Parquet file.

use std::collections::BTreeMap;

use fixodds_estimators::Interval;
use fixodds_schemas::store_layout::StoreLayout;
use serde::{Deserialize, Serialize};

use crate::business::BusinessSettings;
use crate::error::AnalyticsError;
use crate::evidence::read_json;

mod answer;
mod costs;
mod counting;
mod tables;

pub use answer::{FaultCost, Quote, WriteOff, WriteOffVerdict};
pub use costs::Costs;
pub(crate) use counting::build;

/// Name of the file in the evidence folder.
pub const FILE: &str = "quotes.json";
/// Ages at which the remaining life is worked out: whole years from new to this.
pub const LAST_AGE_YEARS: usize = 25;

/// All that a question needs.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Quotes {
    pub as_of: String,
    pub currency: String,
    pub settings: BusinessSettings,
    pub categories: BTreeMap<String, Category>,
    /// Share of the last year's repairs that cost more than the price from the years before, with their number; all categories together.
    pub held_out: Option<HeldOut>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Category {
    pub all: Group,
    pub platforms: BTreeMap<String, Group>,
    pub models: BTreeMap<String, Group>,
    pub price_new: Option<f64>,
    pub price_new_of_models: BTreeMap<String, f64>,
    pub held_out: Option<HeldOut>,
}

/// What is known of a category, a platform or a model; only what rests on enough jobs.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Group {
    pub costs: BTreeMap<String, Costs>,
    /// By component: jobs that ended repaired, and all.
    pub outcomes: BTreeMap<String, (i64, i64)>,
    /// Jobs that did not end repaired whose cost is known, and what one costs on average.
    pub unrepaired: Option<(i64, f64)>,
    pub life: Option<Life>,
}

/// How long machines live.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Life {
    /// Machines whose life ended under observation.
    pub ends: u64,
    pub machines: u64,
    /// Mean further years at each whole age from 0.
    pub remaining_years: Vec<Interval>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeldOut {
    pub jobs: i64,
    pub exceeded: Interval,
}

impl Quotes {
    /// Reads the quotes of the store's current evidence.
    ///
    /// # Errors
    /// Nothing was ingested or analysed yet, or the file cannot be read.
    pub fn open(store: &StoreLayout) -> Result<Self, AnalyticsError> {
        read_json(store, FILE)
    }
}

impl Life {
    /// Mean further years at an age, by straight lines between whole years.
    #[must_use]
    pub fn remaining(&self, age_years: f64) -> Option<Interval> {
        let below = age_years.floor() as usize;
        let lower = self.remaining_years.get(below)?;
        let Some(upper) = self.remaining_years.get(below + 1) else {
            return (age_years.fract() == 0.0).then_some(*lower);
        };
        let part = age_years.fract();
        let between = |a: f64, b: f64| a + part * (b - a);
        let [estimate, low, high] =
            [between(lower.estimate, upper.estimate), between(lower.lower, upper.lower), between(lower.upper, upper.upper)];
        Interval::new(estimate, low, high, lower.confidence).ok()
    }
}
