//! The answer to one question: price, expected cost and spread, and when a write-off serves the customer better.

use fixodds_estimators::{CannotEstimate, Interval};
use serde::Serialize;

use super::costs::Mixture;
use super::{Category, Costs, Group, HeldOut, Quotes};
use crate::fault_odds::{Answer, Asked};

/// What a fault would cost the business to mend.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultCost {
    pub component: String,
    /// That this is the fault.
    pub probability: f64,
    /// That a job with this fault ends repaired.
    pub prob_repaired: f64,
    pub expected_cost: f64,
    /// The cost that one such repair in ten exceeds.
    pub p90_cost: f64,
    /// Repairs that the costs rest on.
    pub jobs: i64,
    /// Repairs beside them whose parts cost is empty, and the expected cost if that means nothing; the others stand for them.
    pub blank: i64,
    pub expected_cost_if_blank_is_nothing: Option<f64>,
    /// The level of these repairs: model, platform or category.
    pub level: &'static str,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WriteOffVerdict {
    Repair,
    Replace,
    NotDistinguishable,
}

/// Repair against a new machine, from the customer's side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WriteOff {
    pub price_new: f64,
    pub remaining_years: Interval,
    pub life_of_new_years: Interval,
    pub cost_per_year_repaired: Interval,
    pub cost_per_year_new: Interval,
    /// A repair dearer than this costs more per expected further year than a new machine.
    pub better_above: Interval,
    pub verdict: WriteOffVerdict,
    /// Ends of life that the years rest on, and their level.
    pub ends: u64,
    pub level: &'static str,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Quote {
    pub asked: Asked,
    pub currency: String,
    pub default_settings: bool,
    /// The price to ask for a repair, whole and rounded up.
    pub price: f64,
    /// The largest share of repairs that may cost more.
    pub most_loss_probability: f64,
    /// What a repair at this price leaves on average.
    pub expected_contribution: f64,
    pub expected_cost: f64,
    pub cost_standard_deviation: f64,
    pub p10_cost: f64,
    pub p90_cost: f64,
    pub prob_repaired: f64,
    /// What a job that cannot be repaired costs on average, and with how many jobs; it earns the call-out charge.
    pub unrepaired_cost: Option<(i64, f64)>,
    pub call_out_charge: f64,
    /// The expected cost if an empty parts cost means nothing, where that matters and the mapping does not say.
    pub expected_cost_if_blank_is_nothing: Option<f64>,
    /// Part of the probability whose faults have costs on record.
    pub probability_covered: f64,
    /// The likeliest first.
    pub faults: Vec<FaultCost>,
    /// How the same rule did in the last year, from records before it.
    pub held_out: Option<HeldOut>,
    pub write_off: Option<WriteOff>,
    /// Why there is no comparison with a new machine.
    pub no_write_off_because: Option<String>,
}

impl Quotes {
    /// The quote for the mix of faults that the odds give.
    ///
    /// # Errors
    /// No fault of the category has enough repairs with known costs.
    pub fn answer(&self, odds: &Answer) -> Result<Quote, CannotEstimate> {
        let asked = &odds.asked;
        let category = self.categories.get(&asked.category).ok_or(CannotEstimate::NoObservations)?;
        let groups = category.groups(asked.platform.as_deref(), asked.model.as_deref());
        let likely: Vec<(&str, f64)> = odds.odds.iter().map(|likely| (likely.component.as_str(), likely.probability.estimate)).collect();
        let Mixed { found, mixture, covered, repaired } = Mixed::of(&groups, &likely)?;
        let settings = &self.settings;
        let expected_cost = mixture.mean();
        let price = self.price(&mixture);
        let write_off = write_off(category, &groups, asked, price);
        Ok(Quote {
            currency: self.currency.clone(),
            default_settings: settings.is_default,
            price,
            most_loss_probability: settings.most_loss_probability,
            expected_contribution: price - expected_cost,
            expected_cost,
            expected_cost_if_blank_is_nothing: mixture.mean_if_nothing(),
            cost_standard_deviation: mixture.standard_deviation(),
            p10_cost: mixture.quantile(0.1),
            p90_cost: mixture.quantile(0.9),
            prob_repaired: repaired / covered,
            unrepaired_cost: known(&groups, |group| group.unrepaired.as_ref()).map(|(_, cost)| *cost),
            call_out_charge: settings.call_out_charge,
            probability_covered: covered,
            faults: found.into_iter().map(|(fault, _)| fault).collect(),
            held_out: category.held_out.or(self.held_out),
            no_write_off_because: write_off.as_ref().err().cloned(),
            write_off: write_off.ok(),
            asked: asked.clone(),
        })
    }
}

impl Quotes {
    /// The price to ask for a repair whose costs are mixed so: whole, and rounded up.
    fn price(&self, mixture: &Mixture<'_>) -> f64 {
        let settings = &self.settings;
        let least = mixture.mean() + settings.least_contribution_per_job;
        mixture.quantile(1.0 - settings.most_loss_probability).max(least).max(0.0).ceil()
    }

    /// The price for a machine and the odds of its faults, by the same rule as the answer to a question; none where nothing is known of their costs.
    pub(super) fn price_at(&self, asked: &Asked, odds: &[(&str, f64)]) -> Option<f64> {
        let category = self.categories.get(&asked.category)?;
        let groups = category.groups(asked.platform.as_deref(), asked.model.as_deref());
        Some(self.price(&Mixed::of(&groups, odds).ok()?.mixture))
    }
}

/// A category's groups, from the model upwards.
type Groups<'a> = [(&'static str, Option<&'a Group>); 3];

/// What the faults that a machine may have would cost, mixed by their odds.
struct Mixed<'a> {
    found: Vec<(FaultCost, &'a Costs)>,
    mixture: Mixture<'a>,
    /// Probability of the faults whose costs are known, and that one of them is the fault and is mended.
    covered: f64,
    repaired: f64,
}

impl<'a> Mixed<'a> {
    fn of(groups: &Groups<'a>, odds: &[(&str, f64)]) -> Result<Self, CannotEstimate> {
        let found: Vec<(FaultCost, &Costs)> = odds
            .iter()
            .filter_map(|(component, probability)| {
                let (level, costs) = known(groups, |group| group.costs.get(*component))?;
                let repaired = known(groups, |group| group.outcomes.get(*component));
                let prob_repaired = repaired.map_or(1.0, |(_, (repaired, jobs))| *repaired as f64 / *jobs as f64);
                let fault = FaultCost {
                    component: (*component).to_owned(),
                    probability: *probability,
                    prob_repaired,
                    expected_cost: costs.mean,
                    p90_cost: costs.quantiles[costs.quantiles.len() * 9 / 10],
                    jobs: costs.jobs,
                    blank: costs.blank,
                    expected_cost_if_blank_is_nothing: costs.mean_if_nothing,
                    level,
                };
                Some((fault, costs))
            })
            .collect();
        let covered: f64 = found.iter().map(|(fault, _)| fault.probability).sum();
        let repaired: f64 = found.iter().map(|(fault, _)| fault.probability * fault.prob_repaired).sum();
        if repaired <= 0.0 {
            return Err(CannotEstimate::NoObservations);
        }
        let mixture = Mixture(found.iter().map(|(fault, costs)| (fault.probability * fault.prob_repaired / repaired, *costs)).collect());
        Ok(Self { found, mixture, covered, repaired })
    }
}

/// The first group, from the model upwards, that knows.
fn known<'a, T>(groups: &Groups<'a>, of: impl Fn(&'a Group) -> Option<&'a T>) -> Option<(&'static str, &'a T)> {
    groups.iter().find_map(|(level, group)| Some((*level, of((*group)?)?)))
}

fn write_off(category: &Category, groups: &Groups<'_>, asked: &Asked, price: f64) -> Result<WriteOff, String> {
    let age = asked.age_years.ok_or("the age is not known; give it with --age")?;
    let of_model = asked.model.as_ref().and_then(|model| category.price_new_of_models.get(model).copied());
    let price_new = of_model.or(category.price_new).ok_or("no record says what a new one costs")?;
    let too_few =
        "too few machines of the roster were taken out of use, or fewer than half by the ages on record, to say how long they live";
    let (level, life) = known(groups, |group| group.life.as_ref()).ok_or(too_few)?;
    let remaining = life.remaining(age).ok_or("no life was worked out for so old a machine")?;
    let new = *life.remaining_years.first().ok_or(too_few)?;
    WriteOff::compare(price, price_new, remaining, new, (life.ends, level)).map_err(|cause| cause.to_string())
}

impl WriteOff {
    fn compare(
        price: f64,
        price_new: f64,
        remaining: Interval,
        new: Interval,
        (ends, level): (u64, &'static str),
    ) -> Result<Self, CannotEstimate> {
        let per_year = |money: f64, years: &Interval| {
            Interval::new(money / years.estimate, money / years.upper, money / years.lower, years.confidence)
        };
        let better_above = better_above(price_new, &remaining, &new)?;
        let verdict = match price {
            price if price < better_above.lower => WriteOffVerdict::Repair,
            price if price > better_above.upper => WriteOffVerdict::Replace,
            _ => WriteOffVerdict::NotDistinguishable,
        };
        Ok(Self {
            price_new,
            cost_per_year_repaired: per_year(price, &remaining)?,
            cost_per_year_new: per_year(price_new, &new)?,
            remaining_years: remaining,
            life_of_new_years: new,
            better_above,
            verdict,
            ends,
            level,
        })
    }
}

/// Price new x remaining life / life of a new one; distances add in squares on the scale of logarithms, as if the lives were independent.
pub(super) fn better_above(price_new: f64, remaining: &Interval, new: &Interval) -> Result<Interval, CannotEstimate> {
    let estimate = price_new * remaining.estimate / new.estimate;
    let distance = |a: f64, b: f64| (a / b).ln();
    let below = distance(remaining.estimate, remaining.lower).hypot(distance(new.upper, new.estimate));
    let above = distance(remaining.upper, remaining.estimate).hypot(distance(new.estimate, new.lower));
    Interval::new(estimate, estimate * (-below).exp(), estimate * above.exp(), remaining.confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 400 new for 10 years is 40 a year; 100 for 4 further years is 25. Above 400 x 4/10 = 160 a new one is better.
    #[test]
    fn cost_per_further_year_decides() {
        let exact = |years: f64| Interval::exact(years).unwrap();
        let found = |price| WriteOff::compare(price, 400.0, exact(4.0), exact(10.0), (99, "category")).unwrap();
        assert!(
            (found(100.0).cost_per_year_repaired.estimate - 25.0).abs() < 1e-12
                && (found(100.0).cost_per_year_new.estimate - 40.0).abs() < 1e-12
        );
        assert!((found(100.0).better_above.estimate - 160.0).abs() < 1e-12);
        assert_eq!(
            [100.0, 160.0, 170.0].map(|price| found(price).verdict),
            [WriteOffVerdict::Repair, WriteOffVerdict::NotDistinguishable, WriteOffVerdict::Replace]
        );
        let vague = Interval::new(4.0, 2.0, 8.0, 0.95).unwrap();
        let bounds = better_above(400.0, &vague, &exact(10.0)).unwrap();
        assert!((bounds.lower - 80.0).abs() < 1e-9 && (bounds.upper - 320.0).abs() < 1e-9);
    }
}
