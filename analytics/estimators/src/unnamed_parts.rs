//! What the faults whose part nobody named add to the figures of the parts that were named.
//!
//! Of `found` faults `named` name their part. If a part goes unnamed no more often than another, each part had `f = found/named` times the faults
//! that name it, and so
//!
//! * its rate and its cumulative incidence are `f` times those of the named faults;
//! * its cumulative hazard is too, so that its survival is `S(t)^f`.
//!
//! `f` is the reciprocal of a share, whose logarithm has the variance `(1 - named/found)/named` (delta method). It is added to the variance that
//! the interval has on the scale on which it is multiplied: log for rates, log(-log) for survival.
//!
//! A figure of the named faults is a lower bound of that of all: it is given as it is recorded, with an interval that reaches from its own lower bound to the upper
//! bound of the figure raised (for survival, the other way round).
//!
//! Source: weighting by the reciprocal of the probability of being observed, Little & Rubin, Statistical Analysis with Missing Data, 3rd ed. 2019,
//! chapter 3 (from memory); the variance is the delta method's.
//! Assumes that whether the part is named has nothing to do with which part it was. Where parts that are seldom named fail, their figures stay too low.

use crate::distributions::two_sided_z;
use crate::{CannotEstimate, Interval};

/// How many faults were found, and of how many the part is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct NamedParts {
    pub named: u64,
    pub found: u64,
}

impl NamedParts {
    /// `f`; 1 where every part is named or nothing was found.
    ///
    /// # Errors
    /// Faults were found and no part is named; more are named than found.
    pub fn factor(&self) -> Result<f64, CannotEstimate> {
        match (self.named, self.found) {
            (_, 0) => Ok(1.0),
            (0, _) => Err(CannotEstimate::NoEvents),
            (named, found) if named > found => {
                Err(CannotEstimate::InvalidInput(format!("{named} parts are named in {found} faults found")))
            }
            (named, found) => Ok(found as f64 / named as f64),
        }
    }

    /// The variance of the logarithm of `f`.
    fn log_variance(&self) -> f64 {
        if self.named == 0 { 0.0 } else { (1.0 - self.named as f64 / self.found as f64) / self.named as f64 }
    }

    /// A rate or a cumulative incidence (at most 1) of named faults, raised by those not named.
    ///
    /// # Errors
    /// As [`NamedParts::factor`].
    pub fn raise(&self, of_named: &Interval) -> Result<Interval, CannotEstimate> {
        let factor = self.factor()?;
        let Interval { estimate, lower, upper, confidence } = *of_named;
        let own = two_sided_z(confidence)?.powi(2) * self.log_variance();
        let half = |ratio: f64| (ratio.ln().powi(2) + own).sqrt().exp();
        let below = if lower > 0.0 { estimate / half(estimate / lower) } else { 0.0 };
        let above = if estimate > 0.0 { estimate * half(upper / estimate) } else { upper * own.sqrt().exp() };
        Interval::new(estimate * factor, below * factor, above * factor, confidence)
    }

    /// A rate or a cumulative incidence (at most 1) of named faults, its interval widened by those not named.
    ///
    /// # Errors
    /// As [`NamedParts::factor`].
    pub fn allow(&self, of_named: &Interval) -> Result<Interval, CannotEstimate> {
        Ok(Interval { upper: self.raise(of_named)?.upper.max(of_named.upper), ..*of_named })
    }

    /// The survival of named faults, its interval widened by those not named.
    ///
    /// # Errors
    /// As [`NamedParts::factor`].
    pub fn allow_survival(&self, of_named: &Interval) -> Result<Interval, CannotEstimate> {
        Ok(Interval { lower: self.lower_survival(of_named)?.lower.min(of_named.lower), ..*of_named })
    }

    /// The survival of named faults, lowered by those not named.
    ///
    /// # Errors
    /// As [`NamedParts::factor`].
    pub fn lower_survival(&self, of_named: &Interval) -> Result<Interval, CannotEstimate> {
        if of_named.estimate >= 1.0 || of_named.estimate <= 0.0 {
            return Ok(*of_named);
        }
        let hazard = |survival: f64| -survival.max(f64::MIN_POSITIVE).ln();
        let Interval { estimate, lower, upper, confidence } = *of_named;
        let raised = self.raise(&Interval::new(hazard(estimate), hazard(upper), hazard(lower), confidence)?)?;
        Interval::new((-raised.estimate).exp(), (-raised.upper).exp(), (-raised.lower).exp(), confidence)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    /// Seven of ten faults name their part: 14 of them this one, in 100 machine-years. It had 20.
    #[test]
    fn a_rate_is_raised_by_the_faults_not_named() {
        let named = NamedParts { named: 7_000, found: 10_000 };
        let raised = named.raise(&Interval::new(0.14, 0.10, 0.20, CONFIDENCE).unwrap()).unwrap();
        assert!((raised.estimate - 0.2).abs() < 1e-12);
        // Of so many faults the share is known: the bounds move with the estimate.
        assert!((raised.lower - 0.1 / 0.7).abs() < 1e-3 && (raised.upper - 0.2 / 0.7).abs() < 1e-3, "{raised:?}");
        let few = NamedParts { named: 7, found: 10 }.raise(&Interval::new(0.14, 0.10, 0.20, CONFIDENCE).unwrap()).unwrap();
        assert!(few.lower < raised.lower && few.upper > raised.upper);
        let allowed = named.allow(&Interval::new(0.14, 0.10, 0.20, CONFIDENCE).unwrap()).unwrap();
        assert_eq!((allowed.estimate, allowed.lower, allowed.upper), (0.14, 0.10, raised.upper));
    }

    /// With the same factor the hazard is raised: 0.9 becomes 0.9^(10/7).
    #[test]
    fn survival_is_lowered_by_the_faults_not_named() {
        let named = NamedParts { named: 7_000, found: 10_000 };
        let lowered = named.lower_survival(&Interval::new(0.9, 0.85, 0.94, CONFIDENCE).unwrap()).unwrap();
        assert!((lowered.estimate - 0.9f64.powf(10.0 / 7.0)).abs() < 1e-12);
        assert!(lowered.lower < 0.85 && lowered.upper < 0.94);
        let allowed = named.allow_survival(&Interval::new(0.9, 0.85, 0.94, CONFIDENCE).unwrap()).unwrap();
        assert_eq!((allowed.estimate, allowed.lower, allowed.upper), (0.9, lowered.lower, 0.94));
        let certain = Interval::new(1.0, 0.98, 1.0, CONFIDENCE).unwrap();
        assert_eq!(named.lower_survival(&certain).unwrap(), certain);
    }

    #[test]
    fn nothing_named_says_nothing_of_parts() {
        let rate = Interval::new(0.1, 0.05, 0.2, CONFIDENCE).unwrap();
        assert_eq!(NamedParts { named: 0, found: 3 }.raise(&rate), Err(CannotEstimate::NoEvents));
        assert_eq!(NamedParts::default().raise(&rate).unwrap(), rate);
        let none = Interval::new(0.0, 0.0, 0.1, CONFIDENCE).unwrap();
        let raised = NamedParts { named: 50, found: 100 }.raise(&none).unwrap();
        assert!(raised.estimate == 0.0 && raised.upper > 0.2);
    }
}
