//! Forecast of a count (parts wanted) whose rate is known only from records: the negative binomial predictive distribution.
//!
//! A rate that is gamma distributed with shape `a` and rate `b` (in years), over a coming time `t`, gives a count `D` with
//! `P(D = k) = Gamma(a + k) / (k! Gamma(a)) (b/(b + t))^a (t/(b + t))^k`, mean `a t/b`. It is wider than the Poisson distribution, because the
//! rate itself is uncertain.
//!
//! * **Order-up-to level**: the least `s` with `P(D <= s)` at least the service level.
//! * **Value of the `s`-th piece**: `P(D >= s)`, the chance that it is wanted; summed over pieces it is `E min(D, s)`.
//!
//! Source: Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 2.6 (from memory); order-up-to level: the newsvendor rule, textbook. Held
//! against scipy.stats.nbinom.
//!
//! Assumptions: wants come independently at a constant rate.

use statrs::function::beta::checked_beta_reg;

use crate::CannotEstimate;

/// No list holds more pieces of one part than this.
const MOST_PIECES: u64 = 100_000;

/// The predictive distribution of a count.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    shape: f64,
    /// `b/(b + t)`.
    success: f64,
}

impl Forecast {
    /// From the gamma distribution of a yearly rate (its mean and variance), over `years` to come.
    ///
    /// # Errors
    /// A mean, variance or time that is not positive and finite.
    pub fn new(mean_per_year: f64, variance: f64, years: f64) -> Result<Self, CannotEstimate> {
        let positive = |x: f64| x.is_finite() && x > 0.0;
        if !(positive(mean_per_year) && positive(variance) && positive(years)) {
            let message = format!("a forecast needs a positive rate, variance and time, not {mean_per_year}, {variance}, {years}");
            return Err(CannotEstimate::InvalidInput(message));
        }
        let rate = mean_per_year / variance;
        Ok(Self { shape: mean_per_year * rate, success: rate / (rate + years) })
    }

    pub fn mean(&self) -> f64 {
        self.shape * (1.0 - self.success) / self.success
    }

    /// `P(D <= count)`, by the regularised incomplete beta function.
    pub fn at_most(&self, count: u64) -> f64 {
        checked_beta_reg(self.shape, count as f64 + 1.0, self.success).unwrap_or(f64::NAN)
    }

    /// `P(D >= count)`.
    pub fn at_least(&self, count: u64) -> f64 {
        if count == 0 { 1.0 } else { 1.0 - self.at_most(count - 1) }
    }

    /// The least stock that meets the demand with probability `service_level`.
    ///
    /// # Errors
    /// A service level outside (0, 1), or a demand beyond all stock.
    pub fn order_up_to(&self, service_level: f64) -> Result<u64, CannotEstimate> {
        if !(service_level > 0.0 && service_level < 1.0) {
            return Err(CannotEstimate::InvalidInput(format!("a service level must lie between 0 and 1, it is {service_level}")));
        }
        let (mut low, mut high) = (0, 1);
        while self.at_most(high) < service_level {
            (low, high) = (high, high * 2);
            if high > MOST_PIECES {
                return Err(CannotEstimate::NotReached);
            }
        }
        if self.at_most(low) >= service_level {
            return Ok(low);
        }
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if self.at_most(middle) >= service_level { high = middle } else { low = middle }
        }
        Ok(high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rate of mean 1 and variance 1 (exponential), one year: P(D = k) = 1/2^(k + 1), so P(D <= 0) = 1/2, P(D <= 3) = 15/16.
    #[test]
    fn worked_example() {
        let forecast = Forecast::new(1.0, 1.0, 1.0).unwrap();
        assert!((forecast.at_most(0) - 0.5).abs() < 1e-12 && (forecast.at_most(3) - 15.0 / 16.0).abs() < 1e-12);
        assert_eq!([0.4, 0.49, 0.51, 0.93, 0.94].map(|level| forecast.order_up_to(level).unwrap()), [0, 0, 1, 3, 4]);
        assert!((forecast.at_least(1) - 0.5).abs() < 1e-12 && (forecast.mean() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(Forecast::new(0.0, 1.0, 1.0).is_err() && Forecast::new(1.0, f64::NAN, 1.0).is_err());
        assert!(Forecast::new(1.0, 1.0, 1.0).unwrap().order_up_to(1.0).is_err());
        assert!(Forecast::new(1e9, 1e9, 1.0).unwrap().order_up_to(0.95).is_err());
    }
}
