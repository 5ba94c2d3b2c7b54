//! Shares of clustered jobs, shared by the tables that hold shares.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};

use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::Estimated;

/// The jobs of one scope: how many, on how many machines, and the sum over machines of their squared number.
#[derive(Debug, Clone, Copy)]
pub struct Denominator {
    pub jobs: i64,
    pub machines: i64,
    pub jobs_squared: f64,
}

/// Jobs of one scope in which something happened, with the sums over machines that the interval needs.
#[derive(Debug, Clone, Copy)]
pub struct Numerator {
    pub events: i64,
    pub events_squared: f64,
    pub events_times_jobs: f64,
}

/// Reads a query of columns scope_id, jobs, machines, jobs_squared.
pub fn denominators(engine: &Engine, step: &str, select: &str) -> Result<BTreeMap<i64, Denominator>, AnalyticsError> {
    let rows = engine.rows(step, select, |row| {
        Ok((
            row.get("scope_id")?,
            Denominator { jobs: row.get("jobs")?, machines: row.get("machines")?, jobs_squared: row.get("jobs_squared")? },
        ))
    })?;
    Ok(rows.into_iter().collect())
}

/// The share with its Wilson interval, widened by the design effect of several jobs on one machine.
pub fn share(numerator: Numerator, denominator: Denominator) -> Estimated {
    let sums = ClusterSums {
        clusters: denominator.machines as u64,
        events: numerator.events as f64,
        trials: denominator.jobs as f64,
        events_squared: numerator.events_squared,
        events_times_trials: numerator.events_times_jobs,
        trials_squared: denominator.jobs_squared,
    };
    clustered_wilson(&sums, CONFIDENCE).map(|share| share.interval)
}
