//! Coverage by simulation: over 2,000 seeded data sets with known truth, a 95 % interval must hold the truth in 93-97 % of them
//! (the simulation's own standard error is half a point). Where a method is known to cover more or less in a regime, a comment
//! says why and the band says how much. `cargo test --release --test coverage_survival -- --nocapture` prints what was measured.
//!
//! The regimes are those of repair records: few failures, most machines still working when last seen, and machines that come
//! under observation long after they were made, so that those which failed before are not in the data.

use std::ops::RangeInclusive;

use fixodds_estimators::aalen_johansen::aalen_johansen;
use fixodds_estimators::kaplan_meier::{SurvivalCurve, kaplan_meier};
use fixodds_estimators::mean_cumulative_function::{ObservedMachine, Repair, mean_cumulative_function};
use fixodds_estimators::observation::{CompetingLifetime, CompetingRiskTable, LifeTally, Lifetime, RiskTable};
use fixodds_estimators::weibull::{WeibullFit, fit_weibull};
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Exp, Gamma, Weibull};
use rand_pcg::Pcg64Mcg;

const DATA_SETS: u64 = 2000;
const NOMINAL: RangeInclusive<f64> = 0.93..=0.97;
/// With some five failures or fewer, intervals on the scale of log(-log S) or log H cover a little more than they promise.
const CONSERVATIVE: RangeInclusive<f64> = 0.93..=0.985;

/// The share of simulated data sets whose interval holds the truth, among those that give one; at least 97 % must.
fn check_coverage<Bounds>(what: &str, truth: f64, band: RangeInclusive<f64>, bounds: Bounds)
where
    Bounds: Fn(&mut Pcg64Mcg) -> Result<(f64, f64), CannotEstimate>,
{
    let (mut covered, mut given) = (0, 0);
    for seed in 0..DATA_SETS {
        if let Ok((lower, upper)) = bounds(&mut Pcg64Mcg::seed_from_u64(seed)) {
            given += 1;
            covered += u32::from(lower <= truth && truth <= upper);
        }
    }
    let coverage = f64::from(covered) / f64::from(given);
    println!("{what}: {:.1} % of {given} data sets", 100.0 * coverage);
    assert!(f64::from(given) >= 0.97 * DATA_SETS as f64, "{what}: only {given} of {DATA_SETS} data sets give an interval");
    assert!(band.contains(&coverage), "{what}: coverage {coverage} is not within {band:?}");
}

fn ends(interval: Interval) -> (f64, f64) {
    (interval.lower, interval.upper)
}

/// How machines come under observation: the oldest age at entry, and the longest time they are then followed.
#[derive(Clone, Copy)]
struct Regime {
    machines: usize,
    oldest_entry: f64,
    longest_follow_up: f64,
}

/// Half of the machines are followed from new; the others enter at an age up to the oldest, if they still work then.
/// Wear-out failures, shape 1.8 and scale 12 years.
fn machines(rng: &mut Pcg64Mcg, life: Weibull<f64>, regime: Regime) -> Vec<Lifetime> {
    let mut machines = Vec::with_capacity(regime.machines);
    while machines.len() < regime.machines {
        let entry = if machines.len() % 2 == 0 { 0.0 } else { rng.random_range(0.0..regime.oldest_entry) };
        let failure = life.sample(rng);
        let last_seen = entry + rng.random_range(0.2..regime.longest_follow_up);
        if entry < failure {
            machines.push(Lifetime::new(entry, failure.min(last_seen), failure <= last_seen).unwrap());
        }
    }
    machines
}

const SHAPE: f64 = 1.8;
const SCALE_YEARS: f64 = 12.0;

fn wear_out() -> Weibull<f64> {
    Weibull::new(SCALE_YEARS, SHAPE).unwrap()
}

fn cumulative_hazard(age: f64) -> f64 {
    (age / SCALE_YEARS).powf(SHAPE)
}

/// Some 15 failures among 60 machines, which a careful workshop's service plans give in a few years.
const WORKSHOP: Regime = Regime { machines: 60, oldest_entry: 6.0, longest_follow_up: 10.0 };

fn survival_curve(rng: &mut Pcg64Mcg, regime: Regime) -> Result<SurvivalCurve, CannotEstimate> {
    kaplan_meier(&RiskTable::from_lifetimes(&machines(rng, wear_out(), regime))?, CONFIDENCE)
}

#[test]
fn kaplan_meier_log_log() {
    for (machines, age, band) in [(120, 3.0, CONSERVATIVE), (60, 5.0, NOMINAL), (60, 8.0, NOMINAL)] {
        let what = format!("Kaplan-Meier, log-log, {machines} machines, survival to {age} years");
        check_coverage(&what, (-cumulative_hazard(age)).exp(), band, |rng| {
            survival_curve(rng, Regime { machines, ..WORKSHOP })?.at(age).map(ends)
        });
    }
}

#[test]
fn kaplan_meier_log_log_strong_truncation() {
    // All machines come in old; the curve is taken from the age from which there is a risk set to speak of.
    let truth = (cumulative_hazard(4.0) - cumulative_hazard(9.0)).exp();
    check_coverage("Kaplan-Meier, log-log, 60 machines entering at up to 8 years, 4 to 9 years", truth, NOMINAL, |rng| {
        let mut units = Vec::new();
        while units.len() < 60 {
            let entry = rng.random_range(1.0..8.0);
            let failure = wear_out().sample(rng);
            let last_seen = entry + rng.random_range(1.0..6.0);
            if entry < failure {
                units.push(Lifetime::new(entry, failure.min(last_seen), failure <= last_seen)?);
            }
        }
        kaplan_meier(&RiskTable::from_lifetimes(&units)?.conditional_on_surviving(4.0)?, CONFIDENCE)?.at(9.0).map(ends)
    });
}

#[test]
fn nelson_aalen_log() {
    for (machines, age, band) in [(120, 3.0, CONSERVATIVE), (60, 5.0, NOMINAL), (60, 8.0, NOMINAL)] {
        let what = format!("Nelson-Aalen, log, {machines} machines, cumulative hazard to {age} years");
        check_coverage(&what, cumulative_hazard(age), band, |rng| {
            let curve = survival_curve(rng, Regime { machines, ..WORKSHOP })?;
            let passed = curve.steps.iter().rfind(|s| s.time <= age).ok_or(CannotEstimate::NoEvents)?;
            if age > curve.observed_to { Err(CannotEstimate::NotReached) } else { Ok(ends(passed.cumulative_hazard_interval)) }
        });
    }
}

#[test]
fn kaplan_meier_quantiles() {
    // B5 of 60 machines stands on the one or two that fail before it.
    for (probability, band) in [(0.05f64, CONSERVATIVE), (0.1, NOMINAL), (0.25, NOMINAL)] {
        let truth = SCALE_YEARS * (-(1.0 - probability).ln()).powf(1.0 / SHAPE);
        let what = format!("Kaplan-Meier, time by which {probability} have failed, 60 machines");
        check_coverage(&what, truth, band, |rng| {
            let quantile = survival_curve(rng, WORKSHOP)?.quantile(probability)?;
            Ok((quantile.lower, quantile.upper.unwrap_or(f64::INFINITY)))
        });
    }
}

/// Two causes with constant hazards 0.05 and 0.02 a year beside one that wears out.
fn competing(rng: &mut Pcg64Mcg, count: usize) -> Result<CompetingRiskTable, CannotEstimate> {
    let hazards = [Exp::new(0.05).unwrap(), Exp::new(0.02).unwrap()];
    let mut units = Vec::new();
    while units.len() < count {
        let entry = if units.len() % 2 == 0 { 0.0 } else { rng.random_range(0.0..5.0) };
        let failures = [hazards[0].sample(rng), hazards[1].sample(rng), wear_out().sample(rng)];
        let (cause, failure) = failures.into_iter().zip(0u32..).map(|(t, k)| (k, t)).min_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
        let last_seen = entry + rng.random_range(0.5..9.0);
        if entry < failure {
            units.push(CompetingLifetime::new(entry, failure.min(last_seen), (failure <= last_seen).then_some(cause))?);
        }
    }
    CompetingRiskTable::from_lifetimes(&units)
}

/// Incidence by Simpson's rule of hazard times survival.
fn true_incidence(hazard: impl Fn(f64) -> f64, age: f64) -> f64 {
    let density = |t: f64| hazard(t) * (-0.07 * t - cumulative_hazard(t)).exp();
    let steps = 2000;
    let h = age / f64::from(steps);
    let weight = |i: i32| if i == 0 || i == steps { 1.0 } else { f64::from(2 + 2 * (i % 2)) };
    (0..=steps).map(|i| weight(i) * density(f64::from(i) * h)).sum::<f64>() * h / 3.0
}

#[test]
fn aalen_johansen_complementary_log_log() {
    let wearing = |t: f64| SHAPE / SCALE_YEARS * (t / SCALE_YEARS).powf(SHAPE - 1.0);
    let truths = [true_incidence(|_| 0.05, 5.0), true_incidence(|_| 0.02, 5.0), true_incidence(wearing, 5.0)];
    // The second cause has some five failures.
    for ((cause, truth), band) in (0u32..).zip(truths).zip([NOMINAL, CONSERVATIVE, NOMINAL]) {
        let what = format!("Aalen-Johansen, complementary log-log, 100 machines, cause {cause} to 5 years ({truth:.3})");
        check_coverage(&what, truth, band, |rng| {
            let curves = aalen_johansen(&competing(rng, 100)?, CONFIDENCE)?;
            curves.iter().find(|c| c.cause == cause).ok_or(CannotEstimate::NoEvents)?.at(5.0).map(ends)
        });
    }
}

fn weibull(rng: &mut Pcg64Mcg, shape: f64, regime: Regime) -> Result<WeibullFit, CannotEstimate> {
    let life = Weibull::new(SCALE_YEARS, shape).unwrap();
    fit_weibull(&LifeTally::from_lifetimes(&machines(rng, life, regime))?, CONFIDENCE)
}

fn check_weibull(regime_name: &str, shape: f64, regime: Regime) {
    type Ask = fn(&WeibullFit) -> Result<Interval, CannotEstimate>;
    let mean = SCALE_YEARS * statrs::function::gamma::gamma(1.0 + 1.0 / shape);
    let b10 = SCALE_YEARS * (-(0.9f64.ln())).powf(1.0 / shape);
    let survival = (-(5.0f64 / SCALE_YEARS).powf(shape)).exp();
    let quantities: [(&str, f64, Ask); 5] = [
        ("shape", shape, WeibullFit::shape_interval),
        ("scale", SCALE_YEARS, WeibullFit::scale_interval),
        ("B10", b10, WeibullFit::b10),
        ("mean life", mean, WeibullFit::mean_life),
        ("survival to 5 years", survival, |fit| fit.survival(5.0)),
    ];
    for (quantity, truth, ask) in quantities {
        let what = format!("Weibull, profile likelihood, {regime_name}, {quantity}");
        check_coverage(&what, truth, NOMINAL, |rng| ask(&weibull(rng, shape, regime)?).map(ends));
    }
}

#[test]
fn weibull_profile_likelihood_wear_out() {
    check_weibull("60 machines, shape 1.8", SHAPE, WORKSHOP);
}

#[test]
fn weibull_profile_likelihood_random_failure() {
    check_weibull("60 machines, shape 1", 1.0, WORKSHOP);
}

#[test]
fn weibull_profile_likelihood_strong_truncation() {
    // Some 6 and 13 failures.
    for machines in [50, 100] {
        let regime = Regime { machines, oldest_entry: 10.0, longest_follow_up: 5.0 };
        check_weibull(&format!("{machines} machines entering at up to 10 years"), SHAPE, regime);
    }
}

/// Repairs of machines that differ (gamma frailty with coefficient of variation 0.7) at 0.3 a year on average.
fn fleet(rng: &mut Pcg64Mcg, count: usize) -> (Vec<ObservedMachine>, Vec<Repair>) {
    let frailty = Gamma::new(2.0, 0.5).unwrap();
    let (mut machines, mut repairs) = (Vec::new(), Vec::new());
    for machine in 0..count {
        let entry = if machine % 2 == 0 { 0.0 } else { rng.random_range(0.0..5.0) };
        let exit = entry + rng.random_range(0.5..9.0);
        let between = Exp::new(0.3 * frailty.sample(rng)).unwrap();
        machines.push(ObservedMachine { entry, exit });
        let mut age = entry + between.sample(rng);
        while age <= exit {
            repairs.push(Repair { machine, age });
            age += between.sample(rng);
        }
    }
    (machines, repairs)
}

#[test]
fn mean_cumulative_function_robust() {
    // The robust variance is biased low when machines are few.
    for (count, age, band) in [(30, 3.0, 0.91..=0.97), (60, 3.0, NOMINAL), (100, 6.0, NOMINAL)] {
        let what = format!("Mean cumulative function, robust, log, {count} machines, to {age} years");
        check_coverage(&what, 0.3 * age, band, |rng| {
            let (machines, repairs) = fleet(rng, count);
            mean_cumulative_function(&machines, &repairs, CONFIDENCE)?.at(age).map(ends)
        });
    }
}
