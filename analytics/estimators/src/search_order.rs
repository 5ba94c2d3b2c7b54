//! In which order to check for one fault among many, so that it is found soonest on average.
//!
//! One component is at fault, each with its probability `p`; a check takes its time `t` and finds its own fault for certain. With
//! independent checks the expected time is least in falling order of `p / t` (Mitten 1960, J. Ind. Eng. 11:17). Here checks share the
//! time to open a group of parts, paid with the first check in it: a tree of precedence, for which the best order takes, over and
//! over, the set with the highest ratio of summed probability to summed time, where an unopened group offers its best few checks
//! together with its opening (Simon & Kadane 1975, Artificial Intelligence 6:235). Both from memory; a test compares with all orders.
//!
//! Checks under power come after all that can be done with the power off, whatever the odds: [`dead_checks_first`]. Since the dead ones
//! take the same time in whatever order, each of the two runs is best by itself, and what the rule costs is the difference to the best
//! order without it.

use crate::CannotEstimate;

/// A check for one fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    pub probability: f64,
    /// Minutes the check takes once its group is open.
    pub minutes: f64,
    /// Position of the group that has to be opened for it.
    pub group: usize,
    /// Whether it is done under power.
    pub live: bool,
}

/// A check in its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Position of the check in the list that was given.
    pub check: usize,
    /// Whether the group has to be opened for this check.
    pub opens: bool,
    /// Minutes from the start until this check is done.
    pub minutes_elapsed: f64,
    /// Probability that the fault is found by then.
    pub probability_found: f64,
}

/// The best order, and the expected minutes until the fault is found (given that it is one of the checks').
#[derive(Debug, Clone, PartialEq)]
pub struct SearchOrder {
    pub steps: Vec<Step>,
    pub expected_minutes: f64,
}

/// The best order in which all dead checks come before all live ones.
#[derive(Debug, Clone, PartialEq)]
pub struct DeadFirst {
    pub steps: Vec<Step>,
    pub expected_minutes: f64,
    /// How many of those minutes the best order without that rule would save.
    pub dead_first_minutes: f64,
}

/// The order of checks with the least expected time among those that begin with all dead checks; `opening_minutes` by group.
///
/// # Errors
/// As [`search_order`].
pub fn dead_checks_first(checks: &[Check], opening_minutes: &[f64]) -> Result<DeadFirst, CannotEstimate> {
    let free = search_order(checks, opening_minutes)?;
    let SearchOrder { steps, expected_minutes } = in_turn(checks, opening_minutes, &[|check| !check.live, |check| check.live]);
    Ok(DeadFirst { steps, expected_minutes, dead_first_minutes: (expected_minutes - free.expected_minutes).max(0.0) })
}

/// The order of checks with the least expected time; `opening_minutes` by group.
///
/// # Errors
/// No checks, probabilities that are negative or sum to nothing, times that are not positive (opening: negative), an unknown group.
pub fn search_order(checks: &[Check], opening_minutes: &[f64]) -> Result<SearchOrder, CannotEstimate> {
    validate(checks, opening_minutes)?;
    Ok(in_turn(checks, opening_minutes, &[|_| true]))
}

/// The best order of each run of checks after the one before; what was opened stays open.
fn in_turn(checks: &[Check], opening_minutes: &[f64], runs: &[fn(&Check) -> bool]) -> SearchOrder {
    let mut opened = vec![false; opening_minutes.len()];
    let mut order = SearchOrder { steps: Vec::with_capacity(checks.len()), expected_minutes: 0.0 };
    let (mut minutes, mut found) = (0.0, 0.0);
    let ratio = |position: usize| comparable(checks[position].probability / checks[position].minutes);
    for belongs in runs {
        let mut left: Vec<Vec<usize>> = vec![Vec::new(); opening_minutes.len()];
        for (position, check) in checks.iter().enumerate().filter(|(_, check)| belongs(check)) {
            left[check.group].push(position);
        }
        for group in &mut left {
            group.sort_by(|a, b| ratio(*b).total_cmp(&ratio(*a)).then(a.cmp(b)));
        }
        loop {
            let offers = left.iter().enumerate().filter(|(_, waiting)| !waiting.is_empty());
            let offers = offers.map(|(group, waiting)| {
                let opening = if opened[group] { 0.0 } else { opening_minutes[group] };
                let (ratio, count) = best_few(waiting, checks, opening);
                (group, ratio, count)
            });
            let best = offers.reduce(|best, offer| if offer.1 > best.1 { offer } else { best });
            let Some((group, _, count)) = best else { break };
            for position in left[group].drain(..count) {
                let opens = !opened[group];
                opened[group] = true;
                minutes += checks[position].minutes + if opens { opening_minutes[group] } else { 0.0 };
                found += checks[position].probability;
                order.expected_minutes += checks[position].probability * minutes;
                order.steps.push(Step { check: position, opens, minutes_elapsed: minutes, probability_found: found });
            }
        }
    }
    order.expected_minutes /= found;
    order
}

/// Numbers that differ only by rounding count as equal, so that another implementation finds the same order.
#[must_use]
pub fn comparable(number: f64) -> f32 {
    number as f32
}

/// The highest ratio of probability to time that the first few waiting checks reach together, and how many they are.
fn best_few(waiting: &[usize], checks: &[Check], opening: f64) -> (f32, usize) {
    let (mut probability, mut minutes) = (0.0, opening);
    let mut best = (f32::NEG_INFINITY, 1);
    for (taken, position) in waiting.iter().enumerate() {
        probability += checks[*position].probability;
        minutes += checks[*position].minutes;
        let ratio = comparable(probability / minutes);
        if ratio > best.0 {
            best = (ratio, taken + 1);
        }
    }
    best
}

fn validate(checks: &[Check], opening_minutes: &[f64]) -> Result<(), CannotEstimate> {
    if checks.is_empty() {
        return Err(CannotEstimate::NoObservations);
    }
    let sound =
        |check: &Check| check.probability.is_finite() && check.probability >= 0.0 && check.minutes.is_finite() && check.minutes > 0.0;
    if let Some(check) = checks.iter().find(|check| !sound(check) || check.group >= opening_minutes.len()) {
        return Err(CannotEstimate::InvalidInput(format!("no order can hold {check:?}")));
    }
    if let Some(minutes) = opening_minutes.iter().find(|minutes| !(minutes.is_finite() && **minutes >= 0.0)) {
        return Err(CannotEstimate::InvalidInput(format!("an opening cannot take {minutes} minutes")));
    }
    if checks.iter().map(|check| check.probability).sum::<f64>() <= 0.0 {
        return Err(CannotEstimate::NoEvents);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_pcg::Pcg64Mcg;

    use super::*;

    #[test]
    fn worked_example_without_openings() {
        // Ratios 0.5/20, 0.3/5, 0.2/10: the second check first, then the first, then the third.
        // Expected: 0.3 x 5 + 0.5 x 25 + 0.2 x 35 = 21.
        let check = |probability, minutes, group| Check { probability, minutes, group, live: false };
        let order = search_order(&[check(0.5, 20.0, 0), check(0.3, 5.0, 1), check(0.2, 10.0, 2)], &[0.0; 3]).unwrap();
        assert_eq!(order.steps.iter().map(|step| step.check).collect::<Vec<_>>(), [1, 0, 2]);
        assert!((order.expected_minutes - 21.0).abs() < 1e-12);
    }

    #[test]
    fn what_can_be_done_dead_comes_first_and_the_price_is_told() {
        // Freely the live check goes first: 0.9 x 2 + 0.1 x 12 = 3. Dead first: 0.1 x 10 + 0.9 x 12 = 11.8, which costs 8.8 minutes.
        let check = |probability, minutes, live| Check { probability, minutes, group: 0, live };
        let order = dead_checks_first(&[check(0.9, 2.0, true), check(0.1, 10.0, false)], &[0.0]).unwrap();
        assert_eq!(order.steps.iter().map(|step| step.check).collect::<Vec<_>>(), [1, 0]);
        assert!((order.expected_minutes - 11.8).abs() < 1e-12 && (order.dead_first_minutes - 8.8).abs() < 1e-12);
    }

    #[test]
    fn one_opening_serves_several_checks() {
        // Alone each of the first two has ratio 0.3/(10+5) < 0.25/10; together 0.6/(10+10) = 0.03 > 0.025.
        let check = |probability, minutes, group| Check { probability, minutes, group, live: false };
        let order =
            search_order(&[check(0.3, 5.0, 0), check(0.3, 5.0, 0), check(0.25, 10.0, 1), check(0.15, 30.0, 1)], &[10.0, 0.0]).unwrap();
        assert_eq!(
            order.steps.iter().map(|step| (step.check, step.opens)).collect::<Vec<_>>(),
            [(0, true), (1, false), (2, true), (3, false)]
        );
    }

    #[test]
    fn no_other_order_is_faster() {
        let mut random = Pcg64Mcg::seed_from_u64(3);
        for _ in 0..300 {
            let checks: Vec<Check> = (0..6)
                .map(|_| Check {
                    probability: random.random(),
                    minutes: random.random_range(1.0..30.0),
                    group: random.random_range(0..3),
                    live: random.random(),
                })
                .collect();
            let opening: Vec<f64> = (0..3).map(|_| random.random_range(0.0..30.0)).collect();
            let best = search_order(&checks, &opening).unwrap().expected_minutes;
            let (mut fastest, mut fastest_dead_first) = (f64::INFINITY, f64::INFINITY);
            permute(&mut (0..6).collect::<Vec<_>>(), 0, &mut |order| {
                let minutes = expected(&checks, &opening, order);
                fastest = fastest.min(minutes);
                if order.is_sorted_by_key(|position| checks[*position].live) {
                    fastest_dead_first = fastest_dead_first.min(minutes);
                }
            });
            assert!((best - fastest).abs() < 1e-9, "{best} but {fastest} is possible: {checks:?} {opening:?}");
            let dead_first = dead_checks_first(&checks, &opening).unwrap();
            assert!(dead_first.steps.iter().is_sorted_by_key(|step| checks[step.check].live));
            assert!((dead_first.expected_minutes - fastest_dead_first).abs() < 1e-9, "{checks:?} {opening:?}");
            assert!((dead_first.dead_first_minutes - (fastest_dead_first - fastest)).abs() < 1e-9);
        }
    }

    fn expected(checks: &[Check], opening: &[f64], order: &[usize]) -> f64 {
        let (mut minutes, mut sum, mut total, mut opened) = (0.0, 0.0, 0.0, [false; 3]);
        for position in order {
            let check = checks[*position];
            if !opened[check.group] {
                minutes += opening[check.group];
                opened[check.group] = true;
            }
            minutes += check.minutes;
            sum += check.probability * minutes;
            total += check.probability;
        }
        sum / total
    }

    fn permute(order: &mut Vec<usize>, from: usize, take: &mut dyn FnMut(&[usize])) {
        if from == order.len() {
            return take(order);
        }
        for other in from..order.len() {
            order.swap(from, other);
            permute(order, from + 1, take);
            order.swap(from, other);
        }
    }

    #[test]
    fn refuses_what_has_no_order() {
        assert_eq!(search_order(&[], &[]), Err(CannotEstimate::NoObservations));
        let check = |probability, minutes, group| [Check { probability, minutes, group, live: false }];
        assert_eq!(search_order(&check(0.0, 5.0, 0), &[1.0]), Err(CannotEstimate::NoEvents));
        for (checks, opening) in
            [(check(0.5, 0.0, 0), 1.0), (check(f64::NAN, 5.0, 0), 1.0), (check(0.5, 5.0, 1), 1.0), (check(0.5, 5.0, 0), -1.0)]
        {
            assert!(matches!(search_order(&checks, &[opening]), Err(CannotEstimate::InvalidInput(_))));
        }
    }
}
