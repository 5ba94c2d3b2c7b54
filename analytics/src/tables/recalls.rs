//! Repairs that come back with the same fault within the settings' days, and what is set aside for them: shares by Aalen-Johansen, those of models drawn
//! towards their category.
//!
//! A category's share at the horizon is that of [`partly_named_incidence`]. A model has its returns of the same fault against those expected of it, had
//! it the category's daily rate of such returns for as long as its own repairs were followed; their ratio is drawn towards one by a gamma-Poisson
//! model, and the model's share is `1 - (1 - F)^ratio`. So a repair that is still waited for counts for the days on which it was watched, no more and no less.

use std::collections::BTreeMap;

use fixodds_estimators::empirical_bayes::{GammaPoisson, RateGroup};
use fixodds_estimators::partly_named_cause::{Endings, partly_named_incidence};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::Estimated;

/// Recalls with known costs that a category needs for a mean of its own.
const FEWEST_RECALLS: i64 = 5;

/// Repairs by the day on which following ended.
type Days = BTreeMap<u64, Endings>;

#[derive(Default)]
struct Leaf {
    category: Option<String>,
    all: Days,
    /// Those whose part is named, of which alone a return can be known to be for the same fault.
    named: Days,
}

/// Jobs and what they cost: number, mean and relative variance of the mean, in hundredths.
#[derive(Clone, Copy)]
struct MeanCost {
    jobs: i64,
    mean: f64,
    relative_variance: f64,
}

/// What is known of recalls at some day.
pub(crate) struct Recalls {
    leaves: BTreeMap<i64, Leaf>,
    costs: BTreeMap<(Option<String>, String), MeanCost>,
    horizon_days: f64,
}

/// A share of recalls.
#[derive(Debug, Clone)]
pub(crate) struct Share {
    pub repairs: i64,
    pub estimated: Estimated,
    /// Variance of the share over its square.
    pub relative_variance: f64,
    /// None where nothing is drawn towards others.
    pub own_weight: Option<f64>,
}

impl Recalls {
    /// What was known a number of months before the cut-off.
    pub fn read(engine: &Engine, months: i32) -> Result<Self, AnalyticsError> {
        let mut leaves: BTreeMap<i64, Leaf> = BTreeMap::new();
        engine.rows("recalls", "SELECT leaf, category FROM leaf ORDER BY leaf", |row| {
            leaves.insert(row.get(0)?, Leaf { category: row.get(1)?, ..Leaf::default() });
            Ok(())
        })?;
        engine.rows_for("recalls", evidence_sql!("take_on_recalls"), &[&months], |row| {
            let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
            let [left, wanted, unnamed] = [count("ended")?, count("same_fault")?, count("not_known")?];
            let time = row.get("day")?;
            let endings = Endings { time, left, wanted, unnamed, other: count("other")?, competing: count("competing")? };
            let leaf = leaves.entry(row.get("leaf")?).or_default();
            add(&mut leaf.all, &endings);
            if row.get("named")? {
                add(&mut leaf.named, &endings);
            }
            Ok(())
        })?;
        let mut costs = BTreeMap::new();
        let mut all: BTreeMap<String, [f64; 3]> = BTreeMap::new();
        engine.rows_for("recalls", evidence_sql!("take_on_recall_costs"), &[&months], |row| {
            let (category, kind): (Option<String>, String) = (row.get("category")?, row.get("kind")?);
            let sums = [row.get::<_, i64>("jobs")? as f64, row.get("cost")?, row.get("cost_squared")?];
            all.entry(kind.clone()).or_default().iter_mut().zip(sums).for_each(|(sum, term)| *sum += term);
            costs.insert((category, kind), mean_cost(sums));
            Ok(())
        })?;
        // Under no category: all of them together. Jobs without a category take that too.
        costs.extend(all.into_iter().map(|(kind, sums)| ((None, kind), mean_cost(sums))));
        Ok(Self { leaves, costs, horizon_days: engine.business.recall_days })
    }

    /// Sets aside for each repaired job of a leaf what its recall costs in expectation, in the table `recall_provision` that SQL reads.
    pub fn provide(&self, engine: &Engine, months: i32) -> Result<(), AnalyticsError> {
        let each: Vec<(i64, Vec<i64>)> = self.leaves.keys().map(|leaf| (*leaf, vec![*leaf])).collect();
        let values: Vec<String> = self
            .drawn_to_categories(&each)
            .into_iter()
            .map(|(leaf, share)| {
                let cost = self.cost(self.leaves[&leaf].category.as_ref()).map_or(0.0, |cost| cost.mean);
                format!("({months}, {leaf}, {})", (share.estimated.map_or(0.0, |share| share.estimate) * cost).round() as i64)
            })
            .collect();
        let table = "CREATE TABLE IF NOT EXISTS recall_provision (months INTEGER, leaf BIGINT, hundredths BIGINT)";
        engine.run("recall_provision", table)?;
        if !values.is_empty() {
            engine.run("recall_provision", &format!("INSERT INTO recall_provision VALUES {}", values.join(", ")))?;
        }
        Ok(())
    }

    /// Mean cost of a recall: of the category, else of all categories; where no recall was costed, of a repair.
    fn cost(&self, category: Option<&String>) -> Option<MeanCost> {
        let of = |category: Option<&String>, kind: &str| self.costs.get(&(category.cloned(), kind.to_owned())).copied();
        of(category, "recall")
            .filter(|cost| cost.jobs >= FEWEST_RECALLS)
            .or_else(|| of(None, "recall").filter(|cost| cost.jobs >= FEWEST_RECALLS))
            .or_else(|| of(category, "repair"))
            .or_else(|| of(None, "repair"))
    }

    /// The variance over its square of what is set aside, where the share's is this.
    pub fn relative_variance(&self, category: Option<&String>, share: &Share) -> f64 {
        share.relative_variance + self.cost(category).map_or(0.0, |cost| cost.relative_variance)
    }

    /// The share over some leaves, as counted.
    pub fn counted(&self, leaves: &[i64]) -> Share {
        let days = self.pooled(leaves, |leaf| &leaf.all);
        let estimated = partly_named_incidence(&days, self.horizon_days, CONFIDENCE).map(|found| found.shared_out);
        Share { repairs: left(&days) as i64, relative_variance: relative_variance(&estimated), estimated, own_weight: None }
    }

    /// The shares of groups of leaves, each drawn towards its category. A group's category is that of its first leaf.
    pub fn drawn_to_categories(&self, groups: &[(i64, Vec<i64>)]) -> BTreeMap<i64, Share> {
        let mut by_category: BTreeMap<Option<&String>, Vec<&(i64, Vec<i64>)>> = BTreeMap::new();
        for group in groups {
            let category = group.1.first().and_then(|leaf| self.leaves.get(leaf)).and_then(|leaf| leaf.category.as_ref());
            by_category.entry(category).or_default().push(group);
        }
        let mut shares = BTreeMap::new();
        for (category, groups) in by_category {
            let leaves: Vec<i64> = self.leaves.iter().filter(|(_, leaf)| leaf.category.as_ref() == category).map(|(key, _)| *key).collect();
            let common = self.counted_as_far_as_seen(&leaves);
            let hazard = Hazard::new(&self.pooled(&leaves, |leaf| &leaf.named));
            let counts: Vec<RateGroup> =
                groups.iter().map(|(_, leaves)| hazard.against(&self.pooled(leaves, |leaf| &leaf.named))).collect();
            let fit = GammaPoisson::fit(&counts);
            for ((key, leaves), group) in groups.iter().zip(&counts) {
                let repairs = left(&self.pooled(leaves, |leaf| &leaf.all)) as i64;
                let posterior = fit.as_ref().ok().and_then(|fit| fit.posterior(*group, 0.0, CONFIDENCE).ok());
                let drawn = posterior.zip(common.as_ref().ok()).and_then(|(ratio, common)| {
                    let share = |ratio: f64| 1.0 - (1.0 - common.estimate).powf(ratio);
                    let [estimate, lower, upper] = [ratio.interval.estimate, ratio.interval.lower, ratio.interval.upper].map(share);
                    Some(Share {
                        repairs,
                        estimated: Ok(Interval::new(estimate, lower, upper, CONFIDENCE).ok()?),
                        relative_variance: ratio.variance / ratio.interval.estimate.powi(2),
                        own_weight: Some(ratio.own_weight),
                    })
                });
                let shared =
                    || Share { repairs, relative_variance: relative_variance(&common), estimated: common.clone(), own_weight: Some(0.0) };
                shares.insert(*key, drawn.unwrap_or_else(shared));
            }
        }
        shares
    }

    /// The share at the horizon, or where no repair was followed so long, at the last day seen; where no return of the category names its part, of all.
    fn counted_as_far_as_seen(&self, leaves: &[i64]) -> Estimated {
        let at = |leaves: &[i64]| {
            let days = self.pooled(leaves, |leaf| &leaf.all);
            let last = days.last().map_or(0.0, |day| day.time);
            partly_named_incidence(&days, self.horizon_days.min(last), CONFIDENCE).map(|found| found.shared_out)
        };
        match at(leaves) {
            Err(CannotEstimate::CauseNotNamed) => at(&self.leaves.keys().copied().collect::<Vec<_>>()),
            found => found,
        }
    }

    fn pooled(&self, leaves: &[i64], of: fn(&Leaf) -> &Days) -> Vec<Endings> {
        let mut days = Days::new();
        let wanted = leaves.iter().filter_map(|leaf| self.leaves.get(leaf));
        wanted.flat_map(|leaf| of(leaf).values()).for_each(|endings| add(&mut days, endings));
        days.into_values().collect()
    }
}

fn add(days: &mut Days, more: &Endings) {
    // Times are not negative, so that their bits sort as they do.
    let day = days.entry(more.time.to_bits()).or_insert(Endings { time: more.time, ..Endings::default() });
    day.left += more.left;
    day.wanted += more.wanted;
    day.unnamed += more.unnamed;
    day.other += more.other;
    day.competing += more.competing;
}

fn left(days: &[Endings]) -> u64 {
    days.iter().map(|day| day.left).sum()
}

fn mean_cost([jobs, cost, squared]: [f64; 3]) -> MeanCost {
    let mean = cost / jobs;
    let variance = (squared / jobs - mean * mean).max(0.0);
    let relative_variance = if mean > 0.0 { variance / (jobs * mean * mean) } else { 0.0 };
    MeanCost { jobs: jobs as i64, mean, relative_variance }
}

fn relative_variance(share: &Estimated) -> f64 {
    let of = |share: &Interval| {
        let standard_error = share.normal_standard_error().unwrap_or(0.0);
        if share.estimate > 0.0 { (standard_error / share.estimate).powi(2) } else { 0.0 }
    };
    share.as_ref().map_or(0.0, of)
}

/// The daily rate of returns with the same fault in a category, added up from the repair on.
struct Hazard(Vec<(f64, f64)>);

impl Hazard {
    fn new(days: &[Endings]) -> Self {
        let (mut at_risk, mut sum) = (left(days), 0.0);
        let mut steps = Vec::with_capacity(days.len());
        for day in days {
            sum += day.wanted as f64 / at_risk as f64;
            at_risk -= day.left;
            steps.push((day.time, sum));
        }
        Self(steps)
    }

    /// Returns with the same fault, and how many this rate would give repairs that were followed as long.
    fn against(&self, days: &[Endings]) -> RateGroup {
        let up_to = |time: f64| self.0.partition_point(|(step, _)| *step <= time).checked_sub(1).map_or(0.0, |at| self.0[at].1);
        RateGroup {
            events: days.iter().map(|day| day.wanted).sum(),
            exposure: days.iter().map(|day| day.left as f64 * up_to(day.time)).sum(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four repairs, one back on day 10, one lost on day 20, one back on day 30, one followed: rates 1/4 and 1/2. Followed to day 10 or 20, a repair is
    /// expected back 1/4 times, to day 30 or beyond 3/4 times; together as often as repairs came back.
    #[test]
    fn expected_returns_are_as_many_as_seen_ones() {
        let day = |time, wanted| Endings { time, left: 1, wanted, ..Endings::default() };
        let days = [day(10.0, 1), day(20.0, 0), day(30.0, 1), day(91.0, 0)];
        let hazard = Hazard::new(&days);
        let all = hazard.against(&days);
        assert!(all.events == 2 && (all.exposure - 2.0).abs() < 1e-12, "{all:?}");
        let short = hazard.against(&[day(15.0, 0), day(5.0, 0)]);
        assert!(short.events == 0 && (short.exposure - 0.25).abs() < 1e-12, "{short:?}");
    }
}
