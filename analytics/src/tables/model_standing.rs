//! `model_standing`: models of a category ranked by a rate (or share of write-offs) that leans on the category as far as their own
//! records are thin, with false discoveries controlled.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::binomial_test;
use fixodds_estimators::empirical_bayes::{BetaBinomial, GammaPoisson, Posterior, RateGroup, ShareGroup};
use fixodds_estimators::funnel::{FunnelLimits, binomial_limits, poisson_limits};
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::poisson::poisson_test;
use fixodds_estimators::{CONFIDENCE, CannotEstimate};

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

/// A ranking needs so many models.
const FEWEST_MODELS: usize = 4;
/// and so many events in all.
const FEWEST_EVENTS: u64 = 10;
/// A model stands out if the false-discovery rate allows, and the posterior agrees.
const FALSE_DISCOVERY_RATE: f64 = 0.05;
const SURE: f64 = 0.975;

struct Model {
    scope_id: i64,
    events: u64,
    machine_years: f64,
    jobs: u64,
    condemned: u64,
}

/// One model within one ranking.
struct Standing {
    posterior: Result<Posterior, CannotEstimate>,
    crude: f64,
    p_value: f64,
    funnel: Option<FunnelLimits>,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut groups: BTreeMap<(String, Option<String>), Vec<Model>> = BTreeMap::new();
    engine.rows("model_standing", evidence_sql!("standing_models"), |row| {
        groups.entry((row.get("category")?, row.get("component")?)).or_default().push(Model {
            scope_id: row.get("scope_id")?,
            events: row.get::<_, i64>("events")? as u64,
            machine_years: row.get("machine_years")?,
            jobs: row.get::<_, i64>("jobs")? as u64,
            condemned: row.get::<_, i64>("condemned")? as u64,
        });
        Ok(())
    })?;
    let mut rows = EvidenceRows::new("model_standing")?;
    for ((_, component), models) in &groups {
        let observed: Vec<&Model> = models.iter().filter(|model| model.machine_years > 0.0).collect();
        push(engine, &mut rows, component, "rate", &observed, by_rate(&observed));
        if component.is_none() {
            let seen: Vec<&Model> = models.iter().filter(|model| model.jobs > 0).collect();
            push(engine, &mut rows, component, "write_off", &seen, by_write_off(&seen));
        }
    }
    Ok(rows)
}

/// The mean of the category, and each model against it.
type Ranking = Option<(f64, Vec<Standing>)>;

fn by_rate(models: &[&Model]) -> Ranking {
    let events: u64 = models.iter().map(|model| model.events).sum();
    let machine_years: f64 = models.iter().map(|model| model.machine_years).sum();
    if models.len() < FEWEST_MODELS || events < FEWEST_EVENTS {
        return None;
    }
    let mean = events as f64 / machine_years;
    let groups: Vec<RateGroup> = models.iter().map(|m| RateGroup { events: m.events, exposure: m.machine_years }).collect();
    let fit = GammaPoisson::fit(&groups);
    let standing = |group: &RateGroup| {
        Some(Standing {
            posterior: fit.as_ref().map_err(Clone::clone).and_then(|fit| fit.posterior(*group, mean, CONFIDENCE)),
            crude: group.events as f64 / group.exposure,
            p_value: poisson_test(group.events, mean * group.exposure).ok()?,
            funnel: poisson_limits(mean, group.exposure).ok(),
        })
    };
    groups.iter().map(standing).collect::<Option<Vec<_>>>().map(|standings| (mean, standings))
}

fn by_write_off(models: &[&Model]) -> Ranking {
    let condemned: u64 = models.iter().map(|model| model.condemned).sum();
    let jobs: u64 = models.iter().map(|model| model.jobs).sum();
    if models.len() < FEWEST_MODELS || condemned < FEWEST_EVENTS {
        return None;
    }
    let mean = condemned as f64 / jobs as f64;
    let groups: Vec<ShareGroup> = models.iter().map(|m| ShareGroup { events: m.condemned, trials: m.jobs }).collect();
    let fit = BetaBinomial::fit(&groups);
    let standing = |group: &ShareGroup| {
        Some(Standing {
            posterior: fit.as_ref().map_err(Clone::clone).and_then(|fit| fit.posterior(*group, mean, CONFIDENCE)),
            crude: group.events as f64 / group.trials as f64,
            p_value: binomial_test(group.events, group.trials, mean).ok()?,
            funnel: binomial_limits(mean, group.trials).ok(),
        })
    };
    groups.iter().map(standing).collect::<Option<Vec<_>>>().map(|standings| (mean, standings))
}

fn push(engine: &Engine, rows: &mut EvidenceRows, component: &Option<String>, measure: &str, models: &[&Model], ranking: Ranking) {
    let Some((mean, standings)) = ranking else { return };
    let p_values: Vec<f64> = standings.iter().map(|standing| standing.p_value).collect();
    let Ok(q_values) = benjamini_hochberg(&p_values) else { return };
    let shrunken = |position: &usize| standings[*position].posterior.as_ref().map_or(mean, |p| p.interval.estimate);
    let mut order: Vec<usize> = (0..models.len()).collect();
    order.sort_by(|a, b| shrunken(b).total_cmp(&shrunken(a)).then(models[*a].scope_id.cmp(&models[*b].scope_id)));
    for (rank, position) in order.into_iter().enumerate() {
        let (model, standing, q_value) = (models[position], &standings[position], q_values[position]);
        let worse = standing.posterior.as_ref().ok().map(|posterior| posterior.probability_above);
        let events = if measure == "rate" { model.events } else { model.condemned };
        rows.push(
            engine.scope(model.scope_id),
            &[
                ("component", component.clone().into()),
                ("measure", measure.into()),
                ("events", (events as i64).into()),
                ("machine_years", model.machine_years.into()),
                ("jobs", (model.jobs as i64).into()),
                ("crude", standing.crude.into()),
                ("prob_worse", worse.into()),
                ("p_value", standing.p_value.into()),
                ("q_value", q_value.into()),
                ("funnel_lower", standing.funnel.map(|f| f.lower_95).into()),
                ("funnel_upper", standing.funnel.map(|f| f.upper_95).into()),
                ("category_mean", mean.into()),
                ("rank", (rank as i64 + 1).into()),
                ("standing", standing_word(worse, q_value).into()),
            ],
            &standing.posterior.clone().map(|posterior| posterior.interval),
        );
    }
}

fn standing_word(probability_worse: Option<f64>, q_value: f64) -> &'static str {
    match probability_worse {
        Some(p) if q_value <= FALSE_DISCOVERY_RATE && p >= SURE => "worse",
        Some(p) if q_value <= FALSE_DISCOVERY_RATE && p <= 1.0 - SURE => "better",
        _ => "not_distinguishable",
    }
}
