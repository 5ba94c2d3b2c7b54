//! `outcome`: how jobs end, and why those that were not repaired were not.

use super::evidence_sql;
use super::shares::{Numerator, denominators, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("outcome")?;
    let jobs = denominators(engine, "outcome", evidence_sql!("outcome_jobs"))?;
    engine.rows("outcome", evidence_sql!("outcome_events"), |row| {
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
                ("outcome", row.get::<_, String>("outcome")?.into()),
                ("not_repaired_reason", row.get::<_, Option<String>>("not_repaired_reason")?.into()),
                ("jobs", denominator.jobs.into()),
                ("events", numerator.events.into()),
                ("machines", row.get::<_, i64>("machines")?.into()),
            ],
            &share(numerator, denominator),
        );
        Ok(())
    })?;
    Ok(rows)
}
