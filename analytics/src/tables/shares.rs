//! Shares of clustered jobs, shared by the tables that hold shares.

use duckdb::Row;
use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};

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

/// Reads a denominator from columns jobs, machines, jobs_squared.
pub fn denominator(row: &Row<'_>) -> duckdb::Result<Denominator> {
    Ok(Denominator { jobs: row.get("jobs")?, machines: row.get("machines")?, jobs_squared: row.get("jobs_squared")? })
}

/// Reads a numerator from columns events, events_squared, events_times_jobs.
pub fn numerator(row: &Row<'_>) -> duckdb::Result<Numerator> {
    Ok(Numerator {
        events: row.get("events")?,
        events_squared: row.get("events_squared")?,
        events_times_jobs: row.get("events_times_jobs")?,
    })
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
