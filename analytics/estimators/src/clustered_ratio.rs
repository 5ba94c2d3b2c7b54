//! By how much a Mantel-Haenszel ratio scatters where units of one cluster (machines of one model) share what is compared (its design).
//!
//! In stratum `i` cluster `k` has `a` events in size `t` (machine-years or jobs); `T1`, `T0` are the sizes of the exposed and the reference, `T = T1 + T0`.
//! The ratio `r = R/S`, `R = sum a T0/T` over the exposed, `S = sum a T1/T` over the reference, is the root of `R - r S`, to which a cluster adds what it
//! has beyond the rate `m = sum a / (r T1 + T0)` of its stratum: `u = sum (a - r m t) T0/T` if exposed, else `u = -r sum (a - m t) T1/T`.
//!
//! * **Robust variance** of `ln r`: `V = V1 + V0`, on each side `n/(n-1) * sum u^2 / R^2`. `n = (sum e)^2 / sum e^2` counts the clusters of the side by the
//!   events `e` expected of them, as in [`crate::clustered_rate`]. Linearised as by Greenland & Robins 1985, Biometrics 41:55, by clusters as by
//!   Liang & Zeger 1986, Biometrika 73:13 (from memory).
//! * **Degrees of freedom** by Satterthwaite: `(V1 + V0)^2 / (V1^2/(n1-1) + V0^2/(n0-1))`.
//! * An interval that takes units for independent is widened about its estimate, on the scale of logarithms, by the square root of the factor
//!   `V` over its own variance (at least 1) and by Student's quantile for the normal one.
//!
//! Assumptions: clusters are independent; beyond chance they differ by one factor each, at all strata. Coverage: `tests/coverage_spread.rs`.

use std::collections::BTreeMap;

use crate::distributions::{student, student_p_value, two_sided_z};
use crate::{CannotEstimate, Interval};

/// Fewer clusters on a side, counted by the events expected of them, tell nothing of how clusters differ.
pub const FEWEST_CLUSTERS: f64 = 1.5;

/// One cluster in one stratum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    pub cluster: u64,
    pub stratum: u64,
    pub exposed: bool,
    pub events: f64,
    /// Machine-years, or jobs.
    pub size: f64,
}

/// How much wider than independence says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusterSpread {
    /// Robust variance over that of independent units, not below 1.
    pub factor: f64,
    pub degrees_of_freedom: f64,
}

/// A ratio with an interval that rests on clusters, and its p-value against 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClusteredRatio {
    pub interval: Interval,
    pub p_value: f64,
}

/// Events and size of the reference and of the exposed.
type Sides = [(f64, f64); 2];

/// The spread of a ratio over clusters; `independent` is the ratio of the same cells with the interval of independent units.
///
/// # Errors
/// Sizes that are negative or not finite, no stratum with both groups, no events on a side, fewer than [`FEWEST_CLUSTERS`] on a side.
pub fn cluster_spread(cells: &[Cell], independent: &Interval) -> Result<ClusterSpread, CannotEstimate> {
    if let Some(cell) =
        cells.iter().find(|cell| !(cell.size.is_finite() && cell.size >= 0.0 && cell.events.is_finite() && cell.events >= 0.0))
    {
        return Err(CannotEstimate::InvalidInput(format!("events and size must not be negative: {cell:?}")));
    }
    let mut strata: BTreeMap<u64, Sides> = BTreeMap::new();
    for cell in cells {
        let (events, size) = &mut strata.entry(cell.stratum).or_default()[usize::from(cell.exposed)];
        *events += cell.events;
        *size += cell.size;
    }
    strata.retain(|_, [reference, exposed]| reference.1 > 0.0 && exposed.1 > 0.0);
    if strata.is_empty() {
        return Err(CannotEstimate::NoComparison);
    }
    let sum = |term: &dyn Fn(&Sides) -> f64| strata.values().map(term).sum::<f64>();
    let exposed = sum(&|[(_, t0), (a, t1)]| a * t0 / (t1 + t0));
    let reference = sum(&|[(c, t0), (_, t1)]| c * t1 / (t1 + t0));
    if exposed == 0.0 || reference == 0.0 {
        return Err(CannotEstimate::NoEvents);
    }
    let ratio = exposed / reference;
    // Of each cluster and side: what it adds to the score, and the events expected of it, both weighted.
    let mut clusters: BTreeMap<(bool, u64), (f64, f64)> = BTreeMap::new();
    for cell in cells {
        let Some([(c, t0), (a, t1)]) = strata.get(&cell.stratum) else { continue };
        let rate = (a + c) / (ratio * t1 + t0);
        let (factor, weight) = if cell.exposed { (ratio, t0 / (t1 + t0)) } else { (1.0, ratio * t1 / (t1 + t0)) };
        let expected = factor * rate * cell.size;
        let (score, all_expected) = clusters.entry((cell.exposed, cell.cluster)).or_default();
        *score += (cell.events - expected) * weight;
        *all_expected += expected * weight;
    }
    let side = |of: bool| {
        let (mut squares, mut expected, mut expected_squared) = (0.0, 0.0, 0.0);
        for (score, e) in clusters.range((of, 0)..=(of, u64::MAX)).map(|(_, cluster)| cluster) {
            squares += score * score;
            expected += e;
            expected_squared += e * e;
        }
        let n = expected * expected / expected_squared;
        if n < FEWEST_CLUSTERS {
            return Err(CannotEstimate::TooFewClusters { found: n.round() as usize, needed: FEWEST_CLUSTERS.ceil() as usize });
        }
        Ok((n / (n - 1.0) * squares / (exposed * exposed), n - 1.0))
    };
    let ((v1, f1), (v0, f0)) = (side(true)?, side(false)?);
    let variance = v1 + v0;
    let log_width = (independent.upper / independent.lower).ln() / (2.0 * two_sided_z(independent.confidence)?);
    let factor = variance / (log_width * log_width);
    if !factor.is_finite() {
        return Err(CannotEstimate::NotFinite);
    }
    // Without any scatter the smaller side is as sure as the larger one.
    let degrees_of_freedom = if variance > 0.0 { variance * variance / (v1 * v1 / f1 + v0 * v0 / f0) } else { f1.min(f0) };
    Ok(ClusterSpread { factor: factor.max(1.0), degrees_of_freedom })
}

impl ClusterSpread {
    /// The ratio of independent units, widened.
    ///
    /// # Errors
    /// An interval that is not that of a ratio.
    pub fn widened(&self, independent: &Interval) -> Result<ClusteredRatio, CannotEstimate> {
        let Interval { estimate, lower, upper, confidence } = *independent;
        let error = (upper / lower).ln() / (2.0 * two_sided_z(confidence)?) * self.factor.sqrt();
        let width = (student(self.degrees_of_freedom, confidence)? * error).exp();
        Ok(ClusteredRatio {
            interval: Interval::new(estimate, estimate / width, estimate * width, confidence)?,
            p_value: student_p_value(estimate.ln() / error, self.degrees_of_freedom)?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;
    use crate::contingency::{RateTable, mantel_haenszel_rate_ratio};

    fn cell(cluster: u64, exposed: bool, events: f64, size: f64) -> Cell {
        Cell { cluster, stratum: 0, exposed, events, size }
    }

    /// One stratum; 10 and 30 events among the exposed in 100 each, 10 and 10 in the reference: r = (40/200) / (20/200) = 2 and R = 40/2 = 20.
    /// Exposed models miss their 20 by 10, times 1/2: sum u^2 = 2 * 25, on two models V1 = 2 * 50 / 400 = 1/4 with one degree of freedom. The
    /// reference does not scatter. The variance of independent events is 1/40 + 1/20 = 3/40: the factor is (1/4) / (3/40) = 10/3.
    #[test]
    fn two_models_against_two_by_hand() {
        let cells = [cell(1, true, 10.0, 100.0), cell(2, true, 30.0, 100.0), cell(3, false, 10.0, 100.0), cell(4, false, 10.0, 100.0)];
        let table = RateTable { exposed_events: 40, exposed_machine_years: 200.0, reference_events: 20, reference_machine_years: 200.0 };
        let independent = mantel_haenszel_rate_ratio(&[table], CONFIDENCE).unwrap();
        let spread = cluster_spread(&cells, &independent).unwrap();
        assert!((spread.factor - 10.0 / 3.0).abs() < 1e-9 && (spread.degrees_of_freedom - 1.0).abs() < 1e-9, "{spread:?}");
        let found = spread.widened(&independent).unwrap();
        // Student's quantile with one degree of freedom is 12.7062, times the standard error 1/2.
        assert!(((found.interval.upper / 2.0).ln() - 12.706_204_736 / 2.0).abs() < 1e-6);
        // P(|t| > ln 2 / (1/2)) = 1 - 2/pi atan(2 ln 2).
        assert!((found.p_value - (1.0 - 2.0 / std::f64::consts::PI * (2.0 * 2f64.ln()).atan())).abs() < 1e-9);
    }

    /// Models alike: no narrower than independent events, but for Student's quantile wider.
    #[test]
    fn models_alike_are_not_narrower() {
        let cells: Vec<Cell> = (0..40).map(|k| cell(k, k < 20, if k < 20 { 8.0 } else { 4.0 }, 100.0)).collect();
        let table =
            RateTable { exposed_events: 160, exposed_machine_years: 2_000.0, reference_events: 80, reference_machine_years: 2_000.0 };
        let independent = mantel_haenszel_rate_ratio(&[table], CONFIDENCE).unwrap();
        let spread = cluster_spread(&cells, &independent).unwrap();
        assert_eq!(spread.factor, 1.0);
        let found = spread.widened(&independent).unwrap().interval;
        assert!(found.lower < independent.lower && found.upper > independent.upper);
    }

    #[test]
    fn one_model_of_a_design_says_nothing_of_the_design() {
        let cells = [cell(1, true, 10.0, 100.0), cell(3, false, 10.0, 100.0), cell(4, false, 10.0, 100.0)];
        let independent = Interval::new(1.0, 0.5, 2.0, CONFIDENCE).unwrap();
        assert_eq!(cluster_spread(&cells, &independent), Err(CannotEstimate::TooFewClusters { found: 1, needed: 2 }));
        assert_eq!(cluster_spread(&cells[..1], &independent), Err(CannotEstimate::NoComparison));
        assert_eq!(cluster_spread(&[cell(1, true, 0.0, 1.0), cell(2, false, 1.0, 1.0)], &independent), Err(CannotEstimate::NoEvents));
        assert!(cluster_spread(&[cell(1, true, f64::NAN, 1.0)], &independent).is_err());
    }
}
