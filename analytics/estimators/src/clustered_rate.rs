//! A rate over machines that differ: faults of one machine are not independent, so that the interval rests on the variance between machines.
//!
//! With `y` events and exposure `t` of each machine, `X = sum y`, `T = sum t` and the rate `r = X/T`:
//!
//! * **Dispersion** `D`: the robust (ratio) variance of `X` over its Poisson variance, `D = n/(n-1) * sum (y - r t)^2 / X`, at least 1.
//!   `n = T^2 / sum t^2` is the number of machines, counted by exposure (Kish), for which the factor removes the bias where variances are as
//!   exposures are. Cochran 1977, Sampling Techniques, 6.3; the sandwich variance of a Poisson regression without covariates is the same.
//! * **Few machines**: a variance of so few says little of itself. Those that are missing to [`FULL_SIZE`] are taken to vary as machines do whose own
//!   rates have a relative variance of 1: with `k = max(0, FULL_SIZE - n)`, `D = (k (1 + X/n) + (n-1) D) / (k + n - 1)` with `k + n - 1` degrees
//!   of freedom `f` (a variance moderated towards a prior one, as Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3:3, from memory; the prior is ours).
//! * **Interval**: the gamma limits of `X/D` events, `[G(X/D, p), G(X/D + 1, 1 - p)] * D/T` with `G` the gamma quantile and `p = N(-t)`, the normal
//!   tail beyond Student's quantile with `f` degrees of freedom; never narrower than Garwood's. Gamma limits on a matched variance: Fay & Feuer
//!   1997, Stat. Med. 16:791; Student's quantile for a robust variance of few clusters: Fay & Graubard 2001, Biometrics 57:1198.
//! * **No events**: nothing tells how machines differ; Garwood's interval.
//!
//! Assumptions: machines are independent; what a machine's exposure is does not depend on its faults. Coverage: `tests/coverage_spread.rs`.

use crate::distributions::{gamma_quantile, normal_cdf, student};
use crate::poisson::garwood;
use crate::{CannotEstimate, Interval};

/// So many machines say enough of how they differ.
pub const FULL_SIZE: f64 = 10.0;

/// Sums over machines that a rate needs: `y` the events of a machine, `t` its exposure (machine-years). A machine of several stays is one.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RateSums {
    /// Sum of `y`.
    pub events: u64,
    /// Sum of `t`.
    pub exposure: f64,
    /// Sum of `y^2`.
    pub events_squared: f64,
    /// Sum of `y t`.
    pub events_times_exposure: f64,
    /// Sum of `t^2`.
    pub exposure_squared: f64,
}

/// How machines vary about their common rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dispersion {
    /// Variance of the number of events over its Poisson variance, at least 1.
    pub factor: f64,
    /// Degrees of freedom that `factor` has.
    pub degrees_of_freedom: f64,
}

impl RateSums {
    /// The sums over machines, each with its events and its exposure.
    pub fn from_machines(machines: impl IntoIterator<Item = (u64, f64)>) -> Self {
        machines.into_iter().fold(Self::default(), |mut sums, (events, exposure)| {
            let y = events as f64;
            sums.events += events;
            sums.exposure += exposure;
            sums.events_squared += y * y;
            sums.events_times_exposure += y * exposure;
            sums.exposure_squared += exposure * exposure;
            sums
        })
    }

    /// `D` and `f` above.
    ///
    /// # Errors
    /// No exposure; sums that no machines can have.
    pub fn dispersion(&self) -> Result<Dispersion, CannotEstimate> {
        let Self { events, exposure, events_squared, events_times_exposure, exposure_squared } = *self;
        if exposure == 0.0 {
            return Err(CannotEstimate::NoExposure);
        }
        // Exact: sums of whole numbers, up to the rounding of exposures.
        let machines = exposure * exposure / exposure_squared;
        let x = events as f64;
        let possible = exposure > 0.0 && machines >= 1.0 - 1e-9 && machines.is_finite() && events_times_exposure >= 0.0;
        if !possible || events_squared < x || !events_squared.is_finite() || !events_times_exposure.is_finite() {
            return Err(CannotEstimate::InvalidInput(format!("no machines have these sums: {self:?}")));
        }
        let rate = x / exposure;
        let squares = (events_squared - 2.0 * rate * events_times_exposure + rate * rate * exposure_squared).max(0.0);
        let known = (machines - 1.0).max(0.0);
        let missing = (FULL_SIZE - 1.0 - known).max(0.0);
        let degrees_of_freedom = known + missing;
        let found = if events == 0 { known } else { machines * squares / x };
        let factor = (missing * (1.0 + x / machines) + found) / degrees_of_freedom;
        Ok(Dispersion { factor: factor.max(1.0), degrees_of_freedom })
    }
}

/// The rate `events / exposure` with its interval.
///
/// # Errors
/// As [`RateSums::dispersion`]; a confidence level outside (0, 1).
pub fn clustered_rate(sums: &RateSums, confidence: f64) -> Result<Interval, CannotEstimate> {
    let exact = garwood(sums.events, sums.exposure, confidence)?;
    let Dispersion { factor, degrees_of_freedom } = sums.dispersion()?;
    if sums.events == 0 {
        return Ok(exact);
    }
    let tail = normal_cdf(-student(degrees_of_freedom, confidence)?);
    let events = sums.events as f64 / factor;
    let unit = factor / sums.exposure;
    let lower = gamma_quantile(events, tail)? * unit;
    let upper = gamma_quantile(events + 1.0, 1.0 - tail)? * unit;
    Interval::new(exact.estimate, lower.min(exact.lower), upper.max(exact.upper), confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twelve machine-years on twelve machines, of which one had 6 faults and six had 1: X = 12, r = 1,
    /// sum (y - 1)^2 = 25 + 0 + 5 = 30, D = 12/11 * 30/12 = 30/11 with 11 degrees of freedom.
    #[test]
    fn twelve_machines_by_hand() {
        let events = [6, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0];
        let sums = RateSums::from_machines(events.map(|y| (y, 1.0)));
        let found = sums.dispersion().unwrap();
        assert!((found.factor - 30.0 / 11.0).abs() < 1e-12 && (found.degrees_of_freedom - 11.0).abs() < 1e-12);
        let (robust, exact) = (clustered_rate(&sums, 0.95).unwrap(), garwood(12, 12.0, 0.95).unwrap());
        assert_eq!(robust.estimate, 1.0);
        assert!(robust.lower < exact.lower && robust.upper > exact.upper);
    }

    /// Two machines with 2 and 4 faults in a year each: r = 3, sum (y - 3)^2 = 2, known freedom 1, missing 8:
    /// D = (8 (1 + 6/2) + 2 * 2/6) / 9 = (32 + 2/3) / 9.
    #[test]
    fn two_machines_by_hand() {
        let found = RateSums::from_machines([(2, 1.0), (4, 1.0)]).dispersion().unwrap();
        assert!((found.factor - (32.0 + 2.0 / 3.0) / 9.0).abs() < 1e-12 && found.degrees_of_freedom == 9.0);
    }

    #[test]
    fn machines_alike_have_the_exact_interval_but_for_students_quantile() {
        let sums = RateSums::from_machines((0..10_000).map(|i| (u64::from(i % 10 == 0), 1.0)));
        let (robust, exact) = (clustered_rate(&sums, 0.95).unwrap(), garwood(1_000, 10_000.0, 0.95).unwrap());
        assert!((robust.lower / exact.lower - 1.0).abs() < 1e-4 && (robust.upper / exact.upper - 1.0).abs() < 1e-4);
        assert!(robust.lower <= exact.lower && robust.upper >= exact.upper);
    }

    #[test]
    fn without_events_and_with_one_machine() {
        let sums = RateSums::from_machines([(0, 2.0), (0, 3.0)]);
        assert_eq!(clustered_rate(&sums, 0.95), garwood(0, 5.0, 0.95));
        let one = clustered_rate(&RateSums::from_machines([(3, 5.0)]), 0.95).unwrap();
        assert!(one.upper.is_finite() && one.lower > 0.0 && one.upper > garwood(3, 5.0, 0.95).unwrap().upper);
    }

    #[test]
    fn what_no_machines_can_have_is_refused() {
        assert_eq!(RateSums::default().dispersion(), Err(CannotEstimate::NoExposure));
        let sums = RateSums::from_machines([(1, 1.0), (2, 1.0)]);
        for wrong in [
            RateSums { exposure: -1.0, ..sums },
            RateSums { exposure_squared: 9.0, ..sums },
            RateSums { exposure_squared: 0.0, ..sums },
            RateSums { events_squared: 2.0, ..sums },
            RateSums { events_squared: f64::NAN, ..sums },
            RateSums { events_times_exposure: -1.0, ..sums },
        ] {
            assert!(clustered_rate(&wrong, 0.95).is_err(), "{wrong:?}");
        }
        assert!(clustered_rate(&sums, 1.0).is_err());
    }
}
