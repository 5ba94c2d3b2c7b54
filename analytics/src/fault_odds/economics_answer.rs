//! The money side of an answer: what mending costs, whether it ends as a write-off and why, what it leaves, and which parts would do.

use std::collections::BTreeMap;

use fixodds_estimators::fault_odds::mean::{MeanOverOdds, Outcome, mean_over_odds};
use fixodds_estimators::search_order::comparable;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use serde::Serialize;

use super::donor::Donor;
use super::economics::PartPrice;
use super::{Asked, Category};

/// How many write-offs the category's share is worth against those of the platform (a choice, no source).
const WRITE_OFF_PLATFORM_STRENGTH: f64 = 5.0;
/// How many write-offs the category's mix of reasons is worth against the component's own (a choice, no source).
const REASON_STRENGTH: f64 = 5.0;
const REASONS_TOLD: usize = 3;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EconomicsAnswer {
    /// Labour and parts, if it is mended: the mean over the faults whose repair is on record.
    pub cost_to_fix: Option<Interval>,
    /// Probability of those faults.
    pub cost_known_for: f64,
    /// Probability that the machine ends as a write-off.
    pub write_off: Option<Interval>,
    /// Reasons for it, the most frequent first, with their share of write-offs.
    pub write_off_reasons: Vec<Reason>,
    /// As asked, or of the catalogue.
    pub price_new: Option<f64>,
    /// Cost to fix over price new.
    pub cost_to_price_new: Option<Interval>,
    /// What the machine is worth to somebody who mends and sells it: (1 - write-off) (value mended - cost to fix).
    pub worth_as_it_stands: Option<Interval>,
    /// Parts for the likeliest faults.
    pub parts: Vec<PartChoice>,
    /// What a condemned machine of this platform yields in used parts; none where the platform is not known or its worth cannot be estimated.
    pub donor: Option<Donor>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    pub reason: String,
    pub share: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartChoice {
    pub component: String,
    /// Median price of a piece by origin.
    pub prices: BTreeMap<String, PartPrice>,
    /// Numbers fitted to this model; empty where the model is not known.
    pub numbers: Vec<Interchange>,
}

/// A part number and the other models that it was fitted to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Interchange {
    pub number: String,
    pub also_in: Vec<String>,
}

/// `likeliest` are positions of components, the likeliest first.
pub fn economics(
    category: &Category,
    asked: &Asked,
    band: Option<usize>,
    odds: &[Interval],
    likeliest: &[usize],
) -> Result<EconomicsAnswer, CannotEstimate> {
    let known = &category.economics;
    let costs: Vec<Outcome> = odds
        .iter()
        .zip(&known.costs)
        .filter_map(|(probability, cost)| {
            cost.map(|cost| Outcome { probability: *probability, value: cost.mean, variance: cost.standard_error.powi(2) })
        })
        .collect();
    let cost = mean_over_odds(&costs).ok();
    let shares: Vec<(f64, f64)> = (0..odds.len()).map(|k| write_off(category, asked.platform.as_deref(), k, band)).collect();
    let ends: Vec<Outcome> = odds
        .iter()
        .zip(&shares)
        .map(|(probability, (value, variance))| Outcome { probability: *probability, value: *value, variance: *variance })
        .collect();
    let end = mean_over_odds(&ends).ok();
    let cost_to_fix = cost.map(|cost| cost.interval(0.0, f64::INFINITY, CONFIDENCE)).transpose()?;
    let model = asked.model.as_ref().and_then(|key| category.models.get(key));
    let price_new = asked.price_new.or_else(|| model.and_then(|model| model.price_new)).filter(|price| *price > 0.0);
    let to_price = |cost: Interval, price: f64| Interval::new(cost.estimate / price, cost.lower / price, cost.upper / price, CONFIDENCE);
    Ok(EconomicsAnswer {
        cost_to_fix,
        cost_known_for: cost.map_or(0.0, |cost| cost.probability),
        write_off: end.map(|end| end.interval(0.0, 1.0, CONFIDENCE)).transpose()?,
        write_off_reasons: reasons(category, odds, &shares),
        price_new,
        cost_to_price_new: cost_to_fix.zip(price_new).map(|(cost, price)| to_price(cost, price)).transpose()?,
        worth_as_it_stands: match (asked.value_mended, cost, end) {
            (Some(value), Some(cost), Some(end)) => Some(worth(value, &cost, &end)?),
            _ => None,
        },
        parts: likeliest.iter().map(|k| parts(category, asked.model.as_deref(), *k)).collect(),
        donor: asked.platform.as_ref().and_then(|platform| known.donors.get(platform)).cloned(),
    })
}

/// `(1 - W) (V - E)`; the variance by the delta method, cost and write-off taken as independent.
fn worth(value: f64, cost: &MeanOverOdds, end: &MeanOverOdds) -> Result<Interval, CannotEstimate> {
    let (mended, margin) = (1.0 - end.mean, value - cost.mean);
    let variance = margin * margin * end.variance + mended * mended * cost.variance;
    MeanOverOdds { mean: mended * margin, variance, probability: 1.0 }.interval(f64::NEG_INFINITY, f64::INFINITY, CONFIDENCE)
}

/// The category's share at that age times the platform's ratio, at most 1; with its variance.
fn write_off(category: &Category, platform: Option<&str>, component: usize, band: Option<usize>) -> (f64, f64) {
    let known = &category.economics;
    let (share, variance) = known.write_off_share(&category.counts.faults_by_age, component, band);
    let of_platform = platform.and_then(|key| known.platform_write_offs.get(key));
    let Some((_, ended, expected)) = of_platform.and_then(|rows| rows.iter().find(|(k, ..)| *k == component)) else {
        return (share, variance);
    };
    let ratio = (ended + WRITE_OFF_PLATFORM_STRENGTH) / (expected + WRITE_OFF_PLATFORM_STRENGTH);
    let own = (share * ratio).min(1.0);
    (own, own * own * (variance / (share * share) + 1.0 / (ended + WRITE_OFF_PLATFORM_STRENGTH)))
}

fn reasons(category: &Category, odds: &[Interval], write_off: &[(f64, f64)]) -> Vec<Reason> {
    let known = &category.economics;
    let all: u32 = known.write_off_reasons.iter().flatten().sum();
    if all == 0 {
        return Vec::new();
    }
    let mut shares = vec![0.0; known.reasons.len()];
    for ((own, probability), (ends, _)) in known.write_off_reasons.iter().zip(odds).zip(write_off) {
        let total = f64::from(own.iter().sum::<u32>());
        for (position, share) in shares.iter_mut().enumerate() {
            let of_all: u32 = known.write_off_reasons.iter().map(|row| row[position]).sum();
            let prior = REASON_STRENGTH * f64::from(of_all) / f64::from(all);
            *share += probability.estimate * ends * (f64::from(own[position]) + prior) / (total + REASON_STRENGTH);
        }
    }
    let sum: f64 = shares.iter().sum();
    let mut reasons: Vec<Reason> =
        known.reasons.iter().zip(shares).map(|(reason, share)| Reason { reason: reason.clone(), share: share / sum }).collect();
    reasons.sort_by(|a, b| comparable(b.share).total_cmp(&comparable(a.share)));
    reasons.truncate(REASONS_TOLD);
    reasons
}

fn parts(category: &Category, model: Option<&str>, component: usize) -> PartChoice {
    let keys: Vec<&String> = category.models.keys().collect();
    let own = model.and_then(|model| keys.iter().position(|key| *key == model));
    let numbers = category.economics.part_numbers.iter().filter(|part| part.component == component);
    PartChoice {
        component: category.components[component].clone(),
        prices: category.economics.prices[component].clone(),
        numbers: own.map_or_else(Vec::new, |own| {
            numbers
                .filter(|part| part.models.contains(&own))
                .map(|part| Interchange {
                    number: part.number.clone(),
                    also_in: part.models.iter().filter(|at| **at != own).map(|at| keys[*at].clone()).collect(),
                })
                .collect()
        }),
    }
}
