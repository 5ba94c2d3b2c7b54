//! `failure_rate`: primary faults per machine-year on the roster, by component and age band.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::clustered_rate::{RateSums, clustered_rate};
use fixodds_estimators::unnamed_parts::NamedParts;

use super::evidence_sql;
use super::named_parts::{NOT_NAMED, NamedByCategory};
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

/// Scope, component (none: any) and lower edge of the age band (none: all ages), the edge by its position in the list.
type Group = (i64, Option<String>, Option<usize>);

#[derive(Clone, Copy, Default)]
struct Faults {
    events: i64,
    repeats: i64,
    events_squared: f64,
    events_times_machine_years: f64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("failure_rate")?;
    let faults = read_faults(engine)?;
    let named = NamedByCategory::read(engine)?;
    let everywhere = named_everywhere(engine, &faults, &named);
    engine.rows("failure_rate", evidence_sql!("failure_rate_exposure"), |row| {
        let group: Group = (row.get("scope_id")?, row.get("component")?, band(row.get("age_from_years")?));
        let machine_years: f64 = row.get("machine_years")?;
        let happened = faults.get(&group).copied().unwrap_or_default();
        let sums = RateSums {
            events: happened.events as u64,
            exposure: machine_years,
            events_squared: happened.events_squared,
            events_times_exposure: happened.events_times_machine_years,
            exposure_squared: row.get("machine_years_squared")?,
        };
        let (scope_id, component, band) = &group;
        let scope = engine.scope(*scope_id);
        let of_a_part = component.as_deref().is_some_and(|component| component != NOT_NAMED);
        let share = match &scope.category {
            category @ Some(_) => named.of(category.as_ref()),
            None => everywhere.get(component).copied().unwrap_or_else(|| named.of(None)),
        };
        let rate = clustered_rate(&sums, CONFIDENCE);
        rows.push(
            scope,
            &[
                ("component", component.clone().into()),
                ("age_from_years", band.map(|b| AGE_BAND_EDGES_YEARS[b]).into()),
                ("age_to_years", band.and_then(|b| AGE_BAND_EDGES_YEARS.get(b + 1).copied()).into()),
                ("events", happened.events.into()),
                ("repeat_events", happened.repeats.into()),
                ("machines", row.get::<_, i64>("machines")?.into()),
                ("machines_trait_unknown", row.get::<_, i64>("machines_trait_unknown")?.into()),
                ("machine_years", machine_years.into()),
                ("not_named_factor", of_a_part.then(|| share.factor().ok()).flatten().into()),
            ],
            &if of_a_part { rate.and_then(|rate| share.allow(&rate)) } else { rate },
        );
        Ok(())
    })?;
    Ok(rows)
}

fn read_faults(engine: &Engine) -> Result<BTreeMap<Group, Faults>, AnalyticsError> {
    let faults = engine.rows("failure_rate", evidence_sql!("failure_rate_events"), |row| {
        let group = (row.get("scope_id")?, row.get("component")?, band(row.get("age_from_years")?));
        let faults = Faults {
            events: row.get("events")?,
            repeats: row.get("repeat_events")?,
            events_squared: row.get("events_squared")?,
            events_times_machine_years: row.get("events_times_machine_years")?,
        };
        Ok((group, faults))
    })?;
    Ok(faults.into_iter().collect())
}

/// For each component, the share of named parts in the categories together in which it failed: its faults weigh each category's own share.
fn named_everywhere(engine: &Engine, faults: &BTreeMap<Group, Faults>, named: &NamedByCategory) -> BTreeMap<Option<String>, NamedParts> {
    let mut sums: BTreeMap<Option<String>, (f64, f64)> = BTreeMap::new();
    let mut found: BTreeMap<Option<String>, u64> = BTreeMap::new();
    for ((scope_id, component, band), happened) in faults {
        let scope = engine.scope(*scope_id);
        let share = named.of(scope.category.as_ref());
        if scope.level != "category" || band.is_some() {
            continue;
        }
        if let Ok(factor) = share.factor() {
            let (events, raised) = sums.entry(component.clone()).or_default();
            *events += happened.events as f64;
            *raised += happened.events as f64 * factor;
            *found.entry(component.clone()).or_default() += share.found;
        }
    }
    sums.into_iter()
        .filter(|(_, (events, _))| *events > 0.0)
        .map(|(component, (events, raised))| {
            let found = found[&component];
            let named = (found as f64 * events / raised).round() as u64;
            (component, NamedParts { named, found })
        })
        .collect()
}

fn band(age_from_years: Option<f64>) -> Option<usize> {
    age_from_years.and_then(|edge| AGE_BAND_EDGES_YEARS.iter().position(|e| *e == edge))
}
