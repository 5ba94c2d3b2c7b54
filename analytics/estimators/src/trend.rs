//! Whether a rate or a mean cost changes from year to year, beyond chance.
//!
//! * **Rates**: events `O` and exposure `T` of each age band `a` and year `y`, `O ~ Poisson(T exp(c_a + b y))`: age and year in one model, so that a roster
//!   that grows old does not pass for a change. `b` by maximum likelihood (Newton's steps; given `b`, the best `c_a` make the fitted sum of each band equal
//!   the observed one), `exp(b)` the change from one year to the next. Its variance is `1/I`, `I = sum m (y - y_a)^2` with `m` the fitted events and `y_a`
//!   their mean year in the band.
//!   - **Scatter** beyond Poisson widens the interval: the variance is multiplied by Pearson's `X^2` over its degrees of freedom (McCullagh & Nelder,
//!     Generalized Linear Models, 2nd ed. 1989, 6.2) or by the dispersion between machines ([`crate::clustered_rate`]), whichever is more, but at
//!     least 1: a machine adds to the slope with all of its years, so that what makes machines differ counts whole where they come and go together.
//!     Student's quantile with the degrees of freedom of the one taken.
//!   - **Told apart?** The variance inflation factor `sum m (y - y_.)^2 / I`, `y_.` the mean year of all, says how much of the years is left once age is
//!     known (Belsley, Kuh & Welsch 1980, Regression Diagnostics, 3; a limit of 10 is common practice, ours is [`LARGEST_INFLATION`], since bands
//!     of a year leave some ageing inside them: at 4 to 5 it passed for a rise of 2 to 4 % a year where faults double by the second year). Above it there is no estimate: machines of one cohort are all as old as the year is late.
//! * **Means**: `ln m_y = a + b y`, least squares weighted by `(m_y/se_y)^2`, the variance of `b` widened in the same way.
//!
//! The p-value is two-sided, of a mean normal. Held against statsmodels (GLM Poisson with offset and `scale="X2"`; WLS).
//!
//! Assumptions: the change is steady; years are independent. A single jump shows as a trend that is weaker than the jump.

use std::collections::BTreeMap;

use crate::clustered_rate::Dispersion;
use crate::distributions::{student, student_p_value};
use crate::{CannotEstimate, Interval};

/// Fewer years tell no trend from chance.
pub const FEWEST_YEARS: usize = 4;
/// Fewer events in all tell nothing.
pub const FEWEST_EVENTS: f64 = 10.0;
/// A variance inflation above this means that age and year cannot be told apart.
pub const LARGEST_INFLATION: f64 = 3.0;

/// A trend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Factor from one year to the next; 1 is no change.
    pub factor_per_year: Interval,
    pub p_value: f64,
    /// By how much cells, years or machines scatter more than chance gives, at least 1.
    pub overdispersion: f64,
}

/// Events of one age band in one year.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AgeYear {
    pub age_band: u64,
    pub year: f64,
    pub events: f64,
    /// Machine-years.
    pub exposure: f64,
}

/// Mean of one year with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YearOfMeans {
    pub year: f64,
    pub mean: f64,
    pub standard_error: f64,
}

/// Trend of a rate; `machines` is how machines vary about their common rate.
///
/// # Errors
/// Fewer than [`FEWEST_YEARS`] years with exposure, fewer than [`FEWEST_EVENTS`] events, age and year that cannot be told apart, no convergence.
pub fn rate_trend(cells: &[AgeYear], machines: &Dispersion, confidence: f64) -> Result<Trend, CannotEstimate> {
    let mut bands: BTreeMap<u64, Vec<AgeYear>> = BTreeMap::new();
    let mut years: Vec<f64> = Vec::new();
    for cell in cells.iter().filter(|cell| cell.exposure > 0.0) {
        bands.entry(cell.age_band).or_default().push(*cell);
        years.push(cell.year);
    }
    years.sort_unstable_by(f64::total_cmp);
    years.dedup();
    check_years(years.len())?;
    let events: f64 = bands.values().flatten().map(|cell| cell.events).sum();
    if events < FEWEST_EVENTS {
        return Err(CannotEstimate::TooFewEvents { found: events as usize, needed: FEWEST_EVENTS as usize });
    }
    // A band without events says nothing of the years.
    bands.retain(|_, cells| cells.iter().any(|cell| cell.events > 0.0));
    let mut b = 0.0;
    for _ in 0..100 {
        let fitted: Vec<(AgeYear, f64, f64)> = bands.values().flat_map(|cells| fitted(cells, b)).collect();
        let score: f64 = fitted.iter().map(|(cell, mean, _)| (cell.events - mean) * cell.year).sum();
        let information: f64 = fitted.iter().map(|(cell, mean, centre)| mean * (cell.year - centre).powi(2)).sum();
        let centre = fitted.iter().map(|(cell, mean, _)| mean * cell.year).sum::<f64>() / events;
        let without_age: f64 = fitted.iter().map(|(cell, mean, _)| mean * (cell.year - centre).powi(2)).sum();
        let inflation = without_age / information;
        // Not a number where neither age nor year varies.
        if inflation.is_nan() || inflation > LARGEST_INFLATION {
            return Err(CannotEstimate::AgeAndYearTogether { inflation: inflation.min(1e6), limit: LARGEST_INFLATION });
        }
        let move_by = (score / information).clamp(-1.0, 1.0);
        b += move_by;
        if !b.is_finite() {
            return Err(CannotEstimate::NoConvergence);
        }
        if move_by.abs() < 1e-12 {
            let pearson: f64 = fitted.iter().map(|(cell, mean, _)| (cell.events - mean).powi(2) / mean).sum();
            let freedom = fitted.len() as f64 - bands.len() as f64 - 1.0;
            let of_cells = if freedom >= 1.0 { Dispersion { factor: pearson / freedom, degrees_of_freedom: freedom } } else { *machines };
            let dispersion = if of_cells.factor > machines.factor { of_cells } else { *machines };
            return trend(b, 1.0 / information, dispersion, confidence);
        }
    }
    Err(CannotEstimate::NoConvergence)
}

/// The cells of a band with their fitted events and the mean year of these.
fn fitted(cells: &[AgeYear], b: f64) -> Vec<(AgeYear, f64, f64)> {
    let raw: Vec<f64> = cells.iter().map(|cell| cell.exposure * (b * cell.year).exp()).collect();
    let factor = cells.iter().map(|cell| cell.events).sum::<f64>() / raw.iter().sum::<f64>();
    let centre = cells.iter().zip(&raw).map(|(cell, raw)| raw * cell.year).sum::<f64>() / raw.iter().sum::<f64>();
    cells.iter().zip(raw).map(|(cell, raw)| (*cell, raw * factor, centre)).collect()
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
    // The scatter of a mean is known from its standard error; the years only tell whether there is more.
    let dispersion = Dispersion { factor: squares / (years.len() as f64 - 2.0), degrees_of_freedom: f64::INFINITY };
    trend(b, 1.0 / information, dispersion, confidence)
}

fn check_years(years: usize) -> Result<(), CannotEstimate> {
    if years < FEWEST_YEARS { Err(CannotEstimate::TooFewObservations { found: years, needed: FEWEST_YEARS }) } else { Ok(()) }
}

fn trend(b: f64, variance: f64, dispersion: Dispersion, confidence: f64) -> Result<Trend, CannotEstimate> {
    let overdispersion = dispersion.factor.max(1.0);
    let error = (variance * overdispersion).sqrt();
    let half = student(dispersion.degrees_of_freedom, confidence)? * error;
    Ok(Trend {
        factor_per_year: Interval::new(b.exp(), (b - half).exp(), (b + half).exp(), confidence)?,
        p_value: student_p_value(b / error, dispersion.degrees_of_freedom)?,
        overdispersion,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALIKE: Dispersion = Dispersion { factor: 1.0, degrees_of_freedom: f64::INFINITY };

    /// Two age bands, the older with three times the rate, in four years in which it doubles from one to the next; the fit is exact. As many events
    /// are expected in both bands of a year, so that age says nothing of the year.
    #[test]
    fn a_doubling_rate_has_factor_two_at_all_ages() {
        let cell = |age_band: u64, year: i32| AgeYear {
            age_band,
            year: f64::from(year),
            events: [10.0, 30.0][age_band as usize] * 2f64.powi(year),
            exposure: 100.0,
        };
        let cells: Vec<AgeYear> = (0..4).flat_map(|year| [cell(0, year), cell(1, year)]).collect();
        let found = rate_trend(&cells, &ALIKE, 0.95).unwrap();
        assert!((found.factor_per_year.estimate - 2.0).abs() < 1e-9 && found.overdispersion == 1.0 && found.p_value < 1e-6);
        let apart = rate_trend(&cells, &Dispersion { factor: 4.0, ..ALIKE }, 0.95).unwrap().factor_per_year;
        let width = |interval: &Interval| (interval.upper / interval.lower).ln();
        assert!((width(&apart) / width(&found.factor_per_year) - 2.0).abs() < 1e-6);
    }

    /// A cohort that is one year older in each year: no estimate. One with a few machines a year younger: still none.
    #[test]
    fn one_cohort_tells_no_year_from_age() {
        let cell = |age_band: u64, year: f64, exposure: f64| AgeYear {
            age_band,
            year,
            events: (exposure * 0.3 * 1.1f64.powf(year)).round(),
            exposure,
        };
        let cohort: Vec<AgeYear> = (0..8).map(|year| cell(year, year as f64, 200.0)).collect();
        let refused = |cells: &[AgeYear]| matches!(rate_trend(cells, &ALIKE, 0.95), Err(CannotEstimate::AgeAndYearTogether { .. }));
        assert!(refused(&cohort));
        let nearly: Vec<AgeYear> = (0..8).flat_map(|year| [cell(year, year as f64, 190.0), cell(year + 1, year as f64, 10.0)]).collect();
        assert!(refused(&nearly));
        let staggered: Vec<AgeYear> = (0..8)
            .flat_map(|year| (0..8).map(move |cohort| (year + cohort, year)))
            .map(|(age, year)| cell(age, year as f64, 60.0))
            .collect();
        let found = rate_trend(&staggered, &ALIKE, 0.95).unwrap().factor_per_year;
        assert!(found.lower < 1.1 && 1.1 < found.upper && (found.estimate - 1.1).abs() < 0.01, "{found:?}");
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
        let year = |year: i32, events| AgeYear { age_band: 0, year: f64::from(year), events, exposure: 1.0 };
        assert!(rate_trend(&[year(0, 50.0), year(1, 50.0), year(2, 50.0)], &ALIKE, 0.95).is_err());
        assert!(rate_trend(&[year(0, 1.0), year(1, 2.0), year(2, 3.0), year(3, 1.0)], &ALIKE, 0.95).is_err());
    }
}
