//! Rates: events per unit of exposure, for example faults per machine-year.
//!
//! * **Garwood exact interval** for `x` events in exposure `T`: `lower = chi2(a/2; 2x) / 2T`, `upper = chi2(1 - a/2; 2x + 2) / 2T`,
//!   with lower bound 0 when `x = 0`. Garwood 1936, Biometrika 28:437. Never covers less than it says, usually more.
//! * **No events**: one-sided exact upper bound `-ln(a) / T`, about `3 / T` at 95 %.
//!   The two-sided interval keeps `a/2` above, so its upper bound is `-ln(a/2) / T`, about `3.69 / T`.
//! * **Exact test**: twice the smaller tail, at most 1, which rejects at `a` exactly where the Garwood interval at `1 - a`
//!   leaves the value out. Fay 2010, Biostatistics 11:373 ("central" test).
//!
//! Assumptions: events are independent and arrive at a constant rate within the group.

use statrs::function::gamma::{checked_gamma_lr, checked_gamma_ur};

use crate::distributions::{gamma_quantile, two_sided_error};
use crate::{CannotEstimate, Interval};

/// Exact (Garwood) interval for the rate `events / exposure`.
///
/// # Errors
/// No exposure (zero, negative or not finite), a confidence level outside (0, 1).
pub fn garwood(events: u64, exposure: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let tail = two_sided_error(confidence)? / 2.0;
    check_exposure(exposure)?;
    let x = events as f64;
    // chi2(p; 2 shape) / 2 is the gamma quantile of that shape.
    let lower = if events == 0 { 0.0 } else { gamma_quantile(x, tail)? };
    let upper = gamma_quantile(x + 1.0, 1.0 - tail)?;
    Interval::new(x / exposure, lower / exposure, upper / exposure, confidence)
}

/// Exact one-sided upper bound of the rate when there was no event in `exposure`: `-ln(1 - confidence) / exposure`.
///
/// # Errors
/// As [`garwood`].
pub fn upper_bound_without_events(exposure: f64, confidence: f64) -> Result<f64, CannotEstimate> {
    let error = two_sided_error(confidence)?;
    check_exposure(exposure)?;
    Ok(-error.ln() / exposure)
}

/// Two-sided exact p-value of `events` when `expected_events` are expected (rate times exposure): twice the smaller tail, at most 1.
///
/// # Errors
/// An expectation that is negative or not finite.
pub fn poisson_test(events: u64, expected_events: f64) -> Result<f64, CannotEstimate> {
    if !expected_events.is_finite() || expected_events < 0.0 {
        return Err(CannotEstimate::InvalidInput(format!("the expected number of events must not be negative, it is {expected_events}")));
    }
    if expected_events == 0.0 {
        return Ok(if events == 0 { 1.0 } else { 0.0 });
    }
    let x = events as f64;
    let at_least = if events == 0 { Ok(1.0) } else { checked_gamma_lr(x, expected_events) };
    let at_most = checked_gamma_ur(x + 1.0, expected_events);
    match (at_least, at_most) {
        (Ok(at_least), Ok(at_most)) => Ok((2.0 * at_least.min(at_most)).clamp(0.0, 1.0)),
        _ => Err(CannotEstimate::NotFinite),
    }
}

fn check_exposure(exposure: f64) -> Result<(), CannotEstimate> {
    if exposure == 0.0 {
        Err(CannotEstimate::NoExposure)
    } else if exposure.is_finite() && exposure > 0.0 {
        Ok(())
    } else {
        Err(CannotEstimate::InvalidInput(format!("the exposure must be positive, it is {exposure}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-10, "{found} is not {expected}");
    }

    /// One event: P(at least one) = 1 - e^-m = a/2 gives the lower bound; no event: e^-m = a/2 gives the upper bound.
    #[test]
    fn garwood_has_closed_forms_at_zero_and_one_event() {
        let none = garwood(0, 2.0, 0.95).unwrap();
        assert_eq!((none.estimate, none.lower), (0.0, 0.0));
        close(none.upper, 40f64.ln() / 2.0);
        close(garwood(1, 2.0, 0.95).unwrap().lower, (40.0f64 / 39.0).ln() / 2.0);
        close(upper_bound_without_events(2.0, 0.95).unwrap(), 20f64.ln() / 2.0);
    }

    /// Two events where 1/2 is expected: P(at least two) = 1 - 3/2 e^(-1/2).
    #[test]
    fn the_exact_test_doubles_the_smaller_tail() {
        close(poisson_test(2, 0.5).unwrap(), 2.0 * (1.0 - 1.5 * (-0.5f64).exp()));
        close(poisson_test(0, 3.0).unwrap(), 2.0 * (-3.0f64).exp());
        close(poisson_test(0, 0.0).unwrap(), 1.0);
        close(poisson_test(1, 0.0).unwrap(), 0.0);
        assert!(poisson_test(1, f64::NAN).is_err() && poisson_test(1, -1.0).is_err());
    }

    #[test]
    fn test_and_interval_agree_where_the_interval_ends() {
        for events in [1, 4, 30] {
            let interval = garwood(events, 1.0, 0.95).unwrap();
            close(poisson_test(events, interval.lower).unwrap(), 0.05);
            close(poisson_test(events, interval.upper).unwrap(), 0.05);
        }
    }

    #[test]
    fn without_exposure_there_is_no_rate() {
        assert_eq!(garwood(3, 0.0, CONFIDENCE), Err(CannotEstimate::NoExposure));
        for exposure in [-1.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(garwood(0, exposure, CONFIDENCE), Err(CannotEstimate::InvalidInput(_))));
            assert!(upper_bound_without_events(exposure, CONFIDENCE).is_err());
        }
        assert_eq!(garwood(1, f64::MIN_POSITIVE, CONFIDENCE), Err(CannotEstimate::NotFinite));
    }
}
