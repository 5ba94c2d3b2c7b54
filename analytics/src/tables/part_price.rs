//! `part_price`: what parts cost, against the machine new, the new original part, and the assembly that holds them.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::geometric_ratio::ratio_of_geometric_means;
use fixodds_estimators::mean::MeanSums;
use fixodds_estimators::quantile::quantile_interval_of_counts;
use fixodds_schemas::vocabulary::vocabulary;

use super::evidence_sql;
use crate::columns::{integers, reals, texts};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

const ORIGINAL: &str = "new-original";
const MILLION: f64 = 1e6;

/// Scope, component and part source.
type Bought = (i64, String, String);
type Sums = BTreeMap<Bought, MeanSums>;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("part_price")?;
    medians(engine, &mut rows)?;
    let [sums, line_sums] = read_sums(engine)?;
    let parts_of_assemblies: BTreeSet<(&str, &str)> =
        vocabulary().components.iter().filter_map(|component| Some((component.assembly.as_deref()?, component.key.as_str()))).collect();
    for ((scope_id, component, part_source), group) in &sums {
        let mut compare = |statistic: &str, sums: &Sums, other: &str, compared_component: Option<&str>| {
            let group = sums.get(&(*scope_id, component.clone(), part_source.clone())).unwrap_or(group);
            let Some(reference) = sums.get(&(*scope_id, other.to_owned(), ORIGINAL.to_owned())) else { return };
            rows.push(
                engine.scope(*scope_id),
                &[
                    ("component", component.into()),
                    ("part_source", part_source.into()),
                    ("statistic", statistic.into()),
                    ("compared_component", compared_component.into()),
                    ("parts", (group.rows as i64).into()),
                    ("machines", (group.clusters as i64).into()),
                    ("compared_parts", (reference.rows as i64).into()),
                ],
                &ratio_of_geometric_means(group, reference, CONFIDENCE),
            );
        };
        if part_source != ORIGINAL {
            compare("to_new_original", &sums, component, None);
            continue;
        }
        for (_, part) in parts_of_assemblies.iter().filter(|(assembly, _)| assembly == component) {
            compare("assembly_to_part", &line_sums, part, Some(part));
        }
    }
    Ok(rows)
}

fn medians(engine: &Engine, rows: &mut EvidenceRows) -> Result<(), AnalyticsError> {
    let mut current: Option<(Bought, String)> = None;
    let mut counts: Vec<(f64, u64)> = Vec::new();
    let mut finish = |((scope_id, component, part_source), statistic): (Bought, String), counts: &[(f64, u64)]| {
        let parts: u64 = counts.iter().map(|(_, parts)| parts).sum();
        rows.push(
            engine.scope(scope_id),
            &[
                ("component", component.into()),
                ("part_source", part_source.into()),
                ("statistic", statistic.into()),
                ("parts", (parts as i64).into()),
            ],
            &quantile_interval_of_counts(counts, 0.5, CONFIDENCE),
        );
    };
    engine.columns("part_price", evidence_sql!("part_price_values"), &[], |batch| {
        let [scope_ids, parts] = ["scope_id", "parts"].map(|name| integers(batch, name));
        let [components, part_sources, statistics] = ["component", "part_source", "statistic"].map(|name| texts(batch, name));
        let amounts = reals(batch, "amount");
        for row in 0..batch.num_rows() {
            let (scope_id, component, part_source) = (scope_ids.value(row), components.value(row), part_sources.value(row));
            let statistic = statistics.value(row);
            let is_another = |((known_scope, known_component, known_source), known_statistic): &mut (Bought, String)| {
                (*known_scope, known_component.as_str(), known_source.as_str(), known_statistic.as_str())
                    != (scope_id, component, part_source, statistic)
            };
            if let Some(finished) = current.take_if(is_another) {
                finish(finished, &counts);
                counts.clear();
            }
            current.get_or_insert_with(|| ((scope_id, component.to_owned(), part_source.to_owned()), statistic.to_owned()));
            counts.push((amounts.value(row), parts.value(row) as u64));
        }
    })?;
    if let Some(finished) = current {
        finish(finished, &counts);
    }
    Ok(())
}

/// Sums of the logarithms of the prices of one piece, and of whole order lines.
fn read_sums(engine: &Engine) -> Result<[Sums; 2], AnalyticsError> {
    let (mut unit, mut line) = (Sums::new(), Sums::new());
    engine.rows("part_price", evidence_sql!("part_price_sums"), |row| {
        let sums = MeanSums {
            clusters: row.get::<_, i64>("machines")? as u64,
            rows: row.get::<_, i64>("parts")? as f64,
            value: row.get::<_, f64>("log_cost")? / MILLION,
            value_squared: row.get::<_, f64>("log_cost_squared")? / (MILLION * MILLION),
            value_times_rows: row.get::<_, f64>("log_cost_times_parts")? / MILLION,
            rows_squared: row.get("parts_squared")?,
        };
        let measure = if row.get::<_, String>("measure")? == "line" { &mut line } else { &mut unit };
        measure.insert((row.get("scope_id")?, row.get("component")?, row.get("part_source")?), sums);
        Ok(())
    })?;
    Ok([unit, line])
}
