//! Whether a rate or a mean cost changes from year to year, beyond chance.
//!
//! * **Rates**: events `O_y` against `E_y` expected at the rates of all years together, age by age, so that a roster that grows old does not
//!   pass for a change. Log-linear: `O_y ~ Poisson(E_y exp(a + b y))`, `b` by maximum likelihood (Newton's steps), `exp(b)` the change from
//!   one year to the next. Scatter beyond Poisson widens the interval: the variance of `b` is multiplied by Pearson's
//!   `X^2/(years - 2)` where that exceeds 1 (McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989, 6.2).
//! * **Means**: `ln m_y = a + b y`, least squares weighted by `(m_y/se_y)^2`, the variance of `b` widened in the same way.
//!
//! The p-value is two-sided normal. Held against statsmodels (GLM Poisson with offset and `scale="X2"`; WLS).
//!
//! Assumptions: the change is steady; years are independent. A single jump shows as a trend that is weaker than the jump.

use crate::distributions::{normal_cdf, two_sided_z};
use crate::{CannotEstimate, Interval};

/// Fewer years tell no trend from chance.
pub const FEWEST_YEARS: usize = 4;
/// Fewer events in all tell nothing.
pub const FEWEST_EVENTS: f64 = 10.0;

/// A trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Factor from one year to the next; 1 is no change.
    pub factor_per_year: Interval,
    pub p_value: f64,
    /// By how much the years scatter more than chance gives, at least 1.
    pub overdispersion: f64,
}

/// Events of one year and how many were expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearOfEvents {
    pub year: f64,
    pub events: f64,
    pub expected: f64,
}

/// Mean of one year with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearOfMeans {
    pub year: f64,
    pub mean: f64,
    pub standard_error: f64,
}

/// Trend of a rate.
///
/// # Errors
/// Fewer than [`FEWEST_YEARS`] years with something expected, fewer than [`FEWEST_EVENTS`] events, no convergence.
pub fn rate_trend(years: &[YearOfEvents], confidence: f64) -> Result<Trend, CannotEstimate> {
    let years: Vec<YearOfEvents> = years.iter().filter(|y| y.expected > 0.0).copied().collect();
    check_years(years.len())?;
    let events: f64 = years.iter().map(|y| y.events).sum();
    if events < FEWEST_EVENTS {
        return Err(CannotEstimate::TooFewEvents { found: events as usize, needed: FEWEST_EVENTS as usize });
    }
    // Given b, the best a makes the fitted sum equal the observed one; b is then a root of the score.
    let fitted = |b: f64| {
        let raw: Vec<f64> = years.iter().map(|y| y.expected * (b * y.year).exp()).collect();
        let factor = events / raw.iter().sum::<f64>();
        raw.into_iter().map(|mean| mean * factor).collect::<Vec<f64>>()
    };
    let mut b = 0.0;
    for step in 0.. {
        let means = fitted(b);
        let centre = years.iter().zip(&means).map(|(y, m)| y.year * m).sum::<f64>() / events;
        let score: f64 = years.iter().zip(&means).map(|(y, m)| (y.events - m) * y.year).sum();
        let information: f64 = years.iter().zip(&means).map(|(y, m)| m * (y.year - centre).powi(2)).sum();
        let move_by = (score / information).clamp(-1.0, 1.0);
        b += move_by;
        if !b.is_finite() || step > 100 {
            return Err(CannotEstimate::NoConvergence);
        }
        if move_by.abs() < 1e-12 {
            let pearson: f64 = years.iter().zip(&means).map(|(y, m)| (y.events - m).powi(2) / m).sum();
            return trend(b, 1.0 / information, pearson / (years.len() as f64 - 2.0), confidence);
        }
    }
    Err(CannotEstimate::NoConvergence)
}

/// Trend of a mean.
///
/// # Errors
/// Fewer than [`FEWEST_YEARS`] years with a positive mean and standard error.
pub fn mean_trend(years: &[YearOfMeans], confidence: f64) -> Result<Trend, CannotEstimate> {
    let years: Vec<YearOfMeans> = years.iter().filter(|y| y.mean > 0.0 && y.standard_error > 0.0).copied().collect();
    check_years(years.len())?;
    let weights: Vec<f64> = years.iter().map(|y| (y.mean / y.standard_error).powi(2)).collect();
    let total: f64 = weights.iter().sum();
    let average = |of: &dyn Fn(&YearOfMeans) -> f64| years.iter().zip(&weights).map(|(y, w)| w * of(y)).sum::<f64>() / total;
    let (centre, level) = (average(&|y| y.year), average(&|y| y.mean.ln()));
    let information: f64 = years.iter().zip(&weights).map(|(y, w)| w * (y.year - centre).powi(2)).sum();
    let b = years.iter().zip(&weights).map(|(y, w)| w * (y.year - centre) * y.mean.ln()).sum::<f64>() / information;
    let residual = |y: &YearOfMeans| y.mean.ln() - level - b * (y.year - centre);
    let squares: f64 = years.iter().zip(&weights).map(|(y, w)| w * residual(y).powi(2)).sum();
    trend(b, 1.0 / information, squares / (years.len() as f64 - 2.0), confidence)
}

fn check_years(years: usize) -> Result<(), CannotEstimate> {
    if years < FEWEST_YEARS { Err(CannotEstimate::TooFewObservations { found: years, needed: FEWEST_YEARS }) } else { Ok(()) }
}

fn trend(b: f64, variance: f64, dispersion: f64, confidence: f64) -> Result<Trend, CannotEstimate> {
    let overdispersion = dispersion.max(1.0);
    let error = (variance * overdispersion).sqrt();
    let half = two_sided_z(confidence)? * error;
    Ok(Trend {
        factor_per_year: Interval::new(b.exp(), (b - half).exp(), (b + half).exp(), confidence)?,
        p_value: (2.0 * normal_cdf(-(b / error).abs())).clamp(0.0, 1.0),
        overdispersion,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10, 20, 40, 80 events of 10 expected in each year double from year to year; the fit is exact.
    #[test]
    fn a_doubling_rate_has_factor_two() {
        let years: Vec<YearOfEvents> =
            (0..4).map(|y| YearOfEvents { year: f64::from(y), events: 10.0 * 2f64.powi(y), expected: 10.0 }).collect();
        let found = rate_trend(&years, 0.95).unwrap();
        assert!((found.factor_per_year.estimate - 2.0).abs() < 1e-9 && found.overdispersion == 1.0 && found.p_value < 1e-6);
    }

    /// Means of 100 and 110 by turns, in a row of equal weights: no trend.
    #[test]
    fn a_cost_that_goes_up_and_down_has_no_trend() {
        let year = |year: i32, mean| YearOfMeans { year: f64::from(year), mean, standard_error: mean / 50.0 };
        let found = mean_trend(&[year(-2, 100.0), year(-1, 110.0), year(0, 100.0), year(1, 110.0), year(2, 100.0)], 0.95).unwrap();
        assert!((found.factor_per_year.estimate - 1.0).abs() < 1e-12 && found.p_value > 0.99);
        assert!(found.overdispersion > 1.0, "{found:?}");
    }

    #[test]
    fn too_little_is_refused() {
        let year = |year: i32, events| YearOfEvents { year: f64::from(year), events, expected: 1.0 };
        assert!(rate_trend(&[year(0, 50.0), year(1, 50.0), year(2, 50.0)], 0.95).is_err());
        assert!(rate_trend(&[year(0, 1.0), year(1, 2.0), year(2, 3.0), year(3, 1.0)], 0.95).is_err());
    }
}
