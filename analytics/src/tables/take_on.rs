//! `take_on`: what a booked job leaves on each model and platform, how often it loses money, and the verdict.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::{ClusterSums, clopper_pearson, clustered_wilson};
use fixodds_estimators::empirical_bayes::{BetaBinomial, ShareGroup};
use fixodds_estimators::hierarchical_means::{GroupMean, hierarchical_means, pooled_variances};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums, mean_from_sums};
use fixodds_estimators::poisson::garwood;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval, two_sided_z};

use super::evidence_sql;
use super::recalls::{Recalls, Share};
use super::waits::{Waited, wait_quantile};
use crate::business::verdict;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

const MEANS: [&str; 6] = ["contribution", "charged", "parts", "labour", "travel", "recall_cost"];
/// Measures that read an empty amount as nothing, of the measure that it lowers or raises.
const IF_NOTHING: [(&str, &str); 4] =
    [("contribution", "contribution_least"), ("contribution", "contribution_most"), ("charged", "charged_least"), ("parts", "parts_least")];
const SHARES: [&str; 5] = ["parts_imputed", "write_off", "first_visit_fix", "part_unavailable", "used_part"];

/// Readings that differ by less do not matter.
const HALF_A_HUNDREDTH: f64 = 0.005;

/// Sums by scope and measure, as the SQL sends them; money in whole units.
type Sums = BTreeMap<(i64, String), MeanSums>;

/// An estimate, and how much of it comes from the scope's own records.
type Leaning = (Estimated, Option<f64>);

struct ScopeFacts {
    platform: Option<String>,
    condemned: i64,
    years: f64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let recalls = Recalls::read(engine, 0)?;
    recalls.provide(engine, 0)?;
    let sums = read_sums(engine)?;
    let facts = read_scopes(engine)?;
    let waits = read_waits(engine)?;
    let recalled = recalled(engine, &recalls)?;
    let contributions = contributions(engine, &sums, &facts, &recalls, &recalled);
    let losses = losses(engine, &sums);
    let mut rows = EvidenceRows::new("take_on")?;
    for (scope_id, of_scope) in &facts {
        let Some(booked) = sums.get(&(*scope_id, "contribution".to_owned())) else {
            continue;
        };
        let jobs = booked.rows as i64;
        let of = |measure: &str| sums.get(&(*scope_id, measure.to_owned()));
        let level = engine.scope(*scope_id).level.as_str();
        let missing = || (Err(CannotEstimate::NoObservations), None);
        let (contribution, own_weight) = contributions.get(scope_id).cloned().unwrap_or_else(missing);
        let (loss, loss_weight) = losses.get(scope_id).cloned().unwrap_or_else(missing);
        let verdict = ["model", "platform"]
            .contains(&level)
            .then(|| verdict(jobs, contribution.as_ref().ok(), loss.as_ref().ok(), &engine.business).key());
        let mut push = |measure: &str, statistic: &str, n: i64, machines: Option<i64>, weight: Option<f64>, estimated: &Estimated| {
            let [lowest, highest] = if_nothing(&of, measure, estimated);
            rows.push(
                engine.scope(*scope_id),
                &[
                    ("lowest_reading", lowest.into()),
                    ("highest_reading", highest.into()),
                    ("measure", measure.into()),
                    ("statistic", statistic.into()),
                    ("jobs", n.into()),
                    ("machines", machines.into()),
                    ("own_weight", weight.into()),
                    ("verdict", verdict.filter(|_| measure == "contribution").into()),
                ],
                estimated,
            );
        };
        for measure in MEANS {
            if let Some(sums) = of(measure) {
                let (estimated, weight) = match measure {
                    "contribution" => (contribution.clone(), own_weight),
                    _ => (plain_mean(sums, mean_amount_from_sums), None),
                };
                push(measure, "mean", jobs, Some(sums.clusters as i64), weight, &estimated);
            }
        }
        push("loss", "share", jobs, Some(booked.clusters as i64), loss_weight, &loss);
        if let Some(Share { repairs, estimated, own_weight, .. }) = recalled.get(scope_id) {
            push("recall", "share", *repairs, None, *own_weight, estimated);
        }
        for measure in SHARES {
            if let Some(sums) = of(measure).filter(|sums| measure != "parts_imputed" || sums.value > 0.0) {
                push(measure, "share", sums.rows as i64, Some(sums.clusters as i64), None, &share(sums).map(|found| found.0));
            }
        }
        if let Some(counts) = waits.get(scope_id) {
            let orders = counts.iter().map(|wait| (wait.delivered + wait.still_open) as i64).sum();
            for (statistic, probability) in [("median", 0.5), ("p90", 0.9)] {
                push("part_wait_days", statistic, orders, None, None, &wait_quantile(counts, probability));
            }
        }
        push("donors_per_year", "rate", of_scope.condemned, None, None, &garwood(of_scope.condemned as u64, of_scope.years, CONFIDENCE));
    }
    Ok(rows)
}

/// Shares drawn towards those of all groups; where a common distribution cannot be fitted, the groups' common share.
fn shrunken(groups: &[ShareGroup]) -> Vec<Leaning> {
    let all = groups.iter().fold(ShareGroup { events: 0, trials: 0 }, |sum, group| ShareGroup {
        events: sum.events + group.events,
        trials: sum.trials + group.trials,
    });
    let common = || (clopper_pearson(all.events, all.trials, CONFIDENCE), Some(0.0));
    match BetaBinomial::fit(groups) {
        Ok(fit) => groups
            .iter()
            .map(|group| fit.posterior(*group, 0.0, CONFIDENCE).map_or_else(|_| common(), |p| (Ok(p.interval), Some(p.own_weight))))
            .collect(),
        Err(_) => groups.iter().map(|_| common()).collect(),
    }
}

/// Shares of recalls by scope: of models drawn towards their category, of larger scopes as counted.
fn recalled(engine: &Engine, recalls: &Recalls) -> Result<BTreeMap<i64, Share>, AnalyticsError> {
    let (models, larger): (Vec<_>, Vec<_>) =
        engine.leaves_of_scopes()?.into_iter().partition(|(scope_id, _)| engine.scope(*scope_id).level == "model");
    let mut shares = recalls.drawn_to_categories(&models);
    shares.extend(larger.into_iter().map(|(scope_id, leaves)| (scope_id, recalls.counted(&leaves))));
    shares.retain(|_, share| share.repairs > 0);
    Ok(shares)
}

fn read_sums(engine: &Engine) -> Result<Sums, AnalyticsError> {
    let mut sums = Sums::new();
    engine.rows("take_on", evidence_sql!("take_on_sums"), |row| {
        let measure: String = row.get("measure")?;
        let is_money = MEANS.contains(&measure.as_str()) || IF_NOTHING.iter().any(|(_, name)| *name == measure);
        let unit = if is_money { 100.0 } else { 1.0 };
        let read = MeanSums {
            clusters: row.get::<_, i64>("machines")? as u64,
            rows: row.get::<_, i64>("jobs")? as f64,
            value: row.get::<_, f64>("amount")? / unit,
            value_squared: row.get::<_, f64>("amount_squared")? / (unit * unit),
            value_times_rows: row.get::<_, f64>("amount_times_jobs")? / unit,
            rows_squared: row.get("jobs_squared")?,
        };
        sums.insert((row.get("scope_id")?, measure), read);
        Ok(())
    })?;
    Ok(sums)
}

fn read_scopes(engine: &Engine) -> Result<BTreeMap<i64, ScopeFacts>, AnalyticsError> {
    let rows = engine.rows("take_on", evidence_sql!("take_on_scopes"), |row| {
        let facts = ScopeFacts { platform: row.get("platform")?, condemned: row.get("condemned")?, years: row.get("years")? };
        Ok((row.get("scope_id")?, facts))
    })?;
    Ok(rows.into_iter().collect())
}

fn read_waits(engine: &Engine) -> Result<BTreeMap<i64, Vec<Waited>>, AnalyticsError> {
    let mut waits: BTreeMap<i64, Vec<Waited>> = BTreeMap::new();
    engine.rows("take_on", evidence_sql!("take_on_waits"), |row| {
        let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
        let waited = Waited { days: row.get("days")?, delivered: count("received")?, still_open: count("still_open")? };
        waits.entry(row.get("scope_id")?).or_default().push(waited);
        Ok(())
    })?;
    Ok(waits)
}

/// An estimate of a measure moved by as much as its plain mean moves if empty amounts are nothing: downwards and upwards, where they matter.
fn if_nothing<'s>(of: &impl Fn(&str) -> Option<&'s MeanSums>, measure: &str, estimated: &Estimated) -> [Option<f64>; 2] {
    let mean = |name: &str| of(name).map(|sums| sums.value / sums.rows);
    let moved = |(_, name): &(&str, &str)| Some(mean(name)? - mean(measure)?);
    let moves: Vec<f64> =
        IF_NOTHING.iter().filter(|(of, _)| *of == measure).filter_map(moved).filter(|by| by.abs() > HALF_A_HUNDREDTH).collect();
    let estimate = estimated.as_ref().ok().map(|found| found.estimate);
    let extreme = |of: fn(f64, f64) -> f64| Some(estimate? + moves.iter().copied().reduce(of)?);
    [
        extreme(f64::min).filter(|lowest| estimate.is_some_and(|e| *lowest < e)),
        extreme(f64::max).filter(|highest| estimate.is_some_and(|e| *highest > e)),
    ]
}

/// A mean by itself; one that is the same on every job is known without an interval.
fn plain_mean(sums: &MeanSums, mean: fn(&MeanSums, f64) -> Estimated) -> Estimated {
    match mean(sums, CONFIDENCE) {
        Err(CannotEstimate::NoVariation) => Interval::exact(sums.value / sums.rows),
        found => found,
    }
}

/// A share with the design effect of several jobs on one machine.
fn share(sums: &MeanSums) -> Result<(Interval, f64), CannotEstimate> {
    let sums = ClusterSums {
        clusters: sums.clusters,
        events: sums.value,
        trials: sums.rows,
        events_squared: sums.value_squared,
        events_times_trials: sums.value_times_rows,
        trials_squared: sums.rows_squared,
    };
    clustered_wilson(&sums, CONFIDENCE).map(|found| (found.interval, found.design_effect))
}

/// The scopes of each category that have booked jobs: models, and the category itself.
fn models_by_category<'a>(engine: &Engine, sums: &'a Sums, measure: &str) -> BTreeMap<String, Vec<(i64, &'a MeanSums)>> {
    let mut groups: BTreeMap<String, Vec<(i64, &MeanSums)>> = BTreeMap::new();
    for ((scope_id, of), sums) in sums {
        let scope = engine.scope(*scope_id);
        if let (true, "model", Some(category)) = (of == measure, scope.level.as_str(), &scope.category) {
            groups.entry(category.clone()).or_default().push((*scope_id, sums));
        }
    }
    groups
}

/// Contribution by scope: models lean on platforms, platforms on the category; larger scopes stand by themselves. What is set aside for recalls is not known
/// exactly either, and widens the interval.
fn contributions(
    engine: &Engine,
    sums: &Sums,
    facts: &BTreeMap<i64, ScopeFacts>,
    recalls: &Recalls,
    recalled: &BTreeMap<i64, Share>,
) -> BTreeMap<i64, Leaning> {
    let mut found = before_provision(engine, sums, facts);
    for (scope_id, (estimated, _)) in &mut found {
        let set_aside = sums.get(&(*scope_id, "recall_cost".to_owned())).map_or(0.0, |sums| sums.value / sums.rows);
        let category = engine.scope(*scope_id).category.as_ref();
        let relative = recalled.get(scope_id).map_or(0.0, |share| recalls.relative_variance(category, share));
        *estimated = estimated.clone().and_then(|contribution| widened(&contribution, set_aside * set_aside * relative));
    }
    found
}

/// An interval of a sum with an independent term of this variance.
fn widened(interval: &Interval, variance: f64) -> Estimated {
    let further = two_sided_z(interval.confidence)?.powi(2) * variance;
    let Interval { estimate, lower, upper, confidence } = *interval;
    let [below, above] = [estimate - lower, upper - estimate].map(|distance| (distance * distance + further).sqrt());
    Interval::new(estimate, estimate - below, estimate + above, confidence)
}

fn before_provision(engine: &Engine, sums: &Sums, facts: &BTreeMap<i64, ScopeFacts>) -> BTreeMap<i64, Leaning> {
    let mut found: BTreeMap<i64, Leaning> = sums
        .iter()
        .filter(|((_, measure), _)| measure == "contribution")
        .map(|((scope_id, _), sums)| (*scope_id, (plain_mean(sums, mean_from_sums), None)))
        .collect();
    let platform_scopes: BTreeMap<&str, i64> = facts
        .keys()
        .map(|scope_id| (engine.scope(*scope_id), *scope_id))
        .filter(|(scope, _)| scope.level == "platform")
        .map(|(scope, scope_id)| (scope.key.as_str(), scope_id))
        .collect();
    for models in models_by_category(engine, sums, "contribution").into_values() {
        // A model without a platform is a family by itself.
        let mut families: Vec<Result<&str, i64>> = Vec::new();
        let positions: Vec<usize> = models
            .iter()
            .map(|(scope_id, _)| {
                let platform = facts.get(scope_id).and_then(|facts| facts.platform.as_deref());
                let family = platform.ok_or(*scope_id);
                families.iter().position(|known| *known == family).unwrap_or_else(|| {
                    families.push(family);
                    families.len() - 1
                })
            })
            .collect();
        let own: Vec<MeanSums> = models.iter().map(|(_, sums)| **sums).collect();
        let Ok(variances) = pooled_variances(&own, &positions) else {
            continue;
        };
        let groups: Vec<GroupMean> = own
            .iter()
            .zip(variances)
            .zip(positions)
            .map(|((sums, (variance, freedom)), family)| GroupMean { mean: sums.value / sums.rows, variance, freedom, family })
            .collect();
        let Ok(fit) = hierarchical_means(&groups, CONFIDENCE) else {
            continue;
        };
        for ((scope_id, _), model) in models.iter().zip(&fit.groups) {
            found.insert(*scope_id, (Ok(model.interval), Some(model.own_weight)));
        }
        for (family, platform) in families.iter().zip(&fit.families) {
            if let Some(scope_id) = family.ok().and_then(|name| platform_scopes.get(name)) {
                found.insert(*scope_id, (Ok(platform.interval), Some(platform.own_weight)));
            }
        }
    }
    found
}

/// Shares of losing jobs by scope; jobs are discounted by the design effect before models are drawn towards their category.
fn losses(engine: &Engine, sums: &Sums) -> BTreeMap<i64, Leaning> {
    let mut found: BTreeMap<i64, Leaning> = sums
        .iter()
        .filter(|((_, measure), _)| measure == "loss")
        .map(|((scope_id, _), sums)| (*scope_id, (share(sums).map(|found| found.0), None)))
        .collect();
    for models in models_by_category(engine, sums, "loss").into_values() {
        let counts: Vec<ShareGroup> = models
            .iter()
            .map(|(_, sums)| {
                let effect = share(sums).map_or(1.0, |found| found.1);
                let trials = (sums.rows / effect).round();
                ShareGroup { events: (sums.value / sums.rows * trials).round() as u64, trials: trials as u64 }
            })
            .collect();
        for ((scope_id, _), leaning) in models.iter().zip(shrunken(&counts)) {
            found.insert(*scope_id, leaning);
        }
    }
    found
}
