//! Many tests at once: p-values adjusted so that a threshold on the result controls errors over the whole family.
//!
//! With `m` p-values in ascending order `p(1) <= ... <= p(m)`:
//!
//! * **Benjamini-Hochberg** q-value `q(i) = min over j >= i of min(1, m p(j) / j)`: rejecting `q <= a` keeps the expected share of
//!   false discoveries at or below `a`. Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57:289.
//! * **Holm** adjusted p-value `max over j <= i of min(1, (m - j + 1) p(j))`: rejecting `<= a` keeps the chance of any false
//!   rejection at or below `a`. Holm 1979, Scand. J. Stat. 6:65.
//!
//! Assumptions: valid p-values; Benjamini-Hochberg also independence or positive dependence, Holm nothing more.

use crate::CannotEstimate;

/// Benjamini-Hochberg q-values, in the order of `p_values`.
///
/// # Errors
/// A p-value outside [0, 1].
pub fn benjamini_hochberg(p_values: &[f64]) -> Result<Vec<f64>, CannotEstimate> {
    let mut smallest = 1.0f64;
    let mut q_values = vec![0.0; p_values.len()];
    for (rank, index) in ascending(p_values)?.into_iter().enumerate().rev() {
        smallest = smallest.min(p_values[index] * p_values.len() as f64 / (rank + 1) as f64);
        q_values[index] = smallest;
    }
    Ok(q_values)
}

/// Holm adjusted p-values, in the order of `p_values`.
///
/// # Errors
/// A p-value outside [0, 1].
pub fn holm(p_values: &[f64]) -> Result<Vec<f64>, CannotEstimate> {
    let mut largest = 0.0f64;
    let mut adjusted = vec![0.0; p_values.len()];
    for (rank, index) in ascending(p_values)?.into_iter().enumerate() {
        largest = largest.max(p_values[index] * (p_values.len() - rank) as f64).min(1.0);
        adjusted[index] = largest;
    }
    Ok(adjusted)
}

fn ascending(p_values: &[f64]) -> Result<Vec<usize>, CannotEstimate> {
    if let Some(outside) = p_values.iter().find(|p| !(0.0..=1.0).contains(*p)) {
        return Err(CannotEstimate::InvalidInput(format!("p-values lie between 0 and 1, one is {outside}")));
    }
    let mut order: Vec<usize> = (0..p_values.len()).collect();
    order.sort_by(|&a, &b| p_values[a].total_cmp(&p_values[b]));
    Ok(order)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: &[f64], expected: &[f64]) {
        assert_eq!(found.len(), expected.len());
        for (x, y) in found.iter().zip(expected) {
            assert!((x - y).abs() < 1e-12, "{found:?} is not {expected:?}");
        }
    }

    /// Ranks of 1/4, 1/100, 3/100, 1/25 are 4, 1, 2, 3: m p / rank = 1/4, 4/100, 6/100, 16/300, and 6/100 falls to 16/300.
    #[test]
    fn four_p_values_by_hand() {
        let p_values = [1.0 / 4.0, 1.0 / 100.0, 3.0 / 100.0, 1.0 / 25.0];
        close(&benjamini_hochberg(&p_values).unwrap(), &[1.0 / 4.0, 4.0 / 100.0, 16.0 / 300.0, 16.0 / 300.0]);
        // (m - rank + 1) p = 1/4, 4/100, 9/100, 8/100, and 8/100 rises to 9/100.
        close(&holm(&p_values).unwrap(), &[1.0 / 4.0, 4.0 / 100.0, 9.0 / 100.0, 9.0 / 100.0]);
    }

    #[test]
    fn one_value_is_left_alone_and_none_give_none() {
        assert_eq!(benjamini_hochberg(&[0.3]), Ok(vec![0.3]));
        assert_eq!(holm(&[0.3]), Ok(vec![0.3]));
        assert_eq!(benjamini_hochberg(&[]), Ok(vec![]));
        assert_eq!(holm(&[]), Ok(vec![]));
    }

    #[test]
    fn values_never_exceed_one_or_fall_below_their_p() {
        let p_values = [0.9, 0.95, 1.0, 0.0, 0.5, 0.5];
        for adjusted in [benjamini_hochberg(&p_values).unwrap(), holm(&p_values).unwrap()] {
            assert!(adjusted.iter().zip(&p_values).all(|(q, p)| q >= p && *q <= 1.0));
        }
    }

    #[test]
    fn what_is_no_p_value_is_refused() {
        for p in [-0.1, 1.1, f64::NAN] {
            assert!(matches!(benjamini_hochberg(&[0.5, p]), Err(CannotEstimate::InvalidInput(_))));
            assert!(matches!(holm(&[p]), Err(CannotEstimate::InvalidInput(_))));
        }
    }
}
