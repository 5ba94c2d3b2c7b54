//! Age-standardised comparison, so that a model whose machines are old is not called worse for their age.
//!
//! * **Direct**: rate `sum w e / t` with weights `w` of a standard population that add up to 1. Gamma interval of Fay & Feuer 1997,
//!   Stat. Med. 16:791: with `v = sum w^2 e / t^2` and `k = max w / t`, `lower = v/2y chi2(a/2; 2 y^2 / v)` and
//!   `upper = (v + k^2) / 2(y + k) chi2(1 - a/2; 2 (y + k)^2 / (v + k^2))`. Exact (Garwood) for one stratum; covers at least what
//!   it says in their simulations, more where weights differ much.
//! * **Indirect**: observed over expected events, the expected from the standard's rates; exact Poisson interval on the observed.
//!   Breslow & Day 1987, Statistical Methods in Cancer Research II, 2.3.
//! * **Proportionate fault ratio**, where there is no exposure: observed faults of a component over those expected from its share
//!   among all faults of the standard in each age band (the proportionate mortality ratio of Breslow & Day 1987, 2.8, from memory).
//!   Given the faults of each band, the observed count is a sum of binomials, whose variance is at most that of one binomial with
//!   their mean share (Hoeffding 1956, Ann. Math. Stat. 27:713). So the Wilson interval of `observed / faults`, times
//!   `faults / expected`, errs on the wide side.
//!
//! Assumptions: the standard's rates, shares and weights are known; where the group is part of its own standard the ratio is drawn
//! towards 1. A proportionate ratio cannot tell "this fault more" from "other faults less".

use crate::distributions::{gamma_quantile, two_sided_error};
use crate::{CannotEstimate, Interval, binomial, poisson};

/// One stratum (age band) of the group to be standardised directly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedStratum {
    pub events: u64,
    /// Machine-years of the group.
    pub exposure: f64,
    /// Share or size of the stratum in the standard, on any common scale.
    pub weight: f64,
}

/// Observed over expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ObservedToExpected {
    pub interval: Interval,
    pub observed: u64,
    pub expected: f64,
}

/// Directly standardised rate with the Fay-Feuer gamma interval; without events lower bound and estimate are 0.
///
/// # Errors
/// No strata, no weight, a stratum with weight but without exposure (its rate is unknown), numbers that are negative or not finite.
pub fn direct(strata: &[WeightedStratum], confidence: f64) -> Result<Interval, CannotEstimate> {
    let tail = two_sided_error(confidence)? / 2.0;
    if strata.is_empty() {
        return Err(CannotEstimate::NoObservations);
    }
    let impossible = |x: f64| !x.is_finite() || x < 0.0;
    if let Some(stratum) = strata.iter().find(|s| impossible(s.exposure) || impossible(s.weight)) {
        return Err(CannotEstimate::InvalidInput(format!("exposure and weight must not be negative: {stratum:?}")));
    }
    let weights: f64 = strata.iter().map(|s| s.weight).sum();
    if weights == 0.0 || strata.iter().any(|s| s.weight > 0.0 && s.exposure == 0.0) {
        return Err(CannotEstimate::NoExposure);
    }
    let (mut rate, mut variance, mut largest) = (0.0, 0.0, 0.0f64);
    for stratum in strata.iter().filter(|s| s.weight > 0.0) {
        let per_event = stratum.weight / weights / stratum.exposure;
        rate += per_event * stratum.events as f64;
        variance += per_event * per_event * stratum.events as f64;
        largest = largest.max(per_event);
    }
    let bound = |rate: f64, variance: f64, p: f64| Ok(variance / rate * gamma_quantile(rate * rate / variance, p)?);
    let lower = if rate == 0.0 { 0.0 } else { bound(rate, variance, tail)? };
    let upper = bound(rate + largest, variance + largest * largest, 1.0 - tail)?;
    Interval::new(rate, lower, upper, confidence)
}

/// Events expected in `(exposure, standard rate)` of each stratum.
///
/// # Errors
/// Numbers that are negative or not finite.
pub fn expected_events(strata: impl IntoIterator<Item = (f64, f64)>) -> Result<f64, CannotEstimate> {
    strata.into_iter().try_fold(0.0, |expected, (exposure, rate)| {
        if exposure.is_finite() && rate.is_finite() && exposure >= 0.0 && rate >= 0.0 {
            Ok(expected + exposure * rate)
        } else {
            Err(CannotEstimate::InvalidInput(format!("exposure {exposure} and rate {rate} must not be negative")))
        }
    })
}

/// Indirectly standardised ratio: `observed` events over `expected` ones, with the exact Poisson interval.
///
/// # Errors
/// Nothing expected, an expectation that is negative or not finite, a confidence level outside (0, 1).
pub fn indirect(observed: u64, expected: f64, confidence: f64) -> Result<ObservedToExpected, CannotEstimate> {
    let interval = poisson::garwood(observed, expected, confidence).map_err(|reason| match reason {
        CannotEstimate::NoExposure => CannotEstimate::NoComparison,
        other => other,
    })?;
    Ok(ObservedToExpected { interval, observed, expected })
}

/// One age band of a proportionate fault ratio.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FaultBand {
    /// Faults of the component in the group.
    pub observed: u64,
    /// Faults of any component in the group.
    pub faults: u64,
    /// Share of the component among all faults of the standard in this band, 0 to 1.
    pub standard_share: f64,
}

/// Proportionate fault ratio of one component over age bands.
///
/// # Errors
/// No faults, none expected, more observed than faults, a share outside [0, 1], a confidence level outside (0, 1).
pub fn proportionate_fault_ratio(bands: &[FaultBand], confidence: f64) -> Result<ObservedToExpected, CannotEstimate> {
    if let Some(band) = bands.iter().find(|b| b.observed > b.faults || !(0.0..=1.0).contains(&b.standard_share)) {
        return Err(CannotEstimate::InvalidInput(format!("no such age band: {band:?}")));
    }
    let observed = bands.iter().map(|band| band.observed).sum();
    let faults = bands.iter().map(|band| band.faults).sum();
    let expected: f64 = bands.iter().map(|band| band.faults as f64 * band.standard_share).sum();
    let share = binomial::wilson(observed, faults, confidence)?;
    if expected == 0.0 {
        return Err(CannotEstimate::NoComparison);
    }
    let scale = faults as f64 / expected;
    let interval = Interval::new(observed as f64 / expected, share.lower * scale, share.upper * scale, confidence)?;
    Ok(ObservedToExpected { interval, observed, expected })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
    }

    fn stratum(events: u64, exposure: f64, weight: f64) -> WeightedStratum {
        WeightedStratum { events, exposure, weight }
    }

    /// 1 in 4 and 3 in 4 machine-years, weighted 1 : 3, is 1/4 * 1/4 + 3/4 * 3/4 = 5/8.
    #[test]
    fn direct_weights_the_rates_of_the_strata() {
        close(direct(&[stratum(1, 4.0, 10.0), stratum(3, 4.0, 30.0)], CONFIDENCE).unwrap().estimate, 5.0 / 8.0);
    }

    #[test]
    fn one_stratum_is_the_exact_poisson_interval() {
        for events in [0, 1, 7] {
            let standardised = direct(&[stratum(events, 4.0, 2.0), stratum(9, 5.0, 0.0)], CONFIDENCE).unwrap();
            let exact = poisson::garwood(events, 4.0, CONFIDENCE).unwrap();
            close(standardised.lower, exact.lower);
            close(standardised.estimate, exact.estimate);
            close(standardised.upper, exact.upper);
        }
    }

    #[test]
    fn a_stratum_without_exposure_cannot_be_standardised() {
        assert_eq!(direct(&[stratum(1, 4.0, 1.0), stratum(0, 0.0, 1.0)], CONFIDENCE), Err(CannotEstimate::NoExposure));
        assert_eq!(direct(&[stratum(1, 4.0, 0.0)], CONFIDENCE), Err(CannotEstimate::NoExposure));
        assert_eq!(direct(&[], CONFIDENCE), Err(CannotEstimate::NoObservations));
        for (exposure, weight) in [(-1.0, 1.0), (1.0, f64::NAN), (f64::INFINITY, 1.0)] {
            assert!(matches!(direct(&[stratum(1, exposure, weight)], CONFIDENCE), Err(CannotEstimate::InvalidInput(_))));
        }
    }

    /// 10 machine-years at 1/5 and 4 at 1/2 expect 4 events.
    #[test]
    fn indirect_is_observed_over_expected() {
        let expected = expected_events([(10.0, 1.0 / 5.0), (4.0, 1.0 / 2.0)]).unwrap();
        close(expected, 4.0);
        let ratio = indirect(6, expected, CONFIDENCE).unwrap();
        close(ratio.interval.estimate, 3.0 / 2.0);
        assert_eq!(ratio.interval, poisson::garwood(6, 4.0, CONFIDENCE).unwrap());
        assert_eq!(indirect(0, 0.0, CONFIDENCE), Err(CannotEstimate::NoComparison));
        assert_eq!(indirect(0, 2.0, CONFIDENCE).unwrap().interval.lower, 0.0);
        assert!(expected_events([(1.0, f64::NAN)]).is_err() && expected_events([(-1.0, 1.0)]).is_err());
    }

    /// 10 faults at a share of 1/5 and 20 at 1/10 expect 4; 6 are observed among 30.
    #[test]
    fn proportionate_ratio_by_age_band() {
        let bands = [
            FaultBand { observed: 2, faults: 10, standard_share: 1.0 / 5.0 },
            FaultBand { observed: 4, faults: 20, standard_share: 1.0 / 10.0 },
        ];
        let ratio = proportionate_fault_ratio(&bands, CONFIDENCE).unwrap();
        close(ratio.expected, 4.0);
        close(ratio.interval.estimate, 6.0 / 4.0);
        let share = binomial::wilson(6, 30, CONFIDENCE).unwrap();
        close(ratio.interval.lower, share.lower * 30.0 / 4.0);
        close(ratio.interval.upper, share.upper * 30.0 / 4.0);
    }

    #[test]
    fn a_proportionate_ratio_needs_faults_and_an_expectation() {
        let band = |observed, faults, standard_share| [FaultBand { observed, faults, standard_share }];
        assert_eq!(proportionate_fault_ratio(&[], CONFIDENCE), Err(CannotEstimate::NoObservations));
        assert_eq!(proportionate_fault_ratio(&band(1, 5, 0.0), CONFIDENCE), Err(CannotEstimate::NoComparison));
        assert_eq!(proportionate_fault_ratio(&band(0, 5, 0.5), CONFIDENCE).unwrap().interval.lower, 0.0);
        assert!(proportionate_fault_ratio(&band(6, 5, 0.5), CONFIDENCE).is_err());
        assert!(proportionate_fault_ratio(&band(1, 5, f64::NAN), CONFIDENCE).is_err());
    }
}
