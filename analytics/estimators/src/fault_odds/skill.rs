//! How good probabilities turned out to be, on jobs that were not used to make them.
//!
//! * **Log loss**: mean of `-ln p` of what turned out to be true; normal interval over jobs.
//! * **Top 1, top 3**: share of jobs whose fault was among the one (three) most probable; Wilson interval. Ties count half-way: a
//!   fault that shares its probability with others is placed in the middle of them.
//! * **Calibration**: jobs grouped by the probability of the most probable component; in each group the mean probability is held
//!   against the share of jobs in which it was at fault. Expected calibration error: the mean absolute difference, weighted by jobs
//!   (Naeini et al. 2015, Proc. AAAI 29; Guo et al. 2017, Proc. ICML 70:1321; from memory). Its interval resamples hits within the
//!   groups (seeded); chance alone makes the error positive, so that it leans upwards.
//! * **Gain**: mean difference of log loss between two predictors on the same jobs, with a paired normal interval.

use rand::SeedableRng;
use rand_distr::{Binomial, Distribution};
use rand_pcg::Pcg64Mcg;

use crate::binomial::wilson;
use crate::distributions::{two_sided_error, two_sided_z};
use crate::quantile::quantile;
use crate::{CannotEstimate, Interval};

/// Number of calibration groups, of equal width from 0 to 1.
pub const CALIBRATION_BINS: usize = 10;

const RESAMPLES: usize = 1_000;
const SEED: u64 = 1;

/// Jobs whose leading component had a probability in one tenth of 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CalibrationBin {
    pub jobs: u64,
    /// Those in which the leading component was at fault.
    pub hits: u64,
    /// Sum over jobs of the leading probability.
    pub probability_sum: f64,
}

/// A running tally of answers against what turned out to be true.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SkillTally {
    pub jobs: u64,
    loss_sum: f64,
    loss_squares: f64,
    top_1: f64,
    top_3: f64,
    pub bins: [CalibrationBin; CALIBRATION_BINS],
}

impl SkillTally {
    /// Adds jobs that were given these probabilities and turned out to have the fault at position `fault`.
    pub fn add(&mut self, probabilities: &[f64], fault: usize, jobs: u32) {
        let Some(given) = probabilities.get(fault).copied() else { return };
        let times = f64::from(jobs);
        let loss = -given.max(f64::MIN_POSITIVE).ln();
        self.jobs += u64::from(jobs);
        self.loss_sum += times * loss;
        self.loss_squares += times * loss * loss;
        let higher = probabilities.iter().filter(|p| **p > given).count();
        let level = probabilities.iter().filter(|p| **p == given).count();
        let among = |places: usize| (places.saturating_sub(higher) as f64 / level as f64).min(1.0);
        self.top_1 += times * among(1);
        self.top_3 += times * among(3);
        let leading = probabilities.iter().copied().fold(0.0, f64::max);
        let bin = &mut self.bins[((leading * CALIBRATION_BINS as f64) as usize).min(CALIBRATION_BINS - 1)];
        bin.jobs += u64::from(jobs);
        bin.probability_sum += times * leading;
        if given >= leading {
            bin.hits += u64::from(jobs);
        }
    }

    /// Mean log loss per job, in nats.
    ///
    /// # Errors
    /// Fewer than two jobs, or a confidence level outside (0, 1).
    pub fn log_loss(&self, confidence: f64) -> Result<Interval, CannotEstimate> {
        let (mean, half) = mean_and_half_width(self.jobs, self.loss_sum, self.loss_squares, confidence)?;
        Interval::new(mean, (mean - half).max(0.0), mean + half, confidence)
    }

    /// Share of jobs whose fault was the most probable one.
    ///
    /// # Errors
    /// No jobs, or a confidence level outside (0, 1).
    pub fn top_1(&self, confidence: f64) -> Result<Interval, CannotEstimate> {
        wilson(self.top_1.round() as u64, self.jobs, confidence)
    }

    /// Share of jobs whose fault was among the three most probable ones.
    ///
    /// # Errors
    /// No jobs, or a confidence level outside (0, 1).
    pub fn top_3(&self, confidence: f64) -> Result<Interval, CannotEstimate> {
        wilson(self.top_3.round() as u64, self.jobs, confidence)
    }

    /// Mean absolute difference between stated probability and observed share.
    ///
    /// # Errors
    /// No jobs, or a confidence level outside (0, 1).
    pub fn expected_calibration_error(&self, confidence: f64) -> Result<Interval, CannotEstimate> {
        let tail = two_sided_error(confidence)? / 2.0;
        if self.jobs == 0 {
            return Err(CannotEstimate::NoObservations);
        }
        let error = |hits: &mut dyn FnMut(&CalibrationBin) -> f64| {
            self.bins.iter().map(|bin| (bin.probability_sum - hits(bin)).abs()).sum::<f64>() / self.jobs as f64
        };
        let mut random = Pcg64Mcg::seed_from_u64(SEED);
        let mut resampled = Vec::with_capacity(RESAMPLES);
        for _ in 0..RESAMPLES {
            resampled.push(error(&mut |bin| {
                let share = bin.hits as f64 / bin.jobs.max(1) as f64;
                Binomial::new(bin.jobs, share).map_or(bin.hits as f64, |hits| hits.sample(&mut random) as f64)
            }));
        }
        resampled.sort_by(f64::total_cmp);
        let bound = |probability| quantile(&resampled, probability);
        // Resampling adds its own scatter to an absolute difference, so that the difference found may lie below the bounds.
        let found = error(&mut |bin| bin.hits as f64);
        Interval::new(found, bound(tail)?.min(found), bound(1.0 - tail)?.max(found), confidence)
    }
}

/// Differences of log loss on the same jobs: how much the first predictor is better than the second.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct GainTally {
    jobs: u64,
    sum: f64,
    squares: f64,
}

impl GainTally {
    /// Adds jobs whose fault got these two probabilities.
    pub fn add(&mut self, first: f64, second: f64, jobs: u32) {
        let gain = first.max(f64::MIN_POSITIVE).ln() - second.max(f64::MIN_POSITIVE).ln();
        self.jobs += u64::from(jobs);
        self.sum += f64::from(jobs) * gain;
        self.squares += f64::from(jobs) * gain * gain;
    }

    /// Mean gain per job, in nats; positive where the first predictor is better.
    ///
    /// # Errors
    /// Fewer than two jobs, or a confidence level outside (0, 1).
    pub fn gain(&self, confidence: f64) -> Result<Interval, CannotEstimate> {
        let (mean, half) = mean_and_half_width(self.jobs, self.sum, self.squares, confidence)?;
        Interval::new(mean, mean - half, mean + half, confidence)
    }
}

fn mean_and_half_width(jobs: u64, sum: f64, squares: f64, confidence: f64) -> Result<(f64, f64), CannotEstimate> {
    let z = two_sided_z(confidence)?;
    if jobs < 2 {
        return Err(CannotEstimate::TooFewObservations { found: jobs as usize, needed: 2 });
    }
    let n = jobs as f64;
    let mean = sum / n;
    let variance = (squares - n * mean * mean).max(0.0) / (n - 1.0);
    Ok((mean, z * (variance / n).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn worked_example() {
        // Two jobs told (0.8, 0.2), right once: log loss -(ln 0.8 + ln 0.2)/2, top 1 in 1/2, calibration error |0.8 - 0.5|.
        let mut tally = SkillTally::default();
        tally.add(&[0.8, 0.2], 0, 1);
        tally.add(&[0.8, 0.2], 1, 1);
        let expected = -(0.8f64.ln() + 0.2f64.ln()) / 2.0;
        assert!((tally.log_loss(0.95).unwrap().estimate - expected).abs() < 1e-12);
        assert!((tally.top_1(0.95).unwrap().estimate - 0.5).abs() < 1e-12);
        assert!((tally.top_3(0.95).unwrap().estimate - 1.0).abs() < 1e-12);
        assert!((tally.expected_calibration_error(0.95).unwrap().estimate - 0.3).abs() < 1e-12);
    }

    #[test]
    fn equal_probabilities_score_as_chance() {
        let mut tally = SkillTally::default();
        tally.add(&[0.25; 4], 2, 100);
        assert!((tally.top_1(0.95).unwrap().estimate - 0.25).abs() < 1e-12);
        assert!((tally.top_3(0.95).unwrap().estimate - 0.75).abs() < 1e-12);
        assert!((tally.log_loss(0.95).unwrap().estimate - 4f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn the_gain_is_the_difference_of_the_losses() {
        let mut gain = GainTally::default();
        gain.add(0.8, 0.5, 3);
        gain.add(0.2, 0.5, 1);
        let expected = (3.0 * 0.8f64.ln() + 0.2f64.ln()) / 4.0 - 0.5f64.ln();
        assert!((gain.gain(0.95).unwrap().estimate - expected).abs() < 1e-12);
    }

    #[test]
    fn nothing_to_score_is_said() {
        let tally = SkillTally::default();
        assert!(tally.log_loss(0.95).is_err() && tally.top_1(0.95).is_err() && tally.expected_calibration_error(0.95).is_err());
    }
}
