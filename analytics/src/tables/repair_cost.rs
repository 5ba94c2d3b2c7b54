//! `repair_cost`: what a repair costs, in labour, parts and both, and what was charged; mean, median and 90th percentile.

use std::collections::{BTreeMap, BTreeSet};

use duckdb::{Row, ToSql};
use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::bootstrap::{BootstrapPlan, MeanSums, clustered_means, mean_from_sums};
use fixodds_estimators::quantile::{quantile_interval, quantile_interval_of_counts};
use rayon::prelude::*;

use super::evidence_sql;
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

/// Groups estimated together, so that the records of a few groups are in memory at once.
const BATCH: usize = 512;

#[derive(PartialEq, Clone)]
struct Slice {
    scope_id: i64,
    component: Option<String>,
    age_from_years: Option<f64>,
}

/// One cost of the repairs of a slice: the value and its machine, for those repairs where it is known.
#[derive(Default)]
struct Known<const COLUMNS: usize> {
    values: Vec<[f64; COLUMNS]>,
    clusters: Vec<u64>,
}

struct Group {
    slice: Slice,
    labour_parts_total: Known<3>,
    charged: Known<1>,
    labour_minutes: Known<1>,
}

/// A finished estimate: cost, statistic, jobs, machines, estimate.
type Line = (&'static str, &'static str, i64, i64, Estimated);

const COSTS: [&str; 5] = ["labour", "parts", "total", "charged", "labour_minutes"];
const QUANTILES: [(&str, f64); 2] = [("median", 0.5), ("p90", 0.9)];
const SLICES: [&str; 3] = ["all", "component", "age"];

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("repair_cost")?;
    let levels: BTreeSet<&str> = engine.scopes.iter().map(|scope| scope.level.as_str()).collect();
    for slice in SLICES {
        let means = large_means(engine, slice)?;
        for level in &levels {
            small_slices(engine, slice, level, &mut rows)?;
            large_slices(engine, slice, level, &means, &mut rows)?;
        }
    }
    Ok(rows)
}

/// Slices of few jobs: every job comes here, and machines are resampled.
fn small_slices(engine: &Engine, slice: &str, level: &str, rows: &mut EvidenceRows) -> Result<(), AnalyticsError> {
    let mut batch: Vec<Group> = Vec::new();
    let parameters: [&dyn ToSql; 3] = [&slice, &level, &(BootstrapPlan::default().normal_above as i64)];
    engine.rows_for("repair_cost", evidence_sql!("repair_cost_rows"), &parameters, |row| {
        let slice = read_slice(row)?;
        if batch.last().is_none_or(|group| group.slice != slice) {
            if batch.len() == BATCH {
                estimate(engine, std::mem::take(&mut batch), rows);
            }
            batch.push(Group { slice, labour_parts_total: Known::default(), charged: Known::default(), labour_minutes: Known::default() });
        }
        let cluster = row.get::<_, i64>("cluster")? as u64;
        if let Some(group) = batch.last_mut() {
            let [labour, parts, total] = [row.get("labour")?, row.get("parts")?, row.get("total")?];
            group.labour_parts_total.add([labour, parts, total], cluster);
            group.charged.add([row.get("charged")?], cluster);
            group.labour_minutes.add([row.get("labour_minutes")?], cluster);
        }
        Ok(())
    })?;
    estimate(engine, batch, rows);
    Ok(())
}

/// Scope, component, lower edge of the age band (its bits, to be comparable) and cost.
type MeanOf = (i64, Option<String>, Option<u64>, &'static str);

/// Slices of many jobs: sums over machines come here; the answer is the number of machines and the mean.
fn large_means(engine: &Engine, slice: &str) -> Result<BTreeMap<MeanOf, (i64, Estimated)>, AnalyticsError> {
    let mut means = BTreeMap::new();
    let parameters: [&dyn ToSql; 2] = [&slice, &(BootstrapPlan::default().normal_above as i64)];
    engine.rows_for("repair_cost", evidence_sql!("repair_cost_sums"), &parameters, |row| {
        let [machines, jobs] = [row.get::<_, i64>("machines")?, row.get("jobs")?];
        let sums = MeanSums {
            clusters: machines as u64,
            rows: jobs as f64,
            value: row.get::<_, f64>("amount")? / 1e2,
            value_squared: row.get::<_, f64>("amount_squared")? / 1e4,
            value_times_rows: row.get::<_, f64>("amount_times_jobs")? / 1e2,
            rows_squared: row.get("jobs_squared")?,
        };
        means.insert(mean_of(&read_slice(row)?, read_cost(row)?), (machines, mean_from_sums(&sums, CONFIDENCE)));
        Ok(())
    })?;
    Ok(means)
}

fn mean_of(slice: &Slice, cost: &'static str) -> MeanOf {
    (slice.scope_id, slice.component.clone(), slice.age_from_years.map(f64::to_bits), cost)
}

/// Slices of many jobs: every amount with how many jobs cost it comes here, for the quantiles.
fn large_slices(
    engine: &Engine,
    slice: &str,
    level: &str,
    means: &BTreeMap<MeanOf, (i64, Estimated)>,
    rows: &mut EvidenceRows,
) -> Result<(), AnalyticsError> {
    let parameters: [&dyn ToSql; 3] = [&slice, &level, &(BootstrapPlan::default().normal_above as i64)];
    let mut current: Option<(Slice, &'static str)> = None;
    let mut counts: Vec<(f64, u64)> = Vec::new();
    let mut finish = |(slice, cost): (Slice, &'static str), counts: &[(f64, u64)]| {
        let Some((machines, mean)) = means.get(&mean_of(&slice, cost)) else { return };
        let jobs = counts.iter().map(|(_, jobs)| *jobs as i64).sum();
        let mut lines = vec![(cost, "mean", jobs, *machines, mean.clone())];
        for (statistic, probability) in QUANTILES {
            lines.push((cost, statistic, jobs, *machines, quantile_interval_of_counts(counts, probability, CONFIDENCE)));
        }
        push(engine, &slice, lines, rows);
    };
    engine.rows_for("repair_cost", evidence_sql!("repair_cost_values"), &parameters, |row| {
        let of = (read_slice(row)?, read_cost(row)?);
        if let Some(finished) = current.take_if(|current| *current != of) {
            finish(finished, &counts);
            counts.clear();
        }
        current = Some(of);
        counts.push((row.get::<_, i64>("amount")? as f64 / 100.0, row.get::<_, i64>("jobs")? as u64));
        Ok(())
    })?;
    if let Some(finished) = current {
        finish(finished, &counts);
    }
    Ok(())
}

/// The cost that a row is about, as one of [`COSTS`].
fn read_cost(row: &Row<'_>) -> duckdb::Result<&'static str> {
    let name: String = row.get("cost")?;
    COSTS.into_iter().find(|cost| *cost == name).ok_or(duckdb::Error::InvalidQuery)
}

fn read_slice(row: &Row<'_>) -> duckdb::Result<Slice> {
    Ok(Slice { scope_id: row.get("scope_id")?, component: row.get("component")?, age_from_years: row.get("age_from_years")? })
}

fn push(engine: &Engine, slice: &Slice, lines: Vec<Line>, rows: &mut EvidenceRows) {
    let age_to = slice.age_from_years.and_then(|from| AGE_BAND_EDGES_YEARS.iter().copied().find(|edge| *edge > from));
    for (cost, statistic, jobs, machines, estimated) in lines {
        rows.push(
            engine.scope(slice.scope_id),
            &[
                ("component", slice.component.clone().into()),
                ("age_from_years", slice.age_from_years.into()),
                ("age_to_years", age_to.into()),
                ("cost", cost.into()),
                ("statistic", statistic.into()),
                ("jobs", jobs.into()),
                ("machines", machines.into()),
            ],
            &estimated,
        );
    }
}

fn estimate(engine: &Engine, groups: Vec<Group>, rows: &mut EvidenceRows) {
    let estimated: Vec<(Slice, Vec<Line>)> = groups.into_par_iter().map(|group| (group.slice.clone(), group.lines())).collect();
    for (slice, lines) in estimated {
        push(engine, &slice, lines, rows);
    }
}

impl Group {
    fn lines(self) -> Vec<Line> {
        let mut lines = self.labour_parts_total.lines(["labour", "parts", "total"]);
        lines.extend(self.charged.lines(["charged"]));
        lines.extend(self.labour_minutes.lines(["labour_minutes"]));
        lines
    }
}

impl<const COLUMNS: usize> Known<COLUMNS> {
    /// Keeps a repair whose costs are all known; the means of labour and parts then add up to that of the total.
    fn add(&mut self, values: [Option<f64>; COLUMNS], cluster: u64) {
        if values.iter().all(Option::is_some) {
            self.values.push(values.map(Option::unwrap_or_default));
            self.clusters.push(cluster);
        }
    }

    fn lines(mut self, costs: [&'static str; COLUMNS]) -> Vec<Line> {
        let jobs = self.values.len() as i64;
        if jobs == 0 {
            return Vec::new();
        }
        let means = clustered_means(&self.values, &self.clusters, &BootstrapPlan::default());
        self.clusters.sort_unstable();
        self.clusters.dedup();
        let machines = self.clusters.len() as i64;
        let mut lines = Vec::new();
        for (column, (cost, mean)) in costs.into_iter().zip(means).enumerate() {
            let mut sorted: Vec<f64> = self.values.iter().map(|row| row[column]).collect();
            sorted.sort_unstable_by(f64::total_cmp);
            lines.push((cost, "mean", jobs, machines, mean));
            for (statistic, probability) in QUANTILES {
                lines.push((cost, statistic, jobs, machines, quantile_interval(&sorted, probability, CONFIDENCE)));
            }
        }
        lines
    }
}
