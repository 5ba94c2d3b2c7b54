//! `design_contrast`: sealed against bolted drums, brushed against brushless motors, crude and adjusted for age and category.

use std::collections::BTreeMap;

use fixodds_estimators::contingency::{
    RateTable, RiskTable, breslow_day, mantel_haenszel_odds_ratio, mantel_haenszel_rate_ratio, mantel_haenszel_risk_ratio, rate_ratio,
    rate_ratio_homogeneity, ratio_p_value, risk_ratio, risk_ratio_homogeneity,
};
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::{CONFIDENCE, Interval};

use super::evidence_sql;
use crate::engine::{Engine, Scope};
use crate::error::AnalyticsError;
use crate::evidence_rows::{Cell, Estimated, EvidenceRows};

/// Design trait, the value that is asked about, and the one it is compared with.
const CONTRASTS: [(&str, &str, &str); 2] = [("drum_design", "sealed", "bolted"), ("motor_type", "brushed", "brushless")];

const ADJUSTED_RATIOS: [&str; 2] = ["risk_ratio_mantel_haenszel", "rate_ratio_mantel_haenszel"];
const FALSE_DISCOVERY_RATE: f64 = 0.05;

/// What is compared: design trait, category (none: all, stratified by category), component (none: any).
type Question = (usize, Option<String>, Option<String>);
/// Category and age band, by its lower edge in hundredths of a year.
type Stratum = (String, i64);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut found = Vec::new();
    for (question, strata) in read_jobs(engine)? {
        let strata: Vec<RiskTable> = strata.into_values().collect();
        let crude =
            strata.iter().fold(RiskTable { exposed_events: 0, exposed_total: 0, reference_events: 0, reference_total: 0 }, |a, b| {
                RiskTable {
                    exposed_events: a.exposed_events + b.exposed_events,
                    exposed_total: a.exposed_total + b.exposed_total,
                    reference_events: a.reference_events + b.reference_events,
                    reference_total: a.reference_total + b.reference_total,
                }
            });
        let counts = Counts {
            exposed_events: crude.exposed_events,
            exposed_total: crude.exposed_total as f64,
            reference_events: crude.reference_events,
            reference_total: crude.reference_total as f64,
            strata: strata.len(),
        };
        let estimates = [
            ("risk_ratio_crude", risk_ratio(&crude, CONFIDENCE).map(|ratio| ratio.interval)),
            ("risk_ratio_mantel_haenszel", mantel_haenszel_risk_ratio(&strata, CONFIDENCE)),
            ("risk_homogeneity_p", risk_ratio_homogeneity(&strata).and_then(|test| Interval::exact(test.p_value))),
            ("odds_ratio_mantel_haenszel", mantel_haenszel_odds_ratio(&strata, CONFIDENCE)),
            ("breslow_day_p", breslow_day(&strata, true).and_then(|test| Interval::exact(test.p_value))),
        ];
        add(&mut found, &question, "write_off", &counts, &estimates);
    }
    for (question, strata) in read_rates(engine)? {
        let strata: Vec<RateTable> = strata.into_values().collect();
        let empty = RateTable { exposed_events: 0, exposed_machine_years: 0.0, reference_events: 0, reference_machine_years: 0.0 };
        let crude = strata.iter().fold(empty, |a, b| RateTable {
            exposed_events: a.exposed_events + b.exposed_events,
            exposed_machine_years: a.exposed_machine_years + b.exposed_machine_years,
            reference_events: a.reference_events + b.reference_events,
            reference_machine_years: a.reference_machine_years + b.reference_machine_years,
        });
        let counts = Counts {
            exposed_events: crude.exposed_events,
            exposed_total: crude.exposed_machine_years,
            reference_events: crude.reference_events,
            reference_total: crude.reference_machine_years,
            strata: strata.len(),
        };
        let estimates = [
            ("rate_ratio_crude", rate_ratio(&crude, CONFIDENCE).map(|ratio| ratio.interval)),
            ("rate_ratio_mantel_haenszel", mantel_haenszel_rate_ratio(&strata, CONFIDENCE)),
            ("rate_homogeneity_p", rate_ratio_homogeneity(&strata).and_then(|test| Interval::exact(test.p_value))),
        ];
        add(&mut found, &question, "failure", &counts, &estimates);
    }
    rows(&found)
}

struct Counts {
    exposed_events: u64,
    exposed_total: f64,
    reference_events: u64,
    reference_total: f64,
    strata: usize,
}

/// One row on its way into the table.
struct Found {
    scope: Scope,
    values: Vec<(&'static str, Cell)>,
    statistic: &'static str,
    estimated: Estimated,
}

fn add(found: &mut Vec<Found>, question: &Question, outcome: &'static str, counts: &Counts, estimates: &[(&'static str, Estimated)]) {
    // A comparison needs machines of both designs; a component that only one design has is no question.
    if counts.exposed_total == 0.0 || counts.reference_total == 0.0 {
        return;
    }
    let (contrast, category, component) = question;
    let (name, exposed, reference) = CONTRASTS[*contrast];
    let scope = match category {
        Some(category) => Scope { level: "category".to_owned(), key: category.clone(), category: Some(category.clone()) },
        None => Scope { level: "all".to_owned(), key: "all".to_owned(), category: None },
    };
    for (statistic, estimated) in estimates {
        let values = vec![
            ("contrast", name.into()),
            ("exposed", exposed.into()),
            ("reference", reference.into()),
            ("component", component.clone().into()),
            ("outcome", outcome.into()),
            ("statistic", (*statistic).into()),
            ("exposed_events", (counts.exposed_events as i64).into()),
            ("exposed_total", counts.exposed_total.into()),
            ("reference_events", (counts.reference_events as i64).into()),
            ("reference_total", counts.reference_total.into()),
            ("strata", (counts.strata as i64).into()),
        ];
        found.push(Found { scope: scope.clone(), values, statistic, estimated: estimated.clone() });
    }
}

/// The rows, with what may be said of each adjusted ratio once it is remembered how many were looked at: the false-discovery rate
/// is controlled over all adjusted ratios of one scope.
fn rows(found: &[Found]) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("design_contrast")?;
    let mut families: BTreeMap<&str, Vec<(usize, f64)>> = BTreeMap::new();
    for (place, row) in found.iter().enumerate() {
        if let Some(p) = ADJUSTED_RATIOS
            .contains(&row.statistic)
            .then(|| row.estimated.as_ref().ok().and_then(|ratio| ratio_p_value(ratio).ok()))
            .flatten()
        {
            families.entry(&row.scope.key).or_default().push((place, p));
        }
    }
    let mut q_values: BTreeMap<usize, f64> = BTreeMap::new();
    for family in families.values() {
        let p_values: Vec<f64> = family.iter().map(|(_, p)| *p).collect();
        let adjusted = benjamini_hochberg(&p_values).unwrap_or_default();
        q_values.extend(family.iter().map(|(place, _)| *place).zip(adjusted));
    }
    for (place, row) in found.iter().enumerate() {
        let q_value = q_values.get(&place).copied();
        let mut values = row.values.clone();
        values.push(("q_value", q_value.into()));
        values.push(("finding", q_value.and_then(|q| finding(q, &row.estimated)).into()));
        rows.push(&row.scope, &values, &row.estimated);
    }
    Ok(rows)
}

/// What may be said of a ratio.
fn finding(q_value: f64, ratio: &Estimated) -> Option<&'static str> {
    let ratio = ratio.as_ref().ok()?;
    Some(match q_value <= FALSE_DISCOVERY_RATE {
        true if ratio.estimate > 1.0 => "higher",
        true => "lower",
        false => "no_difference_shown",
    })
}

/// The questions that one row of counts answers a part of: its category alone, and all categories.
fn questions(trait_name: &str, category: &str, component: Option<&str>) -> Option<[Question; 2]> {
    let contrast = CONTRASTS.iter().position(|(name, _, _)| *name == trait_name)?;
    let component = component.map(str::to_owned);
    Some([(contrast, None, component.clone()), (contrast, Some(category.to_owned()), component)])
}

fn read_jobs(engine: &Engine) -> Result<BTreeMap<Question, BTreeMap<Stratum, RiskTable>>, AnalyticsError> {
    let mut tables: BTreeMap<Question, BTreeMap<Stratum, RiskTable>> = BTreeMap::new();
    engine.rows("design_contrast", evidence_sql!("contrast_jobs"), |row| {
        let [trait_name, category, value]: [String; 3] = [row.get("trait")?, row.get("category")?, row.get("trait_value")?];
        let component: Option<String> = row.get("component")?;
        let stratum = (category.clone(), (row.get::<_, f64>("age_from_years")? * 100.0) as i64);
        let [jobs, condemned] = [row.get::<_, i64>("jobs")? as u64, row.get::<_, i64>("condemned")? as u64];
        for question in questions(&trait_name, &category, component.as_deref()).into_iter().flatten() {
            let (_, exposed, reference) = CONTRASTS[question.0];
            let table = tables.entry(question).or_default().entry(stratum.clone()).or_insert(RiskTable {
                exposed_events: 0,
                exposed_total: 0,
                reference_events: 0,
                reference_total: 0,
            });
            if value == exposed {
                table.exposed_events += condemned;
                table.exposed_total += jobs;
            } else if value == reference {
                table.reference_events += condemned;
                table.reference_total += jobs;
            }
        }
        Ok(())
    })?;
    Ok(tables)
}

fn read_rates(engine: &Engine) -> Result<BTreeMap<Question, BTreeMap<Stratum, RateTable>>, AnalyticsError> {
    let mut tables: BTreeMap<Question, BTreeMap<Stratum, RateTable>> = BTreeMap::new();
    engine.rows("design_contrast", evidence_sql!("contrast_rates"), |row| {
        let [trait_name, category, value]: [String; 3] = [row.get("trait")?, row.get("category")?, row.get("trait_value")?];
        let component: Option<String> = row.get("component")?;
        let stratum = (category.clone(), (row.get::<_, f64>("age_from_years")? * 100.0) as i64);
        let (events, machine_years) = (row.get::<_, i64>("events")? as u64, row.get::<_, f64>("machine_years")?);
        for question in questions(&trait_name, &category, component.as_deref()).into_iter().flatten() {
            let (_, exposed, reference) = CONTRASTS[question.0];
            let table = tables.entry(question).or_default().entry(stratum.clone()).or_insert(RateTable {
                exposed_events: 0,
                exposed_machine_years: 0.0,
                reference_events: 0,
                reference_machine_years: 0.0,
            });
            if value == exposed {
                table.exposed_events += events;
                table.exposed_machine_years += machine_years;
            } else if value == reference {
                table.reference_events += events;
                table.reference_machine_years += machine_years;
            }
        }
        Ok(())
    })?;
    Ok(tables)
}
