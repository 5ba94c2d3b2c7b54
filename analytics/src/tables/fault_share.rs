//! `fault_share`: share of jobs by component, primary and consequential apart, and the ratio of observed to expected faults.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::standardisation::{FaultBand, proportionate_fault_ratio};

use super::evidence_sql;
use super::shares::{Denominator, denominator, numerator, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("fault_share")?;
    let jobs: BTreeMap<(i64, String), Denominator> = engine
        .rows("fault_share", evidence_sql!("fault_share_jobs"), |row| Ok(((row.get("scope_id")?, row.get("role")?), denominator(row)?)))?
        .into_iter()
        .collect();
    engine.rows("fault_share", evidence_sql!("fault_share_events"), |row| {
        let (scope_id, role): (i64, String) = (row.get("scope_id")?, row.get("role")?);
        let (numerator, denominator) = (numerator(row)?, jobs[&(scope_id, role.clone())]);
        // Faults whose part is not named are primary ones, out of all that were found.
        let role = if role == "found" { "primary".to_owned() } else { role };
        rows.push(
            engine.scope(scope_id),
            &[
                ("component", row.get::<_, String>("component")?.into()),
                ("role", role.into()),
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
