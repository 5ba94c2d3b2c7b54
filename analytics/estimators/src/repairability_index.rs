//! The arithmetic of the French repairability index: sub-scores of a declared sheet to points out of 100 and the index out of 10.
//!
//! Five criteria of 20 points each; a sub-score out of 10 counts with its coefficient: documentation x2; disassembly: depth x1, tools x0.5,
//! fasteners x0.5; parts: years for professionals x1, years for consumers x0.5, delivery to professionals x0.3, delivery to consumers
//! x0.2; price x2; specific criteria x2 in all. Decree 2020-1757 and order of 29 December 2020; for washing machines replaced by
//! the durability index in April 2025. The index is shown to one decimal.
//!
//! Published sheets show their sub-scores to one decimal, so that points computed from them may differ from those printed by up to
//! half a tenth times the coefficients ([`ROUNDING_POINTS`]).

use crate::CannotEstimate;

/// Sub-scores, each from 0 to 10, as a maker declared them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sheet {
    pub documentation: f64,
    pub disassembly_depth: f64,
    pub tools: f64,
    pub fasteners: f64,
    pub availability_professional: f64,
    pub availability_consumer: f64,
    pub delivery_professional: f64,
    pub delivery_consumer: f64,
    pub price: f64,
    /// The specific criteria together, weighted by their own coefficients to a sub-score out of 10.
    pub specific: f64,
}

/// Points by criterion, out of 20 each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Points {
    pub documentation: f64,
    pub disassembly: f64,
    pub parts: f64,
    pub price: f64,
    pub specific: f64,
}

/// How far points from a printed sheet may lie from the printed total: the coefficients add up to 10, each sub-score is rounded by at most 0.05.
pub const ROUNDING_POINTS: f64 = 0.5;

/// Points of a sheet.
///
/// # Errors
/// A sub-score outside 0 to 10.
pub fn points(sheet: &Sheet) -> Result<Points, CannotEstimate> {
    let points = Points {
        documentation: weighted(&[(sheet.documentation, 2.0)])?,
        disassembly: weighted(&[(sheet.disassembly_depth, 1.0), (sheet.tools, 0.5), (sheet.fasteners, 0.5)])?,
        parts: weighted(&[
            (sheet.availability_professional, 1.0),
            (sheet.availability_consumer, 0.5),
            (sheet.delivery_professional, 0.3),
            (sheet.delivery_consumer, 0.2),
        ])?,
        price: weighted(&[(sheet.price, 2.0)])?,
        specific: weighted(&[(sheet.specific, 2.0)])?,
    };
    Ok(points)
}

impl Points {
    /// Out of 100.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.documentation + self.disassembly + self.parts + self.price + self.specific
    }

    /// Out of 10, to one decimal.
    #[must_use]
    pub fn index(&self) -> f64 {
        // Twelve decimals first, so that 69.55 from binary fractions counts as 69.55.
        let total = (self.total() * 1e12).round() / 1e12;
        total.round() / 10.0
    }
}

/// Specific criteria with their coefficients, which add up to 2, as one sub-score out of 10.
///
/// # Errors
/// A sub-score outside 0 to 10, coefficients that do not add up to 2.
pub fn specific_sub_score(scores: &[(f64, f64)]) -> Result<f64, CannotEstimate> {
    let coefficients: f64 = scores.iter().map(|(_, coefficient)| coefficient).sum();
    if (coefficients - 2.0).abs() > 1e-9 {
        return Err(CannotEstimate::InvalidInput(format!("the coefficients of specific criteria add up to 2, these to {coefficients}")));
    }
    Ok(weighted(scores)? / 2.0)
}

fn weighted(scores: &[(f64, f64)]) -> Result<f64, CannotEstimate> {
    match scores.iter().find(|(score, _)| !(0.0..=10.0).contains(score)) {
        Some((outside, _)) => Err(CannotEstimate::InvalidInput(format!("sub-scores lie between 0 and 10, one is {outside}"))),
        None => Ok(scores.iter().map(|(score, coefficient)| score * coefficient).sum()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: fn(f64) -> Sheet = |score| Sheet {
        documentation: score,
        disassembly_depth: score,
        tools: score,
        fasteners: score,
        availability_professional: score,
        availability_consumer: score,
        delivery_professional: score,
        delivery_consumer: score,
        price: score,
        specific: score,
    };

    /// A published sheet of a washing machine: 7.7 | 8.7, 10, 10 | 7.1, 6.4, 10, 9 | 6.0 | 5.0 (x1), 0 (x0.5), 6.7 (x0.5), printed as
    /// 69.5 points and 7.0. From the sub-scores as printed the sum is 15.4 + 18.7 + 15.1 + 12 + 8.35 = 69.55, and the last 6.7 may
    /// stand for two thirds of 10, which gives 69.53.
    #[test]
    fn a_published_sheet() {
        let specific = |last: f64| specific_sub_score(&[(5.0, 1.0), (0.0, 0.5), (last, 0.5)]).unwrap();
        let sheet = |last: f64| Sheet {
            documentation: 7.7,
            disassembly_depth: 8.7,
            tools: 10.0,
            fasteners: 10.0,
            availability_professional: 7.1,
            availability_consumer: 6.4,
            delivery_professional: 10.0,
            delivery_consumer: 9.0,
            price: 6.0,
            specific: specific(last),
        };
        let printed = points(&sheet(6.7)).unwrap();
        for (found, by_hand) in [
            (printed.documentation, 15.4),
            (printed.disassembly, 18.7),
            (printed.parts, 15.1),
            (printed.price, 12.0),
            (printed.specific, 8.35),
            (printed.total(), 69.55),
        ] {
            assert!((found - by_hand).abs() < 1e-9, "{found} is not {by_hand}");
        }
        assert!((printed.total() - 69.5).abs() <= ROUNDING_POINTS);
        assert_eq!(printed.index(), 7.0);
        let unrounded = points(&sheet(20.0 / 3.0)).unwrap();
        assert!((unrounded.total() - 69.5).abs() < 0.05, "{}", unrounded.total());
        assert_eq!(unrounded.index(), 7.0);
    }

    #[test]
    fn the_ends_of_the_scale() {
        for (score, total, index) in [(0.0, 0.0, 0.0), (10.0, 100.0, 10.0), (5.0, 50.0, 5.0)] {
            let points = points(&ALL(score)).unwrap();
            assert!((points.total() - total).abs() < 1e-9);
            assert_eq!(points.index(), index);
        }
    }

    #[test]
    fn scores_outside_the_scale_are_refused() {
        for score in [-0.1, 10.1, f64::NAN] {
            assert!(matches!(points(&ALL(score)), Err(CannotEstimate::InvalidInput(_))));
        }
        assert!(matches!(specific_sub_score(&[(5.0, 1.0)]), Err(CannotEstimate::InvalidInput(_))));
    }
}
