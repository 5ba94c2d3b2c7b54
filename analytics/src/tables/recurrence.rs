//! `recurrence`: mean cumulative number of repairs per machine by age.

use std::collections::{BTreeMap, HashMap};

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::mean_cumulative_function::{ObservedMachine, Repair, mean_cumulative_function};
use rayon::prelude::*;

use super::evidence_sql;
use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::{Estimated, EvidenceRows};

const LAST_AGE_YEARS: i64 = 15;

/// Fewer machines than this under observation say nothing about an age.
const FEWEST_AT_RISK: usize = 10;

#[derive(Default)]
struct Leaf {
    machines: Vec<ObservedMachine>,
    /// Position in `machines`, and age in years.
    repairs: Vec<(usize, f64)>,
}

/// One age of one scope.
struct Line {
    age_years: f64,
    at_risk: i64,
    repairs: i64,
    machines: i64,
    mean: Estimated,
}

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let leaves = read_leaves(engine)?;
    let mut rows = EvidenceRows::new("recurrence")?;
    let scopes: Vec<(i64, Vec<i64>)> = engine.leaves_of_scopes()?.into_iter().collect();
    let lines: Vec<Vec<Line>> = scopes.par_iter().map(|(_, members)| lines(members, &leaves)).collect();
    for ((scope_id, _), lines) in scopes.iter().zip(lines) {
        for line in lines {
            rows.push(
                engine.scope(*scope_id),
                &[
                    ("age_years", line.age_years.into()),
                    ("at_risk", line.at_risk.into()),
                    ("events", line.repairs.into()),
                    ("machines", line.machines.into()),
                ],
                &line.mean,
            );
        }
    }
    Ok(rows)
}

fn read_leaves(engine: &Engine) -> Result<BTreeMap<i64, Leaf>, AnalyticsError> {
    let mut leaves: BTreeMap<i64, Leaf> = BTreeMap::new();
    // A machine may have several stays.
    let mut position: HashMap<(i64, i64), usize> = HashMap::new();
    engine.rows("recurrence", evidence_sql!("recurrence_machines"), |row| {
        let machines = &mut leaves.entry(row.get("leaf")?).or_default().machines;
        position.insert((row.get("machine")?, row.get("from_age_days")?), machines.len());
        machines.push(ObservedMachine { entry: row.get("from_age_years")?, exit: row.get("to_age_years")? });
        Ok(())
    })?;
    engine.rows("recurrence", evidence_sql!("recurrence_repairs"), |row| {
        if let (Some(leaf), Some(machine)) =
            (leaves.get_mut(&row.get("leaf")?), position.get(&(row.get("machine")?, row.get("from_age_days")?)))
        {
            leaf.repairs.push((*machine, row.get("age_years")?));
        }
        Ok(())
    })?;
    Ok(leaves)
}

/// The last age at which enough machines are watched, if it is no whole number of years that stands in the table already.
fn last_age(machines: &[ObservedMachine]) -> Option<f64> {
    let mut changes: Vec<(f64, bool)> = machines.iter().flat_map(|m| [(m.entry, true), (m.exit, false)]).collect();
    changes.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let (mut watched, mut last) = (0usize, None);
    for (age, enters) in changes {
        if !enters && watched >= FEWEST_AT_RISK {
            last = Some(age);
        }
        watched = if enters { watched + 1 } else { watched.saturating_sub(1) };
    }
    last.filter(|age| *age > 0.0 && (age.fract() != 0.0 || *age > LAST_AGE_YEARS as f64))
}

fn lines(members: &[i64], leaves: &BTreeMap<i64, Leaf>) -> Vec<Line> {
    let mut machines = Vec::new();
    let mut repairs = Vec::new();
    for leaf in members.iter().filter_map(|leaf| leaves.get(leaf)) {
        repairs.extend(leaf.repairs.iter().map(|(machine, age)| Repair { machine: machines.len() + machine, age: *age }));
        machines.extend(leaf.machines.iter().cloned());
    }
    if machines.is_empty() {
        return Vec::new();
    }
    let curve = mean_cumulative_function(&machines, &repairs, CONFIDENCE);
    let mut lines = Vec::new();
    for age_years in (1..=LAST_AGE_YEARS).map(|age| age as f64).chain(last_age(&machines)) {
        let at_risk = machines.iter().filter(|m| m.entry < age_years && age_years <= m.exit).count();
        if at_risk < FEWEST_AT_RISK {
            continue;
        }
        let mean = curve.as_ref().map_err(Clone::clone).and_then(|curve| curve.at(age_years));
        lines.push(Line {
            age_years,
            at_risk: at_risk as i64,
            repairs: repairs.iter().filter(|repair| repair.age <= age_years).count() as i64,
            machines: machines.len() as i64,
            mean,
        });
    }
    lines
}
