//! Waits of which some are not over: orders that had not come when watching ended.

use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::observation::{LifeTally, TimeTally};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

use crate::evidence_rows::Estimated;

/// Orders by the days they took, or have taken so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Waited {
    pub days: i64,
    pub delivered: u64,
    pub still_open: u64,
}

/// A quantile of the wait by Kaplan-Meier, open orders censored, with its interval.
pub fn wait_quantile(waits: &[Waited], probability: f64) -> Estimated {
    let orders = waits.iter().map(|wait| wait.delivered + wait.still_open).sum();
    // A day later, since an order may come on the day on which it is placed, and nothing fails at 0.
    let leave = |wait: &Waited| TimeTally {
        time: wait.days as f64 + 1.0,
        entries: 0,
        exits: wait.delivered + wait.still_open,
        events: wait.delivered,
    };
    let tally = std::iter::once(TimeTally { time: 0.0, entries: orders, exits: 0, events: 0 }).chain(waits.iter().map(leave)).collect();
    let found = kaplan_meier(&LifeTally::new(tally)?.risk_table(), CONFIDENCE)?.quantile(probability)?;
    let upper = found.upper.ok_or(CannotEstimate::NotReached)?;
    // Nothing is known of a quantile before the first day: its lower bound is then the day itself.
    let [estimate, lower, upper] = [found.estimate, found.lower, upper].map(|day| (day - 1.0).max(0.0));
    Interval::new(estimate, lower, upper, CONFIDENCE)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of eight orders, two each came on the day itself, after 1, 2 and 3 days: half have come after 1 day. With six more open after 2 days, S(2) is
    /// (12/14)(10/12)... = 8/14 and S(3) = 0: half have come after 3 days.
    #[test]
    fn open_orders_prolong_the_wait() {
        let waits = |open| {
            let wait = |days, still_open| Waited { days, delivered: 2, still_open };
            [wait(0, 0), wait(1, 0), wait(2, open), wait(3, 0)]
        };
        assert_eq!(wait_quantile(&waits(0), 0.5).unwrap().estimate, 1.0);
        assert_eq!(wait_quantile(&waits(6), 0.5).unwrap().estimate, 3.0);
        assert!(wait_quantile(&[Waited { days: 4, delivered: 0, still_open: 9 }], 0.5).is_err());
    }
}
