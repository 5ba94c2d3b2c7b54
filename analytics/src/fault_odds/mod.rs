//! The odds of each fault: counted from the store, fitted, scored on held-out jobs, and kept in one file beside the evidence tables.
//!
//! That file holds all that a technician's question needs, so that answering opens neither the database nor any Parquet file, and a
//! page can carry it and work out the same numbers.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::complaint::Weights;
use fixodds_estimators::fault_odds::{CategoryCounts, GroupCounts, Settings};
use fixodds_schemas::store_layout::StoreLayout;
use fixodds_schemas::vocabulary::ModelTrait;
use serde::{Deserialize, Serialize};

use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence::{About, read_json};

mod answer;
mod before;
mod complaints;
mod consequences;
mod counting;
mod donor;
mod economics;
mod economics_answer;
mod records;
mod safety;
mod scoring;
mod search;
mod tables;

pub use answer::{Answer, Asked, Basis, CheckStep, ComponentOdds, Mention};
pub(crate) use before::OddsBefore;
pub(crate) use consequences::Consequences;
pub use consequences::{Consequence, RepairScope};
pub use donor::{Donor, DonorPart};
pub(crate) use economics::FromEvidence;
pub use economics::{Economics, PartNumber, PartPrice, RepairCost};
pub use economics_answer::{EconomicsAnswer, Interchange, PartChoice, Reason};
pub use scoring::SkillRow;
pub use search::{Found, ModelMatch, nearest};

/// Name of the file in the evidence folder.
pub const FILE: &str = "fault_odds.json";

/// All that a technician's question needs.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct FaultOdds {
    /// The cut-off of the records.
    pub as_of: String,
    /// Of all amounts, ISO 4217.
    pub currency: String,
    /// Lower edges of the age bands, in years; the last band is open.
    pub age_band_edges: Vec<f64>,
    pub settings: Settings,
    /// Held-out jobs that the settings were fitted on; 0 where they are the defaults, because there are none.
    pub settings_rest_on_jobs: u64,
    pub categories: Vec<Category>,
    pub skill: Vec<SkillRow>,
    /// What the catalogue says of a model, as far as a caution depends on it; by key of the model.
    #[serde(default)]
    pub designs: BTreeMap<String, Vec<ModelTrait>>,
}

/// One category of appliance, with the positions that its counts refer to.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Category {
    pub key: String,
    /// Keys of the components, in the order of their positions.
    pub components: Vec<String>,
    /// Keys of the symptoms that complaints on record mention.
    pub symptoms: Vec<String>,
    /// Words of complaints that count, the most frequent first; error codes with their brand.
    pub words: Vec<String>,
    /// What symptoms and words tell; symptoms stand before words.
    pub complaint: Weights,
    /// Jobs whose complaint holds each of them.
    pub mention_jobs: Vec<u32>,
    /// The same by component at fault.
    #[serde(skip)]
    pub mentions: Vec<Vec<u32>>,
    pub counts: CategoryCounts,
    pub brands: BTreeMap<String, GroupCounts>,
    pub platforms: BTreeMap<String, GroupCounts>,
    pub models: BTreeMap<String, Model>,
    pub consequences: Vec<Consequence>,
    pub repair_scopes: Vec<RepairScope>,
    pub economics: Economics,
}

/// One model of the catalogue or the records.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Model {
    pub brand: Option<String>,
    pub platform: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price_new: Option<f64>,
    #[serde(flatten)]
    pub counts: GroupCounts,
}

impl Category {
    /// Jobs with a primary fault known.
    #[must_use]
    pub fn jobs(&self) -> u32 {
        self.counts.faults_by_age.iter().flatten().sum()
    }

    /// The counts that back off from a model: of its brand, of its platform and its own.
    #[must_use]
    pub fn groups(&self, brand: Option<&str>, platform: Option<&str>, model: Option<&str>) -> [Option<&GroupCounts>; 3] {
        [
            brand.and_then(|key| self.brands.get(key)),
            platform.and_then(|key| self.platforms.get(key)),
            model.and_then(|key| self.models.get(key)).map(|model| &model.counts),
        ]
    }
}

impl FaultOdds {
    /// Reads the odds of the store's current evidence.
    ///
    /// # Errors
    /// Nothing was ingested or analysed yet, or the file cannot be read.
    pub fn open(store: &StoreLayout) -> Result<Self, AnalyticsError> {
        read_json(store, FILE)
    }

    #[must_use]
    pub fn category(&self, key: &str) -> Option<&Category> {
        self.categories.iter().find(|category| category.key == key)
    }

    /// The band of an age, and its edges in years (the last has no upper edge).
    #[must_use]
    pub fn age_band(&self, age_years: f64) -> Option<(usize, f64, Option<f64>)> {
        let band = self.age_band_edges.iter().rposition(|edge| age_years >= *edge)?;
        Some((band, self.age_band_edges[band], self.age_band_edges.get(band + 1).copied()))
    }
}

/// Counts, fits and scores the odds; the tables follow from them by [`FaultOdds::rows`] and [`FaultOdds::skill_rows`].
pub(crate) fn build(engine: &Engine, about: &About, consequences: Consequences, known: FromEvidence) -> Result<FaultOdds, AnalyticsError> {
    let records = records::read(engine)?;
    let ((mut settings, settings_rest_on_jobs), (skill, inflation)) =
        rayon::join(|| scoring::settings_for_use(&records), || scoring::skill(&records));
    settings.complaint_inflation = inflation.unwrap_or(settings.complaint_inflation);
    let mut categories = counting::count(&records, |_| true);
    complaints::learn(&records, &mut categories, &settings, |_| true);
    consequences.add_to(&mut categories);
    economics::add(engine, &mut categories, known)?;
    Ok(FaultOdds {
        as_of: about.as_of.clone(),
        currency: about.currency.clone(),
        age_band_edges: crate::engine::AGE_BAND_EDGES_YEARS.to_vec(),
        settings,
        settings_rest_on_jobs,
        categories,
        skill,
        designs: safety::designs(engine)?,
    })
}
