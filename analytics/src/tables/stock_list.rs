//! `stock_list`: parts for the van and the shelf from a gamma-Poisson forecast, tested on the last year.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};
use fixodds_estimators::budget_selection::{Part, greedy_within_budget};
use fixodds_estimators::empirical_bayes::{GammaPoisson, Posterior, RateGroup};
use fixodds_estimators::negative_binomial::Forecast;
use fixodds_estimators::poisson::garwood;
use fixodds_estimators::{CONFIDENCE, CannotEstimate};

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, EvidenceRows};

const DAYS_PER_YEAR: f64 = 365.25;
/// More sets of one family are not carried.
const MOST_SETS_IN_VAN: u64 = 6;
/// With fewer families than this, a component has no distribution of its own.
const FEWEST_FAMILIES: usize = 4;

/// A family of parts and how often it was needed.
struct Family {
    component: String,
    name: String,
    jobs: i64,
    home_jobs: i64,
    home_jobs_alone: i64,
    pieces: i64,
    /// Of a new set, in hundredths.
    price: Option<i64>,
    lead_time_days: Option<f64>,
    years: f64,
    /// Share of the component's repairs whose parts are recorded.
    recorded_share: f64,
}

impl Family {
    fn key(&self) -> (String, String) {
        (self.component.clone(), self.name.clone())
    }
}

/// Sets in the van by family.
type Van = BTreeMap<(String, String), u64>;

/// A family in the van: sets, probability that they meet the demand, first-visit fixes a year.
struct Carried {
    sets: u64,
    prob_met: f64,
    fixes_per_year: f64,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("stock_list")?;
    let Some(all) = engine.scopes.iter().find(|scope| scope.level == "all") else {
        return Ok(rows);
    };
    let families = read_families(engine, 0)?;
    let (shelf_rates, van_rates) = (rates(&families, |family| family.jobs), rates(&families, |family| family.home_jobs));
    let carried = carried(engine, &families, &van_rates);
    let line = |place: &str, family: &Family, jobs: i64, level: u64, prob_met: f64, fixes: Option<f64>| {
        [
            ("place", Cell::from(place)),
            ("component", (&family.component).into()),
            ("part_family", (&family.name).into()),
            ("jobs", jobs.into()),
            ("level", (level as i64).into()),
            ("pieces_per_job", family.pieces.into()),
            ("price", family.price.map(|price| price as f64 / 100.0).into()),
            ("lead_time_days", family.lead_time_days.into()),
            ("prob_met", prob_met.into()),
            ("fixes_per_year", fixes.into()),
        ]
    };
    // If repairs whose parts are not recorded needed none.
    let lowest = |family: &Family, rate: &Posterior| {
        let reading = (family.recorded_share < 1.0).then_some(rate.interval.estimate * family.recorded_share);
        ("lowest_reading", Cell::from(reading))
    };
    for (family, rate) in families.iter().zip(&van_rates) {
        if let (Some(in_van), Ok(rate)) = (carried.get(&family.key()), rate) {
            let mut cells = line("van", family, family.home_jobs, in_van.sets, in_van.prob_met, Some(in_van.fixes_per_year)).to_vec();
            cells.push(lowest(family, rate));
            rows.push(all, &cells, &Ok(rate.interval));
        }
    }
    for (family, rate) in families.iter().zip(&shelf_rates) {
        let (Ok(rate), Some(days)) = (rate, family.lead_time_days) else {
            continue;
        };
        let forecast = Forecast::new(rate.interval.estimate, rate.variance, days.max(1.0) / DAYS_PER_YEAR);
        let level = forecast.as_ref().map_err(Clone::clone).and_then(|forecast| forecast.order_up_to(engine.business.service_level));
        if let (Ok(forecast), Ok(level @ 1..)) = (forecast, level) {
            let mut cells = line("shelf", family, family.jobs, level, forecast.at_most(level), None).to_vec();
            cells.push(lowest(family, rate));
            rows.push(all, &cells, &Ok(rate.interval));
        }
    }
    if let Some(years) = families.first().map(|family| family.years) {
        // As many as families that were needed once: Good 1953, as in `GammaPoisson::fit_seen`.
        let once = families.iter().filter(|family| family.jobs == 1).count();
        rows.push(all, &[("place", Cell::from("not_listed")), ("jobs", (once as i64).into())], &garwood(once as u64, years, CONFIDENCE));
    }
    for (list, sums) in held_out(engine)? {
        let cells = [("place", Cell::from("held_out")), ("list", list.into()), ("jobs", (sums.trials as i64).into())];
        rows.push(all, &cells, &clustered_wilson(&sums, CONFIDENCE).map(|share| share.interval));
    }
    Ok(rows)
}

fn read_families(engine: &Engine, months_before_cut_off: i32) -> Result<Vec<Family>, AnalyticsError> {
    engine.rows_for("stock_list", evidence_sql!("stock_needs"), &[&months_before_cut_off], |row| {
        Ok(Family {
            component: row.get("component")?,
            name: row.get("family")?,
            jobs: row.get("jobs")?,
            home_jobs: row.get("home_jobs")?,
            home_jobs_alone: row.get("home_jobs_alone")?,
            pieces: row.get("pieces")?,
            price: row.get("price")?,
            lead_time_days: row.get("lead_time_days")?,
            years: row.get("years")?,
            recorded_share: row.get("recorded_share")?,
        })
    })
}

/// The yearly demand of each family, drawn towards the families of its component, or of all components where it has few. A family is known only because it
/// was needed, so that those never needed count among the others too. Repairs whose parts are not recorded are taken to have needed what the others did.
fn rates(families: &[Family], jobs: impl Fn(&Family) -> i64) -> Vec<Result<Posterior, CannotEstimate>> {
    let group = |family: &Family| RateGroup { events: jobs(family) as u64, exposure: family.years * family.recorded_share };
    let needed = || families.iter().filter(|family| jobs(family) > 0);
    let all = GammaPoisson::fit_seen(&needed().map(group).collect::<Vec<_>>());
    let mut by_component: BTreeMap<&str, Vec<RateGroup>> = BTreeMap::new();
    needed().for_each(|family| by_component.entry(&family.component).or_default().push(group(family)));
    let fits: BTreeMap<&str, GammaPoisson> = by_component
        .into_iter()
        .filter(|(_, groups)| groups.len() >= FEWEST_FAMILIES)
        .filter_map(|(component, groups)| Some((component, GammaPoisson::fit_seen(&groups).ok()?)))
        .collect();
    families
        .iter()
        .map(|family| {
            if jobs(family) == 0 {
                return Err(CannotEstimate::NoEvents);
            }
            let fit = fits.get(family.component.as_str()).map_or(all.as_ref(), Ok).map_err(Clone::clone)?;
            fit.posterior(group(family), 0.0, CONFIDENCE)
        })
        .collect()
}

/// What the van holds within the budget.
fn carried(engine: &Engine, families: &[Family], rates: &[Result<Posterior, CannotEstimate>]) -> BTreeMap<(String, String), Carried> {
    let years = engine.business.van_restock_days / DAYS_PER_YEAR;
    let mut candidates: Vec<(&Family, Forecast, f64)> = Vec::new();
    let mut parts = Vec::new();
    for (family, rate) in families.iter().zip(rates) {
        let (Some(price @ 1..), Ok(rate)) = (family.price, rate) else {
            continue;
        };
        let Ok(forecast) = Forecast::new(rate.interval.estimate, rate.variance, years) else {
            continue;
        };
        let alone = family.home_jobs_alone as f64 / family.home_jobs.max(1) as f64;
        parts
            .push(Part { price: price as u64, piece_values: (1..=MOST_SETS_IN_VAN).map(|sets| alone * forecast.at_least(sets)).collect() });
        candidates.push((family, forecast, alone));
    }
    let budget = (engine.business.van_budget * 100.0).round() as u64;
    let Ok(selection) = greedy_within_budget(&parts, budget) else {
        return BTreeMap::new();
    };
    let chosen = candidates.iter().zip(&selection.pieces).zip(&parts).filter(|((_, sets), _)| **sets > 0);
    chosen
        .map(|(((family, forecast, _), sets), part)| {
            let fixes_per_year = part.piece_values.iter().take(*sets).sum::<f64>() / years;
            (family.key(), Carried { sets: *sets as u64, prob_met: forecast.at_most(*sets as u64), fixes_per_year })
        })
        .collect()
}

/// A home visit of the held-out year.
struct Visit {
    cluster: i64,
    day: i64,
    repaired: bool,
    first_visit: bool,
    /// What it needed is not recorded.
    unrecorded: bool,
    families: Vec<(String, String)>,
}

/// Visits done at once: as recorded, with an empty van, and with the list of a year before.
fn held_out(engine: &Engine) -> Result<Vec<(&'static str, ClusterSums)>, AnalyticsError> {
    let mut visits: Vec<Visit> = Vec::new();
    let mut last_job = None;
    engine.rows("stock_list", evidence_sql!("stock_held_out"), |row| {
        let job: i64 = row.get("job")?;
        if last_job != Some(job) {
            last_job = Some(job);
            visits.push(Visit {
                cluster: row.get("cluster")?,
                day: row.get("day")?,
                repaired: row.get("repaired")?,
                first_visit: row.get("first_visit")?,
                unrecorded: row.get("unrecorded")?,
                families: Vec::new(),
            });
        }
        if let (Some(component), Some(family), Some(visit)) = (row.get("component")?, row.get("family")?, visits.last_mut()) {
            visit.families.push((component, family));
        }
        Ok(())
    })?;
    let before = read_families(engine, 12)?;
    if visits.is_empty() || before.is_empty() {
        return Ok(Vec::new());
    }
    let van: Van = carried(engine, &before, &rates(&before, |family| family.home_jobs))
        .into_iter()
        .map(|(family, carried)| (family, carried.sets))
        .collect();
    let listed = served(&visits, &van, engine.business.van_restock_days);
    let empty = served(&visits, &Van::new(), engine.business.van_restock_days);
    let recorded: Vec<bool> = visits.iter().map(|visit| visit.first_visit).collect();
    Ok([("recorded", recorded), ("nothing_carried", empty), ("with_list", listed)].map(|(list, done)| (list, sums(&visits, &done))).into())
}

/// Which visits would have been done at once, in their order, with a van that is filled up every so many days; one whose needs are not recorded as it was.
fn served(visits: &[Visit], van: &Van, restock_days: f64) -> Vec<bool> {
    let (mut left, mut period) = (van.clone(), None);
    visits
        .iter()
        .map(|visit| {
            let now = (visit.day as f64 / restock_days).floor() as i64;
            if period != Some(now) {
                (left, period) = (van.clone(), Some(now));
            }
            if visit.unrecorded {
                return visit.first_visit;
            }
            let wanted: BTreeSet<_> = visit.families.iter().collect();
            let done = visit.repaired && wanted.iter().all(|family| left.get(*family).is_some_and(|sets| *sets > 0));
            if done {
                for family in wanted {
                    if let Some(sets) = left.get_mut(family) {
                        *sets -= 1;
                    }
                }
            }
            done
        })
        .collect()
}

fn sums(visits: &[Visit], done: &[bool]) -> ClusterSums {
    let mut machines: BTreeMap<i64, (u64, u64)> = BTreeMap::new();
    for (visit, done) in visits.iter().zip(done) {
        let machine = machines.entry(visit.cluster).or_default();
        machine.0 += u64::from(*done);
        machine.1 += 1;
    }
    ClusterSums::from_clusters(machines.into_values())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One pump in the van, filled up every 7 days: the second pump of a week, and a job that also needs a seal, wait; a job without parts does not.
    #[test]
    fn the_van_runs_out_and_is_filled_up_again() {
        let family = |name: &str| (name.to_owned(), name.to_owned());
        let visit = |day, families: &[&str]| Visit {
            cluster: day,
            day,
            repaired: true,
            first_visit: false,
            unrecorded: false,
            families: families.iter().map(|name| family(name)).collect(),
        };
        let visits = [visit(0, &["pump", "seal"]), visit(1, &["pump"]), visit(2, &[]), visit(3, &["pump"]), visit(8, &["pump"])];
        let van = Van::from([(family("pump"), 1)]);
        assert_eq!(served(&visits, &van, 7.0), [false, true, true, false, true]);
        assert_eq!(served(&visits, &Van::new(), 7.0), [false, false, true, false, false]);
        let unrecorded = |first_visit| Visit { first_visit, unrecorded: true, ..visit(1, &[]) };
        assert_eq!(served(&[unrecorded(true), unrecorded(false)], &Van::new(), 7.0), [true, false]);
    }
}
