//! Quantiles of measured values, for example the median and the 90th percentile of repair costs.
//!
//! * **Type 7 quantile**: with sorted `x[0..n]` and `h = (n - 1) p`, `x[floor h] + (h - floor h) (x[floor h + 1] - x[floor h])`.
//!   Hyndman & Fan 1996, Am. Stat. 50:361, definition 7.
//! * **Order-statistic interval**: `[x_(l), x_(u)]` with the largest `l` and the smallest `u` such that
//!   `P(B <= l - 1) <= a/2` and `P(B >= u) <= a/2` for `B ~ Binomial(n, p)`.
//!   David & Nagaraja 2003, Order Statistics, 7.1. Never covers less than it says, whatever the distribution; ties only add.
//!
//! Assumptions: values are independent and from one distribution.

use statrs::distribution::{Binomial, DiscreteCDF};

use crate::distributions::two_sided_error;
use crate::{CannotEstimate, Interval};

/// Type 7 quantile at `probability` of values sorted in ascending order.
///
/// # Errors
/// No values, values that are unsorted or not finite, a probability outside [0, 1].
pub fn quantile(sorted: &[f64], probability: f64) -> Result<f64, CannotEstimate> {
    if !(0.0..=1.0).contains(&probability) {
        return Err(CannotEstimate::InvalidInput(format!("the probability must lie between 0 and 1, it is {probability}")));
    }
    check_sorted(sorted)?;
    Ok(type_seven(sorted.len(), |index| sorted[index], probability))
}

/// Type 7 quantile with the order-statistic interval, from values sorted in ascending order.
///
/// # Errors
/// As [`quantile`]; too few values for both bounds to exist at this confidence (the median needs 6 at 95 %, the 90th percentile 36).
pub fn quantile_interval(sorted: &[f64], probability: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    check_sorted(sorted)?;
    interval_at_ranks(sorted.len(), |index| sorted[index], probability, confidence)
}

/// The same from distinct values in ascending order, each with how often it occurs (at least once).
///
/// # Errors
/// As [`quantile_interval`].
pub fn quantile_interval_of_counts(counts: &[(f64, u64)], probability: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let values: Vec<f64> = counts.iter().map(|(value, _)| *value).collect();
    check_sorted(&values)?;
    let up_to: Vec<u64> = counts
        .iter()
        .scan(0, |sum, (_, count)| {
            *sum += count;
            Some(*sum)
        })
        .collect();
    let n = up_to[up_to.len() - 1] as usize;
    interval_at_ranks(n, |index| values[up_to.partition_point(|sum| *sum <= index as u64)], probability, confidence)
}

/// `at(i)` is the value at index `i` of `n` sorted values.
fn interval_at_ranks(n: usize, at: impl Fn(usize) -> f64, probability: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let tail = two_sided_error(confidence)? / 2.0;
    if !(probability > 0.0 && probability < 1.0) {
        return Err(CannotEstimate::InvalidInput(format!("no interval for the quantile at {probability}")));
    }
    let needed = (tail.ln() / probability.max(1.0 - probability).ln()).ceil() as usize;
    if n < needed {
        return Err(CannotEstimate::TooFewObservations { found: n, needed });
    }
    let distribution = Binomial::new(probability, n as u64).map_err(|_| CannotEstimate::NotFinite)?;
    // The indices of x_(l) and x_(u), which are l - 1 and u - 1.
    let lower_index = first_rank(n, |rank| distribution.cdf(rank) > tail).saturating_sub(1);
    let upper_index = first_rank(n, |rank| distribution.sf(rank) <= tail).min(n - 1);
    Interval::new(type_seven(n, &at, probability), at(lower_index), at(upper_index), confidence)
}

fn type_seven(n: usize, at: impl Fn(usize) -> f64, probability: f64) -> f64 {
    let position = (n - 1) as f64 * probability;
    let below = position.floor() as usize;
    let above = (below + 1).min(n - 1);
    at(below) + (position - below as f64) * (at(above) - at(below))
}

/// The smallest rank in `0..n` that satisfies a condition which, once true, stays true; `n` if none does.
fn first_rank(n: usize, condition: impl Fn(u64) -> bool) -> usize {
    let (mut from, mut to) = (0, n);
    while from < to {
        let middle = from + (to - from) / 2;
        if condition(middle as u64) { to = middle } else { from = middle + 1 }
    }
    from
}

fn check_sorted(values: &[f64]) -> Result<(), CannotEstimate> {
    if values.is_empty() {
        Err(CannotEstimate::NoObservations)
    } else if values.iter().any(|value| !value.is_finite()) || !values.is_sorted() {
        Err(CannotEstimate::InvalidInput("the values must be finite and sorted".to_owned()))
    } else {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    #[test]
    fn type_seven_interpolates_between_neighbours() {
        let sorted = [1.0, 2.0, 4.0, 8.0];
        // (4 - 1) / 2 = 3/2: half way from 2 to 4; 3 * 9/10 = 27/10: seven tenths of the way from 4 to 8.
        assert_eq!(quantile(&sorted, 0.5), Ok(3.0));
        assert!((quantile(&sorted, 0.9).unwrap() - (4.0 + 4.0 * 7.0 / 10.0)).abs() < 1e-12);
        assert_eq!(quantile(&sorted, 0.0), Ok(1.0));
        assert_eq!(quantile(&sorted, 1.0), Ok(8.0));
        assert_eq!(quantile(&[5.0], 0.9), Ok(5.0));
    }

    /// Median of 6: P(B <= 0) = 1/64 <= 1/40 but P(B <= 1) = 7/64 is not, so the ends are the extremes.
    /// Median of 9: P(B <= 1) = 10/512 <= 1/40 but P(B <= 2) = 46/512 is not, so the ends are the second from either side.
    #[test]
    fn the_interval_of_the_median_uses_binomial_ranks() {
        let values: Vec<f64> = (1..=9).map(f64::from).collect();
        let six = quantile_interval(&values[..6], 0.5, CONFIDENCE).unwrap();
        assert_eq!((six.lower, six.estimate, six.upper), (1.0, 3.5, 6.0));
        let nine = quantile_interval(&values, 0.5, CONFIDENCE).unwrap();
        assert_eq!((nine.lower, nine.estimate, nine.upper), (2.0, 5.0, 8.0));
    }

    #[test]
    fn counts_of_distinct_values_stand_for_the_values() {
        let counts = [(1.0, 3), (2.5, 40), (7.0, 1), (9.0, 16)];
        let values: Vec<f64> = counts.iter().flat_map(|(value, count)| vec![*value; *count as usize]).collect();
        for probability in [0.05, 0.5, 0.72, 0.9] {
            let from_values = quantile_interval(&values, probability, CONFIDENCE);
            assert_eq!(quantile_interval_of_counts(&counts, probability, CONFIDENCE), from_values);
        }
        assert_eq!(quantile_interval_of_counts(&[], 0.5, CONFIDENCE), Err(CannotEstimate::NoObservations));
    }

    #[test]
    fn too_few_values_are_counted() {
        let values: Vec<f64> = (0..35).map(f64::from).collect();
        assert_eq!(quantile_interval(&values[..5], 0.5, CONFIDENCE), Err(CannotEstimate::TooFewObservations { found: 5, needed: 6 }));
        assert_eq!(quantile_interval(&values, 0.9, CONFIDENCE), Err(CannotEstimate::TooFewObservations { found: 35, needed: 36 }));
        assert_eq!(quantile(&[], 0.5), Err(CannotEstimate::NoObservations));
    }

    #[test]
    fn equal_values_give_that_value() {
        let interval = quantile_interval(&[7.0; 40], 0.9, CONFIDENCE).unwrap();
        assert_eq!((interval.lower, interval.estimate, interval.upper), (7.0, 7.0, 7.0));
    }

    #[test]
    fn unsorted_or_missing_values_are_refused() {
        for values in [[2.0, 1.0], [1.0, f64::NAN], [1.0, f64::INFINITY]] {
            assert!(matches!(quantile(&values, 0.5), Err(CannotEstimate::InvalidInput(_))));
        }
        assert!(quantile(&[1.0], 1.5).is_err() && quantile(&[1.0], f64::NAN).is_err());
        assert!(quantile_interval(&[1.0; 50], 0.0, CONFIDENCE).is_err());
    }
}
