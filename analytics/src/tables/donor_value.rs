//! `donor_value`: what condemned machines of each platform yield in wanted used parts.

use std::collections::BTreeMap;

use fixodds_estimators::empirical_bayes::{BetaBinomial, GammaPoisson, Posterior, RateGroup, ShareGroup};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums};
use fixodds_estimators::negative_binomial::Forecast;
use fixodds_estimators::partly_named_cause::{Endings, partly_named_incidence};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

use super::evidence_sql;
use crate::engine::{Engine, Scope};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

struct Line {
    platform: String,
    component: String,
    years: f64,
    wanted: i64,
    donors: i64,
    condemned: ShareGroup,
    /// Used parts that fail again within the settings' days.
    returned: Estimated,
    price: MeanSums,
}

/// A part's value with what it comes from.
struct Valued {
    demand: f64,
    prob_sold: f64,
    prob_good: f64,
    price: f64,
    net: Interval,
}

/// A part of a platform, and its value or why it has none.
type Part<'a> = (&'a Line, Result<Valued, CannotEstimate>);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let lines = read(engine)?;
    let mut by_component: BTreeMap<&str, Vec<&Line>> = BTreeMap::new();
    lines.iter().for_each(|line| by_component.entry(&line.component).or_default().push(line));
    let mut valued: BTreeMap<&str, Vec<Part<'_>>> = BTreeMap::new();
    for group in by_component.into_values() {
        let demands = demands(&group);
        let faulty = faulty(&group);
        for ((line, demand), faulty) in group.into_iter().zip(demands).zip(faulty) {
            let value = demand.and_then(|demand| value(engine, line, &demand, &faulty?));
            valued.entry(&line.platform).or_default().push((line, value));
        }
    }
    let mut rows = EvidenceRows::new("donor_value")?;
    for (platform, parts) in valued {
        let Some(scope) = engine.scopes.iter().find(|scope| scope.level == "platform" && scope.key == platform) else {
            continue;
        };
        push_machine(engine, scope, &parts, &mut rows);
        for (line, value) in &parts {
            let found = value.as_ref().ok();
            rows.push(
                scope,
                &[
                    ("component", (&line.component).into()),
                    ("wanted", line.wanted.into()),
                    ("donors", line.donors.into()),
                    ("demand_per_year", found.map(|v| v.demand).into()),
                    ("prob_sold", found.map(|v| v.prob_sold).into()),
                    ("prob_good", found.map(|v| v.prob_good).into()),
                    ("price", found.map(|v| v.price).into()),
                    ("verdict", verdict(found.map(|v| &v.net)).into()),
                ],
                &value.as_ref().map(|v| v.net).map_err(Clone::clone),
            );
        }
    }
    Ok(rows)
}

/// Shares of used parts whose fault was back within the settings' days, or as far as repairs were followed, by component.
fn returned(engine: &Engine) -> Result<BTreeMap<String, Estimated>, AnalyticsError> {
    let mut endings: BTreeMap<String, Vec<Endings>> = BTreeMap::new();
    engine.rows("donor_value", evidence_sql!("donor_returns"), |row| {
        let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
        let [left, wanted, unnamed] = [count("ended")?, count("same_fault")?, count("not_known")?];
        let (time, other, competing) = (row.get("day")?, count("other")?, count("competing")?);
        endings.entry(row.get("component")?).or_default().push(Endings { time, left, wanted, unnamed, other, competing });
        Ok(())
    })?;
    let share = |endings: &[Endings]| {
        let last = endings.last().map_or(0.0, |day| day.time);
        partly_named_incidence(endings, engine.business.recall_days.min(last), CONFIDENCE).map(|found| found.shared_out)
    };
    Ok(endings.into_iter().map(|(component, endings)| (component, share(&endings))).collect())
}

fn read(engine: &Engine) -> Result<Vec<Line>, AnalyticsError> {
    let returned = returned(engine)?;
    engine.rows("donor_value", evidence_sql!("donor_parts"), |row| {
        let count = |name: &str| row.get::<_, i64>(name);
        let sold = count("sold")?;
        let price: f64 = row.get("price")?;
        Ok(Line {
            platform: row.get("platform")?,
            component: row.get("component")?,
            years: row.get("years")?,
            wanted: count("wanted")?,
            donors: count("donors")?,
            condemned: ShareGroup { events: count("faulty")? as u64, trials: count("inspected")? as u64 },
            returned: returned.get(&row.get::<_, String>("component")?).cloned().unwrap_or(Err(CannotEstimate::NoObservations)),
            price: MeanSums {
                clusters: sold as u64,
                rows: sold as f64,
                value: price / 1e2,
                value_squared: row.get::<_, f64>("price_squared")? / 1e4,
                value_times_rows: price / 1e2,
                rows_squared: sold as f64,
            },
        })
    })
}

/// Yearly demand by platform, each drawn towards the others.
fn demands(lines: &[&Line]) -> Vec<Result<Posterior, CannotEstimate>> {
    let groups: Vec<RateGroup> = lines.iter().map(|line| RateGroup { events: line.wanted as u64, exposure: line.years }).collect();
    let fit = GammaPoisson::fit(&groups);
    groups.iter().map(|group| fit.as_ref().map_err(Clone::clone)?.posterior(*group, 0.0, CONFIDENCE)).collect()
}

/// Share of condemned machines on which the component was found faulty; the common share where platforms cannot be told apart.
fn faulty(lines: &[&Line]) -> Vec<Estimated> {
    let groups: Vec<ShareGroup> = lines.iter().map(|line| line.condemned).collect();
    let all = groups.iter().fold(ShareGroup { events: 0, trials: 0 }, |sum, group| ShareGroup {
        events: sum.events + group.events,
        trials: sum.trials + group.trials,
    });
    match BetaBinomial::fit(&groups) {
        Ok(fit) => groups.iter().map(|group| Ok(fit.posterior(*group, 0.0, CONFIDENCE)?.interval)).collect(),
        Err(_) => {
            let common = fixodds_estimators::binomial::clopper_pearson(all.events, all.trials, CONFIDENCE);
            groups.iter().map(|_| common.clone()).collect()
        }
    }
}

fn value(engine: &Engine, line: &Line, demand: &Posterior, faulty: &Interval) -> Result<Valued, CannotEstimate> {
    let settings = &engine.business;
    let price = match mean_amount_from_sums(&line.price, CONFIDENCE) {
        Err(CannotEstimate::NoVariation) => Interval::exact(line.price.value / line.price.rows)?,
        found => found?,
    };
    // A used part that is fitted and fails again was no good either.
    let returned = line.returned.clone()?;
    let good = (1.0 - faulty.estimate) * (1.0 - returned.estimate);
    let (low_good, high_good) = recovered(
        good,
        &[
            ((1.0 - faulty.upper) * (1.0 - returned.estimate), (1.0 - faulty.lower) * (1.0 - returned.estimate)),
            ((1.0 - faulty.estimate) * (1.0 - returned.upper), (1.0 - faulty.estimate) * (1.0 - returned.lower)),
        ],
    );
    let good_parts = line.donors as f64 / line.years * settings.parts_kept_years * good;
    let sold = |per_year: f64| sold_share(per_year, demand.variance, settings.parts_kept_years, good_parts);
    let prob_sold = sold(demand.interval.estimate)?;
    let (low_sold, high_sold) = (sold(demand.interval.lower.max(1e-6))?, sold(demand.interval.upper)?);
    let stripping = settings.stripping_minutes_per_part / 60.0 * settings.labour_per_hour;
    let gross = prob_sold * price.estimate * good;
    let (lower, upper) = recovered(
        gross,
        &[
            (low_sold * price.estimate * good, high_sold * price.estimate * good),
            (prob_sold * price.lower * good, prob_sold * price.upper * good),
            (prob_sold * price.estimate * low_good, prob_sold * price.estimate * high_good),
        ],
    );
    Ok(Valued {
        demand: demand.interval.estimate,
        prob_sold,
        prob_good: good,
        price: price.estimate,
        net: Interval::new(gross - stripping, lower.max(0.0) - stripping, upper - stripping, CONFIDENCE)?,
    })
}

/// Share of the good parts of all donors that is asked for while they are kept: `E min(demand, parts) / parts`.
fn sold_share(per_year: f64, variance: f64, years: f64, good_parts: f64) -> Result<f64, CannotEstimate> {
    let parts = good_parts.round().max(1.0) as u64;
    let forecast = Forecast::new(per_year, variance, years)?;
    Ok((1..=parts).map(|part| forecast.at_least(part)).sum::<f64>() / parts as f64)
}

/// Bounds of a quantity from its values at the bounds of each of its independent parts: distances add in squares (recovery of variances,
/// Zou & Donner 2008, Stat. Med. 27:1693, from memory).
fn recovered(estimate: f64, parts: &[(f64, f64)]) -> (f64, f64) {
    let below: f64 = parts.iter().map(|(lower, _)| (estimate - lower).powi(2)).sum();
    let above: f64 = parts.iter().map(|(_, upper)| (upper - estimate).powi(2)).sum();
    (estimate - below.sqrt(), estimate + above.sqrt())
}

fn push_machine(engine: &Engine, scope: &Scope, parts: &[Part<'_>], rows: &mut EvidenceRows) {
    let settings = &engine.business;
    let opening = settings.stripping_minutes_per_machine / 60.0 * settings.labour_per_hour;
    // A part that does not pay stays in the machine, so none is worth less than nothing.
    let nets = parts.iter().filter_map(|(_, value)| value.as_ref().ok()).map(|value| value.net);
    let paying: Vec<[f64; 3]> = nets.map(|net| [net.estimate, net.lower, net.upper].map(|worth| worth.max(0.0))).collect();
    let sum: f64 = paying.iter().map(|[worth, ..]| worth).sum();
    // Moving one part's value by its own interval moves the sum by as much.
    let moved: Vec<(f64, f64)> = paying.iter().map(|[worth, low, high]| (sum - worth + low, sum - worth + high)).collect();
    let (lower, upper) = recovered(sum, &moved);
    let estimated = if parts.iter().any(|(_, value)| value.is_ok()) {
        Interval::new(sum - opening, lower - opening, upper - opening, CONFIDENCE)
    } else {
        Err(CannotEstimate::NoObservations)
    };
    let wanted: i64 = parts.iter().map(|(line, _)| line.wanted).sum();
    let donors = parts.first().map_or(0, |(line, _)| line.donors);
    rows.push(
        scope,
        &[("wanted", wanted.into()), ("donors", donors.into()), ("verdict", verdict(estimated.as_ref().ok()).into())],
        &estimated,
    );
}

fn verdict(net: Option<&Interval>) -> &'static str {
    match net {
        Some(net) if net.lower > 0.0 => "strip",
        Some(net) if net.upper < 0.0 => "leave",
        _ => "not_shown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rate of mean and variance 1, one year, P(D >= s) = 1/2^s: of two parts (1/2 + 1/4)/2 are sold, of less than one part as of one.
    #[test]
    fn no_more_parts_sell_than_are_asked_for() {
        assert!((sold_share(1.0, 1.0, 1.0, 2.0).unwrap() - 0.375).abs() < 1e-12);
        assert!((sold_share(1.0, 1.0, 1.0, 0.2).unwrap() - 0.5).abs() < 1e-12);
    }

    #[test]
    fn distances_add_in_squares() {
        let (lower, upper) = recovered(10.0, &[(7.0, 16.0), (6.0, 18.0)]);
        assert!((lower - 5.0).abs() < 1e-12 && (upper - 20.0).abs() < 1e-12);
    }
}
