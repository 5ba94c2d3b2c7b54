//! Rates and shares of many groups (models) at once, each drawn towards the mean of all as far as its own data are thin.
//!
//! * **Gamma-Poisson**: `y` events in exposure `t` are Poisson with the group's own rate, which is gamma distributed over groups with
//!   mean `m` and relative variance `k` (shape `1/k`, rate `1/(k m)`). The likelihood is negative binomial,
//!   `sum_i [ sum_{j<y} ln(1 + j k) + y ln(m t) - (y + 1/k) ln(1 + k m t) ]`. Given `m` and `k`, the group's rate is gamma with shape
//!   `1/k + y` and rate `1/(k m) + t`. Clayton & Kaldor 1987, Biometrics 43:671; likelihood as in Lawless 1987, Can. J. Stat. 15:209.
//! * **Beta-binomial**: `y` of `n` trials with the group's own share, beta distributed with mean `m` and shapes `m/k`, `(1-m)/k`,
//!   `sum_i [ sum_{j<y} ln(m + j k) + sum_{j<n-y} ln(1 - m + j k) - sum_{j<n} ln(1 + j k) ]` (Griffiths 1973, Biometrics 29:637).
//!   Given `m` and `k`, the group's share is beta with shapes `m/k + y` and `(1-m)/k + n - y`.
//! * **Seen groups only** ([`GammaPoisson::fit_seen`]): part numbers are known only once one was needed, so that groups without events are not there. Each
//!   group's likelihood is then divided by the probability of at least one event, `1 - (1 + k m t)^(-1/k)` (zero-truncated negative binomial, Sampford
//!   1955, Biometrika 42:58, from memory). The posterior of a seen group is the same as before; without the division the seen are taken for all, and what they
//!   will need is foretold too high. What the groups not seen will need is, by Good 1953, Biometrika 40:237 (from memory), about as many events as
//!   groups had one event.
//! * **Fit**: `m` and `k` by maximum likelihood. Where no `k > 0` is more likely than `k = 0`, the groups do not vary beyond chance, and
//!   [`Fit::between_group_variation`] says so.
//! * **Posterior**: `m` and `k` are not known, and to take the fit for the truth makes intervals far too narrow where groups are few or
//!   vary little (measured: 78 % instead of 95 %). So the posterior is averaged over them: the weight `u = s / (s + z)` that a
//!   group of median size `z` gives to the mean, `s = 1/k`, is uniform on (0, 1) beforehand (Christiansen & Morris 1997, J. Am. Stat.
//!   Assoc. 92:618, from memory), the mean is uniform on the scale of logarithms (log odds for shares), and the gamma (beta)
//!   distribution with the mean and variance of the average is used (as Morris 1983, J. Am. Stat. Assoc. 78:47).
//!
//! Assumptions: groups are exchangeable and events independent within them.

use std::collections::BTreeMap;

use statrs::distribution::{Beta, ContinuousCDF, Gamma};

use crate::distributions::{beta_quantile, gamma_quantile, two_sided_error};
use crate::numeric::arg_max;
use crate::{CannotEstimate, Interval};

/// Events of one group in its exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateGroup {
    pub events: u64,
    /// Machine-years.
    pub exposure: f64,
}

/// Events of one group among its trials.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShareGroup {
    pub events: u64,
    pub trials: u64,
}

/// How groups vary: the most likely distribution of their rates or shares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Mean over groups.
    pub mean: f64,
    /// `k` above; 0 where the groups do not vary beyond chance.
    pub dispersion: f64,
    /// Maximum of the log likelihood as written above (terms that depend on neither `m` nor `k` left out).
    pub log_likelihood: f64,
}

impl Fit {
    /// Whether groups differ by more than chance, as far as the likelihood can tell.
    pub fn between_group_variation(&self) -> bool {
        self.dispersion > 0.0
    }
}

/// What is known of one group's rate or share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Posterior {
    /// Posterior mean with the equal-tailed interval.
    pub interval: Interval,
    /// Probability that the group's rate or share exceeds the value asked about.
    pub probability_above: f64,
    /// Weight of the group's own data in the mean, 0 (all from the other groups) to 1.
    pub own_weight: f64,
    /// Posterior variance.
    pub variance: f64,
}

/// Gamma-Poisson model of rates.
#[derive(Debug, Clone, PartialEq)]
pub struct GammaPoisson {
    pub fit: Fit,
    candidates: Vec<Candidate>,
}

/// Beta-binomial model of shares.
#[derive(Debug, Clone, PartialEq)]
pub struct BetaBinomial {
    pub fit: Fit,
    candidates: Vec<Candidate>,
}

impl GammaPoisson {
    /// Fits the distribution of rates; groups without exposure say nothing and are passed over.
    ///
    /// # Errors
    /// Fewer than two groups with exposure, no events, an exposure that is negative or not finite, events without exposure.
    pub fn fit(groups: &[RateGroup]) -> Result<Self, CannotEstimate> {
        if let Some(group) = groups.iter().find(|g| !(g.exposure.is_finite() && (g.exposure > 0.0 || g.exposure == 0.0 && g.events == 0))) {
            return Err(CannotEstimate::InvalidInput(format!("exposure must be positive where there are events: {group:?}")));
        }
        let seen: Vec<RateGroup> = groups.iter().filter(|g| g.exposure > 0.0).copied().collect();
        let median_exposure = median(seen.iter().map(|g| g.exposure).collect())?;
        let events: u64 = seen.iter().map(|g| g.events).sum();
        if events == 0 {
            return Err(CannotEstimate::NoEvents);
        }
        let common_rate = events as f64 / seen.iter().map(|g| g.exposure).sum::<f64>();
        let counts = Tails::new(seen.iter().map(|g| g.events));
        let likelihood = Likelihood {
            of: |mean, dispersion| rate_log_likelihood(&seen, &counts, mean, dispersion),
            best_mean: |dispersion| mean_rate(&seen, dispersion, common_rate),
            // Expected information on ln m.
            information: |mean, dispersion| seen.iter().map(|g| mean * g.exposure / (1.0 + dispersion * mean * g.exposure)).sum(),
            shifted: |mean, by: f64| mean * by.exp(),
        };
        let (fit, candidates) = likelihood.learn(common_rate * median_exposure)?;
        Ok(Self { fit, candidates })
    }

    /// Fits the distribution of the rates of all groups where only those with events are known. The mean is that of all, seen or not.
    ///
    /// # Errors
    /// As [`GammaPoisson::fit`], and a group without events.
    pub fn fit_seen(groups: &[RateGroup]) -> Result<Self, CannotEstimate> {
        if let Some(group) = groups.iter().find(|g| g.events == 0 || !(g.exposure.is_finite() && g.exposure > 0.0)) {
            return Err(CannotEstimate::InvalidInput(format!("a seen group has events and exposure: {group:?}")));
        }
        let median_exposure = median(groups.iter().map(|g| g.exposure).collect())?;
        let common_rate = groups.iter().map(|g| g.events as f64).sum::<f64>() / groups.iter().map(|g| g.exposure).sum::<f64>();
        let counts = Tails::new(groups.iter().map(|g| g.events));
        // Groups of one exposure differ in their counts only: exposure, groups, events.
        let mut alike: BTreeMap<u64, (f64, f64, f64)> = BTreeMap::new();
        for group in groups {
            let of = alike.entry(group.exposure.to_bits()).or_insert((group.exposure, 0.0, 0.0));
            *of = (of.0, of.1 + 1.0, of.2 + group.events as f64);
        }
        let truncated = |mean: f64, dispersion: f64| {
            let given_exposure = alike.values().map(|(exposure, groups, events)| {
                let expected = mean * exposure;
                let spread = (dispersion * expected).ln_1p();
                let none = if dispersion == 0.0 { expected } else { spread / dispersion };
                events * (expected.ln() - spread) - groups * (none + (-(-none).exp_m1()).ln())
            });
            given_exposure.sum::<f64>() + counts.sum(|j| (j * dispersion).ln_1p())
        };
        let of = &truncated;
        let likelihood = Likelihood {
            of,
            // Seen groups have more events than all, so that the common rate lies above. Where every group was seen once, the mean runs to 0.
            best_mean: |dispersion| {
                let top = common_rate.ln();
                arg_max(|mean: f64| of(mean.exp(), dispersion), top - LOWEST_MEAN, top).map_or(common_rate, f64::exp)
            },
            information: |mean: f64, dispersion| {
                let near = |by: f64| of(mean * by.exp(), dispersion);
                ((2.0 * near(0.0) - near(SLIGHTLY) - near(-SLIGHTLY)) / (SLIGHTLY * SLIGHTLY)).max(LEAST_INFORMATION)
            },
            shifted: |mean, by: f64| mean * by.exp(),
        };
        let (fit, candidates) = likelihood.learn(common_rate * median_exposure)?;
        Ok(Self { fit, candidates })
    }

    /// The rate of a group with these data, and the probability that it exceeds `value`.
    ///
    /// # Errors
    /// An exposure or value that is negative or not finite, a confidence level outside (0, 1).
    pub fn posterior(&self, group: RateGroup, value: f64, confidence: f64) -> Result<Posterior, CannotEstimate> {
        let tail = two_sided_error(confidence)? / 2.0;
        let RateGroup { events, exposure } = group;
        if !(exposure.is_finite() && exposure >= 0.0 && value.is_finite() && value >= 0.0) {
            return Err(CannotEstimate::InvalidInput(format!("no posterior for {group:?} against {value}")));
        }
        let Averaged { mean, variance, own_weight } = average(&self.candidates, |candidate| {
            let (shape, rate) = (candidate.prior_size + events as f64, candidate.prior_size / candidate.mean + exposure);
            Averaged { mean: shape / rate, variance: shape / (rate * rate), own_weight: exposure / rate }
        });
        let (shape, rate) = (mean * mean / variance, mean / variance);
        let quantile = |p: f64| Ok(gamma_quantile(shape, p)? / rate);
        Ok(Posterior {
            interval: around(mean, quantile(tail)?, quantile(1.0 - tail)?, confidence)?,
            probability_above: Gamma::new(shape, 1.0).map_err(|_| CannotEstimate::NotFinite)?.sf(value * rate),
            own_weight,
            variance,
        })
    }
}

impl BetaBinomial {
    /// Fits the distribution of shares; groups without trials say nothing and are passed over.
    ///
    /// # Errors
    /// Fewer than two groups with trials, no events, nothing but events, more events than trials.
    pub fn fit(groups: &[ShareGroup]) -> Result<Self, CannotEstimate> {
        if let Some(group) = groups.iter().find(|g| g.events > g.trials) {
            return Err(CannotEstimate::InvalidInput(format!("more events than trials: {group:?}")));
        }
        let seen: Vec<ShareGroup> = groups.iter().filter(|g| g.trials > 0).copied().collect();
        let median_trials = median(seen.iter().map(|g| g.trials as f64).collect())?;
        let (events, trials) = seen.iter().fold((0, 0), |sum, g| (sum.0 + g.events, sum.1 + g.trials));
        if events == 0 {
            return Err(CannotEstimate::NoEvents);
        }
        if events == trials {
            return Err(CannotEstimate::NoVariation);
        }
        let common_share = events as f64 / trials as f64;
        let counts = ShareCounts {
            events: Tails::new(seen.iter().map(|g| g.events)),
            others: Tails::new(seen.iter().map(|g| g.trials - g.events)),
            trials: Tails::new(seen.iter().map(|g| g.trials)),
        };
        let likelihood = Likelihood {
            of: |mean, dispersion| share_log_likelihood(&counts, mean, dispersion),
            best_mean: |dispersion| mean_share(&counts, dispersion, common_share),
            // Observed information on the log odds of m.
            information: |mean: f64, dispersion| -(mean * (1.0 - mean)).powi(2) * counts.score(mean, dispersion).1,
            shifted: |mean, by: f64| mean * by.exp() / (1.0 - mean + mean * by.exp()),
        };
        let (fit, candidates) = likelihood.learn(median_trials)?;
        Ok(Self { fit, candidates })
    }

    /// The share of a group with these data, and the probability that it exceeds `value`.
    ///
    /// # Errors
    /// More events than trials, a value outside [0, 1], a confidence level outside (0, 1).
    pub fn posterior(&self, group: ShareGroup, value: f64, confidence: f64) -> Result<Posterior, CannotEstimate> {
        let tail = two_sided_error(confidence)? / 2.0;
        let ShareGroup { events, trials } = group;
        if events > trials || !(0.0..=1.0).contains(&value) {
            return Err(CannotEstimate::InvalidInput(format!("no posterior for {group:?} against {value}")));
        }
        let Averaged { mean, variance, own_weight } = average(&self.candidates, |candidate| {
            let size = candidate.prior_size + trials as f64;
            let mean = (candidate.mean * candidate.prior_size + events as f64) / size;
            Averaged { mean, variance: mean * (1.0 - mean) / (size + 1.0), own_weight: trials as f64 / size }
        });
        let size = mean * (1.0 - mean) / variance - 1.0;
        let (a, b) = (mean * size, (1.0 - mean) * size);
        Ok(Posterior {
            interval: around(mean, beta_quantile(a, b, tail)?, beta_quantile(a, b, 1.0 - tail)?, confidence)?,
            probability_above: Beta::new(a, b).map_err(|_| CannotEstimate::NotFinite)?.sf(value),
            own_weight,
            variance,
        })
    }
}

/// One distribution that the groups may have, and how much the groups speak for it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Candidate {
    mean: f64,
    /// `1/k`: how much data the mean is worth to a group (events for rates, trials for shares).
    prior_size: f64,
    weight: f64,
}

/// What the groups say of the mean and the dispersion.
struct Likelihood<Of, Best, Information, Shifted> {
    /// Log likelihood of a mean and a dispersion.
    of: Of,
    /// The most likely mean, given a dispersion.
    best_mean: Best,
    /// Information on the mean, given a dispersion, on the scale on which means are shifted.
    information: Information,
    /// A mean shifted on the scale of logarithms (rates) or log odds (shares).
    shifted: Shifted,
}

/// Steps of a grid that finds where the likelihood matters, and of the grid over which the posterior is averaged there.
const COARSE_STEPS: i32 = 40;
const FINE_STEPS: i32 = 48;
/// How far below the seen groups' common rate the mean of all is looked for, on the scale of logarithms.
const LOWEST_MEAN: f64 = 30.0;
/// Step of second differences on that scale, and the least information on a mean: groups that were all seen once tell only that it is low.
const SLIGHTLY: f64 = 0.01;
const LEAST_INFORMATION: f64 = 0.05;
/// Means to either side of the most likely one, and their distance in standard deviations.
const MEAN_STEPS: i32 = 6;
const MEAN_STEP: f64 = 0.7;

impl<Of, Best, Information, Shifted> Likelihood<Of, Best, Information, Shifted>
where
    Of: Fn(f64, f64) -> f64,
    Best: Fn(f64) -> f64,
    Information: Fn(f64, f64) -> f64,
    Shifted: Fn(f64, f64) -> f64,
{
    /// The most likely distribution, and all that are to be averaged.
    fn learn(&self, typical_size: f64) -> Result<(Fit, Vec<Candidate>), CannotEstimate> {
        // With u = s / (s + z) the dispersion is k = 1/s = e^-x / z, x the log odds of u, and u uniform means x with density u (1 - u).
        let dispersion = |x: f64| (-x).exp() / typical_size;
        let density = |x: f64| 1.0 / ((1.0 + x.exp()) * (1.0 + (-x).exp()));
        let deviation = |fit: &Fit| (self.information)(fit.mean, fit.dispersion).sqrt().recip();

        let coarse: Vec<(f64, Fit)> = evenly(-14.0, 6.0, COARSE_STEPS).map(|x| (x, self.profile(dispersion(x)))).collect();
        let best = coarse.iter().max_by(|a, b| a.1.log_likelihood.total_cmp(&b.1.log_likelihood));
        let (best_x, best) = best.filter(|(_, fit)| fit.log_likelihood.is_finite()).ok_or(CannotEstimate::NoConvergence)?;
        let step = 20.0 / f64::from(COARSE_STEPS);
        let x = arg_max(|x| self.profile(dispersion(x)).log_likelihood, best_x - step, best_x + step)?;
        let (varying, common) = (self.profile(dispersion(x)), self.profile(0.0));
        // The rounding error of a likelihood must not pass for variation.
        let gain = 1e-9 * common.log_likelihood.abs().max(1.0);
        let fit = if varying.log_likelihood > common.log_likelihood + gain { varying } else { common };

        // Finely where the weight, with the mean normal around its best value, is more than a thousandth of the largest.
        let weights: Vec<f64> =
            coarse.iter().map(|(x, fit)| (fit.log_likelihood - best.log_likelihood).exp() * density(*x) * deviation(fit)).collect();
        let largest = weights.iter().copied().fold(0.0, f64::max);
        let matter = |i: &usize| weights[*i] > largest / 1_000.0;
        let (first, last) = ((0..weights.len()).find(matter), (0..weights.len()).rfind(matter));
        let (Some(first), Some(last)) = (first, last) else { return Err(CannotEstimate::NoConvergence) };

        let mut candidates = Vec::new();
        for x in evenly(coarse[first].0 - step, coarse[last].0 + step, FINE_STEPS) {
            let profile = self.profile(dispersion(x));
            let deviation = deviation(&profile);
            for i in -MEAN_STEPS..=MEAN_STEPS {
                let mean = (self.shifted)(profile.mean, f64::from(i) * MEAN_STEP * deviation);
                let likelihood = ((self.of)(mean, profile.dispersion) - best.log_likelihood).exp();
                candidates.push(Candidate { mean, prior_size: 1.0 / profile.dispersion, weight: likelihood * density(x) * deviation });
            }
        }
        let total: f64 = candidates.iter().map(|candidate| candidate.weight).sum();
        candidates.iter_mut().for_each(|candidate| candidate.weight /= total);
        candidates.retain(|candidate| candidate.weight > 1e-7);
        if total.is_finite() && !candidates.is_empty() { Ok((fit, candidates)) } else { Err(CannotEstimate::NoConvergence) }
    }

    fn profile(&self, dispersion: f64) -> Fit {
        let mean = (self.best_mean)(dispersion);
        Fit { mean, dispersion, log_likelihood: (self.of)(mean, dispersion) }
    }
}

fn evenly(from: f64, to: f64, steps: i32) -> impl Iterator<Item = f64> {
    (0..=steps).map(move |step| from + (to - from) * f64::from(step) / f64::from(steps))
}

/// The mean of a very skewed posterior may lie beyond its own 97.5 % quantile; the interval then reaches to it.
fn around(mean: f64, lower: f64, upper: f64, confidence: f64) -> Result<Interval, CannotEstimate> {
    Interval::new(mean, lower.min(mean), upper.max(mean), confidence)
}

struct Averaged {
    mean: f64,
    variance: f64,
    own_weight: f64,
}

/// Mean and variance over candidates: the mean of the variances and the variance of the means.
fn average(candidates: &[Candidate], given: impl Fn(&Candidate) -> Averaged) -> Averaged {
    let weighted = |value: &dyn Fn(&Averaged) -> f64| candidates.iter().map(|c| c.weight * value(&given(c))).sum::<f64>();
    let mean = weighted(&|each| each.mean);
    let variance = weighted(&|each| each.variance + (each.mean - mean).powi(2));
    Averaged { mean, variance, own_weight: weighted(&|each| each.own_weight) }
}

/// Median size of the groups, of which there must be two.
fn median(mut sizes: Vec<f64>) -> Result<f64, CannotEstimate> {
    match sizes.len() {
        0 => Err(CannotEstimate::NoObservations),
        1 => Err(CannotEstimate::TooFewObservations { found: 1, needed: 2 }),
        _ => {
            sizes.sort_by(f64::total_cmp);
            crate::quantile::quantile(&sizes, 0.5)
        }
    }
}

/// How many groups have a count above `j` = 0, 1, 2, ...: sums over groups of sums over `j < count` become one sum over `j`.
///
/// Each `j` up to [`EVERY`]; above, a run of `L` numbers is three points that sum polynomials up to degree 5 exactly (a Gauss rule for
/// sums): the middle, and `sqrt((3 L^2 - 7) / 20)` to either side. Runs are a tenth of their start, on which logarithms and reciprocals are
/// as smooth as that.
struct Tails(Vec<(f64, f64)>);

const EVERY: u64 = 512;

impl Tails {
    fn new(counts: impl Iterator<Item = u64>) -> Self {
        let mut counts: Vec<u64> = counts.collect();
        counts.sort_unstable();
        let mut tails = Self(Vec::new());
        let mut start = 0;
        for (smaller, &count) in counts.iter().enumerate() {
            while start < count {
                let run = if start < EVERY { 1 } else { (start / 10).min(count - start) };
                tails.push_run(start as f64, run as f64, (counts.len() - smaller) as f64);
                start += run;
            }
        }
        tails
    }

    fn push_run(&mut self, start: f64, length: f64, groups: f64) {
        let middle = start + (length - 1.0) / 2.0;
        if length == 1.0 {
            self.0.push((middle, groups));
            return;
        }
        let squared_distance = (3.0 * length * length - 7.0) / 20.0;
        // The squares of the run about its middle add up to L (L^2 - 1) / 12.
        let outer = length * (length * length - 1.0) / 24.0 / squared_distance;
        let distance = squared_distance.sqrt();
        let points = [(middle - distance, outer), (middle, length - 2.0 * outer), (middle + distance, outer)];
        self.0.extend(points.map(|(j, weight)| (j, weight * groups)));
    }

    fn sum(&self, term: impl Fn(f64) -> f64) -> f64 {
        self.0.iter().map(|(j, weight)| weight * term(*j)).sum()
    }
}

struct ShareCounts {
    events: Tails,
    others: Tails,
    trials: Tails,
}

impl ShareCounts {
    /// First and second derivative of the log likelihood by the mean.
    fn score(&self, mean: f64, dispersion: f64) -> (f64, f64) {
        let value = self.events.sum(|j| 1.0 / (mean + j * dispersion)) - self.others.sum(|j| 1.0 / (1.0 - mean + j * dispersion));
        let slope = self.events.sum(|j| (mean + j * dispersion).powi(-2)) + self.others.sum(|j| (1.0 - mean + j * dispersion).powi(-2));
        (value, -slope)
    }
}

/// The most likely mean rate, where the score `sum (y - m t) / (1 + k m t)` is zero. It falls and bends upwards, so Newton steps from its
/// positive side never overshoot.
fn mean_rate(groups: &[RateGroup], dispersion: f64, common_rate: f64) -> f64 {
    let score = |mean: f64| {
        groups.iter().fold((0.0, 0.0), |(value, slope), group| {
            let (y, t) = (group.events as f64, group.exposure);
            let spread = 1.0 + dispersion * mean * t;
            (value + (y - mean * t) / spread, slope - t * (1.0 + dispersion * y) / (spread * spread))
        })
    };
    let mut mean = if score(common_rate).0 >= 0.0 { common_rate } else { 0.0 };
    for _ in 0..200 {
        let (value, slope) = score(mean);
        let step = value / slope;
        mean -= step;
        if step.abs() <= 1e-13 * mean {
            break;
        }
    }
    mean
}

/// The most likely mean share. The score falls from plus to minus infinity: Newton steps, halving the bracket where one would leave it.
fn mean_share(counts: &ShareCounts, dispersion: f64, common_share: f64) -> f64 {
    let (mut low, mut high, mut mean) = (0.0, 1.0, common_share);
    for _ in 0..200 {
        let (value, slope) = counts.score(mean, dispersion);
        if value > 0.0 {
            low = mean
        } else {
            high = mean
        }
        let newton = mean - value / slope;
        let next = if low < newton && newton < high { newton } else { (low + high) / 2.0 };
        let step = next - mean;
        mean = next;
        if step.abs() <= 1e-13 * mean {
            break;
        }
    }
    mean
}

fn rate_log_likelihood(groups: &[RateGroup], counts: &Tails, mean: f64, dispersion: f64) -> f64 {
    let given_exposure = groups.iter().map(|group| {
        let (y, expected) = (group.events as f64, mean * group.exposure);
        let spread = (dispersion * expected).ln_1p();
        let scaled = if dispersion == 0.0 { expected } else { spread / dispersion };
        y * expected.ln() - y * spread - scaled
    });
    counts.sum(|j| (j * dispersion).ln_1p()) + given_exposure.sum::<f64>()
}

fn share_log_likelihood(counts: &ShareCounts, mean: f64, dispersion: f64) -> f64 {
    counts.events.sum(|j| (mean + j * dispersion).ln()) + counts.others.sum(|j| (1.0 - mean + j * dispersion).ln())
        - counts.trials.sum(|j| (j * dispersion).ln_1p())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CONFIDENCE;

    fn rates(groups: &[(u64, f64)]) -> Vec<RateGroup> {
        groups.iter().map(|&(events, exposure)| RateGroup { events, exposure }).collect()
    }

    fn shares(groups: &[(u64, u64)]) -> Vec<ShareGroup> {
        groups.iter().map(|&(events, trials)| ShareGroup { events, trials }).collect()
    }

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-6 * expected.abs().max(1e-3), "{found} is not {expected}");
    }

    /// The likelihood falls to either side of the fit, in the mean and in the dispersion; with equal exposure the mean is the average.
    #[test]
    fn the_fit_is_a_maximum() {
        let groups = rates(&[(0, 1.0), (8, 1.0), (1, 1.0), (3, 1.0)]);
        let fit = GammaPoisson::fit(&groups).unwrap().fit;
        close(fit.mean, 3.0);
        let counts = Tails::new(groups.iter().map(|g| g.events));
        for (mean, dispersion) in [(1.01, 1.0), (0.99, 1.0), (1.0, 1.05), (1.0, 0.95)] {
            assert!(rate_log_likelihood(&groups, &counts, fit.mean * mean, fit.dispersion * dispersion) < fit.log_likelihood);
        }
        let groups = shares(&[(0, 10), (8, 10), (2, 10), (3, 12)]);
        let fit = BetaBinomial::fit(&groups).unwrap().fit;
        let counts = ShareCounts {
            events: Tails::new(groups.iter().map(|g| g.events)),
            others: Tails::new(groups.iter().map(|g| g.trials - g.events)),
            trials: Tails::new(groups.iter().map(|g| g.trials)),
        };
        for (mean, dispersion) in [(1.02, 1.0), (0.98, 1.0), (1.0, 1.05), (1.0, 0.95)] {
            assert!(share_log_likelihood(&counts, fit.mean * mean, fit.dispersion * dispersion) < fit.log_likelihood);
        }
    }

    /// Counts 0, 1 and 3: two are above 0, one above 1, one above 2, so the sum of j^2 over j < count is 0 + 1 + 4.
    #[test]
    fn tails_turn_double_sums_into_one() {
        let tails = Tails::new([0, 1, 3].into_iter());
        assert_eq!(tails.0, [(0.0, 2.0), (1.0, 1.0), (2.0, 1.0)]);
        close(tails.sum(|j| j * j), 5.0);
    }

    #[test]
    fn long_tails_are_summed_by_few_points() {
        let counts = [700, 20_000, 513];
        let tails = Tails::new(counts.into_iter());
        assert!(tails.0.len() < 700);
        let one_by_one = |term: &dyn Fn(f64) -> f64| -> f64 { counts.iter().flat_map(|&count| (0..count).map(|j| term(j as f64))).sum() };
        for (m, k) in [(0.2, 1e-4), (0.2, 1.0), (1e-6, 50.0)] {
            let terms: [&dyn Fn(f64) -> f64; 3] = [&|j| (m + j * k).ln(), &|j| 1.0 / (m + j * k), &|j| (m + j * k).powi(-2)];
            for term in terms {
                let magnitude = one_by_one(&|j| term(j).abs());
                let error = (tails.sum(term) - one_by_one(term)).abs() / magnitude;
                assert!(error < 1e-9, "{m} {k}: {error}");
            }
        }
        assert!(Tails::new([u64::MAX].into_iter()).sum(|j| 1.0 / (1.0 + j)).is_finite());
    }

    const KNOWN: Fit = Fit { mean: 0.5, dispersion: 0.5, log_likelihood: 0.0 };

    fn candidates(means: &[f64]) -> Vec<Candidate> {
        means.iter().map(|&mean| Candidate { mean, prior_size: 2.0, weight: 1.0 / means.len() as f64 }).collect()
    }

    /// Posterior of a gamma with shape 1/k = 2 and rate 1/(k m) = 4 after 1 event in 2: mean (2 + 1) / (4 + 2), own weight 2 / (4 + 2).
    /// It exceeds 1/2 with probability e^-3 (1 + 3 + 9/2).
    #[test]
    fn the_posterior_of_a_rate_by_hand() {
        let model = GammaPoisson { fit: KNOWN, candidates: candidates(&[0.5]) };
        let posterior = model.posterior(RateGroup { events: 1, exposure: 2.0 }, 0.5, CONFIDENCE).unwrap();
        close(posterior.interval.estimate, 1.0 / 2.0);
        close(posterior.own_weight, 1.0 / 3.0);
        close(posterior.probability_above, (-3f64).exp() * 17.0 / 2.0);
        let unseen = model.posterior(RateGroup { events: 0, exposure: 0.0 }, 0.5, CONFIDENCE).unwrap();
        close(unseen.interval.estimate, 0.5);
        close(unseen.own_weight, 0.0);
    }

    /// Beta with m/k = 1/2 * 2 = 1 and 1 after 1 event in 1 trial is beta(2, 1): mean 2/3, P(above x) = 1 - x^2, quantile sqrt(p).
    #[test]
    fn the_posterior_of_a_share_by_hand() {
        let model = BetaBinomial { fit: KNOWN, candidates: candidates(&[0.5]) };
        let posterior = model.posterior(ShareGroup { events: 1, trials: 1 }, 0.5, CONFIDENCE).unwrap();
        close(posterior.interval.estimate, 2.0 / 3.0);
        close(posterior.own_weight, 1.0 / 3.0);
        close(posterior.probability_above, 3.0 / 4.0);
        close(posterior.interval.lower, (1f64 / 40.0).sqrt());
        close(posterior.interval.upper, (39f64 / 40.0).sqrt());
    }

    /// Means 1 and 1/2 with rates 2 and 4: without data the averages are 1/2 (1 + 1/2) and 1/2 (1/2 + 1/8) + (1/4)^2.
    #[test]
    fn candidates_are_averaged() {
        let found = average(&candidates(&[1.0, 0.5]), |c| {
            let rate = c.prior_size / c.mean;
            Averaged { mean: c.prior_size / rate, variance: c.prior_size / (rate * rate), own_weight: 0.0 }
        });
        close(found.mean, 3.0 / 4.0);
        close(found.variance, 5.0 / 16.0 + 1.0 / 16.0);
    }

    #[test]
    fn groups_that_do_not_vary_are_drawn_close_to_the_common_value() {
        let groups: Vec<RateGroup> = (0..40).map(|i| RateGroup { events: 5 + i % 2, exposure: 10.0 }).collect();
        let model = GammaPoisson::fit(&groups).unwrap();
        assert!(!model.fit.between_group_variation());
        close(model.fit.mean, 11.0 / 20.0);
        let posterior = model.posterior(groups[0], 0.55, CONFIDENCE).unwrap();
        assert!(posterior.own_weight < 0.1 && (posterior.interval.estimate - 0.55).abs() < 0.01);
        assert!((posterior.probability_above - 0.5).abs() < 0.1);

        let groups: Vec<ShareGroup> = (0..40).map(|i| ShareGroup { events: 5 + i % 2, trials: 11 }).collect();
        let model = BetaBinomial::fit(&groups).unwrap();
        assert!(!model.fit.between_group_variation());
        let posterior = model.posterior(groups[0], 0.5, CONFIDENCE).unwrap();
        assert!(posterior.own_weight < 0.1 && (posterior.interval.estimate - 0.5).abs() < 0.01);
        // One job a model says nothing about variation between models.
        assert!(!BetaBinomial::fit(&shares(&[(1, 1), (0, 1), (1, 1), (0, 1)])).unwrap().fit.between_group_variation());
    }

    #[test]
    fn strong_variation_leaves_groups_almost_alone() {
        let groups = rates(&[(1_000, 100.0), (10, 100.0), (100, 100.0)]);
        let model = GammaPoisson::fit(&groups).unwrap();
        for group in groups {
            let posterior = model.posterior(group, 3.7, CONFIDENCE).unwrap();
            assert!(posterior.own_weight > 0.98);
            assert!((posterior.interval.estimate / (group.events as f64 / 100.0) - 1.0).abs() < 0.1);
        }
        let groups = shares(&[(900, 1_000), (10, 1_000), (500, 1_000)]);
        let model = BetaBinomial::fit(&groups).unwrap();
        for group in groups {
            let posterior = model.posterior(group, 0.5, CONFIDENCE).unwrap();
            assert!((posterior.interval.estimate - group.events as f64 / 1_000.0).abs() < 0.01);
        }
    }

    #[test]
    fn every_small_pair_of_groups_gives_finite_numbers_or_a_reason() {
        for first in 0..=4 {
            for second in 0..=4 {
                if let Ok(model) = GammaPoisson::fit(&rates(&[(first, 0.1), (second, 70.0), (0, 0.0)])) {
                    let posterior = model.posterior(RateGroup { events: first, exposure: 0.1 }, model.fit.mean, CONFIDENCE).unwrap();
                    assert!((0.0..=1.0).contains(&posterior.probability_above));
                }
                if let Ok(model) = BetaBinomial::fit(&shares(&[(first, 4), (second, 4), (0, 0)])) {
                    let posterior = model.posterior(ShareGroup { events: first, trials: 4 }, model.fit.mean, CONFIDENCE).unwrap();
                    assert!((0.0..=1.0).contains(&posterior.probability_above) && posterior.interval.upper <= 1.0);
                }
            }
        }
    }

    /// Counts of zero-truncated Poisson groups of mean 1: n_y = 1/(y! (e - 1)) of each, so that the mean of all is 1 and the seen have e/(e - 1) on average.
    #[test]
    fn seen_groups_stand_for_the_unseen_too() {
        let counts = [(1u64, 6_000u64), (2, 3_000), (3, 1_000), (4, 250), (5, 50), (6, 8)];
        let groups: Vec<RateGroup> =
            counts.iter().flat_map(|(events, n)| (0..*n).map(|_| RateGroup { events: *events, exposure: 2.0 })).collect();
        let model = GammaPoisson::fit_seen(&groups).unwrap();
        assert!((model.fit.mean * 2.0 - 1.0).abs() < 0.01 && model.fit.dispersion < 0.01, "{:?}", model.fit);
        // In as long a time, the seen will need what they needed, less one for each that was needed once (Good).
        let foretold: f64 = groups.iter().map(|group| model.posterior(*group, 0.0, CONFIDENCE).unwrap().interval.estimate * 2.0).sum();
        let seen: f64 = groups.iter().map(|group| group.events as f64).sum();
        assert!((foretold / (seen - 6_000.0) - 1.0).abs() < 0.01, "{foretold} of {seen}");
        // All seen once: hardly any of them again.
        let once = vec![RateGroup { events: 1, exposure: 3.0 }; 50];
        let model = GammaPoisson::fit_seen(&once).unwrap();
        let again: f64 = once.iter().map(|group| model.posterior(*group, 0.0, CONFIDENCE).unwrap().interval.estimate * 3.0).sum();
        assert!((0.0..10.0).contains(&again), "{again}");
        assert!(GammaPoisson::fit_seen(&[RateGroup { events: 0, exposure: 1.0 }, RateGroup { events: 2, exposure: 1.0 }]).is_err());
    }

    #[test]
    fn what_cannot_be_fitted_says_why() {
        use CannotEstimate::*;
        assert_eq!(GammaPoisson::fit(&[]), Err(NoObservations));
        assert_eq!(GammaPoisson::fit(&rates(&[(3, 1.0), (0, 0.0)])), Err(TooFewObservations { found: 1, needed: 2 }));
        assert_eq!(GammaPoisson::fit(&rates(&[(0, 1.0), (0, 2.0)])), Err(NoEvents));
        assert!(matches!(GammaPoisson::fit(&rates(&[(1, 0.0), (1, 1.0)])), Err(InvalidInput(_))));
        assert!(matches!(GammaPoisson::fit(&rates(&[(1, f64::NAN), (1, 1.0)])), Err(InvalidInput(_))));
        assert_eq!(BetaBinomial::fit(&shares(&[(0, 0)])), Err(NoObservations));
        assert_eq!(BetaBinomial::fit(&shares(&[(0, 5), (0, 5)])), Err(NoEvents));
        assert_eq!(BetaBinomial::fit(&shares(&[(5, 5), (5, 5)])), Err(NoVariation));
        assert!(matches!(BetaBinomial::fit(&shares(&[(6, 5), (5, 5)])), Err(InvalidInput(_))));
        let model = GammaPoisson::fit(&rates(&[(3, 1.0), (9, 1.0)])).unwrap();
        assert!(model.posterior(RateGroup { events: 0, exposure: f64::NAN }, 1.0, CONFIDENCE).is_err());
        assert!(model.posterior(RateGroup { events: 0, exposure: 1.0 }, -1.0, CONFIDENCE).is_err());
    }
}
