//! `take_on`: what a booked job leaves on each model and platform, how often it loses money, and the verdict.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::{ClusterSums, clopper_pearson, clustered_wilson};
use fixodds_estimators::empirical_bayes::{BetaBinomial, ShareGroup};
use fixodds_estimators::hierarchical_means::{GroupMean, hierarchical_means, pooled_variances};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums, mean_from_sums};
use fixodds_estimators::poisson::garwood;
use fixodds_estimators::quantile::quantile_interval_of_counts;
use fixodds_estimators::{CONFIDENCE, CannotEstimate};

use super::evidence_sql;
use crate::business::verdict;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

const MEANS: [&str; 6] = ["contribution", "charged", "parts", "labour", "travel", "recall_cost"];
const SHARES: [&str; 4] = ["write_off", "first_visit_fix", "part_unavailable", "used_part"];

/// Sums by scope and measure, as the SQL sends them; money in whole units.
type Sums = BTreeMap<(i64, String), MeanSums>;

/// An estimate, and how much of it comes from the scope's own records.
type Leaning = (Estimated, Option<f64>);

struct ScopeFacts {
    platform: Option<String>,
    condemned: i64,
    years: f64,
}

/// A leaf's recalls among its followed repairs.
struct Recalls {
    leaf: i64,
    category: Option<String>,
    repairs: i64,
    recalls: i64,
    /// Mean cost of a recall in the category, in hundredths; none where none is known.
    cost: Option<f64>,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let recalls = provide_for_recalls(engine)?;
    let sums = read_sums(engine)?;
    let facts = read_scopes(engine)?;
    let waits = read_waits(engine)?;
    let contributions = contributions(engine, &sums, &facts);
    let losses = losses(engine, &sums);
    let recalled = recalled(engine, &recalls)?;
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
            rows.push(
                engine.scope(*scope_id),
                &[
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
        if let Some((repairs, (estimated, weight))) = recalled.get(scope_id) {
            push("recall", "share", *repairs, None, *weight, estimated);
        }
        for measure in SHARES {
            if let Some(sums) = of(measure) {
                push(measure, "share", sums.rows as i64, Some(sums.clusters as i64), None, &share(sums).map(|found| found.0));
            }
        }
        if let Some(counts) = waits.get(scope_id) {
            let orders = counts.iter().map(|(_, orders)| *orders as i64).sum();
            for (statistic, probability) in [("median", 0.5), ("p90", 0.9)] {
                push("part_wait_days", statistic, orders, None, None, &quantile_interval_of_counts(counts, probability, CONFIDENCE));
            }
        }
        push("donors_per_year", "rate", of_scope.condemned, None, None, &garwood(of_scope.condemned as u64, of_scope.years, CONFIDENCE));
    }
    Ok(rows)
}

/// What is set aside for the recall of each repaired job, by leaf, in a table that later SQL reads.
fn provide_for_recalls(engine: &Engine) -> Result<Vec<Recalls>, AnalyticsError> {
    let recalls = engine.rows("take_on", evidence_sql!("take_on_recalls"), |row| {
        let [costed, cost] = [row.get::<_, i64>("recalls_costed")?, row.get("cost")?];
        Ok(Recalls {
            leaf: row.get("leaf")?,
            category: row.get("category")?,
            repairs: row.get("repairs")?,
            recalls: row.get("recalls")?,
            cost: (costed > 0).then(|| cost as f64 / costed as f64),
        })
    })?;
    let mut shares: BTreeMap<i64, f64> = BTreeMap::new();
    for group in by_category(&recalls) {
        let counts: Vec<ShareGroup> = group.iter().map(|leaf| trials(leaf)).collect();
        for (leaf, (estimated, _)) in group.iter().zip(shrunken(&counts)) {
            shares.insert(leaf.leaf, estimated.map_or(0.0, |share| share.estimate));
        }
    }
    let values: Vec<String> =
        recalls.iter().map(|leaf| format!("({}, {})", leaf.leaf, (shares[&leaf.leaf] * leaf.cost.unwrap_or(0.0)).round() as i64)).collect();
    engine.run("recall_provision", "CREATE TABLE recall_provision (leaf BIGINT, hundredths BIGINT)")?;
    if !values.is_empty() {
        engine.run("recall_provision", &format!("INSERT INTO recall_provision VALUES {}", values.join(", ")))?;
    }
    Ok(recalls)
}

fn trials(leaf: &Recalls) -> ShareGroup {
    ShareGroup { events: leaf.recalls as u64, trials: leaf.repairs as u64 }
}

fn by_category(recalls: &[Recalls]) -> Vec<Vec<&Recalls>> {
    let mut groups: BTreeMap<&Option<String>, Vec<&Recalls>> = BTreeMap::new();
    recalls.iter().for_each(|leaf| groups.entry(&leaf.category).or_default().push(leaf));
    groups.into_values().collect()
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
fn recalled(engine: &Engine, recalls: &[Recalls]) -> Result<BTreeMap<i64, (i64, Leaning)>, AnalyticsError> {
    let by_leaf: BTreeMap<i64, &Recalls> = recalls.iter().map(|leaf| (leaf.leaf, leaf)).collect();
    let mut scopes: BTreeMap<Option<String>, Vec<(i64, ShareGroup)>> = BTreeMap::new();
    let mut found = BTreeMap::new();
    for (scope_id, leaves) in engine.leaves_of_scopes()? {
        let counts = leaves.iter().filter_map(|leaf| by_leaf.get(leaf)).fold(ShareGroup { events: 0, trials: 0 }, |sum, leaf| ShareGroup {
            events: sum.events + leaf.recalls as u64,
            trials: sum.trials + leaf.repairs as u64,
        });
        let scope = engine.scope(scope_id);
        if scope.level == "model" {
            scopes.entry(scope.category.clone()).or_default().push((scope_id, counts));
        } else if counts.trials > 0 {
            found.insert(scope_id, (counts.trials as i64, (clopper_pearson(counts.events, counts.trials, CONFIDENCE), None)));
        }
    }
    for models in scopes.into_values() {
        let counts: Vec<ShareGroup> = models.iter().map(|(_, counts)| *counts).collect();
        for ((scope_id, counts), leaning) in models.iter().zip(shrunken(&counts)) {
            found.insert(*scope_id, (counts.trials as i64, leaning));
        }
    }
    Ok(found)
}

fn read_sums(engine: &Engine) -> Result<Sums, AnalyticsError> {
    let mut sums = Sums::new();
    engine.rows("take_on", evidence_sql!("take_on_sums"), |row| {
        let measure: String = row.get("measure")?;
        let unit = if MEANS.contains(&measure.as_str()) { 100.0 } else { 1.0 };
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

fn read_waits(engine: &Engine) -> Result<BTreeMap<i64, Vec<(f64, u64)>>, AnalyticsError> {
    let mut waits: BTreeMap<i64, Vec<(f64, u64)>> = BTreeMap::new();
    engine.rows("take_on", evidence_sql!("take_on_waits"), |row| {
        let counted = (row.get::<_, i64>("days")? as f64, row.get::<_, i64>("orders")? as u64);
        waits.entry(row.get("scope_id")?).or_default().push(counted);
        Ok(())
    })?;
    Ok(waits)
}

/// A mean by itself; one that is the same on every job is known without an interval.
fn plain_mean(sums: &MeanSums, mean: fn(&MeanSums, f64) -> Estimated) -> Estimated {
    match mean(sums, CONFIDENCE) {
        Err(CannotEstimate::NoVariation) => fixodds_estimators::Interval::exact(sums.value / sums.rows),
        found => found,
    }
}

/// A share with the design effect of several jobs on one machine.
fn share(sums: &MeanSums) -> Result<(fixodds_estimators::Interval, f64), CannotEstimate> {
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

/// Contribution by scope: models lean on platforms, platforms on the category; larger scopes stand by themselves.
fn contributions(engine: &Engine, sums: &Sums, facts: &BTreeMap<i64, ScopeFacts>) -> BTreeMap<i64, Leaning> {
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
            .map(|((sums, variance), family)| GroupMean { mean: sums.value / sums.rows, variance, family })
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
