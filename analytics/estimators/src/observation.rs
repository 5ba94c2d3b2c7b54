//! Life data: units observed one by one, tallied by time, or as a risk table. Everything in survival analysis here starts from these.
//!
//! A unit is observed from `entry` (delayed entry: it is known to have survived to then, which truncates on the left) to
//! `exit`, where it fails or is censored. Time is in any unit, the caller's choice, the same throughout.
//!
//! Ties: at equal time events precede censorings, and a unit that enters at time t is at risk only after t. So the number at
//! risk at t is the number of units with `entry < t <= exit`.
//!
//! Source: Klein & Moeschberger, Survival Analysis, 2nd ed. 2003, sections 3.4 and 4.6 (from memory).
//! Assumes that neither entry nor censoring tells anything about the remaining life.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::CannotEstimate;

/// One unit observed from `entry` to `exit`; `event` says whether it failed at `exit` or was censored there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lifetime {
    entry: f64,
    exit: f64,
    event: bool,
}

impl Lifetime {
    /// Refuses anything but `0 <= entry < exit`, both finite.
    pub fn new(entry: f64, exit: f64, event: bool) -> Result<Self, CannotEstimate> {
        check_window(entry, exit)?;
        Ok(Self { entry, exit, event })
    }

    pub fn entry(&self) -> f64 {
        self.entry
    }

    pub fn exit(&self) -> f64 {
        self.exit
    }

    pub fn event(&self) -> bool {
        self.event
    }
}

/// One unit observed from `entry` to `exit`, where it failed by `cause`, or was censored (`None`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompetingLifetime {
    entry: f64,
    exit: f64,
    cause: Option<u32>,
}

impl CompetingLifetime {
    /// Refuses anything but `0 <= entry < exit`, both finite.
    pub fn new(entry: f64, exit: f64, cause: Option<u32>) -> Result<Self, CannotEstimate> {
        check_window(entry, exit)?;
        Ok(Self { entry, exit, cause })
    }
}

pub(crate) fn check_window(entry: f64, exit: f64) -> Result<(), CannotEstimate> {
    if 0.0 <= entry && entry < exit && exit.is_finite() {
        Ok(())
    } else {
        Err(invalid(format!("an observation must have 0 <= entry < exit, it has entry {entry} and exit {exit}")))
    }
}

pub(crate) fn invalid(what: String) -> CannotEstimate {
    CannotEstimate::InvalidInput(what)
}

/// What happened at one time: how many units came under observation, how many left it, and how many of those failed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeTally {
    pub time: f64,
    pub entries: u64,
    /// All units last observed at this time, failed or censored.
    pub exits: u64,
    pub events: u64,
}

/// The whole life data in one row per distinct time: sufficient for the Kaplan-Meier curve and for any parametric likelihood
/// under left truncation and right censoring, whatever the number of units.
#[derive(Debug, Clone, PartialEq)]
pub struct LifeTally {
    rows: Vec<TimeTally>,
}

impl LifeTally {
    /// Rows in increasing time. Refuses rows that no set of units could have given (more exits than units at risk, units that
    /// never leave, more events than exits).
    pub fn new(rows: Vec<TimeTally>) -> Result<Self, CannotEstimate> {
        if rows.iter().all(|r| r.entries == 0 && r.exits == 0) {
            return Err(CannotEstimate::NoObservations);
        }
        check_times(rows.iter().map(|r| r.time), |earlier, later| earlier < later)?;
        let mut at_risk = 0;
        for row in &rows {
            if row.events > row.exits || row.exits > at_risk {
                let TimeTally { time, exits, events, .. } = row;
                return Err(invalid(format!("at time {time} there are {events} events, {exits} exits and {at_risk} units at risk")));
            }
            at_risk = at_risk + row.entries - row.exits;
        }
        if at_risk > 0 {
            return Err(invalid(format!("{at_risk} units enter and never leave")));
        }
        Ok(Self { rows })
    }

    pub fn from_lifetimes(lifetimes: &[Lifetime]) -> Result<Self, CannotEstimate> {
        Self::from_weighted(lifetimes.iter().map(|&lifetime| (lifetime, 1)))
    }

    /// Each lifetime with the number of units that share it.
    pub fn from_weighted(lifetimes: impl IntoIterator<Item = (Lifetime, u64)>) -> Result<Self, CannotEstimate> {
        // Non-negative numbers sort like their bit patterns; adding zero turns -0.0 into 0.0.
        let mut by_time: BTreeMap<u64, TimeTally> = BTreeMap::new();
        let row = |time: f64| TimeTally { time, entries: 0, exits: 0, events: 0 };
        for (lifetime, count) in lifetimes {
            let [entry, exit] = [lifetime.entry + 0.0, lifetime.exit];
            by_time.entry(entry.to_bits()).or_insert_with(|| row(entry)).entries += count;
            let leaving = by_time.entry(exit.to_bits()).or_insert_with(|| row(exit));
            leaving.exits += count;
            leaving.events += if lifetime.event { count } else { 0 };
        }
        Self::new(by_time.into_values().collect())
    }

    pub fn rows(&self) -> &[TimeTally] {
        &self.rows
    }

    pub fn units(&self) -> u64 {
        self.rows.iter().map(|r| r.entries).sum()
    }

    pub fn events(&self) -> u64 {
        self.rows.iter().map(|r| r.events).sum()
    }

    /// The same units with neighbouring times put together, for parametric likelihoods over very many distinct times.
    ///
    /// Times within `relative_width` of each other (0.01: one per cent) become their mean, entries and exits apart, so that sums of
    /// times are kept and a smooth likelihood changes by terms of the square of the width only.
    #[must_use]
    pub fn coarsened(&self, relative_width: f64) -> Self {
        let mut rows = Vec::new();
        let mut at_risk = 0;
        for together in self.rows.chunk_by({
            let mut from = self.rows[0].time;
            move |_, next| {
                let near = next.time <= from * (1.0 + relative_width);
                if !near {
                    from = next.time;
                }
                near
            }
        }) {
            let sum = |count: fn(&TimeTally) -> u64| together.iter().map(count).sum::<u64>();
            let [entries, exits, events] = [sum(|row| row.entries), sum(|row| row.exits), sum(|row| row.events)];
            let mean_time = |count: fn(&TimeTally) -> u64| {
                together.iter().map(|row| row.time * count(row) as f64).sum::<f64>() / together.iter().map(count).sum::<u64>().max(1) as f64
            };
            let entering = TimeTally { time: mean_time(|row| row.entries), entries, exits: 0, events: 0 };
            let leaving = TimeTally { time: mean_time(|row| row.exits), entries: 0, exits, events };
            if entries == 0 {
                rows.push(leaving);
            } else if exits == 0 {
                rows.push(entering);
            } else if entering.time < leaving.time {
                rows.extend([entering, leaving]);
            } else if leaving.time < entering.time && exits <= at_risk {
                rows.extend([leaving, entering]);
            } else {
                rows.extend_from_slice(together);
            }
            at_risk = at_risk + entries - exits;
        }
        Self { rows }
    }

    pub fn risk_table(&self) -> RiskTable {
        let mut at_risk = 0;
        let mut rows = Vec::new();
        for row in &self.rows {
            if row.events > 0 {
                rows.push(RiskRow { time: row.time, at_risk, events: row.events });
            }
            at_risk = at_risk + row.entries - row.exits;
        }
        let first_entry = self.rows.iter().find(|r| r.entries > 0).map_or(0.0, |r| r.time);
        let last_exit = self.rows.iter().rfind(|r| r.exits > 0).map_or(first_entry, |r| r.time);
        RiskTable { rows, observed_from: first_entry, observed_to: last_exit }
    }
}

/// The units at risk just before `time` and those of them that fail at it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RiskRow {
    pub time: f64,
    pub at_risk: u64,
    pub events: u64,
}

/// The risk set at each distinct event time.
///
/// Curves built from it hold between `observed_from` (the first entry: a curve from there on is conditional on having survived
/// to it) and `observed_to` (the last exit).
#[derive(Debug, Clone, PartialEq)]
pub struct RiskTable {
    rows: Vec<RiskRow>,
    observed_from: f64,
    observed_to: f64,
}

impl RiskTable {
    /// Rows in strictly increasing time, each with `events <= at_risk`; rows without events are dropped.
    pub fn new(mut rows: Vec<RiskRow>, observed_from: f64, observed_to: f64) -> Result<Self, CannotEstimate> {
        check_window(observed_from, observed_to)?;
        check_times(rows.iter().map(|r| r.time), |earlier, later| earlier < later)?;
        for row in &rows {
            check_risk_set(row.time, row.at_risk, row.events, observed_from, observed_to)?;
        }
        rows.retain(|r| r.events > 0);
        Ok(Self { rows, observed_from, observed_to })
    }

    pub fn from_lifetimes(lifetimes: &[Lifetime]) -> Result<Self, CannotEstimate> {
        Ok(LifeTally::from_lifetimes(lifetimes)?.risk_table())
    }

    /// The same data from `time` on, for a curve conditional on having survived to `time`. Under delayed entry the first
    /// risk sets can be so small that one failure takes the curve to zero; starting where enough units are at risk avoids that.
    pub fn conditional_on_surviving(&self, time: f64) -> Result<Self, CannotEstimate> {
        let rows = self.rows.iter().filter(|r| r.time > time).copied().collect();
        Self::new(rows, time.max(self.observed_from), self.observed_to)
    }

    pub fn rows(&self) -> &[RiskRow] {
        &self.rows
    }

    pub fn observed_from(&self) -> f64 {
        self.observed_from
    }

    pub fn observed_to(&self) -> f64 {
        self.observed_to
    }
}

/// The units at risk just before `time` and those of them that fail at it by `cause`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CauseRow {
    pub time: f64,
    pub at_risk: u64,
    pub cause: u32,
    pub events: u64,
}

/// The risk set at each distinct event time, one row for each cause that has events there. See [`RiskTable`].
#[derive(Debug, Clone, PartialEq)]
pub struct CompetingRiskTable {
    rows: Vec<CauseRow>,
    observed_from: f64,
    observed_to: f64,
}

impl CompetingRiskTable {
    /// Rows in increasing (time, cause), with one `at_risk` per time that covers the events of all causes; rows without events
    /// are dropped.
    pub fn new(mut rows: Vec<CauseRow>, observed_from: f64, observed_to: f64) -> Result<Self, CannotEstimate> {
        check_window(observed_from, observed_to)?;
        check_times(rows.iter().map(|r| r.time), |earlier, later| earlier <= later)?;
        for tied in rows.chunk_by(|a, b| a.time == b.time) {
            let CauseRow { time, at_risk, .. } = tied[0];
            if tied.iter().any(|r| r.at_risk != at_risk) || !tied.is_sorted_by(|a, b| a.cause < b.cause) {
                return Err(invalid(format!("the rows at time {time} must have increasing causes and the same number at risk")));
            }
            check_risk_set(time, at_risk, tied.iter().map(|r| r.events).sum(), observed_from, observed_to)?;
        }
        rows.retain(|r| r.events > 0);
        Ok(Self { rows, observed_from, observed_to })
    }

    pub fn from_lifetimes(lifetimes: &[CompetingLifetime]) -> Result<Self, CannotEstimate> {
        let any_cause: Vec<_> = lifetimes.iter().map(|l| Lifetime { entry: l.entry, exit: l.exit, event: l.cause.is_some() }).collect();
        let RiskTable { rows: risk_sets, observed_from, observed_to } = RiskTable::from_lifetimes(&any_cause)?;
        let mut failures: BTreeMap<(u64, u32), u64> = BTreeMap::new();
        for lifetime in lifetimes {
            if let Some(cause) = lifetime.cause {
                *failures.entry((lifetime.exit.to_bits(), cause)).or_default() += 1;
            }
        }
        let at_risk: BTreeMap<u64, u64> = risk_sets.iter().map(|r| (r.time.to_bits(), r.at_risk)).collect();
        let rows = failures.into_iter().filter_map(|((time, cause), events)| {
            Some(CauseRow { time: f64::from_bits(time), at_risk: *at_risk.get(&time)?, cause, events })
        });
        Self::new(rows.collect(), observed_from, observed_to)
    }

    /// The same data with the causes taken together.
    pub fn any_cause(&self) -> RiskTable {
        let rows = self.rows.chunk_by(|a, b| a.time == b.time).map(|tied| RiskRow {
            time: tied[0].time,
            at_risk: tied[0].at_risk,
            events: tied.iter().map(|r| r.events).sum(),
        });
        RiskTable { rows: rows.collect(), observed_from: self.observed_from, observed_to: self.observed_to }
    }

    pub fn rows(&self) -> &[CauseRow] {
        &self.rows
    }

    pub fn observed_from(&self) -> f64 {
        self.observed_from
    }

    pub fn observed_to(&self) -> f64 {
        self.observed_to
    }
}

fn check_times(times: impl Iterator<Item = f64> + Clone, in_order: impl Fn(f64, f64) -> bool) -> Result<(), CannotEstimate> {
    if let Some(bad) = times.clone().find(|t| !(t.is_finite() && *t >= 0.0)) {
        return Err(invalid(format!("times must be finite and not negative, one is {bad}")));
    }
    match times.clone().zip(times.skip(1)).find(|&(earlier, later)| !in_order(earlier, later)) {
        Some((earlier, later)) => Err(invalid(format!("times must increase, {later} follows {earlier}"))),
        None => Ok(()),
    }
}

fn check_risk_set(time: f64, at_risk: u64, events: u64, observed_from: f64, observed_to: f64) -> Result<(), CannotEstimate> {
    if events > at_risk {
        return Err(invalid(format!("at time {time} there are {events} events among {at_risk} units at risk")));
    }
    if events > 0 && !(observed_from < time && time <= observed_to) {
        return Err(invalid(format!("events at time {time} are outside the observed time {observed_from} to {observed_to}")));
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Nine units, unsorted: a tied event (at 2), an event tied with a censoring (at 4) and with an entry (a unit enters at 2).
    /// Risk sets: 6 at time 1, 6 at time 2 (the one entering at 2 is not among them), 4 at time 4, 1 at time 6.
    pub(crate) fn nine_units() -> Vec<Lifetime> {
        [(0.0, 4.0, true), (0.0, 1.0, true), (0.0, 2.0, true), (0.0, 3.0, false), (0.0, 2.0, true), (1.0, 4.0, false)]
            .into_iter()
            .chain([(2.0, 6.0, true), (0.0, 5.0, false), (6.0, 7.0, false)])
            .map(|(entry, exit, event)| Lifetime::new(entry, exit, event).unwrap())
            .collect()
    }

    fn row(time: f64, at_risk: u64, events: u64) -> RiskRow {
        RiskRow { time, at_risk, events }
    }

    #[test]
    fn risk_sets_by_hand() {
        let table = RiskTable::from_lifetimes(&nine_units()).unwrap();
        assert_eq!(table.rows(), [row(1.0, 6, 1), row(2.0, 6, 2), row(4.0, 4, 1), row(6.0, 1, 1)]);
        assert_eq!((table.observed_from(), table.observed_to()), (0.0, 7.0));
    }

    #[test]
    fn coarsened_times_keep_units_events_and_time_at_risk() {
        let lifetimes: Vec<Lifetime> = (0..5_000)
            .map(|i| {
                let entry = f64::from(i * 7 % 400) / 100.0;
                Lifetime::new(entry, entry + f64::from(1 + i * 13 % 997) / 250.0, i % 3 == 0).unwrap()
            })
            .collect();
        let tally = LifeTally::from_lifetimes(&lifetimes).unwrap();
        let coarse = tally.coarsened(0.01);
        assert!(coarse.rows().len() * 2 < tally.rows().len(), "{} of {}", coarse.rows().len(), tally.rows().len());
        assert_eq!(LifeTally::new(coarse.rows().to_vec()), Ok(coarse.clone()));
        assert_eq!((coarse.units(), coarse.events()), (tally.units(), tally.events()));
        let time_at_risk =
            |tally: &LifeTally| tally.rows().iter().map(|row| row.time * (row.exits as f64 - row.entries as f64)).sum::<f64>();
        assert!((time_at_risk(&coarse) / time_at_risk(&tally) - 1.0).abs() < 1e-12);
        let [fine, rough] = [&tally, &coarse].map(|tally| crate::weibull::fit_weibull(tally, 0.95).unwrap().shape_interval().unwrap());
        assert!((rough.estimate / fine.estimate - 1.0).abs() < 1e-3 && (rough.upper / fine.upper - 1.0).abs() < 1e-3);
    }

    #[test]
    fn risk_sets_agree_with_counting_each_one() {
        let units = nine_units();
        for row in RiskTable::from_lifetimes(&units).unwrap().rows() {
            let at_risk = units.iter().filter(|u| u.entry() < row.time && row.time <= u.exit()).count();
            assert_eq!(row.at_risk, at_risk as u64);
        }
    }

    #[test]
    fn order_of_units_does_not_matter_and_weights_are_repeats() {
        let units = nine_units();
        let mut twice: Vec<_> = units.iter().rev().chain(&units).copied().collect();
        let tally = LifeTally::from_lifetimes(&twice).unwrap();
        assert_eq!(tally, LifeTally::from_weighted(units.iter().map(|&u| (u, 2))).unwrap());
        assert_eq!((tally.units(), tally.events()), (18, 10));
        twice.reverse();
        assert_eq!(tally, LifeTally::from_lifetimes(&twice).unwrap());
    }

    #[test]
    fn causes_share_the_risk_set() {
        let units = [(0.0, 1.0, Some(7)), (0.0, 2.0, Some(3)), (0.0, 2.0, Some(7)), (0.0, 2.0, None), (0.5, 3.0, Some(3))];
        let units: Vec<_> = units.iter().map(|&(entry, exit, cause)| CompetingLifetime::new(entry, exit, cause).unwrap()).collect();
        let table = CompetingRiskTable::from_lifetimes(&units).unwrap();
        let cause = |time, at_risk, cause, events| CauseRow { time, at_risk, cause, events };
        assert_eq!(table.rows(), [cause(1.0, 5, 7, 1), cause(2.0, 4, 3, 1), cause(2.0, 4, 7, 1), cause(3.0, 1, 3, 1)]);
        assert_eq!(table.any_cause().rows(), [row(1.0, 5, 1), row(2.0, 4, 2), row(3.0, 1, 1)]);
    }

    #[test]
    fn refuses_what_cannot_have_been_observed() {
        for (entry, exit) in [(1.0, 1.0), (-1.0, 2.0), (0.0, f64::INFINITY), (f64::NAN, 1.0), (0.0, f64::NAN)] {
            assert!(Lifetime::new(entry, exit, true).is_err() && CompetingLifetime::new(entry, exit, None).is_err());
        }
        assert_eq!(RiskTable::from_lifetimes(&[]), Err(CannotEstimate::NoObservations));
        assert_eq!(CompetingRiskTable::from_lifetimes(&[]), Err(CannotEstimate::NoObservations));
        assert!(RiskTable::new(vec![row(1.0, 1, 2)], 0.0, 9.0).is_err());
        assert!(RiskTable::new(vec![row(2.0, 3, 1), row(2.0, 3, 1)], 0.0, 9.0).is_err());
        assert!(RiskTable::new(vec![row(2.0, 3, 1)], 2.0, 9.0).is_err());
        assert!(RiskTable::new(vec![row(f64::NAN, 3, 1)], 0.0, 9.0).is_err());
        let tally = |time, entries, exits, events| TimeTally { time, entries, exits, events };
        assert!(LifeTally::new(vec![tally(0.0, 2, 0, 0), tally(1.0, 0, 1, 1)]).is_err(), "one never leaves");
        assert!(LifeTally::new(vec![tally(0.0, 1, 0, 0), tally(1.0, 1, 2, 1)]).is_err(), "one leaves as it enters");
        assert!(LifeTally::new(vec![tally(0.0, 1, 0, 0), tally(1.0, 0, 1, 2)]).is_err(), "more events than exits");
        let cause = |at_risk, cause| CauseRow { time: 1.0, at_risk, cause, events: 1 };
        assert!(CompetingRiskTable::new(vec![cause(5, 1), cause(4, 2)], 0.0, 9.0).is_err());
        assert!(CompetingRiskTable::new(vec![cause(5, 1), cause(5, 1)], 0.0, 9.0).is_err());
        assert!(CompetingRiskTable::new(vec![cause(1, 1), cause(1, 2)], 0.0, 9.0).is_err());
    }

    #[test]
    fn starting_later_drops_the_first_risk_sets() {
        let table = RiskTable::from_lifetimes(&nine_units()).unwrap().conditional_on_surviving(2.0).unwrap();
        assert_eq!(table.rows(), [row(4.0, 4, 1), row(6.0, 1, 1)]);
        assert_eq!(table.observed_from(), 2.0);
        assert!(table.conditional_on_surviving(7.0).is_err());
    }
}
