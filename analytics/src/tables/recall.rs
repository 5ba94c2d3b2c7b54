//! `recall`: share of repaired machines that are back within 30, 90 and 365 days; what ends the wait otherwise competes or censors.

use fixodds_estimators::partly_named_cause::{Endings, PartlyNamed, partly_named_incidence};
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

/// Repairs whose following ended on one day.
#[derive(Clone, Copy)]
struct Day {
    /// Back without a fault competes, as the end of the machine does.
    same_fault: Endings,
    machine_ended: u64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("recall")?;
    let mut current: Option<(Slice, Vec<Day>)> = None;
    engine.columns("recall", evidence_sql!("recall_counts"), &[], |batch| {
        let scope_ids = integers(batch, "scope_id");
        let [components, part_sources, repair_scopes] = ["component", "part_source", "repair_scope"].map(|name| texts(batch, name));
        let roster_only = flags(batch, "roster_only");
        let days = reals(batch, "day");
        let counts = ["ended", "same_fault", "not_known", "other", "no_fault", "machine_ended"].map(|name| integers(batch, name));
        for row in 0..batch.num_rows() {
            let [left, wanted, unnamed, other, no_fault, machine_ended] = counts.map(|count| count.value(row) as u64);
            let day = Day {
                same_fault: Endings { time: days.value(row), left, wanted, unnamed, other, competing: no_fault + machine_ended },
                machine_ended,
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
    let same: Vec<Endings> = days.iter().map(|day| day.same_fault).collect();
    let repairs: u64 = same.iter().map(|day| day.left).sum();
    let any_return = |Day { same_fault: day, machine_ended }: &Day| Endings {
        wanted: day.wanted + day.unnamed + day.other + day.competing - machine_ended,
        unnamed: 0,
        other: 0,
        competing: *machine_ended,
        ..*day
    };
    let any_return: Vec<Endings> = days.iter().map(any_return).collect();
    for (same_fault, days) in [(false, &any_return), (true, &same)] {
        for horizon in HORIZONS_DAYS {
            let within = |of: fn(&Endings) -> u64| days.iter().filter(|day| day.time <= horizon as f64).map(of).sum::<u64>() as i64;
            // A part that is not named is never the same.
            let is_unnamed = same_fault && slice.component.as_deref() == Some("not_named");
            let found =
                if is_unnamed { Err(CannotEstimate::CauseNotNamed) } else { partly_named_incidence(days, horizon as f64, CONFIDENCE) };
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
                    ("events", within(|day| day.wanted).into()),
                    ("events_not_known", within(|day| day.unnamed).into()),
                    ("shared_out", found.as_ref().ok().map(|found| found.shared_out.estimate).into()),
                ],
                &found.and_then(known_or_shared_out),
            );
        }
    }
}

/// What is known, in an interval that reaches as far as sharing out does.
fn known_or_shared_out(found: PartlyNamed) -> Estimated {
    let PartlyNamed { known, shared_out } = found;
    Interval::new(known.estimate, known.lower, known.upper.max(shared_out.upper), CONFIDENCE)
}
