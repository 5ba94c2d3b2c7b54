//! What stands before the odds: emergencies, cautions for the machine at hand, and what is looked at first and tested last.

use std::collections::BTreeMap;

use fixodds_schemas::vocabulary::{AtHand, Check, Component, ModelTrait, vocabulary};

use super::{Asked, FaultOdds};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::tables::evidence_sql;

/// What the catalogue says of each model's design, as far as a caution depends on it.
pub fn designs(engine: &Engine) -> Result<BTreeMap<String, Vec<ModelTrait>>, AnalyticsError> {
    let settled = |value: String| vec![ModelTrait { column: "motor_type".to_owned(), value }];
    let rows = engine.rows("fault_odds", evidence_sql!("fault_odds_designs"), |row| {
        Ok((row.get::<_, String>("model_key")?, settled(row.get("motor_type")?)))
    })?;
    Ok(rows.into_iter().collect())
}

/// Whether a symptom is an emergency, on record or not.
pub fn is_emergency(symptom: &str) -> bool {
    vocabulary().emergency(symptom).is_some()
}

/// Whether a component is checked with the power off. What the vocabulary does not know counts as live.
pub fn is_checked_dead(component: &str) -> bool {
    vocabulary().component(component).is_some_and(|component| component.check == Some(Check::Dead))
}

impl FaultOdds {
    /// Keys of the cautions for a machine and for components to be checked in it, in the order of reading.
    pub(super) fn cautions(&self, asked: &Asked, components: impl Iterator<Item = &'static Component>) -> Vec<String> {
        let settled = asked.model.as_ref().and_then(|model| self.designs.get(model));
        let machine = AtHand {
            category: &asked.category,
            settled: settled.map_or(&[], Vec::as_slice),
            symptoms: &asked.symptoms,
            made_from: asked.age_years.and_then(|age| made_from(&self.as_of, age)),
        };
        vocabulary().cautions_for(&machine, components).into_iter().map(|caution| caution.key.clone()).collect()
    }
}

/// The year in which a machine of that age was made at the earliest.
fn made_from(as_of: &str, age_years: f64) -> Option<f64> {
    let year: f64 = as_of.get(..4)?.parse().ok()?;
    Some(year - age_years - 1.0)
}
