//! `write_off_reason`: why machines were condemned, among those for which the records say it.

use super::evidence_sql;
use super::shares::{denominator, numerator, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("write_off_reason")?;
    engine.rows("write_off_reason", evidence_sql!("write_off_reason_counts"), |row| {
        let (numerator, denominator) = (numerator(row)?, denominator(row)?);
        rows.push(
            engine.scope(row.get("scope_id")?),
            &[
                ("not_repaired_reason", row.get::<_, String>("not_repaired_reason")?.into()),
                ("jobs", denominator.jobs.into()),
                ("events", numerator.events.into()),
            ],
            &share(numerator, denominator),
        );
        Ok(())
    })?;
    Ok(rows)
}
