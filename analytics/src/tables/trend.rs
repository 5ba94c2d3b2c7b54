//! `trend`: rates and costs year by year, and whether they change beyond chance.

use std::collections::BTreeMap;

use fixodds_estimators::clustered_rate::{RateSums, clustered_rate};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums};
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::trend::{AgeYear, Trend, YearOfMeans, mean_trend, rate_trend};
use fixodds_estimators::{CONFIDENCE, CannotEstimate};

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

const FALSE_DISCOVERY_RATE: f64 = 0.05;
const RATE: &str = "failure_rate";

/// What one trend is about.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Of {
    measure: String,
    scope_id: i64,
    component: Option<String>,
}

struct Year {
    back: i64,
    events: Option<i64>,
    machine_years: Option<f64>,
    jobs: Option<i64>,
    estimated: Estimated,
    standard_error: Option<f64>,
}

/// What a trend rests on: the years, for a rate also their age bands and the sums over machines.
#[derive(Default)]
struct Series {
    years: Vec<Year>,
    cells: Vec<AgeYear>,
    machines: RateSums,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut series: BTreeMap<Of, Series> = BTreeMap::new();
    let rate = |scope_id, component| Of { measure: RATE.to_owned(), scope_id, component };
    engine.rows("trend", evidence_sql!("trend_years"), |row| {
        let of = series.entry(rate(row.get("scope_id")?, row.get("component")?)).or_default();
        let sums = RateSums {
            events: row.get::<_, i64>("events")? as u64,
            exposure: row.get("machine_years")?,
            events_squared: row.get("events_squared")?,
            events_times_exposure: row.get("events_times_machine_years")?,
            exposure_squared: row.get("machine_years_squared")?,
        };
        // The row of all years together tells how machines differ.
        let Some(back) = row.get::<_, Option<i64>>("years_back")? else {
            of.machines = sums;
            return Ok(());
        };
        of.years.push(Year {
            back,
            events: Some(sums.events as i64),
            machine_years: Some(sums.exposure),
            jobs: None,
            estimated: clustered_rate(&sums, CONFIDENCE),
            standard_error: None,
        });
        Ok(())
    })?;
    engine.rows("trend", evidence_sql!("trend_rates"), |row| {
        let of = series.entry(rate(row.get("scope_id")?, row.get("component")?)).or_default();
        of.cells.push(AgeYear {
            age_band: (row.get::<_, f64>("age_from_years")? * 100.0) as u64,
            year: -(row.get::<_, i64>("years_back")? as f64),
            events: row.get::<_, i64>("events")? as f64,
            exposure: row.get("machine_years")?,
        });
        Ok(())
    })?;
    engine.rows("trend", evidence_sql!("trend_costs"), |row| {
        let of = Of { measure: row.get("cost")?, scope_id: row.get("scope_id")?, component: None };
        let jobs: i64 = row.get("jobs")?;
        let sums = MeanSums {
            clusters: row.get::<_, i64>("machines")? as u64,
            rows: jobs as f64,
            value: row.get::<_, f64>("amount")? / 1e2,
            value_squared: row.get::<_, f64>("amount_squared")? / 1e4,
            value_times_rows: row.get::<_, f64>("amount_times_jobs")? / 1e2,
            rows_squared: row.get("jobs_squared")?,
        };
        series.entry(of).or_default().years.push(Year {
            back: row.get("years_back")?,
            events: None,
            machine_years: None,
            jobs: Some(jobs),
            estimated: mean_amount_from_sums(&sums, CONFIDENCE),
            standard_error: sums.mean().ok().map(|mean| mean.standard_error),
        });
        Ok(())
    })?;
    let days = days(engine)?;
    let trends: Vec<(&Of, Result<Trend, CannotEstimate>)> = series.iter().map(|(of, series)| (of, trend(of, series))).collect();
    let q_values = q_values(engine, &trends);
    let mut rows = EvidenceRows::new("trend")?;
    for (of, found) in &trends {
        let years = &series[*of].years;
        let day = |back: i64, last: bool| days.get(&back).map(|day| if last { day.1.clone() } else { day.0.clone() });
        let sum = |of: fn(&Year) -> Option<f64>| years.iter().map(of).sum::<Option<f64>>();
        let p_value = found.as_ref().ok().map(|trend| trend.p_value);
        let q_value = q_values.get(of).copied();
        let mut push = |statistic: &str, span: [i64; 2], counts: [Cell; 3], verdict: [Cell; 3], estimated: &Estimated| {
            let [events, machine_years, jobs] = counts;
            let [p_value, q_value, trend] = verdict;
            rows.push(
                engine.scope(of.scope_id),
                &[
                    ("measure", (&of.measure).into()),
                    ("component", of.component.clone().into()),
                    ("statistic", statistic.into()),
                    ("year_from_on", day(span[0], false).into()),
                    ("year_to_on", day(span[1], true).into()),
                    ("events", events),
                    ("machine_years", machine_years),
                    ("jobs", jobs),
                    ("p_value", p_value),
                    ("q_value", q_value),
                    ("trend", trend),
                ],
                estimated,
            );
        };
        let [first, last] = [years.iter().map(|y| y.back).max().unwrap_or(0), years.iter().map(|y| y.back).min().unwrap_or(0)];
        let whole = |total: Option<f64>| total.map(|total| total as i64).into();
        push(
            "change_per_year",
            [first, last],
            [whole(sum(|y| y.events.map(|n| n as f64))), sum(|y| y.machine_years).into(), whole(sum(|y| y.jobs.map(|n| n as f64)))],
            [p_value.into(), q_value.into(), word(found, q_value).into()],
            &found.as_ref().map(|trend| trend.factor_per_year).map_err(Clone::clone),
        );
        for year in years {
            push(
                "year",
                [year.back, year.back],
                [year.events.into(), year.machine_years.into(), year.jobs.into()],
                [Cell::Missing, Cell::Missing, Cell::Missing],
                &year.estimated,
            );
        }
    }
    Ok(rows)
}

fn trend(of: &Of, series: &Series) -> Result<Trend, CannotEstimate> {
    if of.measure == RATE {
        return rate_trend(&series.cells, &series.machines.dispersion()?, CONFIDENCE);
    }
    let means = series.years.iter().filter_map(|y| {
        let mean = y.estimated.as_ref().ok()?.estimate;
        Some(YearOfMeans { year: -(y.back as f64), mean, standard_error: y.standard_error? })
    });
    mean_trend(&means.collect::<Vec<_>>(), CONFIDENCE)
}

type PValues<'a> = Vec<(&'a Of, f64)>;

/// Adjusted for all trends of a measure, level, and component or the machine as a whole.
fn q_values<'a>(engine: &Engine, trends: &[(&'a Of, Result<Trend, CannotEstimate>)]) -> BTreeMap<&'a Of, f64> {
    let mut families: BTreeMap<(&str, &str, bool), PValues<'_>> = BTreeMap::new();
    for (of, found) in trends {
        if let Ok(found) = found {
            let level = engine.scope(of.scope_id).level.as_str();
            families.entry((&of.measure, level, of.component.is_some())).or_default().push((of, found.p_value));
        }
    }
    let adjusted = families.into_values().flat_map(|family| {
        let p_values: Vec<f64> = family.iter().map(|(_, p)| *p).collect();
        let q_values = benjamini_hochberg(&p_values).unwrap_or_default();
        family.into_iter().map(|(of, _)| of).zip(q_values).collect::<Vec<_>>()
    });
    adjusted.collect()
}

fn word(found: &Result<Trend, CannotEstimate>, q_value: Option<f64>) -> Option<&'static str> {
    match (found, q_value) {
        (Err(CannotEstimate::AgeAndYearTogether { .. }), _) => Some("not_separable"),
        (Err(_), _) => None,
        (Ok(trend), Some(q)) if q <= FALSE_DISCOVERY_RATE => Some(if trend.factor_per_year.estimate > 1.0 { "rising" } else { "falling" }),
        (Ok(_), _) => Some("not_distinguishable"),
    }
}

/// First and last day of each year before the cut-off.
fn days(engine: &Engine) -> Result<BTreeMap<i64, (String, String)>, AnalyticsError> {
    let select = "SELECT n.years_back, CAST(CAST(t.as_of - to_days(CAST(ceil((n.years_back + 1) * 365.25) AS INTEGER)) + INTERVAL 1 DAY AS DATE) AS VARCHAR),
                  CAST(CAST(t.as_of - to_days(CAST(ceil(n.years_back * 365.25) AS INTEGER)) AS DATE) AS VARCHAR)
                  FROM (VALUES (0), (1), (2), (3), (4), (5), (6), (7), (8), (9)) AS n (years_back) CROSS JOIN cut_off AS t ORDER BY 1";
    let rows = engine.rows("trend", select, |row| Ok((row.get::<_, i64>(0)?, (row.get(1)?, row.get(2)?))))?;
    Ok(rows.into_iter().collect())
}
