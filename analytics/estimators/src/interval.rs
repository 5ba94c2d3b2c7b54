//! What every estimator returns: a point with its interval, or the reason why there is none.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::distributions::{two_sided_error, two_sided_z};

/// By how much, relative to the largest of the three numbers, rounding may put them out of order.
const ROUNDING: f64 = 1e-9;

/// A point estimate with its two-sided confidence (or credible) interval, all finite, `lower <= estimate <= upper`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    pub estimate: f64,
    pub lower: f64,
    pub upper: f64,
    /// Two-sided level, for example 0.95.
    pub confidence: f64,
}

impl Interval {
    /// Refuses numbers that are not finite and bounds that do not hold the estimate. What they miss it by in rounding is not a disorder: bounds and
    /// estimate are then the same number.
    ///
    /// # Errors
    /// A number that is not finite, a lower bound above the estimate, an upper bound below it, a confidence level outside (0, 1).
    pub fn new(estimate: f64, lower: f64, upper: f64, confidence: f64) -> Result<Self, CannotEstimate> {
        if ![estimate, lower, upper].iter().all(|number| number.is_finite()) {
            return Err(CannotEstimate::NotFinite);
        }
        two_sided_error(confidence)?;
        let rounding = ROUNDING * lower.abs().max(upper.abs()).max(estimate.abs());
        if lower > estimate + rounding || estimate > upper + rounding {
            return Err(CannotEstimate::BoundsOutOfOrder { estimate, lower, upper });
        }
        Ok(Self { estimate, lower: lower.min(estimate), upper: upper.max(estimate), confidence })
    }

    /// A number without uncertainty, for example a sum over all records: bounds equal to itself.
    pub fn exact(value: f64) -> Result<Self, CannotEstimate> {
        Self::new(value, value, value, crate::CONFIDENCE)
    }

    /// The standard error of an estimate whose normal interval is as wide as this one.
    ///
    /// # Errors
    /// A confidence level outside (0, 1).
    pub fn normal_standard_error(&self) -> Result<f64, CannotEstimate> {
        Ok((self.upper - self.lower) / (2.0 * two_sided_z(self.confidence)?))
    }
}

/// Why a number is not given. The text completes "cannot be estimated because ...".
#[derive(Debug, Clone, PartialEq, Error, Serialize, Deserialize)]
pub enum CannotEstimate {
    #[error("there are no observations")]
    NoObservations,
    #[error("there are no events")]
    NoEvents,
    #[error("there are only {found} events, at least {needed} are needed")]
    TooFewEvents { found: usize, needed: usize },
    #[error("there are only {found} observations, at least {needed} are needed")]
    TooFewObservations { found: usize, needed: usize },
    #[error("there are only {found} models or machines that could differ, at least {needed} are needed")]
    TooFewClusters { found: usize, needed: usize },
    #[error("there is no exposure")]
    NoExposure,
    #[error("all observations are equal")]
    NoVariation,
    #[error("the curve does not reach that level within the observed time")]
    NotReached,
    #[error("the comparison group is empty")]
    NoComparison,
    #[error("none of the events says its cause")]
    CauseNotNamed,
    #[error("the fit does not converge")]
    NoConvergence,
    #[error("the result is not a finite number")]
    NotFinite,
    #[error("the bounds {lower} and {upper} do not hold the estimate {estimate}")]
    BoundsOutOfOrder { estimate: f64, lower: f64, upper: f64 },
    #[error("age and year cannot be told apart: all machines grow old together (variance inflation {inflation:.0}, limit {limit:.0})")]
    AgeAndYearTogether { inflation: f64, limit: f64 },
    #[error("the input is invalid: {0}")]
    InvalidInput(String),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_that_do_not_hold_the_estimate_are_refused() {
        for (lower, upper) in [(1.1, 2.0), (0.5, 0.9), (2.0, 0.5)] {
            assert_eq!(Interval::new(1.0, lower, upper, 0.95), Err(CannotEstimate::BoundsOutOfOrder { estimate: 1.0, lower, upper }));
        }
        for number in [f64::NAN, f64::INFINITY] {
            assert_eq!(Interval::new(number, 0.0, 1.0, 0.95), Err(CannotEstimate::NotFinite));
            assert_eq!(Interval::new(0.5, number, 1.0, 0.95), Err(CannotEstimate::NotFinite));
            assert_eq!(Interval::new(0.5, 0.0, number, 0.95), Err(CannotEstimate::NotFinite));
        }
        assert!(Interval::new(0.5, 0.0, 1.0, 95.0).is_err());
    }

    #[test]
    fn rounding_is_no_disorder() {
        let found = Interval::new(1.0, 1.0 + 1e-15, 1.0 - 1e-15, 0.95).unwrap();
        assert_eq!((found.lower, found.upper), (1.0, 1.0));
        assert_eq!(Interval::new(0.0, 0.0, 0.0, 0.95).map(|i| i.upper), Ok(0.0));
    }
}
