//! `priority_part`: the three to five components of each category that fail most, with the probability that each belongs among them.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::binomial::{ClusterSums, clustered_wilson};
use fixodds_estimators::priority::{Profile, membership};
use rayon::prelude::*;

use super::evidence_sql;
use crate::engine::{Engine, Scope};
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

/// The list holds three components, and a fourth and fifth that are this sure to be among the five most frequent.
const SHORTEST_LIST: usize = 3;
const LONGEST_LIST: usize = 5;
const SURE: f64 = 0.95;
const RESAMPLES: usize = 2_000;
const SEED: u64 = 1;

/// Faults of one machine of a kind: component and times; and how many such machines there are.
type NamedProfile = (Vec<(String, u64)>, u64);

pub fn build(engine: &Engine) -> Result<EvidenceRows, AnalyticsError> {
    let mut categories: BTreeMap<String, Vec<NamedProfile>> = BTreeMap::new();
    engine.rows("priority_part", evidence_sql!("priority_profiles"), |row| {
        let profile: String = row.get("profile")?;
        let faults =
            profile.split(' ').filter_map(|fault| fault.split_once('*')).filter_map(|(c, n)| Some((c.to_owned(), n.parse().ok()?)));
        let machines = row.get::<_, i64>("machines")? as u64;
        categories.entry(row.get("category")?).or_default().push((faults.collect(), machines));
        Ok(())
    })?;
    let mut rows = EvidenceRows::new("priority_part")?;
    let ranked: Vec<(&String, Ranked<'_>)> = categories.par_iter().map(|(category, profiles)| (category, rank(profiles))).collect();
    for (category, ranked) in ranked {
        push(&mut rows, category, &categories[category], &ranked);
    }
    Ok(rows)
}

/// Components with their events and machines, the most frequent first, and the probability that each is among the longest list.
struct Ranked<'a> {
    components: Vec<(&'a str, u64, u64)>,
    probabilities: Option<Vec<f64>>,
}

fn rank(named: &[NamedProfile]) -> Ranked<'_> {
    let mut totals: BTreeMap<&str, (u64, u64)> = BTreeMap::new();
    for (faults, machines) in named {
        for (component, times) in faults {
            let (events, with) = totals.entry(component).or_default();
            *events += times * machines;
            *with += machines;
        }
    }
    let mut ranked: Vec<(&str, u64, u64)> = totals.into_iter().map(|(component, (events, with))| (component, events, with)).collect();
    ranked.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    let position: BTreeMap<&str, usize> = ranked.iter().enumerate().map(|(position, (component, _, _))| (*component, position)).collect();
    let profiles: Vec<Profile> = named
        .iter()
        .map(|(faults, machines)| Profile {
            faults: faults.iter().map(|(component, times)| (position[component.as_str()], *times)).collect(),
            machines: *machines,
        })
        .collect();
    let probabilities = membership(&profiles, ranked.len(), LONGEST_LIST, RESAMPLES, SEED).ok();
    Ranked { components: ranked, probabilities }
}

fn push(rows: &mut EvidenceRows, category: &str, named: &[NamedProfile], ranked: &Ranked<'_>) {
    let scope = Scope { level: "category".to_owned(), key: category.to_owned(), category: Some(category.to_owned()) };
    for (rank, (component, events, machines)) in ranked.components.iter().enumerate() {
        let probability = ranked.probabilities.as_ref().map(|all| all[rank]);
        let listed = rank < SHORTEST_LIST || rank < LONGEST_LIST && probability.is_some_and(|p| p >= SURE);
        let share = clustered_wilson(&sums(named, component), CONFIDENCE).map(|share| share.interval);
        rows.push(
            &scope,
            &[
                ("component", (*component).into()),
                ("rank", (rank as i64 + 1).into()),
                ("events", (*events as i64).into()),
                ("machines", (*machines as i64).into()),
                ("probability", probability.into()),
                ("listed", listed.into()),
            ],
            &share,
        );
    }
}

/// The component's share of all primary faults, machine by machine.
fn sums(named: &[NamedProfile], component: &str) -> ClusterSums {
    let mut sums = ClusterSums::default();
    for (faults, machines) in named {
        let all = faults.iter().map(|(_, times)| times).sum::<u64>() as f64;
        let own = faults.iter().filter(|(c, _)| c == component).map(|(_, times)| times).sum::<u64>() as f64;
        let weight = *machines as f64;
        sums.clusters += machines;
        sums.events += weight * own;
        sums.trials += weight * all;
        sums.events_squared += weight * own * own;
        sums.events_times_trials += weight * own * all;
        sums.trials_squared += weight * all * all;
    }
    sums
}
