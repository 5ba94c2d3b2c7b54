//! `part_supply`: orders of parts against the law: how long they took, and how many could not be had.

use duckdb::Row;
use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};
use fixodds_estimators::quantile::quantile_interval_of_counts;

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, EvidenceRows};

const QUANTILES: [(&str, f64); 2] = [("wait_median", 0.5), ("wait_p90", 0.9)];

#[derive(PartialEq, Clone)]
struct Slice {
    scope_id: i64,
    part_source: String,
    audience: Option<String>,
    law: Option<String>,
    statutory_class: Option<String>,
    period: String,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("part_supply")?;
    shares(engine, &mut rows)?;
    waits(engine, &mut rows)?;
    Ok(rows)
}

fn shares(engine: &Engine, rows: &mut EvidenceRows) -> Result<(), AnalyticsError> {
    engine.rows("part_supply", evidence_sql!("part_supply_counts"), |row| {
        let slice = read_slice(row)?;
        let [orders, events, machines]: [i64; 3] = [row.get("orders")?, row.get("events")?, row.get("machines")?];
        let sums = ClusterSums {
            clusters: machines as u64,
            events: events as f64,
            trials: orders as f64,
            events_squared: row.get("events_squared")?,
            events_times_trials: row.get("events_times_trials")?,
            trials_squared: row.get("trials_squared")?,
        };
        let mut cells = slice.cells();
        cells.extend([
            ("statistic", row.get::<_, String>("statistic")?.into()),
            ("orders", orders.into()),
            ("orders_open", row.get::<_, i64>("orders_open")?.into()),
            ("events", events.into()),
            ("machines", machines.into()),
        ]);
        rows.push(engine.scope(slice.scope_id), &cells, &clustered_wilson(&sums, CONFIDENCE).map(|share| share.interval));
        Ok(())
    })?;
    Ok(())
}

fn waits(engine: &Engine, rows: &mut EvidenceRows) -> Result<(), AnalyticsError> {
    let waits: Vec<(Slice, f64, u64)> = engine.rows("part_supply", evidence_sql!("part_supply_waits"), |row| {
        Ok((read_slice(row)?, row.get::<_, i64>("wait_working_days")? as f64, row.get::<_, i64>("orders")? as u64))
    })?;
    for group in waits.chunk_by(|a, b| a.0 == b.0) {
        let slice = &group[0].0;
        let counts: Vec<(f64, u64)> = group.iter().map(|(_, wait, orders)| (*wait, *orders)).collect();
        let orders: u64 = counts.iter().map(|(_, orders)| orders).sum();
        for (statistic, probability) in QUANTILES {
            let mut cells = slice.cells();
            cells.extend([("statistic", statistic.into()), ("orders", (orders as i64).into())]);
            rows.push(engine.scope(slice.scope_id), &cells, &quantile_interval_of_counts(&counts, probability, CONFIDENCE));
        }
    }
    Ok(())
}

fn read_slice(row: &Row<'_>) -> duckdb::Result<Slice> {
    Ok(Slice {
        scope_id: row.get("scope_id")?,
        part_source: row.get("part_source")?,
        audience: row.get("of_audience")?,
        law: row.get("of_law")?,
        statutory_class: row.get("of_class")?,
        period: row.get("period")?,
    })
}

impl Slice {
    fn cells(&self) -> Vec<(&'static str, Cell)> {
        vec![
            ("part_source", self.part_source.clone().into()),
            ("audience", self.audience.clone().into()),
            ("law", self.law.clone().into()),
            ("statutory_class", self.statutory_class.clone().into()),
            ("period", self.period.clone().into()),
        ]
    }
}
