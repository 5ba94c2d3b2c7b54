//! Mean of a quantity (a cost, the chance of a write-off) over faults whose odds are themselves uncertain.
//!
//! `M = sum p_k v_k`. With `p_k = g_k / sum g` for independent `g_k` of log variance `l_k`, the delta method gives
//!
//! `var M = sum (p_k (v_k - M))^2 l_k + sum p_k^2 var v_k`
//!
//! where `l_k` is read from the interval of `p_k` on the scale of log odds: `l_k = ((logit upper - logit lower) / 2z)^2`.
//!
//! Assumptions: the values are estimated independently of the odds and of each other. Source: the delta method, for example Casella & Berger
//! 2002, Statistical Inference, 5.5.4 (from memory).

use crate::distributions::two_sided_z;
use crate::{CannotEstimate, Interval};

/// One fault: its probability, and the quantity if it is the one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    pub probability: Interval,
    pub value: f64,
    /// Variance of the estimate of the value.
    pub variance: f64,
}

/// A mean with the variance of its estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanOverOdds {
    pub mean: f64,
    pub variance: f64,
    /// Sum of the probabilities of the faults it was taken over.
    pub probability: f64,
}

impl MeanOverOdds {
    /// Normal interval, cut at the least and the largest that the quantity can be.
    ///
    /// # Errors
    /// A confidence level outside (0, 1), a result that is not finite.
    pub fn interval(&self, least: f64, largest: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
        let spread = two_sided_z(confidence)? * self.variance.sqrt();
        Interval::new(self.mean, (self.mean - spread).max(least), (self.mean + spread).min(largest), confidence)
    }
}

/// The mean over the faults given; probabilities are taken relative to their sum.
///
/// # Errors
/// No fault with a positive probability, a result that is not finite.
pub fn mean_over_odds(outcomes: &[Outcome]) -> Result<MeanOverOdds, CannotEstimate> {
    let probability: f64 = outcomes.iter().map(|outcome| outcome.probability.estimate).sum();
    if probability <= 0.0 {
        return Err(CannotEstimate::NoObservations);
    }
    let share = |outcome: &Outcome| outcome.probability.estimate / probability;
    let mean: f64 = outcomes.iter().map(|outcome| share(outcome) * outcome.value).sum();
    let mut variance = 0.0;
    for outcome in outcomes.iter().filter(|outcome| outcome.probability.estimate > 0.0) {
        let z = two_sided_z(outcome.probability.confidence)?;
        let width = (logit(outcome.probability.upper) - logit(outcome.probability.lower)) / (2.0 * z);
        let log_variance = if width.is_finite() { width * width } else { 0.0 };
        variance += (share(outcome) * (outcome.value - mean)).powi(2) * log_variance + share(outcome).powi(2) * outcome.variance;
    }
    if mean.is_finite() && variance.is_finite() { Ok(MeanOverOdds { mean, variance, probability }) } else { Err(CannotEstimate::NotFinite) }
}

fn logit(p: f64) -> f64 {
    (p / (1.0 - p)).ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    /// A probability of one half whose log odds have a standard error of 1/10.
    fn half() -> Interval {
        let z = two_sided_z(CONFIDENCE).unwrap();
        let bound = |sign: f64| 1.0 / (1.0 + (-sign * z / 10.0f64).exp());
        Interval::new(0.5, bound(-1.0), bound(1.0), CONFIDENCE).unwrap()
    }

    /// (100 + 300) / 2 = 200; each half contributes (1/2 * 100)^2 / 100 = 25 from the odds and 1/4 * 4 = 1 from its value.
    #[test]
    fn two_faults_by_hand() {
        let outcome = |value| Outcome { probability: half(), value, variance: 4.0 };
        let found = mean_over_odds(&[outcome(100.0), outcome(300.0)]).unwrap();
        assert!((found.mean - 200.0).abs() < 1e-12 && (found.variance - 52.0).abs() < 1e-9 && (found.probability - 1.0).abs() < 1e-12);
        let interval = found.interval(0.0, 205.0, CONFIDENCE).unwrap();
        assert!((200.0 - interval.lower - two_sided_z(CONFIDENCE).unwrap() * 52.0f64.sqrt()).abs() < 1e-9);
        assert_eq!(interval.upper, 205.0);
    }

    #[test]
    fn equal_values_leave_no_doubt_about_the_odds() {
        let outcome = Outcome { probability: half(), value: 7.0, variance: 0.0 };
        assert_eq!(mean_over_odds(&[outcome, outcome]).unwrap().variance, 0.0);
        assert_eq!(mean_over_odds(&[]), Err(CannotEstimate::NoObservations));
        let certain = Interval::exact(1.0).unwrap();
        let found = mean_over_odds(&[Outcome { probability: certain, value: 3.0, variance: 1.0 }]).unwrap();
        assert_eq!((found.mean, found.variance), (3.0, 1.0));
    }

    /// Gammas of shapes 40, 25 and 5 make Dirichlet odds: the variance of the mean is known exactly, sum p (v - M)^2 / (70 + 1).
    #[test]
    fn close_to_the_exact_variance_of_dirichlet_odds() {
        let shapes = [40.0, 25.0, 5.0];
        let total: f64 = shapes.iter().sum();
        let values = [50.0, 120.0, 400.0];
        let z = two_sided_z(CONFIDENCE).unwrap();
        let outcomes: Vec<Outcome> = shapes
            .iter()
            .zip(values)
            .map(|(shape, value)| {
                let p: f64 = shape / total;
                // log odds of a beta variable, by the delta method
                let spread = z * (1.0f64 / shape + 1.0 / (total - shape)).sqrt();
                let bound = |sign: f64| 1.0 / (1.0 + (1.0 - p) / p * (-sign * spread).exp());
                Outcome { probability: Interval::new(p, bound(-1.0), bound(1.0), CONFIDENCE).unwrap(), value, variance: 0.0 }
            })
            .collect();
        let found = mean_over_odds(&outcomes).unwrap();
        let exact: f64 =
            shapes.iter().zip(values).map(|(shape, value)| shape / total * (value - found.mean).powi(2)).sum::<f64>() / (total + 1.0);
        let ratio = found.variance / exact;
        assert!(ratio > 1.0 && ratio < 1.6, "wider than exact, but not by much: {ratio}");
    }
}
