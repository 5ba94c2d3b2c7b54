//! The parameters of a simulated workshop, read from `sample-data/scenario.toml`, where each is explained.

use crate::weibull::Weibull;
use chrono::NaiveDate;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::BTreeMap;

const DEMO: &str = include_str!("../../scenario.toml");

/// Probabilities or weights by name, in the order of the name.
pub type Weights = BTreeMap<String, f64>;

/// Why a scenario cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ScenarioError {
    #[error("the scenario cannot be read: {0}")]
    Unreadable(#[from] toml::de::Error),
    #[error("the scenario contradicts itself at {place}: {fault}; correct it there")]
    Inconsistent { place: String, fault: String },
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Every random draw follows from it.
    pub seed: u64,
    pub currency: String,
    #[serde(with = "iso_date")]
    pub first_day: NaiveDate,
    #[serde(with = "iso_date")]
    pub last_day: NaiveDate,
    pub scale: Scale,
    pub roster: Roster,
    pub town: Town,
    pub recording: Recording,
    pub outcome: OutcomeRules,
    pub sealed: Sealed,
    pub recall: Recall,
    pub consequential: Consequential,
    pub cost: Cost,
    pub parts: Parts,
    #[serde(rename = "category")]
    pub categories: Vec<Category>,
    #[serde(rename = "component")]
    pub components: Vec<Component>,
    #[serde(rename = "platform")]
    pub platforms: Vec<Platform>,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Scale {
    pub roster_machines: u64,
    pub town_machines: u64,
    pub typical_jobs: u64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Roster {
    pub enters_new: f64,
    pub mean_entry_age_years: f64,
    pub max_entry_age_years: f64,
    pub present_at_start: f64,
    pub moved_per_year: f64,
    pub sold_per_year: f64,
    pub plan_ended_per_year: f64,
    pub no_fault_calls_per_year: f64,
    pub job_lacks_machine_id: f64,
    pub lacks_serial: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Town {
    #[serde(with = "iso_date")]
    pub first_installation: NaiveDate,
    pub mean_life_years: f64,
    pub life_shape: f64,
    pub calls_us: f64,
    pub calls_us_again: f64,
    pub returns_to_us: f64,
    pub scrapped_elsewhere: f64,
    pub scrapped_after_declining: f64,
    pub no_fault_calls_per_year: f64,
    pub job_lacks_serial: f64,
    pub age_known: AgeKnown,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct AgeKnown {
    pub made_year: f64,
    pub bought_on: f64,
    pub age_years: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Recording {
    pub lacks_booked_on: f64,
    pub lacks_labour_minutes: f64,
    pub lacks_symptoms: f64,
    pub has_findings: f64,
    pub has_price_new: f64,
    pub has_usage_cycles: f64,
    pub cycles_per_year: f64,
    pub second_symptom: f64,
    pub unrelated_symptom: f64,
    pub incidental_finding: f64,
    pub has_note: f64,
    pub note_has_contact: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct OutcomeRules {
    pub condemn_growth_per_year: f64,
    pub declined_on_roster: f64,
    pub declined_in_town: f64,
    pub repairable_only: f64,
    pub condemned_reasons: Weights,
    pub declined_reasons: Weights,
    pub repairable_reasons: Weights,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Sealed {
    pub components: Vec<String>,
    pub assembly: String,
    pub assembly_price_share: f64,
    pub condemn_probability: f64,
    pub condemned_reasons: Weights,
    pub labour_minutes: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Recall {
    pub mean_delay_days: f64,
    pub source_factor: Weights,
    pub source_hazard: Weights,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Consequential {
    pub only_consequential_replaced: f64,
    pub only_primary_replaced: f64,
    pub cause_left_returns: f64,
    pub damage_left_returns: f64,
    pub mean_delay_days: f64,
    pub pairs: Vec<Pair>,
}

/// P(`consequential` is damaged too | `primary` failed), where the machine has both.
#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Pair {
    pub primary: String,
    pub consequential: String,
    pub probability: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Cost {
    pub base_year: i32,
    pub price_drift_per_year: f64,
    pub labour_rate_per_hour: f64,
    pub labour_sigma: f64,
    pub diagnosis_minutes: f64,
    pub no_fault_minutes: f64,
    pub charge_factor: f64,
    pub call_out: f64,
    pub charge_missing: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Parts {
    pub source_share: Weights,
    pub used_growth_per_year: f64,
    pub pattern_price: f64,
    pub repaired_price: f64,
    pub from_stock: f64,
    pub lead_median_working_days: f64,
    pub lead_median_discontinued: f64,
    pub lead_sigma: f64,
    pub unavailable: f64,
    pub unavailable_per_year: f64,
    pub used_instead: f64,
    pub unavailable_condemned: f64,
    pub donor_recorded: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Category {
    pub key: String,
    pub share: f64,
    pub condemn_factor: f64,
    pub home_visit: f64,
    pub reference_price: f64,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Component {
    pub key: String,
    /// Fitted only to machines with this motor type.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub motor_type: Option<String>,
    pub labour_minutes: f64,
    /// Of one piece, new-original.
    pub part_price: f64,
    #[serde(default = "one_piece")]
    pub quantity: u32,
    /// Share of repairs that clean or refit it: no part, and as good as new.
    #[serde(default)]
    pub cured_without_part: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub used_price: Option<[f64; 2]>,
    #[serde(default)]
    pub repaired_offered: bool,
    pub recall: f64,
    pub condemn_at_7_years: f64,
    pub failure_modes: Vec<String>,
    pub symptoms: Weights,
    #[serde(default)]
    pub symptoms_in: BTreeMap<String, Weights>,
    /// [shape, scale_years] by category.
    pub hazard: BTreeMap<String, [f64; 2]>,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Platform {
    pub name: String,
    pub category: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drum_design: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub motor_type: Option<String>,
    #[serde(default = "one")]
    pub all_hazards: f64,
    #[serde(default)]
    pub hazards: Weights,
    pub models: Vec<Model>,
}

#[derive(Debug, Clone, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Model {
    pub brand: String,
    pub model: String,
    pub price_new: f64,
    pub mass_kg: f64,
    #[serde(with = "iso_date")]
    pub first_sold_on: NaiveDate,
    #[serde(default, with = "iso_date::option", skip_serializing_if = "Option::is_none")]
    pub last_sold_on: Option<NaiveDate>,
    pub popularity: f64,
    /// Sub-scores (0-10) of the repairability sheet, in the order of [`crate::DECLARED_SCORES`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub declared: Option<[f64; 10]>,
}

impl Scenario {
    /// The workshop of the demo: ten years, about 34,000 jobs.
    pub fn demo() -> Self {
        // Embedded in the program and read by a test: it cannot fail for a user.
        Self::from_toml(DEMO).expect("sample-data/scenario.toml is sound")
    }

    /// Reads and checks a scenario in the form of `sample-data/scenario.toml`.
    pub fn from_toml(text: &str) -> Result<Self, ScenarioError> {
        let scenario: Self = toml::from_str(text)?;
        scenario.check()?;
        Ok(scenario)
    }

    pub fn with_seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }

    /// Scales both groups of machines so that about `jobs` jobs are recorded.
    pub fn with_jobs(mut self, jobs: u64) -> Self {
        let factor = jobs as f64 / self.scale.typical_jobs as f64;
        let scaled = |machines: u64| (machines as f64 * factor).round() as u64;
        self.scale = Scale {
            roster_machines: scaled(self.scale.roster_machines),
            town_machines: scaled(self.scale.town_machines),
            typical_jobs: jobs,
        };
        self
    }

    /// The true hazard of an original component on a platform; `None` where the component is not fitted.
    pub fn weibull(&self, component: &str, platform: &str) -> Option<Weibull> {
        let platform = self.platforms.iter().find(|p| p.name == platform)?;
        let component = self.components.iter().find(|c| c.key == component)?;
        component.weibull_on(platform)
    }

    /// P(the component fails again because of the repair).
    pub fn recall_probability(&self, component: &str, part_source: &str) -> Option<f64> {
        let component = self.components.iter().find(|c| c.key == component)?;
        Some((component.recall * self.recall.source_factor.get(part_source)?).min(1.0))
    }

    /// P(condemned) of a job whose first fault is this component, before any part turns out to be unavailable.
    pub fn condemn_probability(&self, component: &str, platform: &str, age_years: f64) -> Option<f64> {
        let platform = self.platforms.iter().find(|p| p.name == platform)?;
        let category = self.categories.iter().find(|c| c.key == platform.category)?;
        let component = self.components.iter().find(|c| c.key == component)?;
        if platform.is_sealed() && self.sealed.components.contains(&component.key) {
            return Some(self.sealed.condemn_probability);
        }
        let growth = (self.outcome.condemn_growth_per_year * (age_years - 7.0)).exp();
        Some((component.condemn_at_7_years * growth * category.condemn_factor).min(0.95))
    }

    fn check(&self) -> Result<(), ScenarioError> {
        let fail = |place: &str, fault: String| Err(ScenarioError::Inconsistent { place: place.into(), fault });
        if self.first_day >= self.last_day {
            return fail("last_day", format!("{} is not after first_day {}", self.last_day, self.first_day));
        }
        if self.town.first_installation >= self.last_day {
            return fail("town.first_installation", format!("{} is not before last_day", self.town.first_installation));
        }
        for (place, value) in self.probabilities() {
            if !(0.0..=1.0).contains(&value) {
                return fail(&place, format!("{value} is not a probability from 0 to 1"));
            }
        }
        for (place, value) in self.positive_numbers() {
            if !(value > 0.0 && value.is_finite()) {
                return fail(&place, format!("{value} is not a number above 0"));
            }
        }
        let known = |key: &str| self.components.iter().any(|c| c.key == key);
        for component in &self.components {
            for (category, [shape, scale]) in &component.hazard {
                if !self.categories.iter().any(|c| &c.key == category) {
                    return fail(&component.key, format!("no category {category}"));
                }
                if !(*shape > 0.0 && *scale > 0.0) {
                    return fail(&component.key, format!("hazard of {category} needs a shape and a scale above 0"));
                }
            }
            if component.used_price.is_some_and(|[low, high]| !(0.0 <= low && low <= high && high.is_finite())) {
                return fail(&component.key, "used_price is [lowest, highest] in pounds".into());
            }
            if component.failure_modes.is_empty() || component.symptoms.is_empty() {
                return fail(&component.key, "it needs failure_modes and symptoms".into());
            }
        }
        for pair in &self.consequential.pairs {
            if !known(&pair.primary) || !known(&pair.consequential) {
                return fail("consequential.pairs", format!("unknown component in {} -> {}", pair.primary, pair.consequential));
            }
        }
        for platform in &self.platforms {
            if !self.categories.iter().any(|c| c.key == platform.category) {
                return fail(&platform.name, format!("no category {}", platform.category));
            }
            if let Some(key) = platform.hazards.keys().find(|key| !known(key)) {
                return fail(&platform.name, format!("no component {key}"));
            }
        }
        for category in &self.categories {
            let mut platforms = self.platforms.iter().filter(|p| p.category == category.key);
            if !platforms.any(|p| p.models.iter().any(|m| m.first_sold_on <= self.town.first_installation)) {
                return fail(&category.key, format!("no model on sale by town.first_installation {}", self.town.first_installation));
            }
        }
        Ok(())
    }
}

impl Scenario {
    fn probabilities(&self) -> Vec<(String, f64)> {
        let Self { roster, town, recording, outcome, sealed, consequential, cost, parts, .. } = self;
        let named = [
            ("roster.enters_new", roster.enters_new),
            ("roster.present_at_start", roster.present_at_start),
            ("roster.job_lacks_machine_id", roster.job_lacks_machine_id),
            ("roster.lacks_serial", roster.lacks_serial),
            ("town.calls_us", town.calls_us),
            ("town.calls_us_again", town.calls_us_again),
            ("town.returns_to_us", town.returns_to_us),
            ("town.scrapped_elsewhere", town.scrapped_elsewhere),
            ("town.scrapped_after_declining", town.scrapped_after_declining),
            ("town.job_lacks_serial", town.job_lacks_serial),
            ("recording.lacks_booked_on", recording.lacks_booked_on),
            ("recording.lacks_labour_minutes", recording.lacks_labour_minutes),
            ("recording.lacks_symptoms", recording.lacks_symptoms),
            ("recording.has_findings", recording.has_findings),
            ("recording.has_price_new", recording.has_price_new),
            ("recording.has_usage_cycles", recording.has_usage_cycles),
            ("recording.second_symptom", recording.second_symptom),
            ("recording.unrelated_symptom", recording.unrelated_symptom),
            ("recording.incidental_finding", recording.incidental_finding),
            ("recording.has_note", recording.has_note),
            ("recording.note_has_contact", recording.note_has_contact),
            ("outcome.declined_on_roster", outcome.declined_on_roster),
            ("outcome.declined_in_town", outcome.declined_in_town),
            ("outcome.repairable_only", outcome.repairable_only),
            ("sealed.condemn_probability", sealed.condemn_probability),
            ("consequential.cause_left_returns", consequential.cause_left_returns),
            ("consequential.damage_left_returns", consequential.damage_left_returns),
            ("cost.charge_missing", cost.charge_missing),
            ("parts.from_stock", parts.from_stock),
            ("parts.used_instead", parts.used_instead),
            ("parts.unavailable_condemned", parts.unavailable_condemned),
            ("parts.donor_recorded", parts.donor_recorded),
        ];
        let mut all: Vec<(String, f64)> = named.into_iter().map(|(place, value)| (place.to_owned(), value)).collect();
        all.extend(consequential.pairs.iter().map(|p| (format!("{} -> {}", p.primary, p.consequential), p.probability)));
        all.extend(self.categories.iter().map(|c| (format!("{}.home_visit", c.key), c.home_visit)));
        for c in &self.components {
            all.push((format!("{}.recall", c.key), c.recall));
            all.push((format!("{}.condemn_at_7_years", c.key), c.condemn_at_7_years));
            all.push((format!("{}.cured_without_part", c.key), c.cured_without_part));
        }
        all
    }

    fn positive_numbers(&self) -> Vec<(String, f64)> {
        let named = [
            ("scale.typical_jobs", self.scale.typical_jobs as f64),
            ("roster.mean_entry_age_years", self.roster.mean_entry_age_years),
            ("roster.max_entry_age_years", self.roster.max_entry_age_years),
            ("roster.moved_per_year", self.roster.moved_per_year),
            ("roster.sold_per_year", self.roster.sold_per_year),
            ("roster.plan_ended_per_year", self.roster.plan_ended_per_year),
            ("roster.no_fault_calls_per_year", self.roster.no_fault_calls_per_year),
            ("town.mean_life_years", self.town.mean_life_years),
            ("town.life_shape", self.town.life_shape),
            ("town.no_fault_calls_per_year", self.town.no_fault_calls_per_year),
            ("recall.mean_delay_days", self.recall.mean_delay_days),
            ("consequential.mean_delay_days", self.consequential.mean_delay_days),
        ];
        let mut all: Vec<(String, f64)> = named.into_iter().map(|(place, value)| (place.to_owned(), value)).collect();
        for (source, factor) in self.recall.source_factor.iter().chain(&self.recall.source_hazard) {
            all.push((format!("recall.{source}"), *factor));
        }
        for c in &self.categories {
            all.push((format!("{}.reference_price", c.key), c.reference_price));
            all.push((format!("{}.condemn_factor", c.key), c.condemn_factor));
        }
        all.extend(self.platforms.iter().map(|p| (format!("{}.all_hazards", p.name), p.all_hazards)));
        all
    }
}

impl Component {
    pub(crate) fn weibull_on(&self, platform: &Platform) -> Option<Weibull> {
        if self.motor_type.is_some() && self.motor_type != platform.motor_type {
            return None;
        }
        let [shape, scale_years] = *self.hazard.get(&platform.category)?;
        let factor = platform.all_hazards * platform.hazards.get(&self.key).copied().unwrap_or(1.0);
        (factor > 0.0).then(|| Weibull { shape, scale_years }.with_hazard_times(factor))
    }
}

impl Platform {
    pub(crate) fn is_sealed(&self) -> bool {
        self.drum_design.as_deref() == Some("sealed")
    }
}

fn one() -> f64 {
    1.0
}

fn one_piece() -> u32 {
    1
}

mod iso_date {
    use super::*;

    pub fn serialize<S: Serializer>(date: &NaiveDate, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(date)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<NaiveDate, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }

    pub mod option {
        use super::*;

        pub fn serialize<S: Serializer>(date: &Option<NaiveDate>, serializer: S) -> Result<S::Ok, S::Error> {
            match date {
                Some(date) => serializer.collect_str(date),
                None => serializer.serialize_none(),
            }
        }

        pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<NaiveDate>, D::Error> {
            super::deserialize(deserializer).map(Some)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(before: &str, after: &str) -> String {
        assert!(DEMO.contains(before), "{before} is not in the scenario");
        Scenario::from_toml(&DEMO.replacen(before, after, 1)).unwrap_err().to_string()
    }

    #[test]
    fn the_demo_is_sound() {
        assert_eq!(Scenario::demo().seed, 20_160_701);
    }

    #[test]
    fn a_refusal_names_the_place_and_the_fault() {
        assert!(refused("calls_us = 0.14", "calls_us = 1.4").contains("town.calls_us: 1.4 is not a probability"));
        assert!(refused("calls_us = 0.14", "calls_them = 0.14").contains("calls_them"));
        assert!(refused("moved_per_year = 0.040", "moved_per_year = 0.0").contains("roster.moved_per_year"));
        assert!(refused("last_day = \"2026-06-30\"", "last_day = \"2015-06-30\"").contains("last_day"));
        assert!(refused("primary = \"motor\"", "primary = \"moter\"").contains("moter"));
        assert!(refused("used_price = [40, 60]", "used_price = [60, 40]").contains("motor"));
        assert!(refused("first_installation = \"2003-01-01\"", "first_installation = \"1990-01-01\"").contains("on sale"));
    }
}
