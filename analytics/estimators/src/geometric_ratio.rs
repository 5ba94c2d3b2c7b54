//! Ratio of two geometric means, for prices and other positive amounts that spread by factors.
//!
//! With `m_a`, `m_b` the means of the logarithms and `s_a`, `s_b` their standard errors over clusters,
//! `ratio = exp(m_a - m_b)` and the interval is `exp(m_a - m_b +- z sqrt(s_a^2 + s_b^2))`: the large-sample interval for a difference
//! of means (Welch 1947, Biometrika 34:28, with the normal for the t distribution), carried through the exponential.
//!
//! Assumptions: clusters independent of each other, and the two groups of each other; enough clusters for the normal
//! approximation, for which [`FEWEST_CLUSTERS`] is our own least number.

use crate::distributions::two_sided_z;
use crate::mean::{MeanError, MeanSums};
use crate::{CannotEstimate, Interval};

/// Fewer clusters than this on either side give no ratio.
pub const FEWEST_CLUSTERS: usize = 10;

/// The geometric mean of `group` over that of `reference`, both given as sums of natural logarithms.
///
/// # Errors
/// Fewer than [`FEWEST_CLUSTERS`] clusters on a side, no variation on a side, a confidence level outside (0, 1).
pub fn ratio_of_geometric_means(group: &MeanSums, reference: &MeanSums, confidence: f64) -> Result<Interval, CannotEstimate> {
    let z = two_sided_z(confidence)?;
    let side = |sums: &MeanSums| {
        let found = sums.clusters as usize;
        if found < FEWEST_CLUSTERS {
            return Err(CannotEstimate::TooFewObservations { found, needed: FEWEST_CLUSTERS });
        }
        let MeanError { mean, standard_error, .. } = sums.mean()?;
        Ok((mean, standard_error))
    };
    let ((mean, error), (reference_mean, reference_error)) = (side(group)?, side(reference)?);
    let (difference, half_width) = (mean - reference_mean, z * error.hypot(reference_error));
    Interval::new(difference.exp(), (difference - half_width).exp(), (difference + half_width).exp(), confidence)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    /// One value a cluster.
    fn sums(logarithms: &[f64]) -> MeanSums {
        let n = logarithms.len() as f64;
        MeanSums {
            clusters: logarithms.len() as u64,
            rows: n,
            value: logarithms.iter().sum(),
            value_squared: logarithms.iter().map(|x| x * x).sum(),
            value_times_rows: logarithms.iter().sum(),
            rows_squared: n,
        }
    }

    /// Logarithms 0 and 2 in equal number have mean 1 and, of ten, variance 10/9; so do 3 and 5 with mean 4. The standard error of the
    /// difference 3 is sqrt(2/10 * 10/9) = sqrt(2)/3.
    #[test]
    fn ten_against_ten_by_hand() {
        let reference: Vec<f64> = (0..10).map(|i| f64::from(i % 2) * 2.0).collect();
        let group: Vec<f64> = reference.iter().map(|x| x + 3.0).collect();
        let ratio = ratio_of_geometric_means(&sums(&group), &sums(&reference), CONFIDENCE).unwrap();
        let half_width = 1.959_963_984_540_054 * 2f64.sqrt() / 3.0;
        assert!((ratio.estimate.ln() - 3.0).abs() < 1e-12);
        assert!((ratio.lower.ln() - (3.0 - half_width)).abs() < 1e-9 && (ratio.upper.ln() - (3.0 + half_width)).abs() < 1e-9);
    }

    #[test]
    fn few_or_equal_prices_give_no_ratio() {
        let enough = sums(&[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]);
        let few = sums(&[0.0, 1.0, 2.0]);
        let expected = CannotEstimate::TooFewObservations { found: 3, needed: FEWEST_CLUSTERS };
        assert_eq!(ratio_of_geometric_means(&few, &enough, CONFIDENCE), Err(expected.clone()));
        assert_eq!(ratio_of_geometric_means(&enough, &few, CONFIDENCE), Err(expected));
        assert_eq!(ratio_of_geometric_means(&enough, &sums(&[2.0; 12]), CONFIDENCE), Err(CannotEstimate::NoVariation));
    }
}
