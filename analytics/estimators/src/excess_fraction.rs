//! The cases (write-offs) of the exposed (sealed) beyond those at the risk of the others at the same ages, as a share of all cases: the excess fraction
//! (Greenland & Robins 1988, Am. J. Epidemiol. 128:1185, from memory). It is arithmetic on two risks and says nothing of what brought the difference about.
//!
//! With `A` cases among the exposed, `M` cases in all and `RR` the Mantel-Haenszel risk ratio over strata, it is
//! `A / M (1 - 1 / RR)` (Miettinen 1974, Am. J. Epidemiol. 99:325). Strata in which one of the groups is missing say
//! nothing about `RR`, and their cases count in `M` only. It may be negative, where the exposed fare better.
//!
//! Interval: percentiles of Poisson bootstrap resamples, which draw every cell anew with its count as the mean (each record is used a Poisson
//! number of times; Hanley & MacGibbon 2006, Comput. Methods Programs Biomed. 83:57), so that `A`, `M` and `RR` vary together. A cell
//! of none stays none.
//!
//! Assumption: records independent.

use rand::SeedableRng;
use rand_distr::{Distribution, Poisson};
use rand_pcg::Pcg64Mcg;

use crate::contingency::RiskTable;
use crate::distributions::two_sided_error;
use crate::{CannotEstimate, Interval};

/// Fewer cases than this on either side give no share: our own least number for a percentile interval.
pub const FEWEST_CASES: u64 = 5;

/// Exposed cases, exposed others, reference cases, reference others of one stratum.
type Cells = [f64; 4];

/// `cases` is `M`, all cases, with those of the strata; the same seed gives the same interval.
///
/// # Errors
/// Fewer than [`FEWEST_CASES`] cases among the exposed or the others in strata that hold both, more events than totals or fewer `cases` than
/// the strata hold, a confidence level outside (0, 1).
pub fn excess_fraction(strata: &[RiskTable], cases: u64, resamples: usize, seed: u64, confidence: f64) -> Result<Interval, CannotEstimate> {
    let tail = two_sided_error(confidence)? / 2.0;
    if strata.iter().any(|s| s.exposed_events > s.exposed_total || s.reference_events > s.reference_total) {
        return Err(CannotEstimate::InvalidInput("there are more events than records".to_owned()));
    }
    let comparable: Vec<&RiskTable> = strata.iter().filter(|s| s.exposed_total > 0 && s.reference_total > 0).collect();
    let exposed: u64 = comparable.iter().map(|s| s.exposed_events).sum();
    let reference: u64 = comparable.iter().map(|s| s.reference_events).sum();
    let found = exposed.min(reference);
    if found < FEWEST_CASES {
        return Err(CannotEstimate::TooFewEvents { found: found as usize, needed: FEWEST_CASES as usize });
    }
    let Some(other_cases) = cases.checked_sub(exposed + reference) else {
        return Err(CannotEstimate::InvalidInput("the strata hold more cases than there are".to_owned()));
    };
    let cells: Vec<Cells> = comparable
        .iter()
        .map(|s| {
            let rest = [s.exposed_total - s.exposed_events, s.reference_total - s.reference_events];
            [s.exposed_events, rest[0], s.reference_events, rest[1]].map(|count| count as f64)
        })
        .collect();
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut draw = |mean: f64| if mean > 0.0 { Poisson::new(mean).map_or(f64::NAN, |poisson| poisson.sample(&mut random)) } else { 0.0 };
    let mut resampled: Vec<f64> = Vec::with_capacity(resamples);
    for _ in 0..resamples {
        let drawn: Vec<Cells> = cells.iter().map(|cells| cells.map(&mut draw)).collect();
        let share = fraction(&drawn, draw(other_cases as f64));
        if share.is_finite() {
            resampled.push(share);
        }
    }
    if resampled.len() * 2 < resamples.max(1) {
        return Err(CannotEstimate::NotFinite);
    }
    resampled.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| resampled[((resampled.len() as f64 * share) as usize).min(resampled.len() - 1)];
    Interval::new(fraction(&cells, other_cases as f64), at(tail), at(1.0 - tail), confidence)
}

/// `A / M (1 - 1 / RR)`.
fn fraction(strata: &[Cells], other_cases: f64) -> f64 {
    let (mut exposed_weighted, mut reference_weighted, mut exposed, mut cases) = (0.0, 0.0, 0.0, other_cases);
    for [a, b, c, d] in strata {
        let total = a + b + c + d;
        if total > 0.0 {
            exposed_weighted += a * (c + d) / total;
            reference_weighted += c * (a + b) / total;
        }
        exposed += a;
        cases += a + c;
    }
    exposed / cases * (1.0 - reference_weighted / exposed_weighted)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;
    use rand_distr::Binomial;

    fn table(exposed: [u64; 2], reference: [u64; 2]) -> RiskTable {
        RiskTable { exposed_events: exposed[0], exposed_total: exposed[1], reference_events: reference[0], reference_total: reference[1] }
    }

    /// Risks 60/100 and 20/100: two thirds of the 60 exposed cases are in excess, 40 of 100 cases in all.
    #[test]
    fn one_stratum_by_hand() {
        let share = excess_fraction(&[table([60, 100], [20, 100])], 100, 999, 1, CONFIDENCE).unwrap();
        assert!((share.estimate - 40.0 / 100.0).abs() < 1e-12, "{share:?}");
        assert!(share.lower > 0.25 && share.upper < 0.55, "{share:?}");
    }

    /// A stratum without reference counts its cases among all cases only: they come in by `cases`.
    #[test]
    fn what_cannot_be_compared_is_no_excess() {
        let strata = [table([60, 100], [20, 100]), table([30, 30], [0, 0])];
        let share = excess_fraction(&strata, 130, 999, 1, CONFIDENCE).unwrap();
        assert!((share.estimate - 40.0 / 130.0).abs() < 1e-12);
    }

    #[test]
    fn equal_risks_leave_nothing_and_few_cases_say_nothing() {
        let share = excess_fraction(&[table([30, 100], [30, 100])], 60, 999, 1, CONFIDENCE).unwrap();
        assert!(share.estimate.abs() < 1e-12 && share.lower < 0.0 && share.upper > 0.0);
        let few = excess_fraction(&[table([60, 100], [4, 100])], 100, 999, 1, CONFIDENCE);
        assert_eq!(few, Err(CannotEstimate::TooFewEvents { found: 4, needed: 5 }));
        assert!(matches!(excess_fraction(&[table([60, 100], [20, 100])], 79, 999, 1, CONFIDENCE), Err(CannotEstimate::InvalidInput(_))));
    }

    /// Known truth: two age bands with a risk ratio of 3, other cases besides; 95 % intervals cover 93-97 %.
    #[test]
    fn intervals_cover_the_truth() {
        let (sizes, risks, ratio, others) = ([(120u64, 80u64), (90, 150)], [0.15, 0.25], 3.0, 60.0);
        let exposed: f64 = sizes.iter().zip(risks).map(|((n, _), p)| *n as f64 * p * ratio).sum();
        let reference: f64 = sizes.iter().zip(risks).map(|((_, n), p)| *n as f64 * p).sum();
        let truth = exposed / (exposed + reference + others) * (1.0 - 1.0 / ratio);
        let mut random = Pcg64Mcg::seed_from_u64(7);
        let runs = 1_000;
        let covered = (0..runs)
            .filter(|run| {
                let strata: Vec<RiskTable> = sizes
                    .iter()
                    .zip(risks)
                    .map(|((exposed, reference), p)| {
                        let a = Binomial::new(*exposed, p * ratio).unwrap().sample(&mut random);
                        let c = Binomial::new(*reference, p).unwrap().sample(&mut random);
                        table([a, *exposed], [c, *reference])
                    })
                    .collect();
                let cases: u64 = strata.iter().map(|s| s.exposed_events + s.reference_events).sum();
                let others = Poisson::new(others).unwrap().sample(&mut random) as u64;
                let share = excess_fraction(&strata, cases + others, 499, *run, CONFIDENCE).unwrap();
                share.lower <= truth && truth <= share.upper
            })
            .count();
        let coverage = covered as f64 / runs as f64;
        assert!((0.93..=0.975).contains(&coverage), "coverage {coverage}");
    }
}
