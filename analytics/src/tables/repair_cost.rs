//! `repair_cost`: what a repair costs, in labour, parts and both, and what was charged; mean, median and 90th percentile.
//!
//! Quantiles need every amount of every scope, so all repaired jobs are held in memory, a few numbers each, and every scope picks its own.

use std::collections::BTreeMap;
use std::ops::Range;

use duckdb::arrow::array::{Array, RecordBatch};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums};
use fixodds_estimators::quantile::quantile_interval;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rayon::prelude::*;

use super::evidence_sql;
use crate::columns::{integers, reals, text, texts};
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

const COSTS: [&str; 5] = ["labour", "parts", "total", "charged", "labour_minutes"];
const QUANTILES: [(&str, f64); 2] = [("median", 0.5), ("p90", 0.9)];
/// Amounts are summed in hundredths, whole numbers, so that sums are exact in any order.
const HUNDREDTHS: f64 = 100.0;

/// Of a job without component, and without age.
const NONE: u16 = u16::MAX;

/// Which jobs of a scope are taken together.
#[derive(Clone, Copy)]
enum Slices {
    All,
    Component,
    Age,
}

/// The repaired jobs by leaf and then machine; a cost that is not known is not a number.
#[derive(Default)]
struct Jobs {
    leaves: BTreeMap<i64, Range<usize>>,
    /// Positions in `component_names`.
    components: Vec<u16>,
    component_names: Vec<String>,
    /// Positions among the edges of the age bands.
    ages: Vec<u16>,
    machines: Vec<u64>,
    costs: [Vec<f64>; COSTS.len()],
}

/// A finished estimate: cost, statistic, jobs, machines, estimate.
type Line = (&'static str, &'static str, i64, i64, Estimated);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("repair_cost")?;
    let jobs = Jobs::read(engine)?;
    let scopes: Vec<(i64, Vec<i64>)> = engine.leaves_of_scopes()?.into_iter().collect();
    for slices in [Slices::All, Slices::Component, Slices::Age] {
        let lines: Vec<Vec<(u16, Vec<Line>)>> = scopes.par_iter().map(|(_, leaves)| jobs.lines(leaves, slices)).collect();
        for ((scope_id, _), slices_of_scope) in scopes.iter().zip(lines) {
            for (of, lines) in slices_of_scope {
                let component = matches!(slices, Slices::Component).then(|| jobs.component_names[usize::from(of)].as_str());
                let age_from = matches!(slices, Slices::Age).then(|| AGE_BAND_EDGES_YEARS[usize::from(of)]);
                let age_to = age_from.and_then(|_| AGE_BAND_EDGES_YEARS.get(usize::from(of) + 1).copied());
                for (cost, statistic, jobs, machines, estimated) in lines {
                    rows.push(
                        engine.scope(*scope_id),
                        &[
                            ("component", component.into()),
                            ("age_from_years", age_from.into()),
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
        }
    }
    Ok(rows)
}

impl Jobs {
    fn read(engine: &Engine) -> Result<Self, AnalyticsError> {
        let mut jobs = Self::default();
        let mut positions = BTreeMap::new();
        engine.columns("repair_cost", evidence_sql!("repair_cost_jobs"), &[], |batch| jobs.add(batch, &mut positions))?;
        // components in the order of their names
        let mut order = vec![NONE; positions.len()];
        for (rank, (name, position)) in positions.into_iter().enumerate() {
            order[usize::from(position)] = rank as u16;
            jobs.component_names.push(name);
        }
        jobs.components
            .iter_mut()
            .filter(|component| **component != NONE)
            .for_each(|component| *component = order[usize::from(*component)]);
        Ok(jobs)
    }

    fn add(&mut self, batch: &RecordBatch, positions: &mut BTreeMap<String, u16>) {
        let [leaves, machines] = ["leaf", "cluster"].map(|name| integers(batch, name));
        let components = texts(batch, "component");
        let ages = reals(batch, "age_from_years");
        for row in 0..batch.num_rows() {
            let at = self.machines.len();
            self.leaves.entry(leaves.value(row)).or_insert(at..at).end = at + 1;
            self.machines.push(machines.value(row).cast_unsigned());
            let next = positions.len() as u16;
            let position = |name: &str| positions.get(name).copied().unwrap_or_else(|| *positions.entry(name.to_owned()).or_insert(next));
            self.components.push(text(components, row).map_or(NONE, position));
            let age = ages.is_valid(row).then(|| ages.value(row));
            let band = age.and_then(|age| AGE_BAND_EDGES_YEARS.iter().position(|edge| *edge == age));
            self.ages.push(band.map_or(NONE, |band| band as u16));
        }
        for (cost, values) in COSTS.into_iter().zip(&mut self.costs) {
            values.extend(reals(batch, cost).iter().map(|value| value.unwrap_or(f64::NAN)));
        }
    }

    /// The estimates of each slice of a scope with these leaves, in order.
    fn lines(&self, leaves: &[i64], slices: Slices) -> Vec<(u16, Vec<Line>)> {
        let mut by_slice: BTreeMap<u16, Vec<u32>> = BTreeMap::new();
        for job in leaves.iter().filter_map(|leaf| self.leaves.get(leaf)).flat_map(Range::clone) {
            let of = match slices {
                Slices::All => 0,
                Slices::Component => self.components[job],
                Slices::Age => self.ages[job],
            };
            if of != NONE {
                by_slice.entry(of).or_default().push(job as u32);
            }
        }
        by_slice.into_iter().map(|(of, jobs)| (of, self.lines_of(&jobs))).collect()
    }

    fn lines_of(&self, jobs: &[u32]) -> Vec<Line> {
        let mut jobs = jobs.to_vec();
        jobs.sort_by_key(|job| self.machines[*job as usize]);
        let mut lines = Vec::new();
        for cost in 0..COSTS.len() {
            let known: Vec<usize> = self.known(&jobs, cost).collect();
            let (machines, mean) = self.mean(&known, cost);
            self.push_lines(&mut lines, cost, &known, machines, mean);
        }
        lines
    }

    /// The jobs of which a cost is known.
    fn known<'j>(&'j self, jobs: &'j [u32], cost: usize) -> impl Iterator<Item = usize> + 'j {
        jobs.iter().map(|job| *job as usize).filter(move |job| !self.costs[cost][*job].is_nan())
    }

    /// Jobs, those of a machine together: the number of machines, and the mean from sums over them.
    fn mean(&self, known: &[usize], cost: usize) -> (i64, Estimated) {
        let hundredths = |job: usize| (self.costs[cost][job] * HUNDREDTHS).round() as i64;
        let (mut machines, mut amounts) = (0, 0_i64);
        let [mut squares, mut products, mut jobs_squared] = [0_i128; 3];
        for machine in known.chunk_by(|a, b| self.machines[*a] == self.machines[*b]) {
            let jobs = machine.len() as i128;
            let amount: i64 = machine.iter().map(|job| hundredths(*job)).sum();
            machines += 1;
            amounts += amount;
            squares += i128::from(amount) * i128::from(amount);
            products += i128::from(amount) * jobs;
            jobs_squared += jobs * jobs;
        }
        let sums = MeanSums {
            clusters: machines,
            rows: known.len() as f64,
            value: amounts as f64 / HUNDREDTHS,
            value_squared: squares as f64 / (HUNDREDTHS * HUNDREDTHS),
            value_times_rows: products as f64 / HUNDREDTHS,
            rows_squared: jobs_squared as f64,
        };
        let mean = match mean_amount_from_sums(&sums, CONFIDENCE) {
            // A price that is the same on every job is known.
            Err(CannotEstimate::NoVariation) => Interval::exact(sums.value / sums.rows),
            found => found,
        };
        (machines as i64, mean)
    }

    fn push_lines(&self, lines: &mut Vec<Line>, cost: usize, known: &[usize], machines: i64, mean: Estimated) {
        if known.is_empty() {
            return;
        }
        let jobs = known.len() as i64;
        let mut sorted: Vec<f64> = known.iter().map(|job| self.costs[cost][*job]).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        lines.push((COSTS[cost], "mean", jobs, machines, mean));
        for (statistic, probability) in QUANTILES {
            lines.push((COSTS[cost], statistic, jobs, machines, quantile_interval(&sorted, probability, CONFIDENCE)));
        }
    }
}
