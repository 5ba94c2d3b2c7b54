//! Spearman's rank correlation: whether two measures put things in the same order.
//!
//! Ties share the mean of their ranks; `r` is Pearson's correlation of the ranks. Interval by Fisher's transformation,
//! `tanh(atanh(r) +- z sqrt((1 + r^2 / 2) / (n - 3)))`: Bonett & Wright 2000, Psychometrika 65:23.
//!
//! Assumptions: pairs independent; noise in either measure pulls the coefficient towards zero.

use crate::distributions::two_sided_z;
use crate::{CannotEstimate, Interval};

/// Fewer pairs than this give no coefficient, as the interval asks for.
pub const FEWEST_PAIRS: usize = 10;

/// The coefficient of pairs.
///
/// # Errors
/// Fewer than [`FEWEST_PAIRS`] pairs, a measure that is the same for all, values that are not finite.
pub fn spearman(pairs: &[(f64, f64)], confidence: f64) -> Result<Interval, CannotEstimate> {
    if pairs.len() < FEWEST_PAIRS {
        return Err(CannotEstimate::TooFewObservations { found: pairs.len(), needed: FEWEST_PAIRS });
    }
    if pairs.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return Err(CannotEstimate::NotFinite);
    }
    let x = ranks(pairs.iter().map(|pair| pair.0));
    let y = ranks(pairs.iter().map(|pair| pair.1));
    let n = pairs.len() as f64;
    let middle = (n + 1.0) / 2.0;
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| (a - middle) * (b - middle)).sum::<f64>();
    let spread = (product(&x, &x) * product(&y, &y)).sqrt();
    if spread == 0.0 {
        return Err(CannotEstimate::NoVariation);
    }
    let r = (product(&x, &y) / spread).clamp(-1.0, 1.0);
    if r.abs() >= 1.0 {
        return Interval::new(r, r, r, confidence);
    }
    let half_width = two_sided_z(confidence)? * ((1.0 + r * r / 2.0) / (n - 3.0)).sqrt();
    Interval::new(r, (r.atanh() - half_width).tanh(), (r.atanh() + half_width).tanh(), confidence)
}

/// Ranks from 1, ties at the mean of their places.
fn ranks(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let values: Vec<f64> = values.collect();
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut start = 0;
    while start < order.len() {
        let tied = order[start..].iter().take_while(|&&i| values[i] == values[order[start]]).count();
        for &i in &order[start..start + tied] {
            ranks[i] = (2 * start + tied + 1) as f64 / 2.0;
        }
        start += tied;
    }
    ranks
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    /// Without ties `r = 1 - 6 sum d^2 / (n (n^2 - 1))`. Ten pairs in order but for the first two and the last two, which are swapped: four
    /// differences of 1, `r = 1 - 24/990`.
    #[test]
    fn ten_pairs_by_hand() {
        let y = [2.0, 1.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 10.0, 9.0];
        let pairs: Vec<(f64, f64)> = y.iter().enumerate().map(|(x, y)| (x as f64, *y)).collect();
        let found = spearman(&pairs, CONFIDENCE).unwrap();
        assert!((found.estimate - (1.0 - 24.0 / 990.0)).abs() < 1e-12);
        assert!(found.lower > 0.85 && found.upper < 1.0);
    }

    #[test]
    fn ties_share_their_rank() {
        assert_eq!(ranks([5.0, 1.0, 5.0, 2.0].into_iter()), [3.5, 1.0, 3.5, 2.0]);
    }

    #[test]
    fn what_says_nothing() {
        let level: Vec<(f64, f64)> = (0..12).map(|x| (f64::from(x), 1.0)).collect();
        assert_eq!(spearman(&level, CONFIDENCE), Err(CannotEstimate::NoVariation));
        assert_eq!(spearman(&level[..9], CONFIDENCE), Err(CannotEstimate::TooFewObservations { found: 9, needed: 10 }));
    }
}
