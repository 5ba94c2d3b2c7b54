//! `model_standing`: each model of a category against the others, ages held equal, by a rate or a share of write-offs that leans on the category as
//! far as the model's own records are thin. False discoveries are controlled over the whole table.

use std::collections::BTreeMap;

use fixodds_estimators::clustered_rate::RateSums;
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::standing::{Group, Measure, Standing, Stratum, against_others};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

use super::evidence_sql;
use super::named_parts::NamedByCategory;
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

/// A comparison needs so many models.
const FEWEST_MODELS: usize = 4;
/// and so many events in all.
const FEWEST_EVENTS: f64 = 10.0;
/// A model stands out if the false-discovery rate allows, and the posterior agrees.
const FALSE_DISCOVERY_RATE: f64 = 0.05;
const SURE: f64 = 0.975;

/// Measure, category, component (none: any).
type Kind = (String, String, Option<String>);

struct Model {
    scope_id: i64,
    events: i64,
    size: f64,
    group: Group,
}

/// One row on its way into the table.
struct Line {
    kind: Kind,
    scope_id: i64,
    events: i64,
    size: f64,
    category_mean: f64,
    rank: usize,
    standing: Option<Standing>,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let named = NamedByCategory::read(engine)?;
    let lines: Vec<Line> = read(engine)?.into_iter().flat_map(|(kind, models)| compared(&kind, models)).collect();
    let p_values: Vec<f64> = lines.iter().filter_map(|line| line.standing.as_ref()).map(|standing| standing.p_value).collect();
    let mut q_values = benjamini_hochberg(&p_values).unwrap_or_default().into_iter();
    let mut rows = EvidenceRows::new("model_standing")?;
    for line in &lines {
        let q_value = line.standing.as_ref().and_then(|_| q_values.next());
        push(engine, &mut rows, line, &named, q_value);
    }
    Ok(rows)
}

fn read(engine: &Engine) -> Result<BTreeMap<Kind, Vec<Model>>, AnalyticsError> {
    let mut machines: BTreeMap<(String, i64, Option<String>), RateSums> = BTreeMap::new();
    engine.rows("model_standing", evidence_sql!("standing_machines"), |row| {
        let sums = RateSums {
            events: row.get::<_, i64>("events")? as u64,
            exposure: row.get("size")?,
            events_squared: row.get("events_squared")?,
            events_times_exposure: row.get("events_times_size")?,
            exposure_squared: row.get("size_squared")?,
        };
        machines.insert((row.get("measure")?, row.get("scope_id")?, row.get("component")?), sums);
        Ok(())
    })?;
    let mut kinds: BTreeMap<Kind, Vec<Model>> = BTreeMap::new();
    engine.rows("model_standing", evidence_sql!("standing_cells"), |row| {
        let (measure, component): (String, Option<String>) = (row.get("measure")?, row.get("component")?);
        let (scope_id, events, size): (i64, i64, f64) = (row.get("scope_id")?, row.get("events")?, row.get("size")?);
        let models = kinds.entry((measure.clone(), row.get("category")?, component.clone())).or_default();
        if models.last().is_none_or(|model| model.scope_id != scope_id) {
            let machines = machines.get(&(measure, scope_id, component)).copied().unwrap_or_default();
            let strata = vec![Stratum::default(); AGE_BAND_EDGES_YEARS.len()];
            models.push(Model { scope_id, events: 0, size: 0.0, group: Group { strata, machines } });
        }
        if let Some(model) = models.last_mut() {
            model.events += events;
            model.size += size;
            let age: Option<f64> = row.get("age_from_years")?;
            if let Some(band) = age.and_then(|age| AGE_BAND_EDGES_YEARS.iter().position(|edge| *edge == age)) {
                model.group.strata[band] = Stratum { events: events as f64, size };
            }
        }
        Ok(())
    })?;
    Ok(kinds)
}

/// The models of one kind of event, those furthest above the others first; none where they are too few.
fn compared(kind: &Kind, models: Vec<Model>) -> Vec<Line> {
    let events: i64 = models.iter().map(|model| model.events).sum();
    let size: f64 = models.iter().map(|model| model.size).sum();
    if models.len() < FEWEST_MODELS || (events as f64) < FEWEST_EVENTS {
        return Vec::new();
    }
    let measure = if kind.0 == "rate" { Measure::Rate } else { Measure::Share };
    let groups: Vec<Group> = models.iter().map(|model| model.group.clone()).collect();
    let Ok(standings) = against_others(&groups, measure, CONFIDENCE) else { return Vec::new() };
    let mut lines: Vec<Line> = models
        .into_iter()
        .zip(standings)
        .map(|(Model { scope_id, events, size, .. }, standing)| Line {
            kind: kind.clone(),
            scope_id,
            events,
            size,
            category_mean: 0.0,
            rank: 0,
            standing,
        })
        .collect();
    let ratio = |line: &Line| Some(line.standing.as_ref()?.ratio.as_ref().ok()?.interval.estimate);
    let height = |line: &Line| ratio(line).unwrap_or(f64::NEG_INFINITY);
    lines.sort_by(|a, b| height(b).total_cmp(&height(a)).then(a.scope_id.cmp(&b.scope_id)));
    for (place, line) in lines.iter_mut().enumerate() {
        line.rank = place + 1;
        line.category_mean = events as f64 / size;
    }
    lines
}

fn push(engine: &Engine, rows: &mut EvidenceRows, line: &Line, named: &NamedByCategory, q_value: Option<f64>) {
    let Line { kind: (measure, _, component), scope_id, events, size, category_mean, rank, standing } = line;
    let standing = standing.as_ref();
    let worse = standing.and_then(|standing| standing.ratio.as_ref().ok()).map(|ratio| ratio.probability_above);
    let funnel = standing.and_then(|standing| standing.funnel);
    let is_rate = measure == "rate";
    let scope = engine.scope(*scope_id);
    let own = at_own_ages(standing);
    // Faults of which no part is named may be of this one, as in failure_rate.
    let estimated = if is_rate && component.is_some() { own.and_then(|rate| named.of(scope.category.as_ref()).allow(&rate)) } else { own };
    rows.push(
        scope,
        &[
            ("component", component.clone().into()),
            ("measure", measure.into()),
            ("events", (*events).into()),
            ("machine_years", is_rate.then_some(*size).into()),
            ("jobs", (!is_rate).then_some(*size as i64).into()),
            ("crude", (*events as f64 / size).into()),
            ("compared", standing.map(|standing| standing.compared / size).into()),
            ("expected_events", standing.map(|standing| standing.expected).into()),
            ("ratio", standing.map(|standing| standing.observed / standing.expected).into()),
            ("dispersion", standing.map(|standing| standing.dispersion).into()),
            ("prob_worse", worse.into()),
            ("p_value", standing.map(|standing| standing.p_value).into()),
            ("q_value", q_value.into()),
            ("funnel_lower", funnel.map(|f| f.lower_95).into()),
            ("funnel_upper", funnel.map(|f| f.upper_95).into()),
            ("category_mean", (*category_mean).into()),
            ("rank", (*rank as i64).into()),
            ("standing", q_value.map(|q| standing_word(worse, q)).into()),
        ],
        &estimated,
    );
}

/// The ratio as a rate or share of the model: times what is expected at the model's own ages.
fn at_own_ages(standing: Option<&Standing>) -> Estimated {
    let standing = standing.ok_or(CannotEstimate::NoComparison)?;
    let Interval { estimate, lower, upper, confidence } = standing.ratio.clone()?.interval;
    let expected = standing.expected / standing.compared;
    Interval::new(estimate * expected, lower * expected, upper * expected, confidence)
}

fn standing_word(probability_worse: Option<f64>, q_value: f64) -> &'static str {
    match probability_worse {
        Some(p) if q_value <= FALSE_DISCOVERY_RATE && p >= SURE => "worse",
        Some(p) if q_value <= FALSE_DISCOVERY_RATE && p <= 1.0 - SURE => "better",
        _ => "not_distinguishable",
    }
}
