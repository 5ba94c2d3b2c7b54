//! What every estimator returns: a point with its interval, or the reason why there is none.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::distributions::two_sided_z;

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
    /// Checks that all three numbers are finite and puts the bounds around the estimate.
    pub fn new(estimate: f64, lower: f64, upper: f64, confidence: f64) -> Result<Self, CannotEstimate> {
        if estimate.is_finite() && lower.is_finite() && upper.is_finite() {
            Ok(Self { estimate, lower: lower.min(estimate), upper: upper.max(estimate), confidence })
        } else {
            Err(CannotEstimate::NotFinite)
        }
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
    #[error("the input is invalid: {0}")]
    InvalidInput(String),
}
