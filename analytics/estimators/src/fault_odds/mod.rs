//! Which component is at fault, given the kind of machine, its age and what was reported before it was opened.
//!
//! With `p_k` the share of component `k` in the category, `s_kb` its share in age band `b`, `r_k` the kind's ratio, and `b_k`, `w_jk` the
//! weights of the complaint ([`complaint`]):
//!
//! `P(k | kind, b, complaint)  is proportional to  s_kb r_k exp(b_k + sum over what was said of w_jk)`
//!
//! and without a complaint `s_kb r_k` alone.
//!
//! * **Share**: `p_k = (n_k + c/K) / (n + c)` over the `K` components of the category, a Dirichlet prior of strength `c`.
//! * **Age**: `s_kb = (m_kb + a p_k) / (m_b + a)` where `m_kb = sum over bands i of reach^|b - i| n_ki`: a band borrows from its
//!   neighbours, and from all ages as far as it is thin. Age unknown: `s_kb = p_k`.
//! * **Kind**: brand, then platform, then model: `r_k = (O_k + t p_k r'_k) / (E_k + t p_k)` with `O_k` the group's faults, `E_k` what
//!   the category's shares at the ages of the group's own jobs would give, `r'_k` the ratio of the level above (1 at the top) and
//!   `t` the strength of the level. Without ages `E_k = n p_k`, and `p_k r_k = (O_k + t p_k r'_k) / (n + t)`: the hierarchical
//!   Dirichlet back-off of MacKay & Peto 1995, Nat. Lang. Eng. 1:289. `E_k` keeps a young model from looking peculiar for its age
//!   (indirect standardisation).
//! * **Complaint**: a multinomial logistic regression on symptoms and words, on top of the logarithm of `s_kb r_k`. Unlike the naive Bayes
//!   likelihood that stood here before, it does not count symptoms twice that come together.
//! * **Strengths** `c, t, a` and `reach` maximise the likelihood of held-out jobs: [`fit`].
//! * **Interval**: of the share and the kind, numerators are taken as gamma shapes (the independent gammas whose ratios are Dirichlet), so
//!   that the logarithm of a factor has variance `1/shape + 1/(2 shape^2)` (trigamma, to second order), and a level's prior
//!   carries over the variance above it by its weight squared; the complaint adds the variances of its weights, as Laplace's approximation
//!   gives them, times an inflation ([`complaint::inflation`]). `v`, the variance of `ln(P_k / (1 - P_k))`, follows by the delta method. The estimate `P`
//!   is an average over what the true probability may be; the log odds `x` of that are taken as normal about
//!   `logit(P) (1 + pi v / 8)^(1/2)`, the centre whose logistic mean is `P` (MacKay 1992, Neural Comput. 4:720, his (10) solved for the
//!   mean): a thinly known probability near 0 or 1 is more often beyond the estimate than short of it. The
//!   interval is of the probability, not of the strengths, which are taken as known.
//!
//! Sources are given from memory. Assumptions: one fault a job; kinds act alike at all ages; what is said of a fault depends on the fault only.

use serde::{Deserialize, Serialize};

use crate::distributions::two_sided_z;
use crate::{CannotEstimate, Interval};

pub mod complaint;
pub mod fit;
pub mod mean;
pub mod skill;

use complaint::{Said, Weights};

/// Counts by position, positions without any left out.
pub type SparseCounts = Vec<(usize, u32)>;

/// What the records of one category hold. Components, symptoms and age bands are positions in lists that the caller keeps.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CategoryCounts {
    /// Jobs by component and age band; one more column at the end for jobs of unknown age.
    pub faults_by_age: Vec<Vec<u32>>,
}

/// What the records of one brand, platform or model hold, within one category.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct GroupCounts {
    /// Jobs by age band; the position after the last band: age unknown.
    pub jobs: SparseCounts,
    /// Jobs by component.
    pub faults: SparseCounts,
}

impl GroupCounts {
    /// All jobs of the group.
    #[must_use]
    pub fn total(&self) -> u32 {
        self.jobs.iter().map(|(_, jobs)| jobs).sum()
    }
}

/// Strengths in jobs: how many observations a prior is worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    /// `c`: of equal shares, against the category's jobs.
    pub category_strength: f64,
    /// `t` of brand, platform and model: of the level above, against the group's own jobs.
    pub group_strengths: [f64; 3],
    /// `a`: of all ages together, against an age band.
    pub age_strength: f64,
    /// Weight of a band's neighbour, 0 to 1.
    pub age_reach: f64,
    /// By how much the variance of a complaint's weights is larger than Laplace's approximation says: [`complaint::inflation`].
    pub complaint_inflation: f64,
}

impl Default for Settings {
    /// Where fitting starts, and what thin data stay close to.
    fn default() -> Self {
        Self {
            category_strength: 5.0,
            group_strengths: [50.0; 3],
            age_strength: 50.0,
            age_reach: 0.5,
            complaint_inflation: complaint::TYPICAL_INFLATION,
        }
    }
}

/// One question within a category.
#[derive(Debug, Clone, Copy, Default)]
pub struct Question<'a> {
    /// Brand, platform and model, as far as they are known.
    pub groups: [Option<&'a GroupCounts>; 3],
    pub age_band: Option<usize>,
    /// What was reported; none where nothing is known of it.
    pub complaint: Option<&'a Said>,
}

/// A number of the model with the variance of its logarithm.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Factor {
    value: f64,
    log_variance: f64,
}

impl Factor {
    /// A gamma shape over what it is divided by.
    fn of_shape(shape: f64, divisor: f64) -> Self {
        Self { value: shape / divisor, log_variance: 1.0 / shape + 0.5 / (shape * shape) }
    }

    /// Normal on the scale of logarithms.
    fn interval(self, confidence: f64) -> Result<Interval, CannotEstimate> {
        let spread = two_sided_z(confidence)? * self.log_variance.sqrt();
        Interval::new(self.value, self.value * (-spread).exp(), self.value * spread.min(LARGEST_LOG).exp(), confidence)
    }
}

/// Larger logarithms than this are not numbers any more.
const LARGEST_LOG: f64 = 600.0;

/// The counts of a category under given settings, ready to answer.
#[derive(Debug, Clone)]
pub struct CategoryOdds<'a> {
    bands: usize,
    share: Vec<Factor>,
    /// By component and age band; the last column, age unknown, holds the share over all ages.
    share_by_age: Vec<Vec<Factor>>,
    weights: &'a Weights,
    settings: Settings,
}

/// Faults of a kind by brand, platform and model, as far as it is known: observed and expected, by component.
#[derive(Debug, Clone, Default)]
pub struct Kind([Option<(Vec<f64>, Vec<f64>)>; 3]);

impl<'a> CategoryOdds<'a> {
    /// # Errors
    /// No component, no job, or lists of different lengths.
    pub fn new(counts: &CategoryCounts, weights: &'a Weights, settings: &Settings) -> Result<Self, CannotEstimate> {
        check(counts)?;
        if !weights.fit(counts.faults_by_age.len()) {
            return Err(CannotEstimate::InvalidInput("weights of a complaint for other components".to_owned()));
        }
        let bands = counts.faults_by_age[0].len() - 1;
        let total = |row: &Vec<u32>| row.iter().map(|n| f64::from(*n)).sum::<f64>();
        let of_component: Vec<f64> = counts.faults_by_age.iter().map(total).collect();
        let jobs: f64 = of_component.iter().sum();
        let equal = settings.category_strength / of_component.len() as f64;
        let share: Vec<Factor> = of_component.iter().map(|n| Factor::of_shape(n + equal, jobs + settings.category_strength)).collect();
        let spread: Vec<Vec<f64>> =
            counts.faults_by_age.iter().map(|row| (0..bands).map(|band| spread(row, bands, band, settings.age_reach)).collect()).collect();
        let in_band: Vec<f64> = (0..bands).map(|band| spread.iter().map(|row| row[band]).sum()).collect();
        let share_by_age = share
            .iter()
            .zip(&spread)
            .map(|(all_ages, row)| {
                let at = |(n, m): (&f64, &f64)| Factor::of_shape(n + settings.age_strength * all_ages.value, m + settings.age_strength);
                row.iter().zip(&in_band).map(at).chain([*all_ages]).collect()
            })
            .collect();
        Ok(Self { bands, share, share_by_age, weights, settings: *settings })
    }

    /// Number of components.
    #[must_use]
    pub fn components(&self) -> usize {
        self.share.len()
    }

    /// `s_kb`: share of a component at an age, or (no age) over all ages.
    ///
    /// # Errors
    /// A component or age band that the counts do not have, or a confidence level outside (0, 1).
    pub fn share(&self, component: usize, age_band: Option<usize>, confidence: f64) -> Result<Interval, CannotEstimate> {
        let row = self.share_by_age.get(component).filter(|_| age_band.is_none_or(|band| band < self.bands));
        let factor = row.map(|row| row[age_band.unwrap_or(self.bands)]).ok_or_else(unknown_position)?;
        let share = factor.interval(confidence)?;
        Ok(Interval { upper: share.upper.min(1.0), ..share })
    }

    /// By how much a mention multiplies the odds of a component, against its average over the category's faults.
    ///
    /// # Errors
    /// A component or feature that the weights do not have, or a confidence level outside (0, 1).
    pub fn mention(&self, component: usize, feature: usize, confidence: f64) -> Result<Interval, CannotEstimate> {
        let row = self.weights.features.get(feature).zip(self.weights.variances.get(feature)).filter(|_| component < self.components());
        let (weights, variances) = row.ok_or_else(unknown_position)?;
        let average: f64 = weights.iter().zip(&self.share).map(|(weight, share)| weight * share.value).sum();
        let log_variance = self.settings.complaint_inflation * variances[component];
        Factor { value: (weights[component] - average).exp(), log_variance }.interval(confidence)
    }

    /// `r_k` of every component, with its interval.
    ///
    /// # Errors
    /// A component or age band that the counts do not have, or a confidence level outside (0, 1).
    pub fn ratio(&self, groups: &[Option<&GroupCounts>; 3], confidence: f64) -> Result<Vec<Interval>, CannotEstimate> {
        self.check(&Question { groups: *groups, ..Question::default() })?;
        self.ratios(&self.kind(groups), None).into_iter().map(|ratio| ratio.interval(confidence)).collect()
    }

    /// `E_k`: faults of a component that the category's shares give at the ages of the group's jobs.
    #[must_use]
    pub fn expected(&self, group: &GroupCounts, component: usize) -> f64 {
        group.jobs.iter().map(|(band, jobs)| f64::from(*jobs) * self.share_by_age[component][*band].value).sum()
    }

    /// Probability of each component, with its interval.
    ///
    /// # Errors
    /// An age band or symptom that the counts do not have, or a confidence level outside (0, 1).
    pub fn answer(&self, question: &Question<'_>, confidence: f64) -> Result<Vec<Interval>, CannotEstimate> {
        let z = two_sided_z(confidence)?;
        self.check(question)?;
        let band = question.age_band.unwrap_or(self.bands);
        let ratios = self.ratios(&self.kind(&question.groups), None);
        let (mut log_weights, mut variances): (Vec<f64>, Vec<f64>) = (0..self.components())
            .map(|k| {
                let share = self.share_by_age[k][band];
                // Without an age the share is the top of the back-off chain, whose variance the ratio carries.
                let age_variance = if question.age_band.is_some() { share.log_variance } else { 0.0 };
                (share.value.ln() + ratios[k].value.ln(), age_variance + ratios[k].log_variance)
            })
            .unzip();
        if let Some(said) = question.complaint {
            self.weights.add(said, &mut log_weights);
            self.weights.add_variances(said, self.settings.complaint_inflation, &mut variances);
        }
        let probabilities = normalised(&log_weights);
        let weighted: f64 = probabilities.iter().zip(&variances).map(|(p, v)| p * p * v).sum();
        let interval = |(p, v): (&f64, &f64)| {
            let others = 1.0 - p;
            if others <= 0.0 || *p <= 0.0 {
                return Interval::new(*p, *p, *p, confidence);
            }
            let variance = v + (weighted - p * p * v).max(0.0) / (others * others);
            let centre = (p / others).ln() * (1.0 + std::f64::consts::PI / 8.0 * variance).sqrt();
            let at = |log_odds: f64| 1.0 / (1.0 + (-log_odds.clamp(-LARGEST_LOG, LARGEST_LOG)).exp());
            let spread = z * variance.sqrt();
            Interval::new(*p, at(centre - spread).min(*p), at(centre + spread).max(*p), confidence)
        };
        probabilities.iter().zip(&variances).map(interval).collect()
    }

    /// Probability of each component, for many questions about one kind.
    fn probabilities(&self, kind: &Kind, age_band: Option<usize>, complaint: Option<&Said>) -> Vec<f64> {
        let mut log_weights = self.offset(kind, age_band, None);
        if let Some(said) = complaint {
            self.weights.add(said, &mut log_weights);
        }
        normalised(&log_weights)
    }

    /// Observed and expected faults of a kind, worked out once for many questions.
    #[must_use]
    pub fn kind(&self, groups: &[Option<&GroupCounts>; 3]) -> Kind {
        Kind(groups.map(|group| {
            group.map(|group| {
                let mut observed = vec![0.0; self.components()];
                for (component, jobs) in &group.faults {
                    observed[*component] = f64::from(*jobs);
                }
                (observed, (0..self.components()).map(|k| self.expected(group, k)).collect())
            })
        }))
    }

    /// `ln(s_kb r_k)`, counted without one job of the kind, of that age and with the fault named, if one is named.
    #[must_use]
    pub fn offset(&self, kind: &Kind, age_band: Option<usize>, without: Option<usize>) -> Vec<f64> {
        let band = age_band.unwrap_or(self.bands);
        let ratios = self.ratios(kind, without.map(|fault| (fault, band)));
        self.share_by_age.iter().zip(ratios).map(|(share, ratio)| (share[band].value * ratio.value).ln()).collect()
    }

    /// How many times as frequent each component is in the kind as in the category at the same ages.
    fn ratios(&self, kind: &Kind, without: Option<(usize, usize)>) -> Vec<Factor> {
        let mut ratios: Vec<Factor> = self.share.iter().map(|share| Factor { value: 1.0, log_variance: share.log_variance }).collect();
        for (group, strength) in kind.0.iter().zip(self.settings.group_strengths) {
            let Some((observed, expected)) = group else { continue };
            for (k, ratio) in ratios.iter_mut().enumerate() {
                let (own, own_expected) = match without {
                    Some((fault, band)) => (if k == fault { 1.0 } else { 0.0 }, self.share_by_age[k][band].value),
                    None => (0.0, 0.0),
                };
                let prior = strength * self.share[k].value;
                let shape = (observed[k] - own).max(0.0) + prior * ratio.value;
                let weight_above = prior * ratio.value / shape;
                let above = weight_above * weight_above * ratio.log_variance;
                *ratio = Factor::of_shape(shape, (expected[k] - own_expected).max(0.0) + prior);
                ratio.log_variance += above;
            }
        }
        ratios
    }

    fn check(&self, question: &Question<'_>) -> Result<(), CannotEstimate> {
        let groups = question.groups.iter().flatten();
        let known = question.age_band.is_none_or(|band| band < self.bands)
            && question.complaint.is_none_or(|said| said.features.iter().all(|feature| *feature < self.weights.features.len()))
            && groups.clone().flat_map(|group| &group.jobs).all(|(band, _)| *band <= self.bands)
            && groups.flat_map(|group| &group.faults).all(|(component, _)| *component < self.components());
        if known {
            Ok(())
        } else {
            Err(CannotEstimate::InvalidInput("a component, symptom or age band that the counts do not have".to_owned()))
        }
    }
}

fn unknown_position() -> CannotEstimate {
    CannotEstimate::InvalidInput("a component, symptom or age band that the counts do not have".to_owned())
}

fn check(counts: &CategoryCounts) -> Result<(), CannotEstimate> {
    let components = counts.faults_by_age.len();
    let bands = counts.faults_by_age.first().map_or(0, Vec::len);
    let even = bands > 0 && counts.faults_by_age.iter().all(|row| row.len() == bands);
    if components > 0 && !even {
        return Err(CannotEstimate::InvalidInput("counts of different lengths".to_owned()));
    }
    if counts.faults_by_age.iter().flatten().all(|jobs| *jobs == 0) {
        return Err(CannotEstimate::NoObservations);
    }
    Ok(())
}

/// A band's count with its neighbours', the farther the less.
fn spread(row: &[u32], bands: usize, band: usize, reach: f64) -> f64 {
    (0..bands).map(|other| reach.powi(other.abs_diff(band) as i32) * f64::from(row[other])).sum()
}

/// Weights on the scale of logarithms as probabilities.
fn normalised(log_weights: &[f64]) -> Vec<f64> {
    let largest = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = log_weights.iter().map(|weight| (weight - largest).exp()).collect();
    let total: f64 = weights.iter().sum();
    weights.iter().map(|weight| weight / total).collect()
}
