//! The cost of one kind of repair: mean, spread, quantiles, and mixtures of several kinds.

use serde::{Deserialize, Serialize};

/// Quantiles kept: 0, 2.5 %, ..., 100 %.
const STEPS: usize = 40;

/// What repairs cost the business.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Costs {
    pub jobs: i64,
    pub mean: f64,
    pub variance: f64,
    /// At probabilities in equal steps from 0 to 1.
    pub quantiles: Vec<f64>,
    /// Repairs beside these whose parts cost is empty; they are taken to cost what these do.
    #[serde(default)]
    pub blank: i64,
    /// The mean with those, their parts read as nothing; none where there are none.
    #[serde(default)]
    pub mean_if_nothing: Option<f64>,
}

impl Costs {
    /// From amounts in rising order with how many jobs cost each; none without jobs.
    pub(crate) fn from_counts(counts: &[(f64, i64)]) -> Option<Self> {
        let jobs: i64 = counts.iter().map(|(_, n)| n).sum();
        if jobs == 0 {
            return None;
        }
        let n = jobs as f64;
        let mean = counts.iter().map(|(amount, k)| amount * *k as f64).sum::<f64>() / n;
        let squares: f64 = counts.iter().map(|(amount, k)| (amount - mean).powi(2) * *k as f64).sum();
        let at = |rank: f64| {
            let mut passed = 0;
            counts
                .iter()
                .find(|(_, k)| {
                    passed += k;
                    passed as f64 > rank
                })
                .or(counts.last())
                .map_or(0.0, |(amount, _)| *amount)
        };
        let quantile = |step: usize| {
            // Type 7, as everywhere in the evidence.
            let position = (n - 1.0) * step as f64 / STEPS as f64;
            let (low, high) = (at(position.floor()), at(position.ceil()));
            low + position.fract() * (high - low)
        };
        Some(Self { jobs, mean, variance: squares / n, quantiles: (0..=STEPS).map(quantile).collect(), blank: 0, mean_if_nothing: None })
    }

    /// With repairs whose parts cost is empty, by what they cost if that means nothing.
    #[must_use]
    pub(crate) fn with_blank(self, blank: &[(f64, i64)]) -> Self {
        let jobs: i64 = blank.iter().map(|(_, n)| n).sum();
        let sum: f64 = blank.iter().map(|(amount, n)| amount * *n as f64).sum();
        let mean_if_nothing = (jobs > 0).then(|| (self.mean * self.jobs as f64 + sum) / (self.jobs + jobs) as f64);
        Self { blank: jobs, mean_if_nothing, ..self }
    }

    /// `P(cost <= amount)`, by straight lines between the quantiles.
    #[must_use]
    pub fn at_most(&self, amount: f64) -> f64 {
        let above = self.quantiles.partition_point(|quantile| *quantile <= amount);
        if above == 0 {
            return 0.0;
        }
        let Some(next) = self.quantiles.get(above) else { return 1.0 };
        let last = self.quantiles[above - 1];
        ((above - 1) as f64 + (amount - last) / (next - last)) / STEPS as f64
    }
}

/// A mixture of kinds of repair, each with its weight; weights sum to 1.
pub(crate) struct Mixture<'a>(pub Vec<(f64, &'a Costs)>);

impl Mixture<'_> {
    pub fn mean(&self) -> f64 {
        self.0.iter().map(|(weight, costs)| weight * costs.mean).sum()
    }

    /// None where no cost of the mixture has repairs with an empty parts cost.
    pub fn mean_if_nothing(&self) -> Option<f64> {
        let is_blank = self.0.iter().any(|(_, costs)| costs.mean_if_nothing.is_some());
        is_blank.then(|| self.0.iter().map(|(weight, costs)| weight * costs.mean_if_nothing.unwrap_or(costs.mean)).sum())
    }

    pub fn standard_deviation(&self) -> f64 {
        let mean = self.mean();
        self.0.iter().map(|(weight, costs)| weight * (costs.variance + (costs.mean - mean).powi(2))).sum::<f64>().sqrt()
    }

    pub fn quantile(&self, probability: f64) -> f64 {
        let most = self.0.iter().filter_map(|(_, costs)| costs.quantiles.last()).fold(0.0f64, |a, b| a.max(*b));
        let (mut low, mut high) = (0.0, most);
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            let below: f64 = self.0.iter().map(|(weight, costs)| weight * costs.at_most(middle)).sum();
            if below < probability { low = middle } else { high = middle }
        }
        high
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 0, 10, ..., 400, one job each: the quantile at p is 400 p, its distribution a straight line.
    #[test]
    fn quantiles_and_mixtures_of_even_costs() {
        let even: Vec<(f64, i64)> = (0..=40).map(|step| (f64::from(step) * 10.0, 1)).collect();
        let costs = Costs::from_counts(&even).unwrap();
        assert!((costs.quantiles[10] - 100.0).abs() < 1e-9 && (costs.mean - 200.0).abs() < 1e-9);
        assert!((costs.at_most(50.0) - 0.125).abs() < 1e-9 && costs.at_most(-1.0) == 0.0 && costs.at_most(500.0) == 1.0);
        let fixed = Costs::from_counts(&[(1000.0, 5)]).unwrap();
        let mixture = Mixture(vec![(0.9, &costs), (0.1, &fixed)]);
        assert!((mixture.mean() - 280.0).abs() < 1e-9);
        // Below 400 the mixture's distribution is 0.9 x/400.
        assert!((mixture.quantile(0.45) - 200.0).abs() < 1e-6 && (mixture.quantile(0.95) - 1000.0).abs() < 1e-6);
        assert_eq!(Costs::from_counts(&[]), None);
    }
}
