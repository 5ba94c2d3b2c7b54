//! Many comparisons in one list: which of them show a difference once it is allowed for that there are many.
//!
//! The p-value of each is read back from its 95 % interval on the scale on which the interval is symmetric, `z = (t(estimate) - t(null)) / se` with
//! `se = (t(upper) - t(lower)) / (2 z_0.975)` (Altman & Bland 2011, BMJ 343:d2304), and turned into a q-value over the list
//! ([`crate::multiplicity::benjamini_hochberg`]).
//!
//! Assumptions: intervals near enough symmetric on that scale; comparisons independent or positively dependent.

use crate::distributions::{normal_cdf, two_sided_z};
use crate::multiplicity::benjamini_hochberg;
use crate::{CannotEstimate, Interval};

/// Largest q-value at which a difference counts as shown.
pub const LARGEST_Q: f64 = 0.05;

/// The scale on which an interval is symmetric.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Shares and differences.
    Linear,
    /// Ratios.
    Logarithm,
    /// Correlations: the inverse hyperbolic tangent.
    Fisher,
}

/// An estimate against the value that means no difference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    pub interval: Interval,
    pub no_difference: f64,
    pub scale: Scale,
}

/// What one comparison shows among all of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shows {
    /// The interval leaves no difference out and the q-value is small enough.
    Difference,
    /// The interval includes no difference.
    NoDifference,
    /// The interval leaves it out, but among so many comparisons that may be chance.
    TooManyCompared,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    pub p_value: f64,
    pub q_value: f64,
    pub shows: Shows,
}

/// Judges all comparisons of a list, in its order.
///
/// # Errors
/// An interval without width or outside its scale.
pub fn judge(comparisons: &[Comparison]) -> Result<Vec<Judgement>, CannotEstimate> {
    let p_values = comparisons.iter().map(p_value).collect::<Result<Vec<f64>, _>>()?;
    let q_values = benjamini_hochberg(&p_values)?;
    let judged = comparisons.iter().zip(p_values).zip(q_values).map(|((comparison, p_value), q_value)| {
        let Comparison { interval, no_difference, .. } = comparison;
        let shows = match (interval.lower..=interval.upper).contains(no_difference) {
            true => Shows::NoDifference,
            false if q_value <= LARGEST_Q => Shows::Difference,
            false => Shows::TooManyCompared,
        };
        Judgement { p_value, q_value, shows }
    });
    Ok(judged.collect())
}

fn p_value(comparison: &Comparison) -> Result<f64, CannotEstimate> {
    let Comparison { interval, no_difference, scale } = comparison;
    let on_scale = |value: f64| match scale {
        Scale::Linear => value,
        Scale::Logarithm => value.ln(),
        Scale::Fisher => value.atanh(),
    };
    let standard_error = (on_scale(interval.upper) - on_scale(interval.lower)) / (2.0 * two_sided_z(interval.confidence)?);
    let p = 2.0 * normal_cdf(-((on_scale(interval.estimate) - on_scale(*no_difference)) / standard_error).abs());
    // Never quite impossible: the smallest number stands for what is smaller still.
    if p.is_finite() { Ok(p.max(f64::MIN_POSITIVE)) } else { Err(CannotEstimate::NotFinite) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    const Z: f64 = 1.959_963_984_540_054;

    fn of(estimate: f64, half_width: f64, no_difference: f64) -> Comparison {
        let interval = Interval::new(estimate, estimate - half_width, estimate + half_width, CONFIDENCE).unwrap();
        Comparison { interval, no_difference, scale: Scale::Linear }
    }

    /// One standard error away is p = 0.3173, two are 0.0455 (standard normal table); an interval that just touches has p = 0.05.
    #[test]
    fn p_values_by_the_normal_table() {
        let judged = judge(&[of(1.0, Z, 0.0), of(2.0, Z, 0.0)]).unwrap();
        assert!((judged[0].p_value - 0.3173).abs() < 5e-5 && (judged[1].p_value - 0.0455).abs() < 5e-5, "{judged:?}");
        let touching = judge(&[of(Z, Z, 0.0)]).unwrap();
        assert!((touching[0].p_value - 0.05).abs() < 1e-9);
    }

    #[test]
    fn ratios_and_correlations_on_their_own_scales() {
        let ratio = Comparison {
            interval: Interval::new(2.0, 2.0 / Z.exp(), 2.0 * Z.exp(), CONFIDENCE).unwrap(),
            no_difference: 1.0,
            scale: Scale::Logarithm,
        };
        let correlation = Comparison {
            interval: Interval::new(1f64.tanh(), (1.0 - Z).tanh(), (1.0 + Z).tanh(), CONFIDENCE).unwrap(),
            no_difference: 0.0,
            scale: Scale::Fisher,
        };
        let judged = judge(&[ratio, correlation]).unwrap();
        assert!((judged[0].p_value - 2.0 * normal_cdf(-2f64.ln())).abs() < 1e-9);
        assert!((judged[1].p_value - 0.3173).abs() < 5e-5);
    }

    /// p = 0.0455 alone shows a difference; among twenty that show none, its q-value is 0.91 and it does not.
    #[test]
    fn one_in_twenty_is_chance() {
        assert_eq!(judge(&[of(2.0, Z, 0.0)]).unwrap()[0].shows, Shows::Difference);
        let mut many = vec![of(2.0, Z, 0.0)];
        many.extend([of(0.1, Z, 0.0); 19]);
        let judged = judge(&many).unwrap();
        assert_eq!(judged[0].shows, Shows::TooManyCompared);
        assert!(judged[1..].iter().all(|judgement| judgement.shows == Shows::NoDifference));
        assert!((judged[0].q_value - 20.0 * judged[0].p_value).abs() < 1e-12);
    }

    #[test]
    fn an_interval_without_width_is_refused() {
        assert_eq!(judge(&[of(1.0, 0.0, 1.0)]), Err(CannotEstimate::NotFinite));
    }
}
