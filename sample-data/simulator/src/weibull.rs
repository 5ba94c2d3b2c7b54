//! The Weibull hazard that every component's natural faults follow.

use rand::{Rng, RngExt};
use serde::Serialize;

/// Hazard `h(u) = shape / scale * (u / scale)^(shape - 1)`, `u` the age of the component in years.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Weibull {
    /// Below 1 early failures, 1 random, above 1 wear-out.
    pub shape: f64,
    /// Age by which 63 % of components have failed.
    pub scale_years: f64,
}

impl Weibull {
    /// Expected number of faults of a never renewed component from new to `age_years`; 0 for ages below 0.
    pub fn cumulative_hazard(&self, age_years: f64) -> f64 {
        (age_years.max(0.0) / self.scale_years).powf(self.shape)
    }

    /// Expected number of faults between two ages of the component.
    pub fn cumulative_hazard_between(&self, from_years: f64, to_years: f64) -> f64 {
        (self.cumulative_hazard(to_years) - self.cumulative_hazard(from_years)).max(0.0)
    }

    /// Probability that a new component has not failed by `age_years`.
    pub fn survival(&self, age_years: f64) -> f64 {
        (-self.cumulative_hazard(age_years)).exp()
    }

    /// The same shape with its hazard multiplied at every age.
    pub fn with_hazard_times(&self, factor: f64) -> Self {
        Self { shape: self.shape, scale_years: self.scale_years / factor.powf(1.0 / self.shape) }
    }

    /// Age at which a component that is sound at `age_years` fails: the inverse of the cumulative hazard at a unit exponential draw.
    pub fn sample_failure_after<R: Rng + ?Sized>(&self, age_years: f64, rng: &mut R) -> f64 {
        let exponential: f64 = rng.sample(rand_distr::Exp1);
        self.scale_years * (self.cumulative_hazard(age_years) + exponential).powf(1.0 / self.shape)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn multiplying_the_hazard_multiplies_the_expected_faults() {
        let bearing = Weibull { shape: 2.9, scale_years: 13.0 };
        let worse = bearing.with_hazard_times(1.7);
        for age in [0.5, 4.0, 12.0] {
            assert!((worse.cumulative_hazard(age) - 1.7 * bearing.cumulative_hazard(age)).abs() < 1e-12);
        }
    }

    #[test]
    fn a_sound_component_fails_later_than_now() {
        let mut rng = <rand_pcg::Pcg64Mcg as rand::SeedableRng>::seed_from_u64(1);
        let early = Weibull { shape: 0.6, scale_years: 40.0 };
        assert!((0..1000).all(|_| early.sample_failure_after(3.0, &mut rng) >= 3.0));
    }
}
