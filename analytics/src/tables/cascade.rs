//! `cascade`: what a primary fault takes with it.

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::binomial::wilson;
use fixodds_estimators::contingency::{RiskTable, risk_ratio};

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("cascade")?;
    engine.rows("cascade", evidence_sql!("cascade_counts"), |row| {
        let [jobs, events, other_jobs, other_events] =
            [row.get::<_, i64>("jobs")?, row.get("events")?, row.get("other_jobs")?, row.get("other_events")?];
        let against_other_faults = RiskTable {
            exposed_events: events as u64,
            exposed_total: jobs as u64,
            reference_events: other_events as u64,
            reference_total: other_jobs as u64,
        };
        let lift = risk_ratio(&against_other_faults, CONFIDENCE).ok().map(|ratio| ratio.interval);
        rows.push(
            engine.scope(row.get("scope_id")?),
            &[
                ("component", row.get::<_, String>("component")?.into()),
                ("consequential_component", row.get::<_, String>("consequential_component")?.into()),
                ("jobs", jobs.into()),
                ("events", events.into()),
                ("lift", lift.map(|l| l.estimate).into()),
                ("lift_lower", lift.map(|l| l.lower).into()),
                ("lift_upper", lift.map(|l| l.upper).into()),
            ],
            &wilson(events as u64, jobs as u64, CONFIDENCE),
        );
        Ok(())
    })?;
    Ok(rows)
}
