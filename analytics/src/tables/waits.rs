//! Waits of which some are not over: orders that had not come when watching ended.

use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::observation::{LifeTally, TimeTally};
use fixodds_estimators::quantile::quantile_interval_of_counts;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval, two_sided_z};

use crate::evidence_rows::Estimated;

/// Orders by the days they took, or have taken so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Waited {
    pub days: i64,
    pub delivered: u64,
    pub still_open: u64,
}

/// A quantile of the wait with its interval: order statistics where all orders have come, else by Kaplan-Meier, open orders censored. There the bounds are the
/// quantiles at the probability less and plus so many standard errors of the curve (Woodruff 1952, J. Am. Stat. Assoc. 47:635, from memory).
pub fn wait_quantile(waits: &[Waited], probability: f64) -> Estimated {
    if waits.iter().all(|wait| wait.still_open == 0) {
        let counts: Vec<(f64, u64)> = waits.iter().map(|wait| (wait.days as f64, wait.delivered)).collect();
        return quantile_interval_of_counts(&counts, probability, CONFIDENCE);
    }
    let orders: u64 = waits.iter().map(|wait| wait.delivered + wait.still_open).sum();
    // A day later, since an order may come on the day on which it is placed, and nothing fails at 0.
    let leave = |wait: &Waited| TimeTally {
        time: wait.days as f64 + 1.0,
        entries: 0,
        exits: wait.delivered + wait.still_open,
        events: wait.delivered,
    };
    let tally = std::iter::once(TimeTally { time: 0.0, entries: orders, exits: 0, events: 0 }).chain(waits.iter().map(leave)).collect();
    let curve = kaplan_meier(&LifeTally::new(tally)?.risk_table(), CONFIDENCE)?;
    let first =
        |probability: f64| curve.steps.iter().find(|step| step.survival <= 1.0 - probability + 1e-12).ok_or(CannotEstimate::NotReached);
    let found = first(probability)?;
    let variance = found.survival_variance.unwrap_or(probability * (1.0 - probability) / orders as f64);
    let distance = two_sided_z(CONFIDENCE)? * variance.sqrt();
    let lower = first((probability - distance).max(0.0))?.time;
    let upper = first((probability + distance).min(1.0))?.time;
    Interval::new(found.time - 1.0, lower - 1.0, upper - 1.0, CONFIDENCE)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of eight orders, two each came on the day itself, after 1, 2 and 3 days: the middle lies between 1 and 2. With six more open after 2 days, S(2) is
    /// 8/14 and S(3) is 0: half have come after 3 days.
    #[test]
    fn open_orders_prolong_the_wait() {
        let waits = |open| {
            let wait = |days, still_open| Waited { days, delivered: 2, still_open };
            [wait(0, 0), wait(1, 0), wait(2, open), wait(3, 0)]
        };
        assert_eq!(wait_quantile(&waits(0), 0.5).unwrap().estimate, 1.5);
        let found = wait_quantile(&waits(6), 0.5).unwrap();
        assert!(found.estimate == 3.0 && found.lower < 3.0 && found.upper == 3.0, "{found:?}");
        assert!(wait_quantile(&[Waited { days: 4, delivered: 0, still_open: 9 }], 0.5).is_err());
    }
}
