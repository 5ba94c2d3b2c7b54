//! Strengths of the fault odds that make held-out jobs most likely.
//!
//! Maximised: the sum over held-out jobs of `ln P(fault)` under counts that do not hold those jobs, less
//! `(ln(x / x0) / 3)^2 / 2` for each strength `x` with default `x0`: so weak a prior (a factor of 20 either way is within one and a
//! spread) that it only decides where the jobs do not. One strength after the other by Brent's method, in rounds.

use super::complaint::{Said, Weights};
use super::{CategoryCounts, CategoryOdds, GroupCounts, Kind, Question, Settings};
use crate::CannotEstimate;
use crate::numeric::arg_max;

/// Held-out jobs that ask the same of one category: the same kind, age band and complaint, with the same answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeldOut {
    pub category: usize,
    /// Position of the kind among the category's kinds.
    pub kind: usize,
    pub age_band: Option<usize>,
    pub complaint: Option<Said>,
    /// The component that turned out to be at fault.
    pub fault: usize,
    pub jobs: u32,
}

/// The counts of one category and of the kinds of machine in it (brand, platform, model).
#[derive(Debug, Clone)]
pub struct Training<'a> {
    pub counts: &'a CategoryCounts,
    pub weights: &'a Weights,
    pub kinds: Vec<[Option<&'a GroupCounts>; 3]>,
}

const ROUNDS: usize = 2;
const PRIOR_SPREAD: f64 = 3.0;
/// Smallest and largest natural logarithm of a strength.
const RANGE: (f64, f64) = (-3.0, 10.0);

/// One number of the settings on an unbounded scale.
struct Coordinate {
    get: fn(&Settings) -> f64,
    set: fn(&mut Settings, f64),
    range: (f64, f64),
}

macro_rules! strength {
    ($($field:tt)+) => {
        Coordinate { get: |s| s.$($field)+.ln(), set: |s, x| s.$($field)+ = x.exp(), range: RANGE }
    };
}

const COORDINATES: [Coordinate; 6] = [
    strength!(age_strength),
    Coordinate {
        get: |s| (s.age_reach / (1.0 - s.age_reach)).ln(),
        set: |s, x| s.age_reach = 1.0 / (1.0 + (-x).exp()),
        range: (-6.0, 5.0),
    },
    strength!(group_strengths[0]),
    strength!(group_strengths[1]),
    strength!(group_strengths[2]),
    strength!(category_strength),
];

/// The settings under which the held-out jobs are most likely.
///
/// # Errors
/// No held-out job, counts that do not fit together, or no convergence.
pub fn fit(training: &[Training<'_>], held_out: &[HeldOut]) -> Result<Settings, CannotEstimate> {
    if held_out.iter().all(|asked| asked.jobs == 0) {
        return Err(CannotEstimate::NoObservations);
    }
    let start = Settings::default();
    log_likelihood(training, held_out, &start)?;
    let mut settings = start;
    for _ in 0..ROUNDS {
        for coordinate in &COORDINATES {
            let at = |x: f64| {
                let mut tried = settings;
                (coordinate.set)(&mut tried, x);
                let penalty = ((x - (coordinate.get)(&start)) / PRIOR_SPREAD).powi(2) / 2.0;
                log_likelihood(training, held_out, &tried).map_or(f64::NEG_INFINITY, |likelihood| likelihood - penalty)
            };
            let best = arg_max(at, coordinate.range.0, coordinate.range.1)?;
            (coordinate.set)(&mut settings, best);
        }
    }
    Ok(settings)
}

/// Sum over held-out jobs of the logarithm of the probability of what turned out to be at fault.
///
/// # Errors
/// Positions that the counts do not have.
pub fn log_likelihood(training: &[Training<'_>], held_out: &[HeldOut], settings: &Settings) -> Result<f64, CannotEstimate> {
    let mut sum = 0.0;
    each_answer(training, held_out, settings, &mut |asked, probabilities| {
        sum += f64::from(asked.jobs) * probabilities[asked.fault].ln();
    })?;
    Ok(sum)
}

/// Hands every held-out question with its probabilities to `take`; questions of categories without any training job are answered
/// with equal probabilities.
///
/// # Errors
/// Positions that the counts do not have.
pub fn each_answer(
    training: &[Training<'_>],
    held_out: &[HeldOut],
    settings: &Settings,
    take: &mut dyn FnMut(&HeldOut, &[f64]),
) -> Result<(), CannotEstimate> {
    let odds: Vec<Option<CategoryOdds<'_>>> =
        training.iter().map(|category| CategoryOdds::new(category.counts, category.weights, settings).ok()).collect();
    let mut known: Vec<Vec<Option<Kind>>> = training.iter().map(|category| vec![None; category.kinds.len()]).collect();
    for asked in held_out {
        let unknown = || CannotEstimate::InvalidInput(format!("the counts do not have what is asked: {asked:?}"));
        let category = training.get(asked.category).ok_or_else(unknown)?;
        let components = category.counts.faults_by_age.len();
        let kind = category.kinds.get(asked.kind).ok_or_else(unknown)?;
        if asked.fault >= components {
            return Err(unknown());
        }
        let Some(odds) = &odds[asked.category] else {
            take(asked, &vec![1.0 / components as f64; components]);
            continue;
        };
        let known = &mut known[asked.category][asked.kind];
        odds.check(&Question { groups: *kind, age_band: asked.age_band, complaint: asked.complaint.as_ref() })?;
        let kind = known.get_or_insert_with(|| odds.kind(kind));
        take(asked, &odds.probabilities(kind, asked.age_band, asked.complaint.as_ref()));
    }
    Ok(())
}
