//! What a complaint tells of the fault: a penalised multinomial logistic regression on top of what kind and age tell.
//!
//! For a job whose kind and age alone give component `k` the logarithm `o_k` ([`CategoryOdds::offset`](super::CategoryOdds::offset), counted
//! without that very job), and whose complaint holds the features `j` (symptoms, words, error codes of a brand):
//!
//! `ln P_k = o_k + b_k + sum over j of w_jk - normaliser`
//!
//! * **Fit**: `b` and `w` maximise `sum of ln P(fault) - sum b_k^2 / 2 - sum over j of l_j sum over k of w_jk^2 / 2`: a normal prior of
//!   variance `1 / l_j` for the weights of a feature (ridge; le Cessie & van Houwelingen 1992, Appl. Statist. 41:191). The maximum is found
//!   by L-BFGS (Liu & Nocedal 1989, Math. Program. 45:503); the function is concave, so there is only one.
//! * **How much a feature may weigh** is learnt for each by itself, by the evidence for its prior (MacKay 1992, Neural Comput. 4:415;
//!   "automatic relevance determination"): `l_j = K (1 + a) / (sum over k of (w_jk^2 + v_jk) + a K / l_0)`, over the `K` components that
//!   any job had, where `v_jk` is the weight's variance, and `l_0` with the weight `a` of a prior stands for what features are like on the whole. Four rounds of fitting and
//!   updating. So words that say nothing of the fault ("customer", "please") are taken to say nothing, however often they occur, and need
//!   no list of stop words.
//! * **Variance of a weight** (Laplace's approximation, diagonal): `v_jk = 1 / (l_j + sum over jobs with j of P_k (1 - P_k))`.
//! * **Inflation**: those variances know neither of misspelt words nor of effects that do not add up, and take what shrinkage leaves out for
//!   known. By how much they fall short is read from the learning curve: [`inflation`].
//! * **A word that the fit has not met** weighs nothing on average; its variance is the mean of `w^2 + v` over all words met.
//!
//! Weights are rounded to hundredths and variances to two digits, far below their error, so that a page can carry them.
//!
//! Sources are given from memory. Assumptions: the effects of features add up on the scale of log odds and are alike for all kinds and ages;
//! jobs are independent (those of one machine hardly repeat a complaint).

use serde::{Deserialize, Serialize};

use crate::CannotEstimate;
use crate::numeric::minimise;

/// Jobs alike in kind, age band, complaint and fault.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// `o`.
    pub offset: Vec<f64>,
    /// Positions of the features, each once.
    pub features: Vec<usize>,
    pub fault: usize,
    pub jobs: u32,
}

/// What was said: features that the weights know, and how many words they do not.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Said {
    pub features: Vec<usize>,
    pub unknown_words: usize,
}

/// The fitted weights of one category; features are positions in a list that the caller keeps.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Weights {
    /// `b` by component: what it tells that anything was said, and none of the features.
    pub intercept: Vec<f64>,
    pub intercept_variance: Vec<f64>,
    /// `w` by feature and component.
    pub features: Vec<Vec<f64>>,
    /// `v`.
    pub variances: Vec<Vec<f64>>,
    /// Of the weights of a word that was not met.
    pub unknown_word_variance: f64,
}

/// `1 / variance` of the prior of `b`.
const INTERCEPT_PENALTY: f64 = 1.0;
/// `l_0` and `a`.
const TYPICAL_PENALTY: f64 = 1.0;
const TYPICAL_WEIGHT: f64 = 0.1;
const PENALTIES: (f64, f64) = (0.01, 10_000.0);
const ROUNDS: usize = 4;
/// Steps of a fit within the rounds, and of the last one.
const STEPS: [usize; 2] = [40, 150];

/// Where the learning curve is not known.
pub const TYPICAL_INFLATION: f64 = 1.2;
/// From the learning curve to the inflation under which 95 % intervals hold 95 %. Chosen on one simulated world of each of two kinds: there the
/// loss above the best possible was 1.85 and 2.2 times the gain from doubling the jobs, and since errors have longer tails than a
/// normal distribution, it takes some 1.75 times the variance that this loss stands for.
const INFLATION_OF_GAIN: f64 = 3.5;
const INFLATIONS: (f64, f64) = (0.6, 2.0);

/// The factor for the variances of weights. `gain` is by how much the mean log loss of held-out jobs is lower with weights fitted to all
/// earlier jobs than with weights fitted to a half of them; `implied` the mean over the same jobs of [`Weights::implied_loss`]: what
/// the variances themselves say that not knowing the weights exactly costs. Loss above the best possible falls as a power of the number
/// of jobs, so that the gain from doubling them is proportional to what is still missing.
#[must_use]
pub fn inflation(gain: f64, implied: f64) -> f64 {
    let factor = INFLATION_OF_GAIN * gain / implied;
    if factor.is_finite() { factor.clamp(INFLATIONS.0, INFLATIONS.1) } else { TYPICAL_INFLATION }
}

impl Weights {
    /// Mean loss above the best possible that the variances of what was said stand for, for these probabilities of the components: to second
    /// order `sum of P_k (1 - P_k) v_k / 2`.
    #[must_use]
    pub fn implied_loss(&self, said: &Said, probabilities: &[f64]) -> f64 {
        let mut variances = vec![0.0; probabilities.len()];
        self.add_variances(said, 1.0, &mut variances);
        probabilities.iter().zip(&variances).map(|(p, v)| p * (1.0 - p) * v / 2.0).sum()
    }

    /// Weights that nothing is known of.
    #[must_use]
    pub fn none(components: usize, features: usize) -> Self {
        Self {
            intercept: vec![0.0; components],
            intercept_variance: vec![1.0 / INTERCEPT_PENALTY; components],
            features: vec![vec![0.0; components]; features],
            variances: vec![vec![1.0 / TYPICAL_PENALTY; components]; features],
            unknown_word_variance: 1.0 / TYPICAL_PENALTY,
        }
    }

    /// Weights of complaints about machines with so many components, of so many features.
    ///
    /// # Errors
    /// Positions beyond those numbers.
    pub fn fitted(components: usize, features: usize, jobs: &[Job]) -> Result<Self, CannotEstimate> {
        let within =
            |job: &Job| job.offset.len() == components && job.fault < components && job.features.iter().all(|feature| *feature < features);
        if !jobs.iter().all(within) {
            return Err(CannotEstimate::InvalidInput("a component or feature that the weights do not have".to_owned()));
        }
        if jobs.iter().all(|job| job.jobs == 0) || components == 0 {
            return Ok(Self::none(components, features));
        }
        // A component that no job had tells nothing of how much features weigh.
        let had: Vec<bool> = (0..components).map(|k| jobs.iter().any(|job| job.fault == k)).collect();
        let k = had.iter().filter(|had| **had).count() as f64;
        let mut problem = Problem { jobs, components, features, penalties: vec![TYPICAL_PENALTY; features] };
        // The intercept stands behind the features.
        let mut weights = vec![0.0; (features + 1) * components];
        let mut information = problem.information(&weights);
        for _ in 0..ROUNDS {
            problem.fit(&mut weights, &information, STEPS[0]);
            information = problem.information(&weights);
            for (j, penalty) in problem.penalties.iter_mut().enumerate() {
                let at = j * components..(j + 1) * components;
                let square = |(w, information): (&f64, &f64)| w * w + 1.0 / (information + *penalty);
                let squares = weights[at.clone()].iter().zip(&information[at]).map(square);
                let size: f64 = squares.zip(&had).filter(|(_, had)| **had).map(|(square, _)| square).sum();
                let learnt = k * (1.0 + TYPICAL_WEIGHT) / (size + TYPICAL_WEIGHT * k / TYPICAL_PENALTY);
                *penalty = learnt.clamp(PENALTIES.0, PENALTIES.1);
            }
        }
        problem.fit(&mut weights, &information, STEPS[1]);
        let information = problem.information(&weights);
        Ok(problem.rounded(&weights, &information))
    }

    /// Whether the lists are of the lengths that so many components need.
    #[must_use]
    pub fn fit(&self, components: usize) -> bool {
        self.intercept.len() == components
            && self.intercept_variance.len() == components
            && self.features.len() == self.variances.len()
            && self.features.iter().chain(&self.variances).all(|row| row.len() == components)
    }

    /// Adds what was said to the logarithms of what is known without it.
    pub fn add(&self, said: &Said, log_weights: &mut [f64]) {
        for row in std::iter::once(&self.intercept).chain(said.features.iter().map(|feature| &self.features[*feature])) {
            log_weights.iter_mut().zip(row).for_each(|(sum, weight)| *sum += weight);
        }
    }

    /// Adds the variances of what was said, times `inflation`.
    pub fn add_variances(&self, said: &Said, inflation: f64, variances: &mut [f64]) {
        let of_unknown = said.unknown_words as f64 * self.unknown_word_variance;
        for row in std::iter::once(&self.intercept_variance).chain(said.features.iter().map(|feature| &self.variances[*feature])) {
            variances.iter_mut().zip(row).for_each(|(sum, variance)| *sum += inflation * variance);
        }
        variances.iter_mut().for_each(|sum| *sum += inflation * of_unknown);
    }
}

/// What is minimised: the negative logarithm of likelihood times prior.
struct Problem<'a> {
    jobs: &'a [Job],
    components: usize,
    features: usize,
    penalties: Vec<f64>,
}

impl Problem<'_> {
    /// Where the weights of a job's features begin; the last are the intercept's.
    fn starts<'j>(&self, job: &'j Job) -> impl Iterator<Item = usize> + 'j {
        let (components, features) = (self.components, self.features);
        job.features.iter().copied().chain([features]).map(move |feature| feature * components)
    }

    fn penalty(&self, feature: usize) -> f64 {
        self.penalties.get(feature).copied().unwrap_or(INTERCEPT_PENALTY)
    }

    /// Probabilities of a job's components, and the logarithm of that of its fault.
    fn probabilities(&self, weights: &[f64], job: &Job, into: &mut [f64]) -> f64 {
        into.copy_from_slice(&job.offset);
        for start in self.starts(job) {
            into.iter_mut().zip(&weights[start..start + self.components]).for_each(|(sum, weight)| *sum += weight);
        }
        let largest = into.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let of_fault = into[job.fault] - largest;
        let mut total = 0.0;
        for value in into.iter_mut() {
            *value = (*value - largest).exp();
            total += *value;
        }
        into.iter_mut().for_each(|value| *value /= total);
        of_fault - total.ln()
    }

    /// `sum over jobs of P_k (1 - P_k)`, by feature and component.
    fn information(&self, weights: &[f64]) -> Vec<f64> {
        let mut information = vec![0.0; weights.len()];
        let mut p = vec![0.0; self.components];
        for job in self.jobs {
            self.probabilities(weights, job, &mut p);
            for start in self.starts(job) {
                let row = &mut information[start..start + self.components];
                row.iter_mut().zip(&p).for_each(|(sum, p)| *sum += f64::from(job.jobs) * p * (1.0 - p));
            }
        }
        information
    }

    fn value(&self, weights: &[f64], gradient: &mut [f64]) -> f64 {
        let mut value = 0.0;
        for (feature, (row, slope)) in weights.chunks(self.components).zip(gradient.chunks_mut(self.components)).enumerate() {
            let penalty = self.penalty(feature);
            for (weight, slope) in row.iter().zip(slope) {
                value += penalty * weight * weight / 2.0;
                *slope = penalty * weight;
            }
        }
        let mut p = vec![0.0; self.components];
        for job in self.jobs {
            let times = f64::from(job.jobs);
            value -= times * self.probabilities(weights, job, &mut p);
            p[job.fault] -= 1.0;
            for start in self.starts(job) {
                gradient[start..start + self.components].iter_mut().zip(&p).for_each(|(slope, p)| *slope += times * p);
            }
        }
        value
    }

    /// On a scale on which all weights are about equally well determined.
    fn fit(&self, weights: &mut [f64], information: &[f64], steps: usize) {
        let scale: Vec<f64> =
            information.iter().enumerate().map(|(at, known)| (known + self.penalty(at / self.components)).sqrt().recip()).collect();
        let mut scaled: Vec<f64> = weights.iter().zip(&scale).map(|(weight, scale)| weight / scale).collect();
        let mut own = weights.to_vec();
        let value = |at: &[f64], gradient: &mut [f64]| {
            own.iter_mut().zip(at).zip(&scale).for_each(|((own, at), scale)| *own = at * scale);
            let value = self.value(&own, gradient);
            gradient.iter_mut().zip(&scale).for_each(|(slope, scale)| *slope *= scale);
            value
        };
        minimise(value, &mut scaled, steps);
        weights.iter_mut().zip(&scaled).zip(&scale).for_each(|((weight, scaled), scale)| *weight = scaled * scale);
    }

    fn rounded(&self, weights: &[f64], information: &[f64]) -> Weights {
        let hundredths = |row: &[f64]| row.iter().map(|weight| (weight * 100.0).round() / 100.0 + 0.0).collect::<Vec<f64>>();
        let variance = |at: usize| two_digits(1.0 / (information[at] + self.penalty(at / self.components)));
        let rows: Vec<Vec<f64>> = weights.chunks(self.components).map(hundredths).collect();
        let variances: Vec<Vec<f64>> =
            (0..=self.features).map(|j| (j * self.components..(j + 1) * self.components).map(variance).collect()).collect();
        let met = |j: &usize| self.jobs.iter().any(|job| job.features.contains(j));
        let squares: Vec<f64> = (0..self.features)
            .filter(met)
            .flat_map(|j| rows[j].iter().zip(&variances[j]).map(|(weight, variance)| weight * weight + variance))
            .collect();
        let unknown = if squares.is_empty() { 1.0 / TYPICAL_PENALTY } else { squares.iter().sum::<f64>() / squares.len() as f64 };
        let split = |mut rows: Vec<Vec<f64>>| {
            let last = rows.pop().unwrap_or_default();
            (rows, last)
        };
        let ((features, intercept), (variances, intercept_variance)) = (split(rows), split(variances));
        Weights { intercept, intercept_variance, features, variances, unknown_word_variance: two_digits(unknown) }
    }
}

fn two_digits(value: f64) -> f64 {
    if value <= 0.0 || !value.is_finite() {
        return 0.0;
    }
    let digits = 1 - value.log10().floor() as i32;
    // By division for small values, so that the result is the nearest number to its decimals.
    if digits >= 0 { (value * 10f64.powi(digits)).round() / 10f64.powi(digits) } else { value.round() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn job(features: &[usize], fault: usize, jobs: u32) -> Job {
        Job { offset: vec![0.5f64.ln(); 2], features: features.to_vec(), fault, jobs }
    }

    /// Two components, one feature said in all of 8 jobs, 6 of them of the first: by symmetry `w = (x, -x)` and `b = (y, -y)`, and at the
    /// maximum the penalties balance what is left: `l x = y = 6 - 8 P`, `P = 1 / (1 + exp(-2 (x + y)))`.
    #[test]
    fn the_maximum_by_hand() {
        let jobs = [job(&[0], 0, 6), job(&[0], 1, 2)];
        let problem = Problem { jobs: &jobs, components: 2, features: 1, penalties: vec![2.0] };
        let mut weights = vec![0.0; 4];
        let information = problem.information(&weights);
        assert_eq!(information, [2.0; 4]);
        problem.fit(&mut weights, &information, 100);
        let (x, y) = (weights[0], weights[2]);
        let p = 1.0 / (1.0 + (-2.0 * (x + y)).exp());
        assert!((weights[1] + x).abs() < 1e-6 && (weights[3] + y).abs() < 1e-6, "{weights:?}");
        assert!((2.0 * x - (6.0 - 8.0 * p)).abs() < 1e-5 && (y - (6.0 - 8.0 * p)).abs() < 1e-5, "{weights:?}");
    }

    #[test]
    fn two_words_that_come_together_count_once() {
        let jobs: Vec<Job> = [(vec![0, 1], 0, 90), (vec![0, 1], 1, 10), (vec![2], 0, 50), (vec![2], 1, 50)]
            .into_iter()
            .map(|(features, fault, jobs)| job(&features, fault, jobs))
            .collect();
        let weights = Weights::fitted(2, 3, &jobs).unwrap();
        let mut log_weights = vec![0.5f64.ln(); 2];
        weights.add(&Said { features: vec![0, 1], unknown_words: 0 }, &mut log_weights);
        let p = 1.0 / (1.0 + (log_weights[1] - log_weights[0]).exp());
        assert!((p - 0.9).abs() < 0.03, "{p} instead of 0.9; naive Bayes would say 0.99");
        assert!(weights.features[2][0].abs() < 0.2, "a word that tells nothing: {:?}", weights.features[2]);
    }

    #[test]
    fn little_or_nothing_to_learn_from() {
        assert_eq!(Weights::fitted(3, 2, &[]).unwrap(), Weights::none(3, 2));
        let one = Weights::fitted(2, 1, &[job(&[0], 1, 1)]).unwrap();
        assert!(one.fit(2) && one.features[0][1] > 0.0 && one.features[0].iter().all(|weight| weight.abs() < 1.0));
        assert!(Weights::fitted(2, 1, &[job(&[1], 0, 1)]).is_err() && Weights::fitted(2, 1, &[job(&[0], 2, 1)]).is_err());
        let mut variances = vec![0.0; 2];
        Weights::none(2, 0).add_variances(&Said { features: Vec::new(), unknown_words: 2 }, 1.0, &mut variances);
        assert_eq!(variances, [3.0, 3.0]);
    }

    #[test]
    fn the_inflation_follows_the_gain_from_more_jobs() {
        assert!((inflation(0.05, 0.175) - 1.0).abs() < 1e-12);
        assert_eq!([inflation(-1.0, 0.1), inflation(1.0, 0.1), inflation(0.0, 0.0)], [0.6, 2.0, TYPICAL_INFLATION]);
        let said = Said { features: vec![0], unknown_words: 0 };
        // (1/4 (1 + 1) + 1/4 (1 + 1)) / 2
        assert!((Weights::none(2, 1).implied_loss(&said, &[0.5, 0.5]) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn numbers_are_rounded_as_a_page_can_carry_them() {
        assert_eq!([0.012345, 3.4567, 0.00098765, 120.4].map(two_digits), [0.012, 3.5, 0.00099, 120.0]);
        assert_eq!(two_digits(0.0), 0.0);
    }
}
