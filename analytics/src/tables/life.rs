//! `life`: time to the first primary fault of a component (Kaplan-Meier, Weibull) and which fault comes first (Aalen-Johansen).
//!
//! SQL sends the ages at which machines come under observation and leave it, by leaf, and one row for each machine that had the fault.
//! The risk set of a component is the former corrected by the latter, so that the work grows with events and distinct ages, not with machines.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_estimators::aalen_johansen::aalen_johansen;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::observation::{CauseRow, CompetingRiskTable, LifeTally, TimeTally};
use fixodds_estimators::weibull::{HazardPattern, WeibullFit, fit_weibull};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rayon::prelude::*;

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

/// Fewer first faults than this give no curve; the table then says so in the row of the shape.
const FEWEST_EVENTS: u64 = 5;
/// A curve starts at the first age at which so many machines are at risk, and is conditional on having come so far.
const FEWEST_AT_RISK: i64 = 10;
const DAYS_PER_YEAR: f64 = 365.25;
/// Ages at which curves are read off, in half years.
const LAST_HALF_YEAR: usize = 40;

/// Machines coming under observation and leaving it at one age, in half days.
struct Edge {
    half_day: usize,
    entered: i64,
    left: i64,
    ended: i64,
}

/// Machines of one leaf that had the fault, with the same ages.
struct FirstFault {
    cause: String,
    from: usize,
    to: usize,
    /// None: it came before observation began, so the machine is left out.
    first: Option<usize>,
    ended: bool,
    machines: i64,
}

struct Observed {
    edges: BTreeMap<i64, Vec<Edge>>,
    faults: BTreeMap<(i64, Option<String>), Vec<FirstFault>>,
    /// Leaves whose machines have the component (none: any).
    leaves_with: BTreeMap<Option<String>, BTreeSet<i64>>,
}

/// Counts by half day of age.
#[derive(Default)]
struct Counts {
    entered: Vec<i64>,
    left: Vec<i64>,
    ended: Vec<i64>,
    events: BTreeMap<usize, BTreeMap<String, i64>>,
}

struct Line {
    values: Vec<(&'static str, Cell)>,
    estimated: Estimated,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let observed = Observed::read(engine)?;
    let mut rows = EvidenceRows::new("life")?;
    let mut groups: Vec<(i64, Option<String>, Vec<i64>)> = Vec::new();
    for (scope_id, leaves) in engine.leaves_of_scopes()? {
        for (component, with) in &observed.leaves_with {
            let members: Vec<i64> = leaves.iter().copied().filter(|leaf| with.contains(leaf)).collect();
            if members.iter().any(|leaf| observed.faults.contains_key(&(*leaf, component.clone()))) {
                groups.push((scope_id, component.clone(), members));
            }
        }
    }
    let lines: Vec<Vec<Line>> = groups.par_iter().map(|(_, component, members)| observed.lines(component, members)).collect();
    for ((scope_id, _, _), lines) in groups.iter().zip(lines) {
        for line in lines {
            rows.push(engine.scope(*scope_id), &line.values, &line.estimated);
        }
    }
    Ok(rows)
}

fn half_days(age_days: f64) -> usize {
    (age_days * 2.0).round().max(0.0) as usize
}

fn years(half_day: usize) -> f64 {
    half_day as f64 / 2.0 / DAYS_PER_YEAR
}

impl Observed {
    fn read(engine: &Engine) -> Result<Self, AnalyticsError> {
        let mut edges: BTreeMap<i64, Vec<Edge>> = BTreeMap::new();
        engine.rows("life", evidence_sql!("life_observed"), |row| {
            edges.entry(row.get("leaf")?).or_default().push(Edge {
                half_day: half_days(row.get("age_days")?),
                entered: row.get("entered")?,
                left: row.get("left_observation")?,
                ended: row.get("ended")?,
            });
            Ok(())
        })?;
        let mut faults: BTreeMap<(i64, Option<String>), Vec<FirstFault>> = BTreeMap::new();
        engine.rows("life", evidence_sql!("life_first_fault"), |row| {
            faults.entry((row.get("leaf")?, row.get("component")?)).or_default().push(FirstFault {
                cause: row.get("cause")?,
                from: half_days(row.get("from_age_days")?),
                to: half_days(row.get("to_age_days")?),
                first: row.get::<_, Option<f64>>("first_age_days")?.map(half_days),
                ended: row.get("ended")?,
                machines: row.get("machines")?,
            });
            Ok(())
        })?;
        let mut leaves_with: BTreeMap<Option<String>, BTreeSet<i64>> = BTreeMap::new();
        engine.rows("life", "SELECT leaf, component FROM leaf_component UNION ALL SELECT leaf, NULL FROM leaf", |row| {
            leaves_with.entry(row.get(1)?).or_default().insert(row.get(0)?);
            Ok(())
        })?;
        Ok(Self { edges, faults, leaves_with })
    }

    fn lines(&self, component: &Option<String>, leaves: &[i64]) -> Vec<Line> {
        let counts = self.counts(component, leaves);
        let tally = counts.tally();
        let events = tally.as_ref().map_or(0, LifeTally::events);
        let machines = counts.entered.iter().sum::<i64>();
        let base = |curve: &'static str| {
            vec![("component", component.clone().into()), ("curve", curve.into()), ("machines", machines.into())]
        };
        if events < FEWEST_EVENTS {
            let mut values = base("weibull");
            values.extend([("statistic", "shape".into()), ("events", (events as i64).into())]);
            let why = CannotEstimate::TooFewEvents { found: events as usize, needed: FEWEST_EVENTS as usize };
            return vec![Line { values, estimated: Err(why) }];
        }
        let mut lines = counts.survival(&base("survival"));
        if component.is_none() {
            lines.extend(counts.incidence(machines));
        }
        if let Ok(tally) = &tally {
            lines.extend(weibull(&base("weibull"), events as i64, fit_weibull(tally, CONFIDENCE)));
        }
        lines
    }

    fn counts(&self, component: &Option<String>, leaves: &[i64]) -> Counts {
        let last = leaves.iter().filter_map(|leaf| self.edges.get(leaf)?.last()).map(|edge| edge.half_day).max().unwrap_or(0);
        let zero = vec![0; last + 2];
        let mut counts = Counts { entered: zero.clone(), left: zero.clone(), ended: zero, events: BTreeMap::new() };
        for leaf in leaves {
            for edge in self.edges.get(leaf).into_iter().flatten() {
                counts.entered[edge.half_day] += edge.entered;
                counts.left[edge.half_day] += edge.left;
                counts.ended[edge.half_day] += edge.ended;
            }
            for fault in self.faults.get(&(*leaf, component.clone())).into_iter().flatten() {
                counts.correct(fault);
            }
        }
        counts
    }
}

impl Counts {
    /// Takes machines that had the fault out where observation would have ended, and puts them where it did; those that had it
    /// before entering are taken out altogether.
    fn correct(&mut self, fault: &FirstFault) {
        self.left[fault.to] -= fault.machines;
        if fault.ended {
            self.ended[fault.to] -= fault.machines;
        }
        match fault.first {
            None => self.entered[fault.from] -= fault.machines,
            Some(first) => {
                self.left[first] += fault.machines;
                *self.events.entry(first).or_default().entry(fault.cause.clone()).or_default() += fault.machines;
            }
        }
    }

    fn events_at(&self, half_day: usize) -> i64 {
        self.events.get(&half_day).map_or(0, |causes| causes.values().sum())
    }

    fn tally(&self) -> Result<LifeTally, CannotEstimate> {
        let rows = (0..self.entered.len()).filter(|h| self.entered[*h] != 0 || self.left[*h] != 0).map(|h| TimeTally {
            time: years(h),
            entries: self.entered[h].max(0) as u64,
            exits: self.left[h].max(0) as u64,
            events: self.events_at(h) as u64,
        });
        LifeTally::new(rows.collect())
    }

    /// Machines at risk just before each half day of age.
    fn at_risk(&self) -> Vec<i64> {
        let mut at_risk = 0;
        let mut before = Vec::with_capacity(self.entered.len());
        for (entered, left) in self.entered.iter().zip(&self.left) {
            before.push(at_risk);
            at_risk += entered - left;
        }
        before
    }

    /// The first age with enough machines at risk, in half days.
    fn start(&self, at_risk: &[i64]) -> usize {
        at_risk.iter().position(|n| *n >= FEWEST_AT_RISK).map_or(0, |h| h.saturating_sub(1))
    }

    fn survival(&self, base: &[(&'static str, Cell)]) -> Vec<Line> {
        let at_risk = self.at_risk();
        let from_years = years(self.start(&at_risk));
        let curve = self
            .tally()
            .and_then(|tally| tally.risk_table().conditional_on_surviving(from_years))
            .and_then(|table| kaplan_meier(&table, CONFIDENCE));
        ages_read_off(&at_risk)
            .map(|(age_years, half_day)| {
                let mut values = base.to_vec();
                values.extend([
                    ("age_years", age_years.into()),
                    ("at_risk", at_risk[half_day].into()),
                    ("events", self.events.range(..=half_day).map(|(_, causes)| causes.values().sum::<i64>()).sum::<i64>().into()),
                ]);
                Line { values, estimated: curve.as_ref().map_err(Clone::clone).and_then(|curve| curve.at(age_years)) }
            })
            .collect()
    }

    /// Cumulative incidence of the first fault by component; being taken out of use competes.
    fn incidence(&self, machines: i64) -> Vec<Line> {
        let at_risk = self.at_risk();
        let start = self.start(&at_risk);
        let causes: BTreeSet<&String> = self.events.values().flat_map(BTreeMap::keys).collect();
        let number: BTreeMap<&String, u32> = causes.iter().zip(1..).map(|(cause, n)| (*cause, n)).collect();
        let mut rows = Vec::new();
        for (half_day, n) in at_risk.iter().enumerate().skip(start + 1) {
            let ended = self.ended[half_day];
            if ended > 0 {
                rows.push(CauseRow { time: years(half_day), at_risk: *n as u64, cause: 0, events: ended as u64 });
            }
            for (cause, events) in self.events.get(&half_day).into_iter().flatten() {
                rows.push(CauseRow { time: years(half_day), at_risk: *n as u64, cause: number[cause], events: *events as u64 });
            }
        }
        let last = self.left.iter().rposition(|n| *n > 0).unwrap_or(start);
        let curves = CompetingRiskTable::new(rows, years(start), years(last)).and_then(|table| aalen_johansen(&table, CONFIDENCE));
        let Ok(curves) = curves else { return Vec::new() };
        let mut lines = Vec::new();
        for cause in causes {
            let Some(curve) = curves.iter().find(|curve| curve.cause == number[cause]) else { continue };
            for (age_years, half_day) in ages_read_off(&at_risk).filter(|(age, _)| age.fract() == 0.0) {
                let events: i64 = self.events.range(..=half_day).filter_map(|(_, causes)| causes.get(cause)).sum();
                lines.push(Line {
                    values: vec![
                        ("component", cause.into()),
                        ("curve", "cumulative_incidence".into()),
                        ("machines", machines.into()),
                        ("age_years", age_years.into()),
                        ("at_risk", at_risk[half_day].into()),
                        ("events", events.into()),
                    ],
                    estimated: curve.at(age_years),
                });
            }
        }
        lines
    }
}

/// Ages in years (every half year) at which enough machines are at risk, with their half day.
fn ages_read_off(at_risk: &[i64]) -> impl Iterator<Item = (f64, usize)> + '_ {
    (1..=LAST_HALF_YEAR)
        .map(|half_year| half_year as f64 / 2.0)
        .map(|age_years| (age_years, (age_years * DAYS_PER_YEAR * 2.0).floor() as usize))
        .filter(|(_, half_day)| at_risk.get(*half_day).is_some_and(|n| *n >= FEWEST_AT_RISK))
}

fn weibull(base: &[(&'static str, Cell)], events: i64, fit: Result<WeibullFit, CannotEstimate>) -> Vec<Line> {
    let line = |statistic: &'static str, pattern: Option<&'static str>, estimated: Estimated| {
        let mut values = base.to_vec();
        values.extend([("statistic", statistic.into()), ("events", events.into()), ("hazard_pattern", pattern.into())]);
        Line { values, estimated }
    };
    let fit = match fit {
        Ok(fit) => fit,
        Err(why) => return vec![line("shape", None, Err(why))],
    };
    let pattern = fit.hazard_pattern().ok().map(|pattern| match pattern {
        HazardPattern::EarlyLife => "early_life",
        HazardPattern::Random => "random",
        HazardPattern::WearOut => "wear_out",
        HazardPattern::Undecided => "undecided",
    });
    let mut lines = vec![
        line("shape", pattern, fit.shape_interval()),
        line("scale_years", None, fit.scale_interval()),
        line("b10_years", None, fit.b10()),
        line("median_years", None, fit.quantile(0.5)),
        line("mean_life_years", None, fit.mean_life()),
        line("delta_aic_exponential", None, exactly(fit.aic_exponential - fit.aic)),
    ];
    if let Ok(lognormal) = fit.aic_lognormal {
        lines.push(line("delta_aic_lognormal", None, exactly(lognormal - fit.aic)));
    }
    lines
}

/// A difference of likelihoods is a property of the data, not an estimate with an interval of its own.
fn exactly(value: f64) -> Estimated {
    Interval::new(value, value, value, CONFIDENCE)
}
