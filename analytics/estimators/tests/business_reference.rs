//! Estimators of the repair business against `tests/reference/business.json`, which names the source of each value.

use std::collections::BTreeMap;

use fixodds_estimators::CONFIDENCE;
use fixodds_estimators::budget_selection::{Part, best_within_budget, greedy_within_budget};
use fixodds_estimators::clustered_rate::Dispersion;
use fixodds_estimators::empirical_bayes::{GammaPoisson, RateGroup};
use fixodds_estimators::hierarchical_means::{GroupMean, at_variances};
use fixodds_estimators::negative_binomial::Forecast;
use fixodds_estimators::observation::{LifeTally, Lifetime};
use fixodds_estimators::trend::{AgeYear, Trend, YearOfMeans, mean_trend, rate_trend};
use fixodds_estimators::weibull::fit_weibull;
use serde_json::Value;

const REFERENCE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/business.json");

type Found = BTreeMap<&'static str, Vec<f64>>;

#[test]
fn every_reference_value_is_reproduced() {
    let reference: Value = serde_json::from_str(&std::fs::read_to_string(REFERENCE).unwrap()).unwrap();
    let checks = reference["checks"].as_array().unwrap();
    for check in checks {
        let name = check["name"].as_str().unwrap();
        let found = estimated(name, &check["input"]);
        // An optimiser that stops costs digits.
        let relative = if ["mean_residual_life", "seen_rates"].contains(&name) { 1e-5 } else { 1e-6 };
        for (quantity, expected) in check["expected"].as_object().unwrap() {
            let expected = numbers(expected);
            let found = &found[quantity.as_str()];
            assert_eq!(found.len(), expected.len(), "{name} {quantity}");
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() <= relative * expected.abs() + 1e-9, "{name} {quantity}: {found} is not {expected}");
            }
        }
    }
    assert!(checks.len() >= 26);
}

fn estimated(name: &str, input: &Value) -> Found {
    let number = |key: &str| input[key].as_f64().unwrap();
    let list = |key: &str| numbers(&input[key]);
    match name {
        "hierarchical_means" => {
            let means = list("mean").into_iter().zip(list("variance")).zip(list("family"));
            let groups: Vec<GroupMean> =
                means.map(|((mean, variance), family)| GroupMean { mean, variance, freedom: 30.0, family: family as usize }).collect();
            let at = at_variances(&groups, number("between_families"), number("between_groups"));
            let columns = |rows: &[(f64, f64, f64)]| (rows.iter().map(|r| r.0).collect(), rows.iter().map(|r| r.1).collect());
            let (families, families_variance) = columns(&at.families);
            let (groups, groups_variance) = columns(&at.groups);
            Found::from([
                ("overall", vec![at.overall.0]),
                ("overall_variance", vec![at.overall.1]),
                ("families", families),
                ("families_variance", families_variance),
                ("groups", groups),
                ("groups_variance", groups_variance),
                ("log_likelihood", vec![at.log_likelihood]),
            ])
        }
        "forecast" => {
            let forecast = Forecast::new(number("mean_per_year"), number("variance"), number("years")).unwrap();
            Found::from([
                ("mean", vec![forecast.mean()]),
                ("at_most", list("counts").into_iter().map(|count| forecast.at_most(count as u64)).collect()),
                ("order_up_to", [0.5, 0.9, 0.95, 0.99].map(|level| forecast.order_up_to(level).unwrap() as f64).to_vec()),
            ])
        }
        "seen_rates" => {
            let groups = list("events").into_iter().zip(list("exposure"));
            let groups: Vec<RateGroup> = groups.map(|(events, exposure)| RateGroup { events: events as u64, exposure }).collect();
            let fit = GammaPoisson::fit_seen(&groups).unwrap().fit;
            Found::from([("mean", vec![fit.mean]), ("dispersion", vec![fit.dispersion])])
        }
        "budget" => {
            let values = input["values"].as_array().unwrap().iter().map(numbers);
            let parts: Vec<Part> =
                list("prices").into_iter().zip(values).map(|(price, piece_values)| Part { price: price as u64, piece_values }).collect();
            let budget = number("budget") as u64;
            let best = best_within_budget(&parts, budget).unwrap();
            let greedy = greedy_within_budget(&parts, budget).unwrap();
            assert!(greedy.value <= best + 1e-9 && best <= greedy.bound + 1e-9 && greedy.value > 0.9 * best, "{greedy:?} {best}");
            Found::from([("best", vec![best])])
        }
        "rate_trend" => {
            let cells = list("age_band").into_iter().zip(list("year")).zip(list("events").into_iter().zip(list("exposure")));
            let cells: Vec<AgeYear> =
                cells.map(|((age_band, year), (events, exposure))| AgeYear { age_band: age_band as u64, year, events, exposure }).collect();
            let alike = Dispersion { factor: 1.0, degrees_of_freedom: f64::INFINITY };
            trend(rate_trend(&cells, &alike, CONFIDENCE).unwrap())
        }
        "mean_trend" => {
            let years = list("year").into_iter().zip(list("mean")).zip(list("standard_error"));
            let years: Vec<YearOfMeans> = years.map(|((year, mean), standard_error)| YearOfMeans { year, mean, standard_error }).collect();
            trend(mean_trend(&years, CONFIDENCE).unwrap())
        }
        "mean_residual_life" => {
            let failed = list("events").into_iter().map(|exit| Lifetime::new(0.0, exit, true).unwrap());
            let lifetimes: Vec<Lifetime> =
                failed.chain(list("censored").into_iter().map(|exit| Lifetime::new(0.0, exit, false).unwrap())).collect();
            let fit = fit_weibull(&LifeTally::from_lifetimes(&lifetimes).unwrap(), CONFIDENCE).unwrap();
            let life = fit.mean_residual_life(number("age")).unwrap();
            assert!(life.lower < life.estimate && life.estimate < life.upper);
            Found::from([("estimate", vec![life.estimate])])
        }
        other => panic!("no estimator for {other}"),
    }
}

fn trend(found: Trend) -> Found {
    let change = found.factor_per_year;
    Found::from([
        ("estimate", vec![change.estimate]),
        ("lower", vec![change.lower]),
        ("upper", vec![change.upper]),
        ("p_value", vec![found.p_value]),
    ])
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
}
