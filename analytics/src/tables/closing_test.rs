//! `closing_test`: how many repaired jobs have the test after repair on record, and how many results lie beyond the usual limits.

use super::evidence_sql;
use super::shares::{Denominator, Numerator, denominator, numerator, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("closing_test")?;
    engine.rows("closing_test", evidence_sql!("closing_test_counts"), |row| {
        let scope = engine.scope(row.get("scope_id")?);
        let measure: String = row.get("measure")?;
        let (recorded, jobs) = (numerator(row)?, denominator(row)?);
        let with_result =
            Denominator { jobs: recorded.events, machines: row.get("machines_recorded")?, jobs_squared: recorded.events_squared };
        let beyond = Numerator {
            events: row.get("beyond")?,
            events_squared: row.get("beyond_squared")?,
            events_times_jobs: row.get("beyond_times_recorded")?,
        };
        for (finding, numerator, denominator) in [("recorded", recorded, jobs), ("beyond_limit", beyond, with_result)] {
            rows.push(
                scope,
                &[
                    ("measure", (&measure).into()),
                    ("finding", finding.into()),
                    ("jobs", denominator.jobs.into()),
                    ("events", numerator.events.into()),
                ],
                &share(numerator, denominator),
            );
        }
        Ok(())
    })?;
    Ok(rows)
}
