//! `sealed_write_off`: condemned machines whose failed part sits in an assembly that cannot be opened, and what was lost with them.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};
use fixodds_estimators::contingency::RiskTable;
use fixodds_estimators::excess_fraction::excess_fraction;
use fixodds_estimators::quantile::quantile_interval;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use fixodds_schemas::vocabulary::vocabulary;

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

struct Counts {
    scope_id: i64,
    component: Option<String>,
    condemned: i64,
    condemned_known: i64,
    sealed: i64,
    not_named: i64,
    not_named_known: i64,
    not_named_could_be: i64,
    of_condemned: ClusterSums,
    of_known: ClusterSums,
    value_lost: Option<f64>,
    priced: i64,
    mass_kg_lost: Option<f64>,
    weighed: i64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("sealed_write_off")?;
    let counts = read_counts(engine)?;
    for counts in &counts {
        push_shares(engine, &mut rows, counts);
    }
    push_excess(engine, &mut rows, &counts)?;
    for ((scope_id, component), prices) in read_prices(engine)? {
        let is_assembly = vocabulary().components.iter().any(|c| c.assembly.as_deref() == Some(&component));
        let statistic = if is_assembly { "assembly_price" } else { "part_price" };
        rows.push(
            engine.scope(scope_id),
            &[("statistic", statistic.into()), ("component", component.into()), ("events", (prices.len() as i64).into())],
            &quantile_interval(&prices, 0.5, CONFIDENCE),
        );
    }
    Ok(rows)
}

fn push_shares(engine: &Engine, rows: &mut EvidenceRows, counts: &Counts) {
    let share = |sums: &ClusterSums| clustered_wilson(sums, CONFIDENCE).map(|share| share.interval);
    let statistics: [(&str, i64, i64, Estimated); 5] = [
        ("of_condemned", counts.condemned, counts.sealed, share(&counts.of_condemned)),
        ("of_condemned_design_known", counts.condemned_known, counts.sealed, share(&counts.of_known)),
        ("value_lost", counts.condemned, counts.priced, total(counts.value_lost)),
        ("mass_kg_lost", counts.condemned, counts.weighed, total(counts.mass_kg_lost)),
        ("machines_lost", counts.condemned, counts.sealed, total(Some(counts.sealed as f64))),
    ];
    for (statistic, condemned, events, estimated) in statistics {
        let not_named = match statistic {
            "of_condemned" => Some(counts.not_named),
            "of_condemned_design_known" => Some(counts.not_named_known),
            _ => None,
        };
        let bound = |sealed: i64| {
            let all = condemned + not_named.unwrap_or_default();
            (not_named.is_some() && all > 0).then(|| sealed as f64 / all as f64)
        };
        rows.push(
            engine.scope(counts.scope_id),
            &[
                ("statistic", statistic.into()),
                ("component", counts.component.clone().into()),
                ("condemned", condemned.into()),
                ("events", events.into()),
                ("not_named", not_named.into()),
                ("bound_lower", bound(counts.sealed).into()),
                ("bound_upper", bound(counts.sealed + counts.not_named_could_be).into()),
            ],
            &estimated,
        );
    }
}

/// Resamples and seed of the interval of the excess fraction.
const RESAMPLES: usize = 9_999;
const SEED: u64 = 1;

/// The write-offs of sealed machines beyond the share at which those that open end so at the same ages.
fn push_excess(engine: &Engine, rows: &mut EvidenceRows, counts: &[Counts]) -> Result<(), AnalyticsError> {
    let strata = read_strata(engine)?;
    for counts in counts {
        let chosen: Vec<RiskTable> = strata
            .iter()
            .filter(|(scope_id, component, _)| {
                *scope_id == counts.scope_id && counts.component.as_ref().is_none_or(|wanted| wanted == component)
            })
            .map(|(.., table)| *table)
            .collect();
        if chosen.is_empty() {
            continue;
        }
        rows.push(
            engine.scope(counts.scope_id),
            &[
                ("statistic", "excess".into()),
                ("component", counts.component.clone().into()),
                ("jobs", chosen.iter().map(|table| (table.exposed_total + table.reference_total) as i64).sum::<i64>().into()),
                ("condemned", counts.condemned_known.into()),
                ("events", chosen.iter().map(|table| table.exposed_events as i64).sum::<i64>().into()),
            ],
            &excess_fraction(&chosen, counts.condemned_known as u64, RESAMPLES, SEED, CONFIDENCE),
        );
    }
    Ok(())
}

fn read_strata(engine: &Engine) -> Result<Vec<(i64, String, RiskTable)>, AnalyticsError> {
    engine.rows("sealed_write_off", evidence_sql!("sealed_excess_strata"), |row| {
        let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
        let table = RiskTable {
            exposed_events: count("exposed_events")?,
            exposed_total: count("exposed_total")?,
            reference_events: count("reference_events")?,
            reference_total: count("reference_total")?,
        };
        Ok((row.get("scope_id")?, row.get("component")?, table))
    })
}

/// A total of what the records hold is counted, not estimated: it is its own bounds.
fn total(sum: Option<f64>) -> Estimated {
    sum.map_or(Err(CannotEstimate::NoObservations), Interval::exact)
}

fn read_counts(engine: &Engine) -> Result<Vec<Counts>, AnalyticsError> {
    engine.rows("sealed_write_off", evidence_sql!("sealed_write_off_counts"), |row| {
        let condemned: i64 = row.get("condemned")?;
        let condemned_known: i64 = row.get("condemned_known")?;
        let sealed: i64 = row.get("sealed")?;
        let sealed_squared: f64 = row.get("sealed_squared")?;
        let of_condemned = ClusterSums {
            clusters: row.get::<_, i64>("machines")? as u64,
            events: sealed as f64,
            trials: condemned as f64,
            events_squared: sealed_squared,
            events_times_trials: row.get("sealed_times_condemned")?,
            trials_squared: row.get("condemned_squared")?,
        };
        let of_known = ClusterSums {
            clusters: row.get::<_, i64>("machines_known")? as u64,
            trials: condemned_known as f64,
            events_times_trials: row.get("sealed_times_known")?,
            trials_squared: row.get("known_squared")?,
            ..of_condemned
        };
        Ok(Counts {
            scope_id: row.get("scope_id")?,
            component: row.get("component")?,
            condemned,
            condemned_known,
            sealed,
            not_named: row.get("not_named")?,
            not_named_known: row.get("not_named_known")?,
            not_named_could_be: row.get("not_named_could_be")?,
            of_condemned,
            of_known,
            value_lost: row.get("value_lost")?,
            priced: row.get("priced")?,
            mass_kg_lost: row.get("mass_kg_lost")?,
            weighed: row.get("weighed")?,
        })
    })
}

/// Prices paid for new parts by scope and component, in rising order.
fn read_prices(engine: &Engine) -> Result<BTreeMap<(i64, String), Vec<f64>>, AnalyticsError> {
    let mut prices: BTreeMap<(i64, String), Vec<f64>> = BTreeMap::new();
    engine.rows("sealed_write_off", evidence_sql!("part_price_rows"), |row| {
        prices.entry((row.get("scope_id")?, row.get("component")?)).or_default().push(row.get("unit_cost")?);
        Ok(())
    })?;
    Ok(prices)
}
