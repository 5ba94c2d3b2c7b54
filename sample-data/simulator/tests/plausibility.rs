//! Would a repairer believe these records? The limits are common practice, no source.

use crate::support::{DEMO, platform_of_model};
use fixodds_simulator::{Job, Outcome, PartSource};
use std::collections::BTreeMap;

fn share_of(outcome: Outcome) -> f64 {
    DEMO.jobs.iter().filter(|j| j.outcome == outcome).count() as f64 / DEMO.jobs.len() as f64
}

fn top_components<'a>(jobs: impl Iterator<Item = &'a Job>) -> Vec<(&'a str, f64)> {
    let mut counts: BTreeMap<&str, f64> = BTreeMap::new();
    let mut total = 0.0;
    for job in jobs.filter(|j| !j.components.is_empty()) {
        *counts.entry(&job.components[0]).or_default() += 1.0;
        total += 1.0;
    }
    let mut shares: Vec<_> = counts.into_iter().map(|(component, count)| (component, count / total)).collect();
    shares.sort_by(|a, b| b.1.total_cmp(&a.1));
    shares
}

#[test]
fn it_is_as_large_as_promised() {
    let realised = &DEMO.truth.realised;
    assert!(DEMO.jobs.len() > 30_000, "{}", DEMO.jobs.len());
    assert_eq!(realised.jobs, DEMO.jobs.len() as u64);
    assert!(DEMO.machines.len() > 20_000);
    let wished = DEMO.truth.scenario.scale.typical_jobs as f64;
    assert!((DEMO.jobs.len() as f64 / wished - 1.0).abs() < 0.03);
    let off_roster = 1.0 - realised.jobs_on_roster as f64 / realised.jobs as f64;
    assert!((0.28..0.38).contains(&off_roster), "{off_roster}");
    let rate = realised.jobs_on_roster as f64 / realised.roster_machine_years;
    assert!((0.2..0.35).contains(&rate), "{rate} jobs per machine-year");
}

#[test]
fn outcomes_and_costs_are_those_of_a_workshop() {
    assert!((0.70..0.80).contains(&share_of(Outcome::Repaired)), "{}", share_of(Outcome::Repaired));
    assert!((0.10..0.18).contains(&share_of(Outcome::Condemned)), "{}", share_of(Outcome::Condemned));
    assert!((0.03..0.10).contains(&share_of(Outcome::NoFaultFound)));
    let repaired: Vec<&Job> = DEMO.jobs.iter().filter(|j| j.outcome == Outcome::Repaired).collect();
    let mean = repaired.iter().map(|j| (j.labour_cost_pence + j.parts_cost_pence) as f64 / 100.0).sum::<f64>() / repaired.len() as f64;
    assert!((60.0..120.0).contains(&mean), "{mean}");
    for job in &repaired {
        assert!(job.charged_pence.is_none_or(|charged| charged > job.labour_cost_pence + job.parts_cost_pence));
    }
}

#[test]
fn prices_of_parts_are_those_of_the_trade() {
    let prices = |component: &str, source: PartSource| -> Vec<f64> {
        let parts = DEMO.jobs.iter().flat_map(|j| &j.parts).filter(|p| &*p.component == component && p.source == source);
        parts.filter_map(|p| p.unit_cost_pence).map(|pence| pence as f64 / 100.0).collect()
    };
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    assert!((165.0..195.0).contains(&mean(&prices("motor", PartSource::NewOriginal))));
    assert!((4.0..6.0).contains(&mean(&prices("drum_bearings", PartSource::NewOriginal))));
    let used = prices("motor", PartSource::Used);
    assert!(used.len() > 50 && used.iter().all(|price| (40.0..=60.0).contains(price)), "{used:?}");
    assert!(mean(&prices("drum_assembly", PartSource::NewOriginal)) > 25.0 * mean(&prices("drum_bearings", PartSource::NewOriginal)));
}

#[test]
fn symptoms_point_where_a_technician_expects() {
    let scenario = &DEMO.truth.scenario;
    let platforms = platform_of_model(scenario);
    let brushed = |job: &Job| {
        let platform = scenario.platforms.iter().find(|p| p.name == platforms[&*job.model]);
        platform.is_some_and(|p| p.motor_type.as_deref() == Some("brushed"))
    };
    let says = |job: &Job, symptom: &str| job.symptoms.iter().any(|s| &**s == symptom);
    let stuck = top_components(DEMO.jobs.iter().filter(|j| brushed(j) && says(j, "drum_does_not_turn")));
    assert_eq!(stuck[0].0, "carbon_brushes");
    let electric: f64 = stuck.iter().filter(|(c, _)| ["motor", "carbon_brushes", "motor_control_board"].contains(c)).map(|s| s.1).sum();
    assert!(electric > 0.7, "{stuck:?}");

    let installed: BTreeMap<&str, _> = DEMO.machines.iter().map(|m| (m.machine_id.as_str(), m.in_service_on)).collect();
    let old = |job: &Job| job.machine_id.as_deref().is_some_and(|id| (job.closed_on - installed[id]).num_days() > 8 * 365);
    let rumbling = top_components(DEMO.jobs.iter().filter(|j| old(j) && says(j, "rumbling_on_spin")));
    assert_eq!(rumbling[0].0, "drum_bearings");
    assert!(rumbling[0].1 > 0.75, "{rumbling:?}");
}

#[test]
fn every_category_is_there_and_washing_machines_dominate() {
    let mut jobs: BTreeMap<&str, usize> = BTreeMap::new();
    for job in &DEMO.jobs {
        *jobs.entry(&job.category).or_default() += 1;
    }
    assert_eq!(jobs.len(), 12);
    assert!(jobs.values().all(|&n| n > 150), "{jobs:?}");
    assert!(jobs["washing_machine"] * 2 > DEMO.jobs.len() && jobs["washing_machine"] * 3 < DEMO.jobs.len() * 2);
}

#[test]
fn time_runs_forward() {
    let scenario = &DEMO.truth.scenario;
    let mut last_closed = BTreeMap::new();
    let mut jobs: Vec<&Job> = DEMO.jobs.iter().collect();
    jobs.sort_by_key(|j| (j.booked_on.unwrap_or(j.closed_on), j.closed_on));
    for job in jobs {
        assert!(job.booked_on.is_none_or(|booked| booked <= job.closed_on && booked >= scenario.first_day));
        assert!(job.closed_on <= scenario.last_day);
        for part in &job.parts {
            assert!(
                part.received_on
                    .is_none_or(|received| part.ordered_on.is_some_and(|ordered| ordered < received) && received < job.closed_on)
            );
            assert!(!part.unavailable || part.received_on.is_none());
        }
        if let (Some(machine), Some(booked)) = (job.machine_id.clone(), job.booked_on)
            && let Some(before) = last_closed.insert(machine, job.closed_on)
        {
            assert!(booked >= before, "{}: booked {booked} before the last job was closed on {before}", job.job_number);
        }
    }
    for machine in &DEMO.machines {
        assert!(machine.in_service_on <= machine.entered_on);
        assert!(machine.left_on.is_none_or(|left| left >= machine.entered_on && left <= scenario.last_day));
    }
}
