//! `design_contrast`: sealed against bolted drums, brushed against brushless motors, crude and adjusted for age and category.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_estimators::clustered_ratio::{Cell as ClusterCell, ClusterSpread, cluster_spread};
use fixodds_estimators::contingency::{
    Homogeneity, RateTable, RiskTable, breslow_day, mantel_haenszel_odds_ratio, mantel_haenszel_rate_ratio, mantel_haenszel_risk_ratio,
    rate_ratio, rate_ratio_homogeneity, risk_ratio, risk_ratio_homogeneity,
};
use fixodds_estimators::multiplicity::benjamini_hochberg;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};

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
/// Events and jobs or machine-years, by stratum, whether exposed, and model.
type Cells = BTreeMap<(Stratum, bool, String), (u64, f64)>;

/// One statistic: its value, and for a ratio the p-value that it is 1 and by how much models of one design scatter beyond chance.
struct Statistic {
    name: &'static str,
    estimated: Estimated,
    p_value: Option<f64>,
    spread: Option<ClusterSpread>,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut found = Vec::new();
    for (question, cells) in read(engine, evidence_sql!("contrast_jobs"), "condemned", "jobs")? {
        let tables: Vec<RiskTable> = strata(&cells).into_iter().map(risk_table).collect();
        let crude = risk_table(together(&cells));
        let (by_stratum, at_once) = (clusters(&cells, true), clusters(&cells, false));
        let [odds, risks] = [mantel_haenszel_odds_ratio(&tables, CONFIDENCE), mantel_haenszel_risk_ratio(&tables, CONFIDENCE)];
        let spread = risks.clone().and_then(|risks| cluster_spread(&by_stratum, &risks));
        let statistics = [
            ratio("risk_ratio_crude", risk_ratio(&crude, CONFIDENCE).map(|ratio| ratio.interval), |ratio| cluster_spread(&at_once, ratio)),
            ratio("risk_ratio_mantel_haenszel", risks, |_| spread.clone()),
            homogeneity("risk_homogeneity_p", risk_ratio_homogeneity(&tables), &spread),
            ratio("odds_ratio_mantel_haenszel", odds, |_| spread.clone()),
            homogeneity("breslow_day_p", breslow_day(&tables, true), &spread),
        ];
        add(&mut found, &question, "write_off", &cells, statistics);
    }
    for (question, cells) in read(engine, evidence_sql!("contrast_rates"), "events", "machine_years")? {
        let tables: Vec<RateTable> = strata(&cells).into_iter().map(rate_table).collect();
        let crude = rate_table(together(&cells));
        let (by_stratum, at_once) = (clusters(&cells, true), clusters(&cells, false));
        let rates = mantel_haenszel_rate_ratio(&tables, CONFIDENCE);
        let spread = rates.clone().and_then(|rates| cluster_spread(&by_stratum, &rates));
        let statistics = [
            ratio("rate_ratio_crude", rate_ratio(&crude, CONFIDENCE).map(|ratio| ratio.interval), |ratio| cluster_spread(&at_once, ratio)),
            ratio("rate_ratio_mantel_haenszel", rates, |_| spread.clone()),
            homogeneity("rate_homogeneity_p", rate_ratio_homogeneity(&tables), &spread),
        ];
        add(&mut found, &question, "failure", &cells, statistics);
    }
    rows(&found)
}

/// A ratio whose interval rests on the variance between models, since machines of one model share its design.
fn ratio(name: &'static str, independent: Estimated, spread: impl Fn(&Interval) -> Result<ClusterSpread, CannotEstimate>) -> Statistic {
    let found = independent.and_then(|independent| {
        let spread = spread(&independent)?;
        Ok((spread.widened(&independent)?, spread))
    });
    match found {
        Ok((ratio, spread)) => Statistic { name, estimated: Ok(ratio.interval), p_value: Some(ratio.p_value), spread: Some(spread) },
        Err(why) => Statistic { name, estimated: Err(why), p_value: None, spread: None },
    }
}

/// Whether strata agree, where models of one design differ as much as they do.
fn homogeneity(name: &'static str, test: Result<Homogeneity, CannotEstimate>, spread: &Result<ClusterSpread, CannotEstimate>) -> Statistic {
    let p_value = test.and_then(|test| test.overdispersed(spread.clone()?.factor)).and_then(|test| Interval::exact(test.p_value));
    Statistic { name, estimated: p_value, p_value: None, spread: None }
}

/// Events and size of the exposed, then of the reference.
type Compared = [(u64, f64); 2];

fn strata(cells: &Cells) -> Vec<Compared> {
    let mut strata: BTreeMap<&Stratum, Compared> = BTreeMap::new();
    for ((stratum, exposed, _), cell) in cells {
        add_to(&mut strata.entry(stratum).or_default()[usize::from(!exposed)], cell);
    }
    strata.into_values().collect()
}

fn together(cells: &Cells) -> Compared {
    cells.iter().fold(Compared::default(), |mut sums, ((_, exposed, _), cell)| {
        add_to(&mut sums[usize::from(!exposed)], cell);
        sums
    })
}

fn add_to(sum: &mut (u64, f64), cell: &(u64, f64)) {
    sum.0 += cell.0;
    sum.1 += cell.1;
}

fn risk_table([exposed, reference]: Compared) -> RiskTable {
    RiskTable {
        exposed_events: exposed.0,
        exposed_total: exposed.1 as u64,
        reference_events: reference.0,
        reference_total: reference.1 as u64,
    }
}

fn rate_table([exposed, reference]: Compared) -> RateTable {
    RateTable {
        exposed_events: exposed.0,
        exposed_machine_years: exposed.1,
        reference_events: reference.0,
        reference_machine_years: reference.1,
    }
}

/// The cells by model, within strata or all strata as one.
fn clusters(cells: &Cells, stratified: bool) -> Vec<ClusterCell> {
    let (mut strata, mut models) = (BTreeMap::new(), BTreeMap::new());
    let cells = cells.iter().map(|((stratum, exposed, model), (events, size))| {
        let (next_stratum, next_model) = (strata.len() as u64, models.len() as u64);
        ClusterCell {
            cluster: *models.entry(model).or_insert(next_model),
            stratum: if stratified { *strata.entry(stratum).or_insert(next_stratum) } else { 0 },
            exposed: *exposed,
            events: *events as f64,
            size: *size,
        }
    });
    cells.collect()
}

/// One row on its way into the table.
struct Found {
    scope: Scope,
    values: Vec<(&'static str, Cell)>,
    statistic: Statistic,
}

fn add<const N: usize>(found: &mut Vec<Found>, question: &Question, outcome: &'static str, cells: &Cells, statistics: [Statistic; N]) {
    let [exposed_sum, reference_sum] = together(cells);
    // A comparison needs machines of both designs; a component that only one design has is no question.
    if exposed_sum.1 == 0.0 || reference_sum.1 == 0.0 {
        return;
    }
    let models = |of: bool| {
        let models = cells.iter().filter(|((_, exposed, _), (_, size))| *exposed == of && *size > 0.0).map(|((_, _, model), _)| model);
        models.collect::<BTreeSet<_>>().len() as i64
    };
    let strata = cells.keys().map(|(stratum, ..)| stratum).collect::<BTreeSet<_>>().len() as i64;
    let (contrast, category, component) = question;
    let (name, exposed, reference) = CONTRASTS[*contrast];
    let scope = match category {
        Some(category) => Scope { level: "category".to_owned(), key: category.clone(), category: Some(category.clone()) },
        None => Scope { level: "all".to_owned(), key: "all".to_owned(), category: None },
    };
    for statistic in statistics {
        let values = vec![
            ("contrast", name.into()),
            ("exposed", exposed.into()),
            ("reference", reference.into()),
            ("component", component.clone().into()),
            ("outcome", outcome.into()),
            ("statistic", statistic.name.into()),
            ("exposed_events", (exposed_sum.0 as i64).into()),
            ("exposed_total", exposed_sum.1.into()),
            ("exposed_models", models(true).into()),
            ("reference_events", (reference_sum.0 as i64).into()),
            ("reference_total", reference_sum.1.into()),
            ("reference_models", models(false).into()),
            ("strata", strata.into()),
            ("dispersion", statistic.spread.as_ref().map(|spread| spread.factor).into()),
            ("p_value", statistic.p_value.into()),
        ];
        found.push(Found { scope: scope.clone(), values, statistic });
    }
}

/// The rows, with what may be said of each adjusted ratio once it is remembered how many were looked at: the false-discovery rate
/// is controlled over all adjusted ratios of one scope.
fn rows(found: &[Found]) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("design_contrast")?;
    let mut families: BTreeMap<&str, Vec<(usize, f64)>> = BTreeMap::new();
    for (place, row) in found.iter().enumerate() {
        if let Some(p) = row.statistic.p_value.filter(|_| ADJUSTED_RATIOS.contains(&row.statistic.name)) {
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
        values.push(("finding", q_value.and_then(|q| finding(q, &row.statistic.estimated)).into()));
        rows.push(&row.scope, &values, &row.statistic.estimated);
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

/// The cells of every question, from a query whose rows name events and size as given.
fn read(engine: &Engine, sql: &str, events: &str, size: &str) -> Result<BTreeMap<Question, Cells>, AnalyticsError> {
    let mut tables: BTreeMap<Question, Cells> = BTreeMap::new();
    engine.rows("design_contrast", sql, |row| {
        let [trait_name, category, value, model]: [String; 4] =
            [row.get("trait")?, row.get("category")?, row.get("trait_value")?, row.get("model_key")?];
        let component: Option<String> = row.get("component")?;
        let stratum = (category.clone(), (row.get::<_, f64>("age_from_years")? * 100.0) as i64);
        let (events, size) = (row.get::<_, i64>(events)? as u64, row.get::<_, f64>(size)?);
        for question in questions(&trait_name, &category, component.as_deref()).into_iter().flatten() {
            let (_, exposed, reference) = CONTRASTS[question.0];
            if [exposed, reference].contains(&value.as_str()) {
                let cell = tables.entry(question).or_default().entry((stratum.clone(), value == exposed, model.clone())).or_default();
                add_to(cell, &(events, size));
            }
        }
        Ok(())
    })?;
    Ok(tables)
}
