//! `outcome_by_age`: how jobs end, by the age of the machine.

use std::collections::BTreeMap;

use super::evidence_sql;
use super::shares::{Denominator, denominator, numerator, share};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

/// Scope and the band's lower edge, which is a whole number of years.
type Population = (i64, i64);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("outcome_by_age")?;
    let mut populations: BTreeMap<Population, (Denominator, Option<f64>)> = BTreeMap::new();
    engine.rows("outcome_by_age", evidence_sql!("outcome_by_age_jobs"), |row| {
        let age_from_years: f64 = row.get("age_from_years")?;
        populations.insert((row.get("scope_id")?, age_from_years as i64), (denominator(row)?, row.get("age_to_years")?));
        Ok(())
    })?;
    engine.rows("outcome_by_age", evidence_sql!("outcome_by_age_events"), |row| {
        let (scope_id, age_from_years): (i64, f64) = (row.get("scope_id")?, row.get("age_from_years")?);
        let (denominator, age_to_years) = populations[&(scope_id, age_from_years as i64)];
        let numerator = numerator(row)?;
        rows.push(
            engine.scope(scope_id),
            &[
                ("outcome", row.get::<_, String>("outcome")?.into()),
                ("age_from_years", age_from_years.into()),
                ("age_to_years", age_to_years.into()),
                ("jobs", denominator.jobs.into()),
                ("events", numerator.events.into()),
            ],
            &share(numerator, denominator),
        );
        Ok(())
    })?;
    Ok(rows)
}
