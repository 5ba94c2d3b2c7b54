//! `outcome`: how jobs end, and why those that were not repaired were not.

use std::collections::BTreeMap;

use super::evidence_sql;
use super::shares::{Denominator, denominator, numerator, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("outcome")?;
    let jobs: BTreeMap<i64, Denominator> =
        engine.rows("outcome", evidence_sql!("outcome_jobs"), |row| Ok((row.get("scope_id")?, denominator(row)?)))?.into_iter().collect();
    engine.rows("outcome", evidence_sql!("outcome_events"), |row| {
        let scope_id: i64 = row.get("scope_id")?;
        let (numerator, denominator) = (numerator(row)?, jobs[&scope_id]);
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
