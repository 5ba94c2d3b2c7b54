//! The table `quote`.

use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums};
use fixodds_estimators::{CONFIDENCE, Interval, two_sided_z};

use super::answer::better_above;
use super::{Costs, Group, Quotes};
use crate::engine::{Engine, Scope};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

/// Ages at which the table tells remaining lives.
const AGES_TOLD: [usize; 9] = [0, 2, 4, 6, 8, 10, 12, 15, 20];

impl Quotes {
    pub(crate) fn rows(&self, engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
        let mut rows = EvidenceRows::new("quote")?;
        for scope in &engine.scopes {
            let category = scope.category.as_ref().and_then(|key| self.categories.get(key));
            match (scope.level.as_str(), category) {
                ("all", _) => self.push_held_out(scope, self.held_out.as_ref(), &mut rows),
                ("category", Some(category)) => {
                    self.push_group(scope, &category.all, category.price_new, &mut rows);
                    self.push_held_out(scope, category.held_out.as_ref(), &mut rows);
                }
                ("platform", Some(category)) => {
                    if let Some(group) = category.platforms.get(&scope.key) {
                        self.push_group(scope, group, None, &mut rows);
                    }
                }
                _ => {}
            }
        }
        Ok(rows)
    }

    fn push_group(&self, scope: &Scope, group: &Group, price_new: Option<f64>, rows: &mut EvidenceRows) {
        for (component, costs) in &group.costs {
            let mut push = |statistic: &str, estimated: &Estimated| {
                let mut cells = vec![("component", component.into()), ("statistic", statistic.into()), ("jobs", costs.jobs.into())];
                if statistic == "expected_cost" {
                    cells.extend([("jobs_blank", costs.blank.into()), ("lowest_reading", costs.mean_if_nothing.into())]);
                }
                rows.push(scope, &cells, estimated);
            };
            let mean = mean(costs);
            let [p10, p90, limit] = [0.1, 0.9, 1.0 - self.settings.most_loss_probability].map(|p| quantile(costs, p));
            // The price also leaves the least contribution on average.
            let least = costs.mean + self.settings.least_contribution_per_job;
            let price = limit.clone().and_then(|limit| {
                Interval::new(limit.estimate.max(least), limit.lower.max(least), limit.upper.max(least), limit.confidence)
            });
            for (statistic, estimated) in [("expected_cost", mean), ("p10_cost", p10), ("p90_cost", p90), ("price", price)] {
                push(statistic, &estimated);
            }
        }
        let Some(life) = &group.life else { return };
        let Some(new) = life.remaining_years.first() else { return };
        for age in AGES_TOLD {
            let Some(remaining) = life.remaining_years.get(age) else { continue };
            let mut push = |statistic: &str, estimated: &Estimated| {
                let jobs = Cell::Count(life.ends as i64);
                rows.push(scope, &[("age_years", (age as f64).into()), ("statistic", statistic.into()), ("jobs", jobs)], estimated);
            };
            push("remaining_life", &Ok(*remaining));
            if let Some(price_new) = price_new.filter(|_| age > 0) {
                push("write_off_above", &better_above(price_new, remaining, new));
            }
        }
    }

    fn push_held_out(&self, scope: &Scope, held_out: Option<&super::HeldOut>, rows: &mut EvidenceRows) {
        if let Some(held_out) = held_out {
            rows.push(scope, &[("statistic", "held_out_loss".into()), ("jobs", held_out.jobs.into())], &Ok(held_out.exceeded));
        }
    }
}

fn mean(costs: &Costs) -> Estimated {
    let (n, value) = (costs.jobs as f64, costs.mean * costs.jobs as f64);
    let value_squared = (costs.variance + costs.mean * costs.mean) * n;
    mean_amount_from_sums(
        &MeanSums { clusters: costs.jobs as u64, rows: n, value, value_squared, value_times_rows: value, rows_squared: n },
        CONFIDENCE,
    )
}

/// A quantile of the costs with its order-statistic interval, read off the kept quantiles.
fn quantile(costs: &Costs, probability: f64) -> Estimated {
    let steps = (costs.quantiles.len() - 1) as f64;
    let at = |probability: f64| {
        let position = probability.clamp(0.0, 1.0) * steps;
        let low = costs.quantiles[position.floor() as usize];
        low + position.fract() * (costs.quantiles[position.ceil() as usize] - low)
    };
    // Ranks that hold the true quantile with 95 %, by the normal approximation of the binomial distribution.
    let half = two_sided_z(CONFIDENCE)? * (probability * (1.0 - probability) / costs.jobs as f64).sqrt();
    Interval::new(at(probability), at(probability - half), at(probability + half), CONFIDENCE)
}
