//! `failure_rate`: primary faults per machine-year on the roster, by component and age band.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::poisson::garwood;

use super::evidence_sql;
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

/// Scope, component (none: any) and lower edge of the age band (none: all ages), the edge by its position in the list.
type Group = (i64, Option<String>, Option<usize>);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("failure_rate")?;
    let events: BTreeMap<Group, (i64, i64)> = engine
        .rows("failure_rate", evidence_sql!("failure_rate_events"), |row| {
            let group = (row.get("scope_id")?, row.get("component")?, band(row.get("age_from_years")?));
            Ok((group, (row.get("events")?, row.get("repeat_events")?)))
        })?
        .into_iter()
        .collect();
    engine.rows("failure_rate", evidence_sql!("failure_rate_exposure"), |row| {
        let group: Group = (row.get("scope_id")?, row.get("component")?, band(row.get("age_from_years")?));
        let machine_years: f64 = row.get("machine_years")?;
        let (failures, repeats) = events.get(&group).copied().unwrap_or((0, 0));
        let (scope_id, component, band) = group;
        rows.push(
            engine.scope(scope_id),
            &[
                ("component", component.into()),
                ("age_from_years", band.map(|b| AGE_BAND_EDGES_YEARS[b]).into()),
                ("age_to_years", band.and_then(|b| AGE_BAND_EDGES_YEARS.get(b + 1).copied()).into()),
                ("events", failures.into()),
                ("repeat_events", repeats.into()),
                ("machines", row.get::<_, i64>("machines")?.into()),
                ("machines_trait_unknown", row.get::<_, i64>("machines_trait_unknown")?.into()),
                ("machine_years", machine_years.into()),
            ],
            &garwood(failures as u64, machine_years, CONFIDENCE),
        );
        Ok(())
    })?;
    Ok(rows)
}

fn band(age_from_years: Option<f64>) -> Option<usize> {
    age_from_years.and_then(|edge| AGE_BAND_EDGES_YEARS.iter().position(|e| *e == edge))
}
