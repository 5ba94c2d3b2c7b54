//! From the store to what a quote needs.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::wilson;
use fixodds_estimators::mean::{MeanError, MeanSums};
use fixodds_estimators::observation::{LifeTally, TimeTally};
use fixodds_estimators::trend::{YearOfMeans, mean_trend};
use fixodds_estimators::weibull::fit_weibull;
use fixodds_estimators::{CONFIDENCE, CannotEstimate};
use rayon::prelude::*;

use super::{Category, Costs, Group, HeldOut, LAST_AGE_YEARS, Life, Quotes};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence::About;
use crate::fault_odds::{Asked, OddsBefore};
use crate::tables::evidence_sql;
use crate::tables::recalls::Recalls;

/// Fewer repairs give a category no costs of a fault, and a platform or model none of its own.
const FEWEST_IN_CATEGORY: i64 = 10;
const FEWEST_IN_GROUP: i64 = 30;
/// Fewer ends of life give no life.
const FEWEST_ENDS: u64 = 20;
/// and half of the machines must end by an age at which at least so many are watched.
const FEWEST_AT_RISK: u64 = 10;
const RELATIVE_AGE_WIDTH: f64 = 0.01;
const DAYS_PER_YEAR: f64 = 365.25;

/// A category, or a platform or model in it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Place {
    Category,
    Platform(String),
    Model(String),
}

struct Kind {
    category: String,
    platform: Option<String>,
    model: Option<String>,
}

impl Kind {
    fn places(&self) -> Vec<(String, Place)> {
        let platform = self.platform.clone().map(Place::Platform);
        let model = self.model.clone().map(Place::Model);
        [Some(Place::Category), platform, model].into_iter().flatten().map(|place| (self.category.clone(), place)).collect()
    }
}

/// Jobs by amount; hundredths do not matter to a quote, so amounts are whole.
type Amounts = BTreeMap<i64, i64>;

/// Months before the cut-off that the held-out repairs take.
const HELD_OUT_MONTHS: i32 = 12;
/// More held-out repairs than this, evenly spaced, would not tell more.
const MOST_HELD_OUT: usize = 4_000;

pub(crate) fn build(engine: &Engine, about: &About) -> Result<Quotes, AnalyticsError> {
    let mut quotes =
        Quotes { as_of: about.as_of.clone(), currency: about.currency.clone(), settings: engine.business.clone(), ..Quotes::default() };
    add_parts_drift(engine)?;
    add_costs(engine, 0, &mut quotes)?;
    add_outcomes(engine, 0, &mut quotes)?;
    add_prices_new(engine, &mut quotes)?;
    add_lives(engine, &mut quotes)?;
    test_on_last_year(engine, &mut quotes)?;
    Ok(quotes)
}

/// A repair of the held-out year: what was known when it was booked, what it cost, and how many like it.
struct Repair {
    asked: Asked,
    cost: f64,
    jobs: u64,
}

/// The whole rule on the last year: costs, odds, prices' drift and what is set aside for recalls from the years before, the mixture for each machine as it was booked,
/// against what the repair cost with the recalls that came.
fn test_on_last_year(engine: &Engine, quotes: &mut Quotes) -> Result<(), AnalyticsError> {
    let repairs = read_held_out(engine)?;
    if repairs.is_empty() {
        return Ok(());
    }
    Recalls::read(engine, HELD_OUT_MONTHS)?.provide(engine, HELD_OUT_MONTHS)?;
    let mut before = Quotes { settings: engine.business.clone(), ..Quotes::default() };
    add_costs(engine, HELD_OUT_MONTHS, &mut before)?;
    add_outcomes(engine, HELD_OUT_MONTHS, &mut before)?;
    let odds = OddsBefore::read(engine)?;
    let price = |repair: &&Repair| {
        let odds = odds.answer(&repair.asked)?;
        let odds: Vec<(&str, f64)> = odds.iter().map(|(component, probability)| (component.as_str(), probability.estimate)).collect();
        let price = before.price_at(&repair.asked, &odds)?;
        Some((repair.asked.category.clone(), repair.cost > price, repair.jobs))
    };
    let step = repairs.len().div_ceil(MOST_HELD_OUT).max(1);
    let tried: Vec<&Repair> = repairs.iter().step_by(step).collect();
    let judged: Vec<Option<(String, bool, u64)>> = tried.par_iter().map(price).collect();
    let mut all = (0, 0);
    let mut by_category: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    for (category, exceeded, jobs) in judged.into_iter().flatten() {
        for tally in [by_category.entry(category).or_default(), &mut all] {
            *tally = (tally.0 + if exceeded { jobs } else { 0 }, tally.1 + jobs);
        }
    }
    let held_out = |(exceeded, jobs): (u64, u64)| Some(HeldOut { jobs: jobs as i64, exceeded: wilson(exceeded, jobs, CONFIDENCE).ok()? });
    quotes.held_out = held_out(all);
    for (category, tally) in by_category {
        if let Some(known) = quotes.categories.get_mut(&category) {
            known.held_out = held_out(tally);
        }
    }
    Ok(())
}

fn read_held_out(engine: &Engine) -> Result<Vec<Repair>, AnalyticsError> {
    engine.rows("quote", evidence_sql!("quote_held_out"), |row| {
        let parts = |text: Option<String>, joint: char| -> Vec<String> {
            text.iter().flat_map(|text| text.split(joint)).filter(|part| !part.is_empty()).map(str::to_owned).collect()
        };
        let asked = Asked {
            category: row.get("category")?,
            brand: row.get("brand")?,
            platform: row.get("platform")?,
            model: row.get("model_key")?,
            age_years: row.get("age_years")?,
            symptoms: parts(row.get("symptoms")?, ';'),
            words: parts(row.get("complaint_words")?, ' '),
            ..Asked::default()
        };
        Ok(Repair { asked, cost: row.get::<_, i64>("cost")? as f64, jobs: row.get::<_, i64>("jobs")? as u64 })
    })
}

fn group<'a>(quotes: &'a mut Quotes, category: &str, place: &Place) -> &'a mut Group {
    let category = quotes.categories.entry(category.to_owned()).or_default();
    match place {
        Place::Category => &mut category.all,
        Place::Platform(key) => category.platforms.entry(key.clone()).or_default(),
        Place::Model(key) => category.models.entry(key.clone()).or_default(),
    }
}

fn fewest(place: &Place) -> i64 {
    if *place == Place::Category { FEWEST_IN_CATEGORY } else { FEWEST_IN_GROUP }
}

/// By what factor parts grow dearer in a year, told from the years before the last, in a table that later SQL reads; 1 where chance explains it. As it is known at
/// the cut-off and a year before.
fn add_parts_drift(engine: &Engine) -> Result<(), AnalyticsError> {
    let mut years: Vec<YearOfMeans> = Vec::new();
    engine.rows("quote", evidence_sql!("trend_costs"), |row| {
        let (scope_id, back): (i64, i64) = (row.get("scope_id")?, row.get("years_back")?);
        if engine.scope(scope_id).level == "all" && row.get::<_, String>("cost")? == "parts" && back > 0 {
            let [jobs, machines] = [row.get::<_, i64>("jobs")?, row.get("machines")?];
            let sums = MeanSums {
                clusters: machines as u64,
                rows: jobs as f64,
                value: row.get("amount")?,
                value_squared: row.get("amount_squared")?,
                value_times_rows: row.get("amount_times_jobs")?,
                rows_squared: row.get("jobs_squared")?,
            };
            if let Ok(MeanError { mean, standard_error, .. }) = sums.mean() {
                years.push(YearOfMeans { year: -(back as f64), mean, standard_error });
            }
        }
        Ok(())
    })?;
    let factor = |first_back: i32| {
        let known: Vec<YearOfMeans> = years.iter().filter(|year| year.year <= f64::from(-first_back)).copied().collect();
        let drift = mean_trend(&known, CONFIDENCE).ok().map(|trend| trend.factor_per_year);
        drift.filter(|factor| factor.lower > 1.0 || factor.upper < 1.0).map_or(1.0, |factor| factor.estimate)
    };
    let (now, before) = (factor(1), factor(2));
    let select = format!(
        "CREATE TABLE parts_drift AS SELECT 0 AS months, CAST({now:?} AS DOUBLE) AS factor_per_year
         UNION ALL SELECT {HELD_OUT_MONTHS}, CAST({before:?} AS DOUBLE)"
    );
    engine.run("parts_drift", &select)
}

fn add_costs(engine: &Engine, months: i32, quotes: &mut Quotes) -> Result<(), AnalyticsError> {
    // Recorded parts, and empty ones read as nothing.
    let mut amounts: BTreeMap<(String, Place, String), [Amounts; 2]> = BTreeMap::new();
    engine.rows_for("quote", evidence_sql!("quote_costs"), &[&months], |row| {
        let Some(category) = row.get::<_, Option<String>>("category")? else { return Ok(()) };
        let kind = Kind { category, platform: row.get("platform")?, model: row.get("model_key")? };
        let (component, cost, jobs): (String, i64, i64) = (row.get("component")?, row.get("cost")?, row.get("jobs")?);
        let is_blank = usize::from(row.get::<_, bool>("is_blank")?);
        for (category, place) in kind.places() {
            *amounts.entry((category, place, component.clone())).or_default()[is_blank].entry(cost).or_default() += jobs;
        }
        Ok(())
    })?;
    for ((category, place, component), [recorded, blank]) in &amounts {
        if let Some(costs) = Costs::from_counts(&counts(recorded)).filter(|costs| costs.jobs >= fewest(place)) {
            group(quotes, category, place).costs.insert(component.clone(), costs.with_blank(&counts(blank)));
        }
    }
    Ok(())
}

fn counts(amounts: &Amounts) -> Vec<(f64, i64)> {
    amounts.iter().map(|(cost, jobs)| (*cost as f64, *jobs)).collect()
}

fn add_outcomes(engine: &Engine, months: i32, quotes: &mut Quotes) -> Result<(), AnalyticsError> {
    let mut unrepaired: BTreeMap<(String, Place), (i64, i64)> = BTreeMap::new();
    let mut outcomes: BTreeMap<(String, Place, String), (i64, i64)> = BTreeMap::new();
    engine.rows_for("quote", evidence_sql!("quote_outcomes"), &[&months], |row| {
        let Some(category) = row.get::<_, Option<String>>("category")? else { return Ok(()) };
        let kind = Kind { category, platform: row.get("platform")?, model: row.get("model_key")? };
        let (component, repaired): (Option<String>, bool) = (row.get("component")?, row.get("repaired")?);
        let [jobs, costed, cost] = [row.get::<_, i64>("jobs")?, row.get("costed")?, row.get("cost")?];
        for (category, place) in kind.places() {
            if !repaired {
                let sums = unrepaired.entry((category.clone(), place.clone())).or_default();
                *sums = (sums.0 + costed, sums.1 + cost);
            }
            if let Some(component) = &component {
                let counts = outcomes.entry((category, place, component.clone())).or_default();
                *counts = (counts.0 + if repaired { jobs } else { 0 }, counts.1 + jobs);
            }
        }
        Ok(())
    })?;
    for ((category, place), (costed, cost)) in unrepaired {
        if costed >= fewest(&place) {
            group(quotes, &category, &place).unrepaired = Some((costed, cost as f64 / 100.0 / costed as f64));
        }
    }
    for ((category, place, component), counts) in outcomes {
        if counts.1 >= fewest(&place) {
            group(quotes, &category, &place).outcomes.insert(component, counts);
        }
    }
    Ok(())
}

fn add_prices_new(engine: &Engine, quotes: &mut Quotes) -> Result<(), AnalyticsError> {
    engine.rows("quote", evidence_sql!("quote_prices_new"), |row| {
        let (category, model): (String, Option<String>) = (row.get(0)?, row.get(1)?);
        if let Some(price) = row.get::<_, Option<f64>>(2)?.filter(|price| *price > 0.0) {
            let known = quotes.categories.entry(category).or_default();
            match model {
                Some(model) => drop(known.price_new_of_models.insert(model, price)),
                None => known.price_new = Some(price),
            }
        }
        Ok(())
    })?;
    Ok(())
}

fn add_lives(engine: &Engine, quotes: &mut Quotes) -> Result<(), AnalyticsError> {
    let mut observed: BTreeMap<i64, Vec<TimeTally>> = BTreeMap::new();
    engine.rows("quote", evidence_sql!("life_observed"), |row| {
        let count = |name: &str| row.get::<_, i64>(name).map(|count| count as u64);
        let [entries, exits, events] = [count("entered")?, count("left_observation")?, count("ended")?];
        let time = row.get::<_, f64>("age_days")?;
        observed.entry(row.get("leaf")?).or_default().push(TimeTally { time, entries, exits, events });
        Ok(())
    })?;
    for (scope_id, leaves) in engine.leaves_of_scopes()? {
        let scope = engine.scope(scope_id);
        let place = match scope.level.as_str() {
            "category" => Place::Category,
            "platform" => Place::Platform(scope.key.clone()),
            "model" => Place::Model(scope.key.clone()),
            _ => continue,
        };
        let Some(category) = scope.category.clone() else { continue };
        if let Ok(life) = life(leaves.iter().filter_map(|leaf| observed.get(leaf)).flatten()) {
            group(quotes, &category, &place).life = Some(life);
        }
    }
    Ok(())
}

fn life<'a>(changes: impl Iterator<Item = &'a TimeTally>) -> Result<Life, CannotEstimate> {
    let mut by_day: BTreeMap<u64, TimeTally> = BTreeMap::new();
    for change in changes {
        let time = change.time / DAYS_PER_YEAR;
        let row = by_day.entry(time.to_bits()).or_insert(TimeTally { time, entries: 0, exits: 0, events: 0 });
        row.entries += change.entries;
        row.exits += change.exits;
        row.events += change.events;
    }
    let tally = LifeTally::new(by_day.into_values().collect())?;
    if tally.events() < FEWEST_ENDS {
        return Err(CannotEstimate::TooFewEvents { found: tally.events() as usize, needed: FEWEST_ENDS as usize });
    }
    // An age that hardly any machine was seen at tells nothing of its like.
    let oldest = oldest_watched(&tally);
    let fit = fit_weibull(&tally.coarsened(RELATIVE_AGE_WIDTH), CONFIDENCE)?;
    if fit.quantile(0.5)?.estimate > oldest {
        return Err(CannotEstimate::NotReached);
    }
    let remaining = (0..=LAST_AGE_YEARS).map(|age| fit.mean_residual_life(age as f64));
    Ok(Life { ends: tally.events(), machines: tally.units(), remaining_years: remaining.collect::<Result<_, _>>()? })
}

/// The last age at which so many machines are still under observation.
fn oldest_watched(tally: &LifeTally) -> f64 {
    let mut at_risk = 0;
    let mut oldest = 0.0;
    for row in tally.rows() {
        if at_risk >= FEWEST_AT_RISK {
            oldest = row.time;
        }
        at_risk = at_risk + row.entries - row.exits;
    }
    oldest
}

impl Category {
    /// The groups that back off from a model: its own, its platform's, the category's.
    pub(super) fn groups(&self, platform: Option<&str>, model: Option<&str>) -> [(&'static str, Option<&Group>); 3] {
        [
            ("model", model.and_then(|key| self.models.get(key))),
            ("platform", platform.and_then(|key| self.platforms.get(key))),
            ("category", Some(&self.all)),
        ]
    }
}
