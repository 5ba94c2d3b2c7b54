//! Cumulative incidence of one cause where some events do not say their cause: a machine that came back, and nobody wrote down for what.
//!
//! Let F_1, F_o and F_u be the Aalen-Johansen incidences at the time t of the wanted cause, of the other named causes of the same kind of event, and of those
//! whose cause is not named, each competing with the others. F_1 is what is known; F_1 + F_u bounds it from above; and where the events that do not say are
//! shared out as those that do:
//!
//! - p = F_1/(F_1 + F_o), F = F_1 + p F_u. A competing end of another kind (the machine is gone) takes no part in p.
//! - Variance by the delta method: that of the weighted incidence with the derivatives of F for weights, 1 + F_u F_o/(F_1 + F_o)^2 for the wanted
//!   cause, p for what is not named, -F_u F_1/(F_1 + F_o)^2 for the others. Its interval is symmetric on the scale of log(-log(1 - F)).
//! - Without an event of the wanted cause, F is 0; the upper bound adds to the exact binomial one over the units seen through to t (rule of three) that of p
//!   over the named events, times F_u. Where no event names its cause there is no estimate.
//!
//! Source: Dinse 1982, Biometrics 38:417 (partially complete causes of failure, from memory); without events that do not say, this is Aalen-Johansen.
//! The variance is held against lifelines' for the plain case, and against 1,000 simulated data sets.
//! Sharing out assumes that whether the cause was written down does not depend on which it was; F_1 by itself assumes nothing.

use crate::aalen_johansen::{complementary_log_log_interval, weighted_incidence};
use crate::binomial::clopper_pearson;
use crate::distributions::two_sided_z;
use crate::observation::{CauseRow, CompetingRiskTable, invalid};
use crate::{CannotEstimate, Interval};

/// How units left at one time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Endings {
    pub time: f64,
    /// All that left, for whatever reason; those that none of the following counts were censored.
    pub left: u64,
    /// Events of the wanted cause.
    pub wanted: u64,
    /// Events of which the cause is not named.
    pub unnamed: u64,
    /// Events of another named cause.
    pub other: u64,
    /// Ends of another kind.
    pub competing: u64,
}

/// Incidence of the wanted cause.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartlyNamed {
    /// Of events that name it.
    pub known: Interval,
    /// With those that name no cause shared out; equal to what is known where all name theirs.
    pub shared_out: Interval,
}

const WANTED: u32 = 1;
const UNNAMED: u32 = 2;
const OTHER: u32 = 3;
const COMPETING: u32 = 4;

/// The incidence at `time` of units that all enter at 0; `endings` in increasing time.
///
/// # Errors
/// No units, none seen through to `time` though some are left, no event that names its cause among some that do not, endings that cannot be.
pub fn partly_named_incidence(endings: &[Endings], time: f64, confidence: f64) -> Result<PartlyNamed, CannotEstimate> {
    let z = two_sided_z(confidence)?;
    let table = risk_table(endings)?;
    let through: u64 = endings.iter().filter(|row| row.time >= time).map(|row| row.left).sum();
    let all = weighted_incidence(&table, time, |_| 1.0).value;
    if through == 0 && all < 1.0 - 1e-10 {
        return Err(CannotEstimate::NotReached);
    }
    let of = |cause: u32| weighted_incidence(&table, time, |of| if of == cause { 1.0 } else { 0.0 }).value;
    let [wanted, unnamed, other] = [WANTED, UNNAMED, OTHER].map(of);
    let named = wanted + other;
    if unnamed > 0.0 && named == 0.0 {
        return Err(CannotEstimate::CauseNotNamed);
    }
    let interval = |incidence: f64, weight: &dyn Fn(u32) -> f64| {
        if incidence >= 1.0 - 1e-10 {
            let units = endings.iter().map(|row| row.left).sum();
            return clopper_pearson(units, units, confidence);
        }
        let variance = weighted_incidence(&table, time, weight).variance;
        complementary_log_log_interval(incidence, variance, z, confidence).ok_or(CannotEstimate::NotFinite)
    };
    if wanted == 0.0 {
        let others = endings.iter().filter(|row| row.time <= time).map(|row| row.other).sum();
        let bound = if through == 0 { 0.0 } else { clopper_pearson(0, through, confidence)?.upper };
        let of_unnamed = if unnamed > 0.0 { unnamed * clopper_pearson(0, others, confidence)?.upper } else { 0.0 };
        let known = Interval::new(0.0, 0.0, bound, confidence)?;
        return Ok(PartlyNamed { known, shared_out: Interval::new(0.0, 0.0, (bound + of_unnamed).min(1.0), confidence)? });
    }
    let known = interval(wanted, &|cause| if cause == WANTED { 1.0 } else { 0.0 })?;
    if unnamed == 0.0 {
        return Ok(PartlyNamed { known, shared_out: known });
    }
    let (share, slope) = (wanted / named, unnamed / (named * named));
    let weight = |cause: u32| match cause {
        WANTED => 1.0 + slope * other,
        UNNAMED => share,
        OTHER => -slope * wanted,
        _ => 0.0,
    };
    Ok(PartlyNamed { known, shared_out: interval(wanted + share * unnamed, &weight)? })
}

fn risk_table(endings: &[Endings]) -> Result<CompetingRiskTable, CannotEstimate> {
    let mut at_risk: u64 = endings.iter().map(|row| row.left).sum();
    let last = endings.last().map(|row| row.time).filter(|_| at_risk > 0).ok_or(CannotEstimate::NoObservations)?;
    let mut rows = Vec::new();
    for row in endings {
        let causes = [(WANTED, row.wanted), (UNNAMED, row.unnamed), (OTHER, row.other), (COMPETING, row.competing)];
        if causes.iter().map(|(_, events)| events).sum::<u64>() > row.left {
            return Err(invalid(format!("more events than units that left: {row:?}")));
        }
        rows.extend(causes.into_iter().filter(|(_, events)| *events > 0).map(|(cause, events)| CauseRow {
            time: row.time,
            at_risk,
            cause,
            events,
        }));
        at_risk -= row.left;
    }
    CompetingRiskTable::new(rows, 0.0, last)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn ending(time: f64, left: u64) -> Endings {
        Endings { time, left, ..Endings::default() }
    }

    /// Ten units: on day 1 the wanted cause, on day 2 two of another, on day 3 two that do not say, five seen through to day 9.
    /// F_1 = 1/10, F_o = 2/10, F_u = 2/10, p = 1/3: F = 1/10 + 1/3 2/10 = 1/6.
    #[test]
    fn worked_example() {
        let endings = [
            Endings { wanted: 1, ..ending(1.0, 1) },
            Endings { other: 2, ..ending(2.0, 2) },
            Endings { unnamed: 2, ..ending(3.0, 2) },
            ending(9.0, 5),
        ];
        let found = partly_named_incidence(&endings, 5.0, CONFIDENCE).unwrap();
        assert!((found.shared_out.estimate - 1.0 / 6.0).abs() < 1e-12 && (found.known.estimate - 0.1).abs() < 1e-12, "{found:?}");
        // Nothing censored: the five counts are multinomial. F = F_1 + p F_u has the derivatives 1 + F_u F_o/(F_1 + F_o)^2 = 13/9, 1/3 and -2/9.
        let weights = [(13.0 / 9.0, 0.1), (1.0 / 3.0, 0.2), (-2.0 / 9.0, 0.2)];
        let mean: f64 = weights.iter().map(|(weight, share)| weight * share).sum();
        let variance = (weights.iter().map(|(weight, share)| weight * weight * share).sum::<f64>() - mean * mean) / 10.0;
        let expected = complementary_log_log_interval(1.0 / 6.0, variance, two_sided_z(CONFIDENCE).unwrap(), CONFIDENCE).unwrap();
        assert!((found.shared_out.lower - expected.lower).abs() < 1e-9 && (found.shared_out.upper - expected.upper).abs() < 1e-9);
    }

    /// Four units: back on day 10, lost on day 20, gone for good on day 30, back on day 40. Between them 1/4 and then (3/4)(1/2)(1/1) come back.
    #[test]
    fn the_lost_are_censored_and_the_gone_compete() {
        let endings = [
            Endings { wanted: 1, ..ending(10.0, 1) },
            ending(20.0, 1),
            Endings { competing: 1, ..ending(30.0, 1) },
            Endings { wanted: 1, ..ending(40.0, 1) },
        ];
        let found = partly_named_incidence(&endings, 90.0, CONFIDENCE).unwrap().shared_out;
        assert!((found.estimate - (1.0 / 4.0 + 3.0 / 8.0)).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn what_is_not_known_is_said() {
        let unnamed = [Endings { unnamed: 2, ..ending(1.0, 2) }, ending(9.0, 5)];
        assert_eq!(partly_named_incidence(&unnamed, 5.0, CONFIDENCE), Err(CannotEstimate::CauseNotNamed));
        assert_eq!(partly_named_incidence(&[ending(2.0, 5)], 5.0, CONFIDENCE), Err(CannotEstimate::NotReached));
        assert_eq!(partly_named_incidence(&[], 5.0, CONFIDENCE), Err(CannotEstimate::NoObservations));
        let none = partly_named_incidence(&[Endings { other: 3, unnamed: 1, ..ending(1.0, 4) }, ending(9.0, 30)], 5.0, CONFIDENCE).unwrap();
        assert!(none.known.estimate == 0.0 && none.known.upper > 0.11 && none.shared_out.upper > none.known.upper, "{none:?}");
        let all = partly_named_incidence(&[Endings { wanted: 4, ..ending(1.0, 4) }], 5.0, CONFIDENCE).unwrap();
        assert!(all.known.estimate == 1.0 && all.known.lower > 0.3);
        assert!(partly_named_incidence(&[Endings { wanted: 4, ..ending(1.0, 3) }], 5.0, CONFIDENCE).is_err());
    }
}
