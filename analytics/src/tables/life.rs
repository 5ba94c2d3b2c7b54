//! `life`: time to the first primary fault of a component (Kaplan-Meier, Weibull) and which fault comes first (Aalen-Johansen).
//!
//! SQL sends how many machines come under observation and leave it at each age, by leaf, and by how much the machines that had the fault
//! change that. The risk set of a component is the former corrected by the latter, so that the work grows with events and distinct ages,
//! not with machines times components.

use std::collections::{BTreeMap, BTreeSet};

use duckdb::arrow::array::RecordBatch;
use fixodds_estimators::aalen_johansen::aalen_johansen;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::lognormal::fit_lognormal;
use fixodds_estimators::observation::{CauseRow, CompetingRiskTable, LifeTally, TimeTally};
use fixodds_estimators::unnamed_parts::NamedParts;
use fixodds_estimators::weibull::{HazardPattern, common_shape, fit_weibull};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rayon::prelude::*;

use super::evidence_sql;
use super::named_parts::{NOT_NAMED, NamedByCategory};
use crate::columns::{flags, integers, reals, texts};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

/// Fewer first faults than this give no curve; the table then says so in the row of the shape.
const FEWEST_EVENTS: u64 = 5;
/// A curve starts at the first age at which so many machines are at risk, and is conditional on having come so far.
const FEWEST_AT_RISK: i64 = 10;
/// With more distinct ages than this, likelihoods put together those within the relative width of each other.
const MOST_DISTINCT_AGES: usize = 1_000;
const RELATIVE_AGE_WIDTH: f64 = 0.01;
/// The same for the many designs whose common shape only settles a word.
const MOST_AGES_OF_A_DESIGN: usize = 200;
const AGE_WIDTH_OF_A_DESIGN: f64 = 0.03;
const DAYS_PER_YEAR: f64 = 365.25;
/// Ages at which curves are read off, in half years.
const LAST_HALF_YEAR: usize = 40;

/// The first fault of any part is known to be the first only of machines watched from new. With so many of them the others are left out.
const ENOUGH_FROM_NEW: i64 = 30;

/// How the machines under observation change at one age, in half days.
#[derive(Clone, Copy)]
struct Change {
    from_new: bool,
    half_day: usize,
    entered: i64,
    left: i64,
    ended: i64,
}

/// Corrections for the machines of one leaf that had the fault: see `life_correction.sql`.
struct Correction {
    change: Change,
    /// Position in the list of components.
    cause: u32,
    events: i64,
}

type ByLeaf<T> = BTreeMap<i64, Vec<T>>;

/// Counts by half day of age.
struct Counts {
    entered: Vec<i64>,
    left: Vec<i64>,
    ended: Vec<i64>,
    failed: Vec<i64>,
    /// Half day, cause and events, in that order.
    events: BTreeMap<(usize, u32), i64>,
}

struct Line {
    values: Vec<(&'static str, Cell)>,
    estimated: Estimated,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("life")?;
    let observed = read_observed(engine)?;
    let scopes = engine.leaves_of_scopes()?;
    let kinds = read_kinds(engine)?;
    let mut with: BTreeMap<Option<String>, BTreeSet<i64>> = BTreeMap::new();
    engine.rows("life", "SELECT leaf, component FROM leaf_component UNION ALL SELECT leaf, NULL FROM leaf", |row| {
        with.entry(row.get(1)?).or_default().insert(row.get(0)?);
        Ok(())
    })?;
    // Faults of which no part is named are a cause of any fault, and no component.
    let mut components: Vec<String> = with.keys().flatten().cloned().chain([NOT_NAMED.to_owned()]).collect();
    components.sort();
    let named = NamedByCategory::read(engine)?;
    // One component at a time, so that only its events are in memory.
    for (component, leaves_with) in &with {
        let corrections = read_corrections(engine, component, &components)?;
        let groups: Vec<(i64, Vec<i64>)> = scopes
            .iter()
            .map(|(scope_id, leaves)| (*scope_id, leaves.iter().copied().filter(|leaf| leaves_with.contains(leaf)).collect::<Vec<_>>()))
            .filter(|(_, members)| members.iter().any(|leaf| corrections.contains_key(leaf)))
            .collect();
        let lines: Vec<Vec<Line>> =
            groups.par_iter().map(|(_, members)| lines(component, members, &observed, &corrections, &components, &kinds)).collect();
        for ((scope_id, _), lines) in groups.iter().zip(lines) {
            let scope = engine.scope(*scope_id);
            let share = named.of(scope.category.as_ref());
            let shape = lines.iter().find(|line| line.text("statistic") == Some("shape")).and_then(|line| line.estimated.clone().ok());
            for line in lines {
                let line = line.allowing(&share, shape.map(|shape| shape.estimate));
                rows.push(scope, &line.values, &line.estimated);
            }
        }
    }
    Ok(rows)
}

impl Line {
    fn text(&self, column: &str) -> Option<&str> {
        self.values.iter().find_map(|(name, cell)| match cell {
            Cell::Text(text) if *name == column => Some(text.as_str()),
            _ => None,
        })
    }

    /// What a line of a component says once its interval allows for the faults of which no part is named: a hazard raised by a factor shortens every
    /// quantile of a Weibull life by its root of the order of the shape.
    fn allowing(mut self, share: &NamedParts, shape: Option<f64>) -> Self {
        let of_a_part = self.text("component").is_some_and(|component| component != NOT_NAMED);
        if !of_a_part {
            return self;
        }
        let curve = self.text("curve").unwrap_or_default().to_owned();
        let statistic = self.text("statistic").unwrap_or_default().to_owned();
        self.values.push(("not_named_factor", share.factor().ok().into()));
        self.estimated = self.estimated.and_then(|estimated| match (curve.as_str(), statistic.as_str()) {
            ("survival", _) => share.allow_survival(&estimated),
            ("cumulative_incidence", _) => share.allow(&estimated).map(|wide| Interval { upper: wide.upper.min(1.0), ..wide }),
            ("weibull", "scale_years" | "b10_years" | "median_years" | "mean_life_years") => {
                let shortened = share.factor()?.powf(-1.0 / shape.unwrap_or(1.0));
                Ok(Interval { lower: estimated.lower * shortened, ..estimated })
            }
            _ => Ok(estimated),
        });
        self
    }
}

/// The platform and the model of each leaf.
type Kinds = BTreeMap<i64, (Option<String>, Option<String>)>;

fn read_kinds(engine: &Engine) -> Result<Kinds, AnalyticsError> {
    let select = "SELECT leaf, platform, model_key FROM leaf ORDER BY leaf";
    Ok(engine.rows("life", select, |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))?.into_iter().collect())
}

/// The leaves in groups of one design: by platform, or by model where all are of one platform or a platform is not known.
fn strata(leaves: &[i64], kinds: &Kinds) -> Vec<Vec<i64>> {
    let platforms: BTreeSet<Option<&String>> = leaves.iter().map(|leaf| kinds.get(leaf).and_then(|kind| kind.0.as_ref())).collect();
    let mut strata: BTreeMap<(Option<&String>, Option<&String>), Vec<i64>> = BTreeMap::new();
    for leaf in leaves {
        let (platform, model) = kinds.get(leaf).map_or((None, None), |(platform, model)| (platform.as_ref(), model.as_ref()));
        let by_model = platform.is_none() || platforms.len() == 1;
        strata.entry((platform, model.filter(|_| by_model))).or_default().push(*leaf);
    }
    strata.into_values().collect()
}

fn half_days(age_days: f64) -> usize {
    (age_days * 2.0).round().max(0.0) as usize
}

fn years(half_day: usize) -> f64 {
    half_day as f64 / 2.0 / DAYS_PER_YEAR
}

/// The leaf and the change of each row.
fn for_each_change(batch: &RecordBatch, mut take: impl FnMut(usize, i64, Change)) {
    let (ages, from_new) = (reals(batch, "age_days"), flags(batch, "from_new"));
    let [leaves, entered, left, ended] = ["leaf", "entered", "left_observation", "ended"].map(|name| integers(batch, name));
    for row in 0..batch.num_rows() {
        let half_day = half_days(ages.value(row));
        take(
            row,
            leaves.value(row),
            Change { from_new: from_new.value(row), half_day, entered: entered.value(row), left: left.value(row), ended: ended.value(row) },
        );
    }
}

fn read_observed(engine: &Engine) -> Result<ByLeaf<Change>, AnalyticsError> {
    let mut observed = ByLeaf::new();
    engine.columns("life", evidence_sql!("life_observed"), &[], |batch| {
        for_each_change(batch, |_, leaf, change| observed.entry(leaf).or_insert_with(Vec::new).push(change));
    })?;
    Ok(observed)
}

fn read_corrections(engine: &Engine, component: &Option<String>, components: &[String]) -> Result<ByLeaf<Correction>, AnalyticsError> {
    let mut corrections = ByLeaf::new();
    engine.columns("life", evidence_sql!("life_corrections"), &[component], |batch| {
        let causes = texts(batch, "cause");
        let events = integers(batch, "events");
        for_each_change(batch, |row, leaf, change| {
            let cause = components.binary_search_by(|known| known.as_str().cmp(causes.value(row))).unwrap_or(components.len()) as u32;
            corrections.entry(leaf).or_insert_with(Vec::new).push(Correction { change, cause, events: events.value(row) });
        });
    })?;
    Ok(corrections)
}

fn lines(
    component: &Option<String>,
    members: &[i64],
    observed: &ByLeaf<Change>,
    corrections: &ByLeaf<Correction>,
    components: &[String],
    kinds: &Kinds,
) -> Vec<Line> {
    let of = |leaves: &[i64], only_from_new| Counts::of(leaves, observed, corrections, only_from_new);
    let (mut counts, mut from_new) = (of(members, component.is_none()), None);
    if component.is_none() {
        let is_enough = counts.entered.iter().sum::<i64>() >= ENOUGH_FROM_NEW && counts.failed.iter().sum::<i64>() >= FEWEST_EVENTS as i64;
        if !is_enough {
            counts = of(members, false);
        }
        from_new = Some(is_enough);
    }
    let designs = || strata(members, kinds).iter().map(|alike| of(alike, from_new == Some(true))).collect();
    lines_of(component, from_new, &counts, components, designs)
}

fn lines_of(
    component: &Option<String>,
    from_new: Option<bool>,
    counts: &Counts,
    components: &[String],
    designs: impl Fn() -> Vec<Counts>,
) -> Vec<Line> {
    let tally = counts.tally();
    let events = tally.as_ref().map_or(0, LifeTally::events);
    let machines = counts.entered.iter().sum::<i64>();
    let base = |curve: &'static str| {
        vec![
            ("component", component.clone().into()),
            ("curve", curve.into()),
            ("machines", machines.into()),
            ("watched_from_new", from_new.into()),
        ]
    };
    if events < FEWEST_EVENTS {
        let mut values = base("weibull");
        values.extend([("statistic", "shape".into()), ("events", (events as i64).into())]);
        let why = CannotEstimate::TooFewEvents { found: events as usize, needed: FEWEST_EVENTS as usize };
        return vec![Line { values, estimated: Err(why) }];
    }
    let mut lines = counts.survival(&base("survival"));
    if component.is_none() {
        lines.extend(counts.incidence(machines, from_new, components));
    }
    if let Ok(tally) = &tally {
        lines.extend(weibull(&base("weibull"), events as i64, tally, &designs()));
    }
    lines
}

impl Counts {
    /// The machines of these leaves, put where they failed if they did.
    fn of(leaves: &[i64], observed: &ByLeaf<Change>, corrections: &ByLeaf<Correction>, only_from_new: bool) -> Self {
        let last = leaves.iter().filter_map(|leaf| observed.get(leaf)).flatten().map(|change| change.half_day).max().unwrap_or(0);
        let zero = vec![0; last + 2];
        let mut counts = Self { entered: zero.clone(), left: zero.clone(), ended: zero.clone(), failed: zero, events: BTreeMap::new() };
        for leaf in leaves {
            for change in observed.get(leaf).into_iter().flatten().filter(|change| change.from_new || !only_from_new) {
                counts.add(change);
            }
            for correction in corrections.get(leaf).into_iter().flatten().filter(|correction| correction.change.from_new || !only_from_new)
            {
                counts.add(&correction.change);
                if correction.events > 0 {
                    counts.failed[correction.change.half_day] += correction.events;
                    *counts.events.entry((correction.change.half_day, correction.cause)).or_default() += correction.events;
                }
            }
        }
        counts
    }

    fn add(&mut self, change: &Change) {
        self.entered[change.half_day] += change.entered;
        self.left[change.half_day] += change.left;
        self.ended[change.half_day] += change.ended;
    }

    /// Events at one half day of age, by cause.
    fn events_at(&self, half_day: usize) -> impl Iterator<Item = (u32, i64)> + '_ {
        self.events.range((half_day, 0)..=(half_day, u32::MAX)).map(|((_, cause), events)| (*cause, *events))
    }

    /// Events of a cause up to and at a half day of age.
    fn events_until(&self, half_day: usize, cause: u32) -> i64 {
        self.events.range(..=(half_day, u32::MAX)).filter(|((_, by), _)| *by == cause).map(|(_, events)| events).sum()
    }

    fn tally(&self) -> Result<LifeTally, CannotEstimate> {
        let rows = (0..self.entered.len()).filter(|h| self.entered[*h] != 0 || self.left[*h] != 0).map(|h| TimeTally {
            time: years(h),
            entries: self.entered[h].max(0) as u64,
            exits: self.left[h].max(0) as u64,
            events: self.failed[h] as u64,
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
        let failed_until: Vec<i64> = self
            .failed
            .iter()
            .scan(0, |sum, failed| {
                *sum += failed;
                Some(*sum)
            })
            .collect();
        let curve = self
            .tally()
            .and_then(|tally| tally.risk_table().conditional_on_surviving(from_years))
            .and_then(|table| kaplan_meier(&table, CONFIDENCE));
        ages_read_off(&at_risk)
            .map(|(age_years, half_day)| {
                let mut values = base.to_vec();
                values.extend([
                    ("age_years", age_years.into()),
                    ("conditional_from_years", from_years.into()),
                    ("at_risk", at_risk[half_day].into()),
                    ("events", failed_until[half_day].into()),
                ]);
                Line { values, estimated: curve.as_ref().map_err(Clone::clone).and_then(|curve| curve.at(age_years)) }
            })
            .collect()
    }

    /// Cumulative incidence of the first fault by component; being taken out of use competes.
    fn incidence(&self, machines: i64, from_new: Option<bool>, components: &[String]) -> Vec<Line> {
        let at_risk = self.at_risk();
        let start = self.start(&at_risk);
        let taken_out_of_use = components.len() as u32 + 1;
        let mut rows = Vec::new();
        for (half_day, n) in at_risk.iter().enumerate().skip(start + 1) {
            let row = |cause: u32, events: i64| CauseRow { time: years(half_day), at_risk: *n as u64, cause, events: events as u64 };
            rows.extend(self.events_at(half_day).map(|(cause, events)| row(cause, events)));
            if self.ended[half_day] > 0 {
                rows.push(row(taken_out_of_use, self.ended[half_day]));
            }
        }
        let last = self.left.iter().rposition(|n| *n > 0).unwrap_or(start);
        let curves = CompetingRiskTable::new(rows, years(start), years(last)).and_then(|table| aalen_johansen(&table, CONFIDENCE));
        let mut lines = Vec::new();
        for curve in curves.unwrap_or_default() {
            let Some(component) = components.get(curve.cause as usize) else { continue };
            for (age_years, half_day) in ages_read_off(&at_risk).filter(|(age, _)| age.fract() == 0.0) {
                lines.push(Line {
                    values: vec![
                        ("component", component.into()),
                        ("curve", "cumulative_incidence".into()),
                        ("machines", machines.into()),
                        ("watched_from_new", from_new.into()),
                        ("age_years", age_years.into()),
                        ("conditional_from_years", years(start).into()),
                        ("at_risk", at_risk[half_day].into()),
                        ("events", self.events_until(half_day, curve.cause).into()),
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

/// The fit, and what its shape may be called: rising, falling or constant only where the shape common to the groups of one design, each with its own
/// scale, says the same. A mixture of designs falls by itself, as the bad ones drop out.
fn weibull(base: &[(&'static str, Cell)], events: i64, tally: &LifeTally, designs: &[Counts]) -> Vec<Line> {
    let line = |statistic: &'static str, pattern: Option<&'static str>, estimated: Estimated| {
        let mut values = base.to_vec();
        values.extend([("statistic", statistic.into()), ("events", events.into()), ("hazard_pattern", pattern.into())]);
        Line { values, estimated }
    };
    let tally = &coarse(tally, MOST_DISTINCT_AGES, RELATIVE_AGE_WIDTH);
    let fit = match fit_weibull(tally, CONFIDENCE) {
        Ok(fit) => fit,
        Err(why) => return vec![line("shape", None, Err(why))],
    };
    // Of one design the shape is its own.
    let shape_within = if designs.len() > 1 {
        let tallies = designs.iter().filter_map(|counts| counts.tally().ok());
        let tallies: Vec<LifeTally> = tallies.map(|tally| coarse(&tally, MOST_AGES_OF_A_DESIGN, AGE_WIDTH_OF_A_DESIGN)).collect();
        common_shape(&tallies, CONFIDENCE)
    } else {
        fit.shape_interval()
    };
    let worded = |shape| shape_within.as_ref().map_or(HazardPattern::Undecided, |within| HazardPattern::worded(&shape, within));
    let pattern = fit.shape_interval().ok().map(worded).map(|pattern| match pattern {
        HazardPattern::EarlyLife => "early_life",
        HazardPattern::Random => "random",
        HazardPattern::WearOut => "wear_out",
        HazardPattern::Undecided => "undecided",
    });
    let mut lines = vec![
        line("shape", pattern, fit.shape_interval()),
        line("shape_within_designs", None, shape_within),
        line("scale_years", None, fit.scale_interval()),
        line("b10_years", None, fit.b10()),
        line("median_years", None, fit.quantile(0.5)),
        line("mean_life_years", None, fit.mean_life()),
        line("delta_aic_exponential", None, Interval::exact(fit.aic_exponential - fit.aic)),
    ];
    if let Ok(lognormal) = fit_lognormal(tally) {
        lines.push(line("delta_aic_lognormal", None, Interval::exact(lognormal.aic() - fit.aic)));
    }
    lines
}

/// The tally, with ages within the relative width of each other put together where there are more than so many.
fn coarse(tally: &LifeTally, most: usize, width: f64) -> LifeTally {
    if tally.rows().len() > most { tally.coarsened(width) } else { tally.clone() }
}
