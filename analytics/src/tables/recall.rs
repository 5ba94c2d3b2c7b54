//! `recall`: share of repaired machines that are back within 30, 90 and 365 days, censoring respected.

use fixodds_estimators::binomial::clopper_pearson;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::observation::{LifeTally, TimeTally};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

use super::evidence_sql;
use crate::columns::{flags, integers, reals, text, texts};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

const HORIZONS_DAYS: [i64; 3] = [30, 90, 365];

#[derive(Debug)]
struct Slice {
    scope_id: i64,
    component: Option<String>,
    part_source: Option<String>,
    repair_scope: Option<String>,
    roster_only: bool,
}

type SliceRead<'r> = (i64, Option<&'r str>, Option<&'r str>, Option<&'r str>, bool);

impl Slice {
    fn new((scope_id, component, part_source, repair_scope, roster_only): SliceRead<'_>) -> Self {
        let [component, part_source, repair_scope] = [component, part_source, repair_scope].map(|text| text.map(str::to_owned));
        Self { scope_id, component, part_source, repair_scope, roster_only }
    }

    fn is(&self, other: SliceRead<'_>) -> bool {
        other == (self.scope_id, self.component.as_deref(), self.part_source.as_deref(), self.repair_scope.as_deref(), self.roster_only)
    }
}

/// Repairs whose following ended on one day: all, by a return, by a return of the same fault.
#[derive(Debug, Clone, Copy)]
struct Day {
    day: f64,
    ended: u64,
    returned: u64,
    returned_same: u64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("recall")?;
    let mut current: Option<(Slice, Vec<Day>)> = None;
    engine.columns("recall", evidence_sql!("recall_counts"), &[], |batch| {
        let scope_ids = integers(batch, "scope_id");
        let [components, part_sources, repair_scopes] = ["component", "part_source", "repair_scope"].map(|name| texts(batch, name));
        let roster_only = flags(batch, "roster_only");
        let days = reals(batch, "day");
        let [ended, returned, returned_same] = ["ended", "returned", "returned_same"].map(|name| integers(batch, name));
        for row in 0..batch.num_rows() {
            let day = Day {
                day: days.value(row),
                ended: ended.value(row) as u64,
                returned: returned.value(row) as u64,
                returned_same: returned_same.value(row) as u64,
            };
            let slice =
                (scope_ids.value(row), text(components, row), text(part_sources, row), text(repair_scopes, row), roster_only.value(row));
            match &mut current {
                Some((open, days)) if open.is(slice) => days.push(day),
                _ => {
                    if let Some((finished, days)) = current.replace((Slice::new(slice), vec![day])) {
                        push(engine, &mut rows, &finished, &days);
                    }
                }
            }
        }
    })?;
    if let Some((finished, days)) = current {
        push(engine, &mut rows, &finished, &days);
    }
    Ok(rows)
}

fn push(engine: &Engine, rows: &mut EvidenceRows, slice: &Slice, days: &[Day]) {
    let repairs: u64 = days.iter().map(|day| day.ended).sum();
    for same_fault in [false, true] {
        let events_on = |day: &Day| if same_fault { day.returned_same } else { day.returned };
        for horizon in HORIZONS_DAYS {
            let events: u64 = days.iter().filter(|day| day.day <= horizon as f64).map(events_on).sum();
            rows.push(
                engine.scope(slice.scope_id),
                &[
                    ("component", slice.component.clone().into()),
                    ("part_source", slice.part_source.clone().into()),
                    ("repair_scope", slice.repair_scope.clone().into()),
                    ("horizon_days", horizon.into()),
                    ("same_fault", same_fault.into()),
                    ("roster_only", slice.roster_only.into()),
                    ("jobs", (repairs as i64).into()),
                    ("events", (events as i64).into()),
                ],
                &returned_within(days, horizon as f64, events_on),
            );
        }
    }
}

/// One minus the Kaplan-Meier curve of "not yet returned" at the horizon; where none has returned, the exact bound over those followed so long.
fn returned_within(days: &[Day], horizon_days: f64, events_on: impl Fn(&Day) -> u64) -> Estimated {
    let repairs: u64 = days.iter().map(|day| day.ended).sum();
    let followed_through: u64 = days.iter().filter(|day| day.day >= horizon_days).map(|day| day.ended).sum();
    if followed_through == 0 {
        return Err(CannotEstimate::NotReached);
    }
    if days.iter().filter(|day| day.day <= horizon_days).map(&events_on).sum::<u64>() == 0 {
        return clopper_pearson(0, followed_through, CONFIDENCE);
    }
    let mut tally = vec![TimeTally { time: 0.0, entries: repairs, exits: 0, events: 0 }];
    tally.extend(days.iter().map(|day| TimeTally { time: day.day, entries: 0, exits: day.ended, events: events_on(day) }));
    let curve = kaplan_meier(&LifeTally::new(tally)?.risk_table(), CONFIDENCE)?;
    let kept = curve.at(horizon_days)?;
    Interval::new(1.0 - kept.estimate, 1.0 - kept.upper, 1.0 - kept.lower, CONFIDENCE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn censored_repairs_leave_the_risk_set() {
        // Four repairs: back on day 10, lost on day 20, back on day 40, followed past the year. S(90) = 3/4 x 1/2.
        let days = [
            Day { day: 10.0, ended: 1, returned: 1, returned_same: 1 },
            Day { day: 20.0, ended: 1, returned: 0, returned_same: 0 },
            Day { day: 40.0, ended: 1, returned: 1, returned_same: 0 },
            Day { day: 366.0, ended: 1, returned: 0, returned_same: 0 },
        ];
        let within_90 = returned_within(&days, 90.0, |day| day.returned).unwrap();
        assert!((within_90.estimate - (1.0 - 3.0 / 4.0 / 2.0)).abs() < 1e-12);
        let same_within_90 = returned_within(&days, 90.0, |day| day.returned_same).unwrap();
        assert!((same_within_90.estimate - 1.0 / 4.0).abs() < 1e-12);
    }
}
