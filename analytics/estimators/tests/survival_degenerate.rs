//! Thousands of tiny, seeded, awkward data sets (ties, late entries, few or no events, extreme units of time): whatever is
//! given must be finite and consistent, and whatever cannot be given must say why. Nothing may panic.

use fixodds_estimators::aalen_johansen::aalen_johansen;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::lognormal::fit_lognormal;
use fixodds_estimators::mean_cumulative_function::{ObservedMachine, Repair, mean_cumulative_function};
use fixodds_estimators::observation::{CompetingLifetime, CompetingRiskTable, LifeTally, Lifetime, RiskTable};
use fixodds_estimators::weibull::{WeibullFit, fit_weibull};
use fixodds_estimators::{CONFIDENCE, Interval};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// (entry, exit, cause or 0 for censored) on a coarse grid of times, in one of several units.
fn data_sets() -> impl Iterator<Item = Vec<(f64, f64, u32)>> {
    (0..4000u64).map(|seed| {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let unit = [1.0, 1e-300, 1e-9, 365.25, 1e12, 1e300][seed as usize % 6];
        let events_in_ten = rng.random_range(0..=10);
        let oldest_entry = rng.random_range(0..8);
        (0..rng.random_range(1..9))
            .map(|_| {
                let entry = rng.random_range(0..=oldest_entry);
                let exit = entry + rng.random_range(1..9);
                let cause = if rng.random_range(0..10) < events_in_ten { rng.random_range(1..4) } else { 0 };
                (f64::from(entry) * unit, f64::from(exit) * unit, cause)
            })
            .collect()
    })
}

fn lifetimes(units: &[(f64, f64, u32)]) -> Vec<Lifetime> {
    units.iter().map(|&(entry, exit, cause)| Lifetime::new(entry, exit, cause > 0).unwrap()).collect()
}

fn assert_sound(interval: Interval) {
    let Interval { estimate, lower, upper, .. } = interval;
    assert!(lower.is_finite() && upper.is_finite() && lower <= estimate && estimate <= upper, "{interval:?}");
}

#[test]
fn survival_curves_fall_and_causes_fill_the_gap() {
    let mut curves = 0;
    for units in data_sets() {
        let competing: Vec<_> =
            units.iter().map(|&(entry, exit, cause)| CompetingLifetime::new(entry, exit, (cause > 0).then_some(cause)).unwrap()).collect();
        let table = CompetingRiskTable::from_lifetimes(&competing).unwrap();
        assert_eq!(table.any_cause(), RiskTable::from_lifetimes(&lifetimes(&units)).unwrap());
        let (Ok(curve), Ok(causes)) = (kaplan_meier(&table.any_cause(), CONFIDENCE), aalen_johansen(&table, CONFIDENCE)) else {
            assert!(table.rows().is_empty());
            continue;
        };
        curves += 1;
        assert!(curve.steps.is_sorted_by(|a, b| a.survival >= b.survival && a.cumulative_hazard < b.cumulative_hazard));
        for step in &curve.steps {
            step.survival_interval.into_iter().for_each(assert_sound);
            assert_sound(step.cumulative_hazard_interval);
            let failed: f64 = causes.iter().filter_map(|c| c.steps.iter().rfind(|s| s.time <= step.time)).map(|s| s.incidence).sum();
            assert!((failed + step.survival - 1.0).abs() < 1e-12);
        }
        for step in causes.iter().flat_map(|c| &c.steps) {
            assert!(step.variance.is_finite() && step.variance >= -1e-15);
            step.interval.into_iter().for_each(assert_sound);
        }
        for quantile in [0.1, 0.5, 0.9].into_iter().filter_map(|p| curve.quantile(p).ok()) {
            assert!(quantile.lower <= quantile.estimate && quantile.upper.is_none_or(|upper| upper >= quantile.estimate));
        }
    }
    assert!(curves > 2500);
}

#[test]
fn weibull_fits_are_finite_or_refused() {
    let mut fits = 0;
    for units in data_sets() {
        let tally = LifeTally::from_lifetimes(&lifetimes(&units)).unwrap();
        let Ok(fit) = fit_weibull(&tally, CONFIDENCE) else { continue };
        fits += 1;
        let numbers =
            [fit.shape, fit.scale, fit.log_likelihood, fit.aic, fit.aic_exponential, fit_lognormal(&tally).map_or(0.0, |fit| fit.aic())];
        assert!(numbers.iter().chain(fit.covariance.iter().flatten()).all(|x| x.is_finite()), "{fit:?}");
        let ask = [WeibullFit::shape_interval, WeibullFit::scale_interval, WeibullFit::b10, WeibullFit::mean_life];
        ask.iter().filter_map(|interval| interval(&fit).ok()).for_each(assert_sound);
        fit.survival(fit.scale).into_iter().for_each(assert_sound);
    }
    assert!(fits > 1000, "{fits}");
}

#[test]
fn mean_cumulative_functions_rise() {
    let mut curves = 0;
    for units in data_sets() {
        let machines: Vec<_> = units.iter().map(|&(entry, exit, _)| ObservedMachine { entry, exit }).collect();
        let repairs: Vec<_> = units
            .iter()
            .enumerate()
            .flat_map(|(machine, &(entry, exit, count))| {
                (0..count).map(move |i| Repair { machine, age: exit - f64::from(i) * 0.4 * (exit - entry) })
            })
            .collect();
        let Ok(curve) = mean_cumulative_function(&machines, &repairs, CONFIDENCE) else {
            assert!(machines.len() < 2 || repairs.is_empty());
            continue;
        };
        curves += 1;
        assert_eq!(curve.steps.iter().map(|s| s.repairs).sum::<u64>(), repairs.len() as u64);
        assert!(curve.steps.is_sorted_by(|a, b| a.mean < b.mean) && curve.steps.iter().all(|s| s.variance.is_finite()));
        curve.steps.iter().filter_map(|s| s.interval).for_each(assert_sound);
    }
    assert!(curves > 2000);
}
