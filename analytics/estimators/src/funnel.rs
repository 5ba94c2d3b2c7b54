//! Funnel limits: how far from a target a group of a given size may lie by chance alone.
//!
//! With `F` the Poisson (or binomial) distribution function of the number of events at the target and `r` the smallest count with
//! `F(r) > p`, the limit in events is `r - w` with `w = (F(r) - p) / (F(r) - F(r - 1))`, which makes the limits change smoothly
//! with size; divided by the exposure (or trials), at `p` = 0.001, 0.025, 0.975 and 0.999.
//! Spiegelhalter 2005, Stat. Med. 24:1185, appendix A.1.
//!
//! Assumptions: events are independent and the target is known; groups that differ by more than chance (overdispersion) fall
//! outside more often than the limits say.

use statrs::distribution::{Binomial, DiscreteCDF, Poisson};

use crate::CannotEstimate;

/// Limits around a target, per unit of exposure (or trial): about 1 group in 20 lies outside the 95 % and 1 in 500 outside the 99.8 %
/// limits by chance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FunnelLimits {
    pub lower_998: f64,
    pub lower_95: f64,
    pub upper_95: f64,
    pub upper_998: f64,
}

/// Limits for a rate, around `target_rate` events per unit, at this `exposure`.
///
/// # Errors
/// No exposure, a target that is not positive and finite, more than a thousand million expected events.
pub fn poisson_limits(target_rate: f64, exposure: f64) -> Result<FunnelLimits, CannotEstimate> {
    if exposure == 0.0 {
        return Err(CannotEstimate::NoExposure);
    }
    let expected = target_rate * exposure;
    let events = Poisson::new(expected)
        .ok()
        .filter(|_| target_rate > 0.0 && exposure > 0.0 && expected <= 1e9)
        .ok_or_else(|| CannotEstimate::InvalidInput(format!("no funnel around {target_rate} at exposure {exposure}")))?;
    Ok(limits(&events, exposure, f64::INFINITY))
}

/// Limits for a share, around `target_share`, among this many `trials`.
///
/// # Errors
/// No trials, a target outside [0, 1].
pub fn binomial_limits(target_share: f64, trials: u64) -> Result<FunnelLimits, CannotEstimate> {
    if trials == 0 {
        return Err(CannotEstimate::NoObservations);
    }
    let events = Binomial::new(target_share, trials)
        .map_err(|_| CannotEstimate::InvalidInput(format!("the target share must lie between 0 and 1, it is {target_share}")))?;
    Ok(limits(&events, trials as f64, 1.0))
}

fn limits(events: &impl DiscreteCDF<u64, f64>, size: f64, most: f64) -> FunnelLimits {
    let limit = |probability: f64| (smooth_quantile(events, probability) / size).clamp(0.0, most);
    FunnelLimits { lower_998: limit(0.001), lower_95: limit(0.025), upper_95: limit(0.975), upper_998: limit(0.999) }
}

fn smooth_quantile(events: &impl DiscreteCDF<u64, f64>, probability: f64) -> f64 {
    let mut above = 1;
    while events.cdf(above) <= probability {
        above *= 2;
    }
    let mut from = 0;
    while from < above {
        let middle = from + (above - from) / 2;
        if events.cdf(middle) > probability { above = middle } else { from = middle + 1 }
    }
    let cumulative = events.cdf(above);
    let before = if above == 0 { 0.0 } else { events.cdf(above - 1) };
    above as f64 - (cumulative - probability) / (cumulative - before)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One trial at a target of 1/2: F(0) = 1/2, F(1) = 1. At 0.975 the limit is 1 - 0.025/0.5 = 19/20, at 0.999 it is 499/500; the
    /// lower ones, 0 - (1/2 - p) / (1/2), are below zero.
    #[test]
    fn one_trial_at_one_half() {
        let limits = binomial_limits(0.5, 1).unwrap();
        assert_eq!((limits.lower_998, limits.lower_95), (0.0, 0.0));
        assert!((limits.upper_95 - 19.0 / 20.0).abs() < 1e-12 && (limits.upper_998 - 499.0 / 500.0).abs() < 1e-12);
    }

    /// One event expected over 2 units: F(2) = 5/2 e^-1 = 0.9197, F(3) = 8/3 e^-1 = 0.9810, so the 95 % limit lies between 2 and 3 events.
    #[test]
    fn one_expected_event() {
        let e = 1f64.exp();
        let expected = 3.0 - (8.0 / (3.0 * e) - 0.975) / (8.0 / (3.0 * e) - 5.0 / (2.0 * e));
        assert!((poisson_limits(0.5, 2.0).unwrap().upper_95 - expected / 2.0).abs() < 1e-12);
    }

    #[test]
    fn limits_enclose_the_target_and_narrow_with_size() {
        let mut width = f64::INFINITY;
        for exposure in [10.0, 100.0, 1e3, 1e4, 1e6] {
            let limits = poisson_limits(0.3, exposure).unwrap();
            assert!(limits.lower_998 <= limits.lower_95 && limits.lower_95 <= 0.3);
            assert!(0.3 <= limits.upper_95 && limits.upper_95 <= limits.upper_998);
            assert!(limits.upper_998 - limits.lower_998 < width);
            width = limits.upper_998 - limits.lower_998;
        }
    }

    #[test]
    fn degenerate_input() {
        assert_eq!(poisson_limits(0.3, 0.0), Err(CannotEstimate::NoExposure));
        assert_eq!(binomial_limits(0.3, 0), Err(CannotEstimate::NoObservations));
        for target in [0.0, -1.0, 1e300, f64::NAN, f64::INFINITY] {
            assert!(matches!(poisson_limits(target, 1.0), Err(CannotEstimate::InvalidInput(_))));
        }
        assert!(poisson_limits(-1.0, -1.0).is_err() && binomial_limits(1.5, 3).is_err() && binomial_limits(f64::NAN, 3).is_err());
        for target in [0.0, 1.0] {
            let limits = binomial_limits(target, 5).unwrap();
            assert!([limits.lower_998, limits.lower_95, limits.upper_95, limits.upper_998].iter().all(|x| x.is_finite()));
        }
    }
}
