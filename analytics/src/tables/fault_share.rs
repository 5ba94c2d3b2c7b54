//! `fault_share`: share of jobs by component, primary and consequential apart, and the ratio of observed to expected faults.

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::standardisation::{FaultBand, proportionate_fault_ratio};

use super::evidence_sql;
use super::shares::{Numerator, denominators, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("fault_share")?;
    let jobs = denominators(engine, "fault_share", evidence_sql!("fault_share_jobs"))?;
    engine.rows("fault_share", evidence_sql!("fault_share_events"), |row| {
        let scope_id: i64 = row.get("scope_id")?;
        let denominator = jobs[&scope_id];
        let numerator = Numerator {
            events: row.get("events")?,
            events_squared: row.get("events_squared")?,
            events_times_jobs: row.get("events_times_jobs")?,
        };
        rows.push(
            engine.scope(scope_id),
            &[
                ("component", row.get::<_, String>("component")?.into()),
                ("role", row.get::<_, String>("role")?.into()),
                ("statistic", "share".into()),
                ("jobs", denominator.jobs.into()),
                ("events", numerator.events.into()),
                ("machines", row.get::<_, i64>("machines")?.into()),
            ],
            &share(numerator, denominator),
        );
        Ok(())
    })?;
    engine.rows("fault_share", evidence_sql!("fault_share_expected"), |row| {
        let [events, jobs] = [row.get::<_, i64>("events")?, row.get("jobs")?];
        let expected: f64 = row.get("expected")?;
        // The bands are already summed: one band with their mean share gives the same ratio and interval.
        let band = FaultBand { observed: events as u64, faults: jobs as u64, standard_share: expected / jobs as f64 };
        rows.push(
            engine.scope(row.get("scope_id")?),
            &[
                ("component", row.get::<_, String>("component")?.into()),
                ("role", "primary".into()),
                ("statistic", "proportionate_fault_ratio".into()),
                ("jobs", jobs.into()),
                ("events", events.into()),
                ("expected", expected.into()),
            ],
            &proportionate_fault_ratio(&[band], CONFIDENCE).map(|ratio| ratio.interval),
        );
        Ok(())
    })?;
    Ok(rows)
}
