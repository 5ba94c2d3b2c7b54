//! Quantiles shared by the interval methods, checked so that no argument makes them panic.
//!
//! Distribution functions come from `statrs`. Its gamma quantile stops at an absolute tolerance, which is too coarse for small
//! rates, and its beta quantile does not end for large shapes. So beta quantiles start from a bracketed root, and both are refined
//! by Newton steps on the scale of logarithms: `ln x <- ln x - (ln F(x) - ln p) F(x) / (x f(x))`.

use statrs::distribution::{Beta, Continuous, ContinuousCDF, Gamma, Normal, StudentsT};

use crate::CannotEstimate;
use crate::numeric::root;

/// The two-sided error `1 - confidence`, or an error if `confidence` does not lie strictly between 0 and 1.
pub(crate) fn two_sided_error(confidence: f64) -> Result<f64, CannotEstimate> {
    if confidence > 0.0 && confidence < 1.0 {
        Ok(1.0 - confidence)
    } else {
        Err(CannotEstimate::InvalidInput(format!("the confidence level must lie between 0 and 1, it is {confidence}")))
    }
}

/// The standard normal quantile that leaves half of the two-sided error above it, for example 1.96 at 0.95.
pub fn two_sided_z(confidence: f64) -> Result<f64, CannotEstimate> {
    Ok(normal_quantile(1.0 - two_sided_error(confidence)? / 2.0))
}

/// Standard normal quantile for `probability` strictly between 0 and 1.
pub(crate) fn normal_quantile(probability: f64) -> f64 {
    Normal::standard().inverse_cdf(probability)
}

/// Standard normal distribution function.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    Normal::standard().cdf(z)
}

/// Above so many degrees of freedom Student's distribution is the normal one.
const AS_GOOD_AS_NORMAL: f64 = 1e6;

/// Student's quantile that leaves half of the two-sided error above it, for example 2.26 at 0.95 with nine degrees of freedom.
pub(crate) fn student(degrees_of_freedom: f64, confidence: f64) -> Result<f64, CannotEstimate> {
    if degrees_of_freedom > AS_GOOD_AS_NORMAL {
        return two_sided_z(confidence);
    }
    let error = two_sided_error(confidence)?;
    Ok(-students(degrees_of_freedom)?.inverse_cdf(error / 2.0))
}

/// How likely Student's distribution is to lie farther from zero than `t`.
pub(crate) fn student_p_value(t: f64, degrees_of_freedom: f64) -> Result<f64, CannotEstimate> {
    if t.is_nan() {
        return Err(CannotEstimate::NotFinite);
    }
    // Any number farther out has no other tail.
    let below = -t.abs().min(1e100);
    let tail = if degrees_of_freedom > AS_GOOD_AS_NORMAL { normal_cdf(below) } else { students(degrees_of_freedom)?.cdf(below) };
    Ok((2.0 * tail).clamp(0.0, 1.0))
}

fn students(degrees_of_freedom: f64) -> Result<StudentsT, CannotEstimate> {
    StudentsT::new(0.0, 1.0, degrees_of_freedom).map_err(|_| CannotEstimate::NotFinite)
}

/// Quantile of the gamma distribution with unit rate; zero where it is smaller than the smallest number.
pub(crate) fn gamma_quantile(shape: f64, probability: f64) -> Result<f64, CannotEstimate> {
    let gamma = Gamma::new(shape, 1.0).map_err(|_| CannotEstimate::NotFinite)?;
    Ok(refine(&gamma, gamma.inverse_cdf(probability), probability))
}

/// Quantile of the beta distribution; zero where it is smaller than the smallest number.
pub(crate) fn beta_quantile(shape_events: f64, shape_others: f64, probability: f64) -> Result<f64, CannotEstimate> {
    // The smaller tail keeps its precision.
    if probability > 0.5 {
        return Ok(1.0 - beta_quantile(shape_others, shape_events, 1.0 - probability)?);
    }
    let beta = Beta::new(shape_events, shape_others).map_err(|_| CannotEstimate::NotFinite)?;
    let share = |log_odds: f64| 1.0 / (1.0 + (-log_odds).exp());
    let (smallest, largest) = (-700.0, 40.0);
    if beta.cdf(share(smallest)) >= probability {
        return Ok(0.0);
    }
    let log_odds = root(|log_odds| beta.cdf(share(log_odds)) - probability, smallest, largest)?;
    Ok(refine(&beta, share(log_odds), probability))
}

fn refine<D: ContinuousCDF<f64, f64> + Continuous<f64, f64>>(distribution: &D, start: f64, probability: f64) -> f64 {
    let mut x = start;
    for _ in 0..50 {
        let cumulative = distribution.cdf(x);
        let step = (cumulative.ln() - probability.ln()) * cumulative / (x * distribution.pdf(x));
        let next = x * (-step).exp();
        if !step.is_finite() || !next.is_finite() {
            break;
        }
        x = next;
        if step.abs() < 1e-13 {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An exponential quantile is `-ln(1 - p)`; a beta(1, b) quantile is `1 - (1 - p)^(1/b)`.
    #[test]
    fn quantiles_agree_with_closed_forms() {
        for probability in [1e-6, 0.025, 0.5, 0.975] {
            let exponential = gamma_quantile(1.0, probability).unwrap();
            assert!((exponential / -(-probability).ln_1p() - 1.0).abs() < 1e-11, "{probability}");
            for shape in [1.0, 3.0, 1e6] {
                let expected = -((-probability).ln_1p() / shape).exp_m1();
                let found = beta_quantile(1.0, shape, probability).unwrap();
                assert!((found / expected - 1.0).abs() < 1e-7, "{probability} {shape}: {found} {expected}");
            }
        }
    }

    /// With one degree of freedom `P(T < t) = 1/2 + atan(t)/pi`, with two the quantile is `(2 p - 1) / sqrt(2 p (1 - p))`.
    #[test]
    fn students_quantiles_agree_with_closed_forms() {
        let one = (std::f64::consts::PI * 0.475).tan();
        assert!((student(1.0, 0.95).unwrap() / one - 1.0).abs() < 1e-8);
        assert!((student(2.0, 0.95).unwrap() - 0.95 / (2.0f64 * 0.975 * 0.025).sqrt()).abs() < 1e-8);
        assert!((student(9e5, 0.95).unwrap() - two_sided_z(0.95).unwrap()).abs() < 1e-5);
        assert!((student_p_value(one, 1.0).unwrap() - 0.05).abs() < 1e-10);
        // Tabulated (from memory).
        assert!((student(10.0, 0.95).unwrap() - 2.2281).abs() < 1e-4);
        assert!(student(0.0, 0.95).is_err() && student(-1.0, 0.95).is_err() && student_p_value(f64::NAN, 3.0).is_err());
        assert!(student_p_value(f64::INFINITY, 3.0).unwrap() < 1e-100 && student_p_value(f64::NEG_INFINITY, 1e9).unwrap() == 0.0);
    }

    /// For a tiny shape, F(x) is close to `x^shape / Gamma(shape + 1)`.
    #[test]
    fn tiny_quantiles_keep_their_relative_precision() {
        let expected = ((0.025f64).ln() + statrs::function::gamma::ln_gamma(1.02)) / 0.02;
        assert!((gamma_quantile(0.02, 0.025).unwrap().ln() - expected).abs() < 1e-8);
    }

    #[test]
    fn a_confidence_level_outside_the_unit_interval_is_refused() {
        for confidence in [0.0, 1.0, -0.5, 95.0, f64::NAN] {
            assert!(matches!(two_sided_error(confidence), Err(CannotEstimate::InvalidInput(_))));
        }
    }
}
