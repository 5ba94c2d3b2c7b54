//! Which component is at fault, given the kind of machine, its age and its symptoms.
//!
//! With `p_k` the share of component `k` in the category, `s_kb` its share in age band `b`, `r_k` the kind's ratio and `l_kj` the
//! probability that symptom `j` is mentioned when `k` is at fault:
//!
//! `P(k | kind, b, symptoms)  is proportional to  s_kb r_k (product over symptoms of l_kj)^x`
//!
//! * **Share**: `p_k = (n_k + c/K) / (n + c)` over the `K` components of the category, a Dirichlet prior of strength `c`.
//! * **Age**: `s_kb = (m_kb + a p_k) / (m_b + a)` where `m_kb = sum over bands i of reach^|b - i| n_ki`: a band borrows from its
//!   neighbours, and from all ages as far as it is thin. Age unknown: `s_kb = p_k`.
//! * **Kind**: brand, then platform, then model: `r_k = (O_k + t p_k r'_k) / (E_k + t p_k)` with `O_k` the group's faults, `E_k` what
//!   the category's shares at the ages of the group's own jobs would give, `r'_k` the ratio of the level above (1 at the top) and
//!   `t` the strength of the level. Without ages `E_k = n p_k`, and `p_k r_k = (O_k + t p_k r'_k) / (n + t)`: the hierarchical
//!   Dirichlet back-off of MacKay & Peto 1995, Nat. Lang. Eng. 1:289. `E_k` keeps a young model from looking peculiar for its age
//!   (indirect standardisation).
//! * **Symptoms**: naive Bayes: `l_kj = (n_kj + e q_kj + f q_j) / (n_k + e + f)` with `q_kj` the component's share of mentions in
//!   other categories (`e = 0` where there are none) and `q_j` the category's. Symptoms of one job depend on each other, which the
//!   exponent `x` allows for (a fitted temperature, Guo et al. 2017, Proc. ICML 70:1321).
//! * **Strengths** `c, t, a, e, f`, `reach` and `x` maximise the likelihood of held-out jobs: [`fit`].
//! * **Interval**: numerators are taken as gamma shapes (the independent gammas whose ratios are Dirichlet), so that the logarithm of
//!   a factor has variance `1/shape + 1/(2 shape^2)` (trigamma, to second order); variances of the factors add up, a level's prior
//!   carries over the variance above it by its weight squared, and `ln(P_k / (1 - P_k))` is taken as normal (delta method). The
//!   interval is of the probability, not of the strengths, which are taken as known.
//!
//! Sources are given from memory. Assumptions: one fault a job; kinds act alike at all ages; symptoms depend on the component only.

use serde::{Deserialize, Serialize};

use crate::distributions::two_sided_z;
use crate::{CannotEstimate, Interval};

pub mod fit;
pub mod mean;
pub mod skill;

/// Counts by position, positions without any left out.
pub type SparseCounts = Vec<(usize, u32)>;

/// What the records of one category hold. Components, symptoms and age bands are positions in lists that the caller keeps.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CategoryCounts {
    /// Jobs by component and age band; one more column at the end for jobs of unknown age.
    pub faults_by_age: Vec<Vec<u32>>,
    /// Mentions by component and symptom.
    pub mentions: Vec<Vec<u32>>,
    /// Mentions by component and symptom in all other categories.
    pub mentions_elsewhere: Vec<Vec<u32>>,
    /// Mentions by component in all other categories, of any symptom.
    pub all_mentions_elsewhere: Vec<u32>,
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

/// Strengths in jobs (or mentions): how many observations a prior is worth.
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
    /// `e`: of the component's symptoms in other categories.
    pub elsewhere_strength: f64,
    /// `f`: of the category's symptoms.
    pub symptom_strength: f64,
    /// `x`.
    pub symptom_exponent: f64,
}

impl Default for Settings {
    /// Where fitting starts, and what thin data stay close to.
    fn default() -> Self {
        Self {
            category_strength: 5.0,
            group_strengths: [50.0; 3],
            age_strength: 50.0,
            age_reach: 0.5,
            elsewhere_strength: 5.0,
            symptom_strength: 2.0,
            symptom_exponent: 1.0,
        }
    }
}

/// One question within a category.
#[derive(Debug, Clone, Copy, Default)]
pub struct Question<'a> {
    /// Brand, platform and model, as far as they are known.
    pub groups: [Option<&'a GroupCounts>; 3],
    pub age_band: Option<usize>,
    /// Positions of the symptoms.
    pub symptoms: &'a [usize],
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
pub struct CategoryOdds {
    bands: usize,
    share: Vec<Factor>,
    /// By component and age band; the last column, age unknown, holds the share over all ages.
    share_by_age: Vec<Vec<Factor>>,
    /// By component and symptom.
    symptom: Vec<Vec<Factor>>,
    /// The same to the power of the symptom exponent.
    symptom_weight: Vec<Vec<f64>>,
    settings: Settings,
}

impl CategoryOdds {
    /// # Errors
    /// No component, no job, or lists of different lengths.
    pub fn new(counts: &CategoryCounts, settings: &Settings) -> Result<Self, CannotEstimate> {
        check(counts)?;
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
        let symptom = symptoms(counts, settings);
        let weigh = |row: &Vec<Factor>| row.iter().map(|factor| factor.value.powf(settings.symptom_exponent)).collect();
        let symptom_weight = symptom.iter().map(weigh).collect();
        Ok(Self { bands, share, share_by_age, symptom, symptom_weight, settings: *settings })
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

    /// `l_kj`: probability that a mention is of this symptom when the component is at fault.
    ///
    /// # Errors
    /// A component or symptom that the counts do not have, or a confidence level outside (0, 1).
    pub fn likelihood(&self, component: usize, symptom: usize, confidence: f64) -> Result<Interval, CannotEstimate> {
        let factor = self.symptom.get(component).and_then(|row| row.get(symptom)).ok_or_else(unknown_position)?;
        let likelihood = factor.interval(confidence)?;
        Ok(Interval { upper: likelihood.upper.min(1.0), ..likelihood })
    }

    /// `r_k` of every component, with its interval.
    ///
    /// # Errors
    /// A component or age band that the counts do not have, or a confidence level outside (0, 1).
    pub fn ratio(&self, groups: &[Option<&GroupCounts>; 3], confidence: f64) -> Result<Vec<Interval>, CannotEstimate> {
        self.check(&Question { groups: *groups, ..Question::default() })?;
        self.ratios(groups).into_iter().map(|ratio| ratio.interval(confidence)).collect()
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
        let ratios = self.ratios(&question.groups);
        let (log_weights, variances): (Vec<f64>, Vec<f64>) = (0..self.components())
            .map(|k| {
                let share = self.share_by_age[k][band];
                // Without an age the share is the top of the back-off chain, whose variance the ratio carries.
                let age_variance = if question.age_band.is_some() { share.log_variance } else { 0.0 };
                let exponent = self.settings.symptom_exponent;
                let of_symptoms = question.symptoms.iter().map(|j| self.symptom[k][*j]);
                let log_likelihood: f64 = of_symptoms.clone().map(|symptom| symptom.value.ln()).sum();
                let symptom_variance: f64 = of_symptoms.map(|symptom| symptom.log_variance).sum();
                (
                    share.value.ln() + ratios[k].value.ln() + exponent * log_likelihood,
                    age_variance + ratios[k].log_variance + exponent * exponent * symptom_variance,
                )
            })
            .unzip();
        let probabilities = normalised(&log_weights);
        let weighted: f64 = probabilities.iter().zip(&variances).map(|(p, v)| p * p * v).sum();
        let interval = |(p, v): (&f64, &f64)| {
            let others = 1.0 - p;
            if others <= 0.0 {
                return Interval::new(*p, *p, *p, confidence);
            }
            let spread = z * (v + (weighted - p * p * v).max(0.0) / (others * others)).sqrt();
            let at = |by: f64| p * by.exp() / (others + p * by.exp());
            Interval::new(*p, at(-spread), 1.0 - others / (others + p * spread.min(LARGEST_LOG).exp()), confidence)
        };
        probabilities.iter().zip(&variances).map(interval).collect()
    }

    /// Probability of each component, for many questions about one kind: `ratios` come from [`Self::ratios_of`].
    fn probabilities(&self, ratios: &[f64], age_band: Option<usize>, symptoms: &[usize]) -> Vec<f64> {
        let band = age_band.unwrap_or(self.bands);
        let weights: Vec<f64> = (0..self.components())
            .map(|k| {
                let of_symptoms: f64 = symptoms.iter().map(|j| self.symptom_weight[k][*j]).product();
                self.share_by_age[k][band].value * ratios[k] * of_symptoms
            })
            .collect();
        let total: f64 = weights.iter().sum();
        weights.iter().map(|weight| weight / total).collect()
    }

    fn ratios_of(&self, groups: &[Option<&GroupCounts>; 3]) -> Vec<f64> {
        self.ratios(groups).iter().map(|ratio| ratio.value).collect()
    }

    /// How many times as frequent each component is in the kind as in the category at the same ages.
    fn ratios(&self, groups: &[Option<&GroupCounts>; 3]) -> Vec<Factor> {
        let mut ratios: Vec<Factor> = self.share.iter().map(|share| Factor { value: 1.0, log_variance: share.log_variance }).collect();
        for (group, strength) in groups.iter().zip(self.settings.group_strengths) {
            let Some(group) = group else { continue };
            let mut observed = vec![0.0; self.components()];
            for (component, jobs) in &group.faults {
                observed[*component] = f64::from(*jobs);
            }
            for (k, ratio) in ratios.iter_mut().enumerate() {
                let expected = self.expected(group, k);
                let prior = strength * self.share[k].value;
                let shape = observed[k] + prior * ratio.value;
                let weight_above = prior * ratio.value / shape;
                let above = weight_above * weight_above * ratio.log_variance;
                *ratio = Factor::of_shape(shape, expected + prior);
                ratio.log_variance += above;
            }
        }
        ratios
    }

    fn check(&self, question: &Question<'_>) -> Result<(), CannotEstimate> {
        let symptoms = self.symptom.first().map_or(0, Vec::len);
        let groups = question.groups.iter().flatten();
        let known = question.age_band.is_none_or(|band| band < self.bands)
            && question.symptoms.iter().all(|symptom| *symptom < symptoms)
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
    let (bands, symptoms) = (counts.faults_by_age.first().map_or(0, Vec::len), counts.mentions.first().map_or(0, Vec::len));
    let even = bands > 0
        && counts.faults_by_age.iter().all(|row| row.len() == bands)
        && [&counts.mentions, &counts.mentions_elsewhere]
            .iter()
            .all(|table| table.len() == components && table.iter().all(|row| row.len() == symptoms))
        && counts.all_mentions_elsewhere.len() == components;
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

fn symptoms(counts: &CategoryCounts, settings: &Settings) -> Vec<Vec<Factor>> {
    let symptoms = counts.mentions[0].len();
    // Half a mention each, so that a symptom never mentioned here stays possible (Jeffreys' prior).
    let mentions = |j: usize| counts.mentions.iter().map(|row| f64::from(row[j])).sum::<f64>() + 0.5;
    let all: f64 = (0..symptoms).map(mentions).sum();
    let in_category: Vec<f64> = (0..symptoms).map(|j| mentions(j) / all).collect();
    counts
        .mentions
        .iter()
        .zip(&counts.mentions_elsewhere)
        .zip(&counts.all_mentions_elsewhere)
        .map(|((own, elsewhere), all_elsewhere)| {
            let of_component: f64 = own.iter().map(|n| f64::from(*n)).sum();
            let (borrowed, total) = if *all_elsewhere > 0 { (settings.elsewhere_strength, f64::from(*all_elsewhere)) } else { (0.0, 1.0) };
            let divisor = of_component + borrowed + settings.symptom_strength;
            (0..symptoms)
                .map(|j| {
                    let prior = borrowed * f64::from(elsewhere[j]) / total + settings.symptom_strength * in_category[j];
                    Factor::of_shape(f64::from(own[j]) + prior, divisor)
                })
                .collect()
        })
        .collect()
}

/// Weights on the scale of logarithms as probabilities.
fn normalised(log_weights: &[f64]) -> Vec<f64> {
    let largest = log_weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = log_weights.iter().map(|weight| (weight - largest).exp()).collect();
    let total: f64 = weights.iter().sum();
    weights.iter().map(|weight| weight / total).collect()
}
