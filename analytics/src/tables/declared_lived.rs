//! `declared_lived`: what makers declared under the French repairability index beside what the records show.

use std::collections::BTreeMap;

use fixodds_estimators::quantile::quantile_interval_of_counts;
use fixodds_estimators::rank_correlation::spearman;
use fixodds_estimators::repairability_index::{Sheet, points};
use fixodds_estimators::{CONFIDENCE, Interval};

use super::evidence_sql;
use super::waits::{Waited, wait_quantile};
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

/// Models with fewer records than this do not enter a rank correlation.
const FEWEST_RECORDS: i64 = 10;
const CORRELATED: [(&str, &str); 3] =
    [("delivery", "rank_correlation_delivery"), ("price", "rank_correlation_price"), ("disassembly", "rank_correlation_disassembly")];

/// A value, how many records have it, and how many of these are orders that were open then.
type Lasted = (f64, u64, u64);

/// Values in rising order, by model scope and statistic.
type Lived = BTreeMap<(i64, String), Vec<Lasted>>;

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut rows = EvidenceRows::new("declared_lived")?;
    let lived = read_lived(engine)?;
    let mut pairs: BTreeMap<(String, &str), Vec<(f64, f64)>> = BTreeMap::new();
    for (scope_id, sheet) in read_sheets(engine)? {
        let scope = engine.scope(scope_id);
        let points = match points(&sheet) {
            Ok(points) => points,
            Err(cause) => {
                rows.push(scope, &[("statistic", "index".into())], &Err(cause));
                continue;
            }
        };
        let index = [("statistic", "index".into()), ("declared", points.index().into())];
        rows.push(scope, &index, &Interval::exact(points.index()));
        let declared = [("delivery", sheet.delivery_professional), ("price", sheet.price), ("disassembly", points.disassembly / 2.0)];
        for (statistic, score) in declared {
            let Some(counts) = lived.get(&(scope_id, statistic.to_owned())) else { continue };
            let records = counts.iter().map(|(_, records, _)| *records as i64).sum::<i64>();
            let median = median(statistic, counts);
            if let (Some(category), Ok(median), true) = (&scope.category, &median, records >= FEWEST_RECORDS) {
                pairs.entry((category.clone(), statistic)).or_default().push((score, median.estimate));
            }
            rows.push(scope, &[("statistic", statistic.into()), ("declared", score.into()), ("records", records.into())], &median);
        }
    }
    for scope in engine.scopes.iter().filter(|scope| scope.level == "category") {
        for (statistic, name) in CORRELATED {
            if let Some(pairs) = pairs.get(&(scope.key.clone(), statistic)) {
                rows.push(scope, &[("statistic", name.into()), ("models", (pairs.len() as i64).into())], &spearman(pairs, CONFIDENCE));
            }
        }
    }
    Ok(rows)
}

fn median(statistic: &str, counts: &[Lasted]) -> Estimated {
    if statistic == "delivery" {
        let waited =
            |(days, records, still_open): &Lasted| Waited { days: *days as i64, delivered: records - still_open, still_open: *still_open };
        return wait_quantile(&counts.iter().map(waited).collect::<Vec<_>>(), 0.5);
    }
    quantile_interval_of_counts(&counts.iter().map(|(amount, records, _)| (*amount, *records)).collect::<Vec<_>>(), 0.5, CONFIDENCE)
}

fn read_sheets(engine: &Engine) -> Result<Vec<(i64, Sheet)>, AnalyticsError> {
    engine.rows("declared_lived", evidence_sql!("declared_sheets"), |row| {
        let sheet = Sheet {
            documentation: row.get("documentation")?,
            disassembly_depth: row.get("disassembly_depth")?,
            tools: row.get("tools")?,
            fasteners: row.get("fasteners")?,
            availability_professional: row.get("availability_professional")?,
            availability_consumer: row.get("availability_consumer")?,
            delivery_professional: row.get("delivery_professional")?,
            delivery_consumer: row.get("delivery_consumer")?,
            price: row.get("price")?,
            specific: row.get("specific")?,
        };
        Ok((row.get("scope_id")?, sheet))
    })
}

fn read_lived(engine: &Engine) -> Result<Lived, AnalyticsError> {
    let mut lived = Lived::new();
    engine.rows("declared_lived", evidence_sql!("declared_lived_values"), |row| {
        let key = (row.get("scope_id")?, row.get("statistic")?);
        let [records, still_open] = [row.get::<_, i64>("records")?, row.get("still_open")?].map(|count| count as u64);
        lived.entry(key).or_default().push((row.get("amount")?, records, still_open));
        Ok(())
    })?;
    Ok(lived)
}
