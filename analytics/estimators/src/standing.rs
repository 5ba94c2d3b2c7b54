//! How each of many groups (models) stands against the others of its kind, ages held equal.
//!
//! * **Expected**: in stratum (age band) `a` the others have `O'` events in size (machine-years or jobs) `T'`; a group of size `t` there is expected to
//!   have `E = sum t O'/T'`, against its `O` events in the same strata. Strata in which no other group is seen are left out of both. Indirect
//!   standardisation, `O/E` a standardised ratio (Breslow & Day 1987, Statistical Methods in Cancer Research II, 2.3), with the others as the standard,
//!   so that a group is not compared with itself.
//! * **Scatter within groups**: machines of one group differ. With `y` events and size `t` of each machine, `n = T^2/sum t^2` and `S = sum (y - (O/T) t)^2`
//!   of a group, the excess variance over all groups together is
//!   `k = sum (n/(n-1) S - b O) / sum (O/T)^2 (sum t^2)`, at least 0: for rates the variance of machines' own rates relative to their mean. `b` is the
//!   variance of one event: 1 for rates, one less the share for shares. With fewer than ten machines in all, those missing are taken to have `k = 1`, as in
//!   [`crate::clustered_rate`]. The variance of a group's events, over `E`, is then `f = b + k E (sum t^2)/T^2`.
//! * **Scatter of what is expected**: `E` comes from finitely many events of the others, which adds `v = sum (t/T')^2 O' / E`: `D = f (1 + v)`.
//! * **Test** that the group is like the others: twice the smaller tail of the Poisson distribution at `O/D` events with `E/D` expected (by gamma
//!   functions, as [`crate::poisson::poisson_test`]; matching the variance: Fay & Feuer 1997, Stat. Med. 16:791), read as a tail of Student's
//!   distribution, since `k` is an estimate: with `m = sum (n - 1)` machines it has `m / (1 + 3 k)` degrees of freedom, as in [`crate::mean`].
//! * **Estimate**: the ratios of all groups together by the gamma-Poisson model ([`crate::empirical_bayes`]) of `O/D` events in `E/D`, so that each leans on
//!   the others as far as its own records are thin, and the spread between groups beyond chance is part of what is estimated.
//! * **Funnel** around 1 at the size `E/D` ([`crate::funnel`]).
//!
//! Assumptions: groups are used alike but for age; the effect of a group is one factor at all ages; machines are independent.

use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur};

use crate::CannotEstimate;
use crate::clustered_rate::{FULL_SIZE, RateSums};
use crate::distributions::{normal_quantile, student_p_value};
use crate::empirical_bayes::{GammaPoisson, Posterior, RateGroup};
use crate::funnel::{FunnelLimits, poisson_limits};

/// Events and size (machine-years or jobs) of one group in one stratum.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stratum {
    pub events: f64,
    pub size: f64,
}

/// One group: the same strata in the same order for all groups, and sums over its machines.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    pub strata: Vec<Stratum>,
    pub machines: RateSums,
}

/// What events are counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Events in machine-years.
    Rate,
    /// Events among jobs, each job once.
    Share,
}

/// One group against the others.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// Events in strata where others are seen.
    pub observed: f64,
    /// Events expected there at the rates of the others.
    pub expected: f64,
    /// Size in those strata.
    pub compared: f64,
    /// `D` above.
    pub dispersion: f64,
    /// That the group is like the others.
    pub p_value: f64,
    /// Ratio of observed to expected, leaning on all groups, and the probability that it exceeds 1.
    pub ratio: Result<Posterior, CannotEstimate>,
    /// Limits of the ratio observed over expected.
    pub funnel: Option<FunnelLimits>,
}

/// Every group against the others; none where nothing is expected of a group, since no other is seen at its ages or none had an event.
///
/// # Errors
/// Groups with different numbers of strata, sizes that are negative or not finite, events without size, a confidence level outside (0, 1).
pub fn against_others(groups: &[Group], measure: Measure, confidence: f64) -> Result<Vec<Option<Standing>>, CannotEstimate> {
    let strata = groups.first().map_or(0, |group| group.strata.len());
    if groups.iter().any(|group| group.strata.len() != strata) {
        return Err(CannotEstimate::InvalidInput("groups must have the same strata".to_owned()));
    }
    let possible = |s: &Stratum| s.size.is_finite() && s.events >= 0.0 && (s.size > 0.0 || s.size == 0.0 && s.events == 0.0);
    if let Some(stratum) = groups.iter().flat_map(|group| &group.strata).find(|s| !possible(s)) {
        return Err(CannotEstimate::InvalidInput(format!("size must be positive where there are events: {stratum:?}")));
    }
    let (excess, freedom) = excess_variance(groups, measure);
    let total = |a: usize| groups.iter().map(|group| group.strata[a]).fold((0.0, 0.0), |sum, s| (sum.0 + s.events, sum.1 + s.size));
    let totals: Vec<(f64, f64)> = (0..strata).map(total).collect();
    let compared: Vec<Option<Compared>> = groups.iter().map(|group| compare(&totals, group, measure, excess)).collect();
    let sizes: Vec<RateGroup> = compared.iter().flatten().map(Compared::effective).collect();
    let model = GammaPoisson::fit(&sizes);
    let standing = |found: Compared| {
        let Compared { observed, expected, compared, dispersion } = found;
        Ok(Standing {
            observed,
            expected,
            compared,
            dispersion,
            p_value: with_freedom(tails(observed / dispersion, expected / dispersion)?, freedom)?,
            ratio: model.as_ref().map_err(Clone::clone).and_then(|model| model.posterior(found.effective(), 1.0, confidence)),
            funnel: poisson_limits(1.0, expected / dispersion).ok(),
        })
    };
    compared.into_iter().map(|found| found.map(standing).transpose()).collect()
}

struct Compared {
    observed: f64,
    expected: f64,
    compared: f64,
    dispersion: f64,
}

impl Compared {
    /// Events and expected events as if they were Poisson: whole events with the same ratio.
    fn effective(&self) -> RateGroup {
        let events = (self.observed / self.dispersion).round();
        let exposure = if events > 0.0 { events * self.expected / self.observed } else { self.expected / self.dispersion };
        RateGroup { events: events as u64, exposure }
    }
}

fn compare(totals: &[(f64, f64)], group: &Group, measure: Measure, excess: f64) -> Option<Compared> {
    let (mut observed, mut expected, mut size, mut uncertain) = (0.0, 0.0, 0.0, 0.0);
    for (stratum, (all_events, all_size)) in group.strata.iter().zip(totals) {
        let (events, of_others) = (all_events - stratum.events, all_size - stratum.size);
        // What is left by rounding is no other group.
        if of_others > 1e-9 * all_size {
            let weight = stratum.size / of_others;
            observed += stratum.events;
            expected += weight * events;
            size += stratum.size;
            uncertain += weight * weight * events;
        }
    }
    if expected <= 0.0 {
        return None;
    }
    let machines = &group.machines;
    let unit = match measure {
        Measure::Rate => 1.0,
        Measure::Share => (1.0 - expected / size).max(0.0),
    };
    let within = unit + excess * expected * machines.exposure_squared / (machines.exposure * machines.exposure);
    // A share of nearly one leaves no variance to divide by.
    let dispersion = (within * (1.0 + uncertain / expected)).max(1e-3);
    Some(Compared { observed, expected, compared: size, dispersion })
}

/// `k` above, and its degrees of freedom.
fn excess_variance(groups: &[Group], measure: Measure) -> (f64, f64) {
    let (mut excess, mut scale, mut known) = (0.0, 0.0, 0.0);
    for RateSums { events, exposure, events_squared, events_times_exposure, exposure_squared } in groups.iter().map(|group| group.machines)
    {
        let n = exposure * exposure / exposure_squared;
        // One machine says nothing of how machines differ.
        if n.is_nan() || n <= 1.0 + 1e-9 {
            continue;
        }
        let rate = events as f64 / exposure;
        let squares = (events_squared - 2.0 * rate * events_times_exposure + rate * rate * exposure_squared).max(0.0);
        let unit = match measure {
            Measure::Rate => 1.0,
            Measure::Share => (1.0 - rate).max(0.0),
        };
        excess += n / (n - 1.0) * squares - unit * events as f64;
        scale += rate * rate * exposure_squared;
        known += n - 1.0;
    }
    let found = if scale > 0.0 { (excess / scale).max(0.0) } else { 0.0 };
    let missing = (FULL_SIZE - 1.0 - known).max(0.0);
    let excess = (missing + known * found) / (missing + known);
    (excess, (known / (1.0 + 3.0 * excess)).max(FULL_SIZE - 1.0))
}

/// The p-value of a normal deviate, were it one of Student's.
fn with_freedom(p_value: f64, freedom: f64) -> Result<f64, CannotEstimate> {
    // Beyond what a normal deviate can be told from, the tail is as good as none.
    student_p_value(normal_quantile((p_value / 2.0).max(f64::MIN_POSITIVE)), freedom)
}

/// Twice the smaller Poisson tail, at most 1, also where the number of events is no whole one.
fn tails(events: f64, expected: f64) -> Result<f64, CannotEstimate> {
    let at_least = if events <= 0.0 { Ok(1.0) } else { checked_gamma_lr(events, expected) };
    let at_most = checked_gamma_ur(events + 1.0, expected);
    match (at_least, at_most) {
        (Ok(at_least), Ok(at_most)) => Ok((2.0 * at_least.min(at_most)).clamp(0.0, 1.0)),
        _ => Err(CannotEstimate::NotFinite),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn group(strata: &[(f64, f64)], machines: u64) -> Group {
        let (events, size) = strata.iter().fold((0.0, 0.0), |sum, (e, s)| (sum.0 + e, sum.1 + s));
        // The events on as many machines, one each, so that machines differ no more than Poisson.
        let on = |machine: u64| u64::from(machine < events as u64);
        Group {
            strata: strata.iter().map(|&(events, size)| Stratum { events, size }).collect(),
            machines: RateSums::from_machines((0..machines).map(|machine| (on(machine), size / machines as f64))),
        }
    }

    /// The first group has 100 machine-years in the young band and none in the old; the others have 200 with 10 events and 300 with 60. It is
    /// expected to have 100 * 10/200 = 5 events, of which 8 came; v = (100/200)^2 * 10 / 5 = 1/2.
    #[test]
    fn expected_at_the_ages_of_the_group() {
        let groups = [
            group(&[(8.0, 100.0), (0.0, 0.0)], 100),
            group(&[(4.0, 120.0), (20.0, 100.0)], 100),
            group(&[(6.0, 80.0), (40.0, 200.0)], 100),
        ];
        let found = against_others(&groups, Measure::Rate, CONFIDENCE).unwrap();
        let first = found[0].as_ref().unwrap();
        assert_eq!((first.observed, first.expected, first.compared), (8.0, 5.0, 100.0));
        assert!((first.dispersion - 1.5).abs() < 1e-12, "{first:?}");
        let normal = tails(8.0 / 1.5, 5.0 / 1.5).unwrap();
        assert!(normal < first.p_value && first.p_value < normal * 1.05, "297 degrees of freedom: {normal} {}", first.p_value);
    }

    /// A group that alone is seen at some ages is compared at the others only.
    #[test]
    fn ages_without_others_are_left_out() {
        let groups = [group(&[(8.0, 100.0), (30.0, 300.0)], 100), group(&[(10.0, 200.0), (0.0, 0.0)], 100)];
        let found = against_others(&groups, Measure::Rate, CONFIDENCE).unwrap();
        let first = found[0].as_ref().unwrap();
        assert_eq!((first.observed, first.expected, first.compared), (8.0, 5.0, 100.0));
        let nothing = [group(&[(8.0, 100.0), (0.0, 0.0)], 100), group(&[(0.0, 0.0), (9.0, 200.0)], 100)];
        assert_eq!(against_others(&nothing, Measure::Rate, CONFIDENCE).unwrap(), [None, None]);
    }

    /// Two machines with 2 and 4 events in a year each, ten times over: r = 3, S = 20, n = 20, k = (20/19 * 20 - 60) / (9 * 20), so 0; with 0 and 6
    /// S = 180, k = (20/19 * 180 - 60) / 180 = 9/9 * (20/19) - 1/3.
    #[test]
    fn machines_that_differ() {
        let of = |events: [u64; 2]| {
            let machines = RateSums::from_machines((0..20).map(|i| (events[i % 2], 1.0)));
            excess_variance(&[Group { strata: Vec::new(), machines }], Measure::Rate).0
        };
        assert_eq!(of([2, 4]), 0.0);
        assert!((of([0, 6]) - (20.0 / 19.0 - 1.0 / 3.0)).abs() < 1e-12);
    }

    #[test]
    fn one_bad_group_is_found() {
        let mut groups: Vec<Group> = (0..7).map(|_| group(&[(20.0, 200.0)], 100)).collect();
        groups.push(group(&[(80.0, 200.0)], 100));
        let found = against_others(&groups, Measure::Rate, CONFIDENCE).unwrap();
        let bad = found[7].as_ref().unwrap();
        assert!(bad.p_value < 1e-6 && bad.ratio.as_ref().unwrap().probability_above > 0.999);
        assert!((2.8..4.1).contains(&bad.ratio.as_ref().unwrap().interval.estimate));
        assert!(found[..7].iter().flatten().all(|alike| alike.p_value > 0.01));
    }

    #[test]
    fn what_no_groups_can_have_is_refused() {
        assert_eq!(against_others(&[], Measure::Rate, CONFIDENCE), Ok(Vec::new()));
        let two = [group(&[(1.0, 10.0)], 10), group(&[(1.0, 10.0), (1.0, 10.0)], 10)];
        assert!(against_others(&two, Measure::Rate, CONFIDENCE).is_err());
        assert!(against_others(&[group(&[(1.0, 0.0)], 10)], Measure::Rate, CONFIDENCE).is_err());
        assert!(against_others(&[group(&[(1.0, f64::NAN)], 10)], Measure::Share, CONFIDENCE).is_err());
    }
}
