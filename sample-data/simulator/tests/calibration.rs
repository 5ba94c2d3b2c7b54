//! Counts against the true probabilities. The seed is fixed, so a test either always passes or always fails; the limits
//! are those that a sound simulator exceeds with a probability below 1 in 1,000 for the whole test.

use crate::support::{DEMO, binomial_z, platform_of_model};
use fixodds_simulator::{Job, Origin, Outcome, Scenario};
use std::collections::BTreeMap;

fn years(from: chrono::NaiveDate, to: chrono::NaiveDate) -> f64 {
    (to - from).num_days() as f64 / 365.25
}

/// Jobs of roster machines whose number was written down, in order of time.
fn jobs_by_machine() -> BTreeMap<&'static str, Vec<&'static Job>> {
    let mut by_machine: BTreeMap<&str, Vec<&Job>> = BTreeMap::new();
    for job in &DEMO.jobs {
        if let Some(machine) = job.machine_id.as_deref() {
            by_machine.entry(machine).or_default().push(job);
        }
    }
    by_machine.values_mut().for_each(|jobs| jobs.sort_by_key(|j| j.closed_on));
    by_machine
}

#[test]
fn natural_faults_on_the_roster_meet_their_cumulative_hazards() {
    let realised = &DEMO.truth.realised;
    let expected: f64 = realised.faults_by_age.iter().map(|f| f.faults.expected_natural_events).sum();
    let observed: u64 = realised.faults_by_age.iter().map(|f| f.faults.natural_events).sum();
    assert!((observed as f64 - expected).abs() < 3.3 * expected.sqrt(), "{observed} of {expected:.0}");

    // Cells with enough faults for the normal approximation: mean 0, variance 1, no cell far out.
    let z: Vec<f64> = (realised.faults_by_platform.iter())
        .filter(|f| f.faults.expected_natural_events >= 15.0)
        .map(|f| (f.faults.natural_events as f64 - f.faults.expected_natural_events) / f.faults.expected_natural_events.sqrt())
        .collect();
    assert!(z.len() > 200, "{} cells", z.len());
    let chi_square: f64 = z.iter().map(|z| z * z).sum();
    let cells = z.len() as f64;
    assert!((chi_square - cells).abs() < 3.3 * (2.0 * cells).sqrt(), "chi-square {chi_square:.0} on {cells} cells");
    assert!(z.iter().all(|z| z.abs() < 4.5), "{z:?}");
}

/// A second route, from the records alone: first drain pump faults of roster machines against the Weibull between the
/// age of entry and the age of that fault or of leaving. Drain pumps are nothing else's consequence.
#[test]
fn first_faults_in_the_records_are_left_truncated_weibull() {
    let scenario = &DEMO.truth.scenario;
    let platforms = platform_of_model(scenario);
    let mut first_fault = BTreeMap::new();
    for job in DEMO.jobs.iter().filter(|j| j.components.iter().any(|c| &**c == "drain_pump")) {
        if let (Some(machine), Some(day)) = (&job.machine_id, job.booked_on) {
            let first = first_fault.entry(machine.as_str()).or_insert(day);
            *first = day.min(*first);
        }
    }
    let (mut observed, mut expected) = (0.0, 0.0);
    for machine in &DEMO.machines {
        let Some(weibull) = scenario.weibull("drain_pump", platforms[&*machine.model]) else { continue };
        let fault = first_fault.get(machine.machine_id.as_str());
        let until = fault.copied().unwrap_or(machine.left_on.unwrap_or(scenario.last_day));
        let entry = years(machine.in_service_on, machine.entered_on);
        expected += weibull.cumulative_hazard_between(entry, years(machine.in_service_on, until));
        observed += f64::from(u8::from(fault.is_some()));
    }
    // 3 % of bookings and 2 % of machine numbers are not in the records, and such a fault is taken for none.
    assert!(expected > 900.0);
    assert!(observed < expected && observed > 0.91 * expected, "{observed} of {expected:.0}");
}

#[test]
fn consequential_damage_and_bad_repairs_have_their_probabilities() {
    let truth = &DEMO.truth;
    for pair in &truth.scenario.consequential.pairs {
        let found = truth.realised.damage.iter().find(|d| d.primary == pair.primary && d.consequential == pair.consequential);
        let found = found.unwrap_or_else(|| panic!("no machine had {} and {}", pair.primary, pair.consequential));
        let z = binomial_z(found.damaged, found.jobs, pair.probability);
        assert!(z.abs() < 4.0, "{found:?}: z = {z:.1}");
    }
    let (mut returns, mut expected) = (0, 0.0);
    for repairs in &truth.realised.repairs {
        let probability = truth.scenario.recall_probability(&repairs.component, repairs.part_source).unwrap();
        returns += repairs.will_return;
        expected += probability * repairs.repaired as f64;
    }
    assert!((returns as f64 - expected).abs() < 3.3 * expected.sqrt(), "{returns} of {expected:.0}");
}

/// From the records alone: repairs of one component with one part, and the same machine back within 90 days because of it.
#[test]
fn bad_repairs_come_back_within_days_as_they_should() {
    let scenario = &DEMO.truth.scenario;
    let (mut observed, mut expected) = (0.0, 0.0);
    let within_90_days = 1.0 - (-90.0 / scenario.recall.mean_delay_days).exp();
    for jobs in jobs_by_machine().values() {
        for (at, job) in jobs.iter().enumerate() {
            let ([component], [part]) = (job.components.as_slice(), job.parts.as_slice()) else { continue };
            let followed = (scenario.last_day - job.closed_on).num_days() > 120;
            if job.outcome == Outcome::Repaired && component == &part.component && followed {
                expected += within_90_days * scenario.recall_probability(component, part.source.key()).unwrap();
                let back = jobs.get(at + 1).filter(|next| next.origin == Origin::Recall && &next.components[0] == component);
                let in_time = |next: &&Job| (next.booked_on.unwrap_or(next.closed_on) - job.closed_on).num_days() <= 90;
                observed += f64::from(u8::from(back.is_some_and(in_time)));
            }
        }
    }
    // A few machines leave first, or come for something else first.
    let spread = 3.3 * f64::sqrt(expected);
    assert!(expected > 250.0);
    assert!(observed < expected + spread && observed > 0.92 * expected - spread, "{observed} of {expected:.0}");
}

#[test]
fn used_parts_come_back_more_often_than_new_ones() {
    let share = |source: &str| {
        let repairs = DEMO.truth.realised.repairs.iter().filter(|r| r.part_source == source);
        let (repaired, back) = repairs.fold((0, 0), |sum, r| (sum.0 + r.repaired, sum.1 + r.will_return));
        back as f64 / repaired as f64
    };
    assert!(share("used") > 1.6 * share("new-original"), "{} {}", share("used"), share("new-original"));
}

#[test]
fn sealed_drums_are_condemned_with_their_probability() {
    let realised = &DEMO.truth.realised;
    // Beyond the rule itself a few are condemned because the assembly cannot be had.
    let share = realised.sealed_condemned as f64 / realised.sealed_faults as f64;
    let rule = DEMO.truth.scenario.sealed.condemn_probability;
    assert!(realised.sealed_faults > 1_000);
    assert!(share > rule - 0.03 && share < rule + 0.05, "{share}");
}

/// What was left makes the machine come back: jobs in which only the damage was repaired against those in which both were.
#[test]
fn leaving_the_cause_brings_the_machine_back() {
    let mut next_job_is_recall: BTreeMap<(bool, bool), u64> = BTreeMap::new();
    for jobs in jobs_by_machine().values() {
        for (at, job) in jobs.iter().enumerate() {
            let consequential: Vec<_> = job.findings.iter().filter(|f| f.caused_by_step == Some(1)).collect();
            if job.outcome != Outcome::Repaired || consequential.is_empty() || job.parts.iter().any(|p| &*p.component == "drum_assembly") {
                continue;
            }
            let fitted = |component: &str| job.parts.iter().any(|p| &*p.component == component && !p.unavailable);
            let cause_left = !fitted(&job.components[0]);
            let both = !cause_left && consequential.iter().all(|f| fitted(&f.component));
            if cause_left || both {
                let returned = jobs.get(at + 1).is_some_and(|next| {
                    next.origin == Origin::Recall && next.components[0] == job.components[0] && years(job.closed_on, next.closed_on) < 1.0
                });
                *next_job_is_recall.entry((cause_left, returned)).or_default() += 1;
            }
        }
    }
    let share = |cause_left| {
        let count = |returned| next_job_is_recall.get(&(cause_left, returned)).copied().unwrap_or(0) as f64;
        (count(true) / (count(true) + count(false)), count(true) + count(false))
    };
    let ((left, left_jobs), (both, both_jobs)) = (share(true), share(false));
    assert!(left_jobs > 60.0 && both_jobs > 400.0, "{left_jobs} {both_jobs}");
    assert!(left > 0.3 && both < 0.1, "cause left {left:.2}, both replaced {both:.2}");
}

#[test]
fn a_worse_platform_has_the_hazard_it_is_given() {
    let scenario = Scenario::demo();
    let [shape, scale_years] = scenario.components.iter().find(|c| c.key == "drum_bearings").unwrap().hazard["washing_machine"];
    let cedar = scenario.weibull("drum_bearings", "Cedar").unwrap();
    assert!((cedar.cumulative_hazard(8.0) / (8.0 / scale_years).powf(shape) - 1.7).abs() < 1e-9);
    assert!(scenario.weibull("carbon_brushes", "Fir").is_none(), "brushless");
    assert!(scenario.weibull("heat_pump_unit", "Pine").is_none(), "vented");
}
