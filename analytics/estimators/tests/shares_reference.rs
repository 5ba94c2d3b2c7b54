//! Estimators of shares, rates and contrasts against `tests/reference/shares_and_contrasts.json`, which names the source of each value.

use std::collections::BTreeMap;

use fixodds_estimators::binomial::{ClusterSums, binomial_test, clopper_pearson, clustered_wilson, wilson};
use fixodds_estimators::clustered_rate::{RateSums, clustered_rate};
use fixodds_estimators::clustered_ratio::{Cell, cluster_spread};
use fixodds_estimators::contingency::*;
use fixodds_estimators::empirical_bayes::{BetaBinomial, Fit, GammaPoisson, Posterior, RateGroup, ShareGroup};
use fixodds_estimators::funnel::{FunnelLimits, binomial_limits, poisson_limits};
use fixodds_estimators::mean::{MeanSums, mean_amount_from_sums, mean_from_sums};
use fixodds_estimators::multiplicity::{benjamini_hochberg, holm};
use fixodds_estimators::poisson::{garwood, poisson_test};
use fixodds_estimators::quantile::{quantile, quantile_interval};
use fixodds_estimators::standardisation::{FaultBand, WeightedStratum, direct, expected_events, indirect, proportionate_fault_ratio};
use fixodds_estimators::{CONFIDENCE, Interval};
use serde_json::Value;

const REFERENCE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/shares_and_contrasts.json");

/// Relative, where a check states no tolerance of its own (which is absolute: half of the last printed digit, where an optimiser stops, or Monte Carlo).
const RELATIVE_TOLERANCE: f64 = 1e-6;

#[test]
fn every_reference_value_is_reproduced() {
    let text = std::fs::read_to_string(REFERENCE).unwrap();
    let reference: Value = serde_json::from_str(&text).unwrap();
    let checks = reference["checks"].as_array().unwrap();
    let mut kinds = BTreeMap::new();
    let mut failures = Vec::new();
    for check in checks {
        let name = check["name"].as_str().unwrap();
        *kinds.entry(name).or_insert(0) += 1;
        let found = estimated(name, &check["input"]);
        for (quantity, expected) in check["expected"].as_object().unwrap() {
            let found = found.get(quantity.as_str()).unwrap_or_else(|| panic!("{name} gives no {quantity}"));
            let expected = numbers(expected);
            assert_eq!(found.len(), expected.len(), "{name} {quantity}");
            for (found, expected) in found.iter().zip(expected) {
                let tolerance = check["tolerance"].as_f64().unwrap_or(RELATIVE_TOLERANCE * expected.abs() + 1e-12);
                if (found - expected).abs() > tolerance || found.is_nan() {
                    failures.push(format!("{name} {quantity}: {found} is not {expected} ({})", check["source"]));
                }
            }
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
    assert!(kinds.len() >= 25 && checks.len() >= 90, "checks are missing: {kinds:?}");
}

type Found = BTreeMap<&'static str, Vec<f64>>;

fn estimated(name: &str, input: &Value) -> Found {
    let count = |key: &str| input[key].as_u64().unwrap();
    let number = |key: &str| input[key].as_f64().unwrap();
    let list = |key: &str| numbers(&input[key]);
    match name {
        "wilson" => interval(wilson(count("events"), count("trials"), CONFIDENCE).unwrap()),
        "clopper_pearson" => interval(clopper_pearson(count("events"), count("trials"), CONFIDENCE).unwrap()),
        "binomial_test" => p_value(binomial_test(count("events"), count("trials"), number("share")).unwrap()),
        "clustered_wilson" => {
            let clusters = input["clusters"].as_array().unwrap().iter().map(|c| (c[0].as_u64().unwrap(), c[1].as_u64().unwrap()));
            let share = clustered_wilson(&ClusterSums::from_clusters(clusters), CONFIDENCE).unwrap();
            let mut found = interval(share.interval);
            found.insert("design_effect", vec![share.design_effect]);
            found
        }
        "garwood" => interval(garwood(count("events"), number("exposure"), CONFIDENCE).unwrap()),
        "poisson_test" => p_value(poisson_test(count("events"), number("expected_events")).unwrap()),
        "quantile" => Found::from([("estimate", vec![quantile(&list("sorted"), number("probability")).unwrap()])]),
        "quantile_ranks" => {
            let ranks: Vec<f64> = (1..=count("size")).map(|rank| rank as f64).collect();
            interval(quantile_interval(&ranks, number("probability"), CONFIDENCE).unwrap())
        }
        "clustered_rate" => {
            let machines = list("events").into_iter().map(|events| events as u64).zip(list("exposure"));
            let sums = RateSums::from_machines(machines);
            let mut found = interval(clustered_rate(&sums, CONFIDENCE).unwrap());
            found.insert("dispersion", vec![sums.dispersion().unwrap().factor]);
            found
        }
        "clustered_mean" => {
            let mut sums = MeanSums { clusters: 0, rows: 0.0, value: 0.0, value_squared: 0.0, value_times_rows: 0.0, rows_squared: 0.0 };
            for machine in input["machines"].as_array().unwrap() {
                let values = numbers(machine);
                let (s, n) = (values.iter().sum::<f64>(), values.len() as f64);
                sums.clusters += 1;
                sums.rows += n;
                sums.value += s;
                sums.value_squared += s * s;
                sums.value_times_rows += s * n;
                sums.rows_squared += n * n;
            }
            let mut found = interval(mean_from_sums(&sums, CONFIDENCE).unwrap());
            found.insert("standard_error", vec![sums.mean().unwrap().standard_error]);
            let amount = mean_amount_from_sums(&sums, CONFIDENCE).unwrap();
            found.insert("amount_lower", vec![amount.lower]);
            found.insert("amount_upper", vec![amount.upper]);
            found
        }
        "clustered_ratio" => {
            let cells: Vec<Cell> = input["cells"]
                .as_array()
                .unwrap()
                .iter()
                .map(|cell| {
                    let cell = numbers(cell);
                    Cell { cluster: cell[0] as u64, stratum: cell[1] as u64, exposed: cell[2] == 1.0, events: cell[3], size: cell[4] }
                })
                .collect();
            let independent = mantel_haenszel_rate_ratio(&strata(input, rate_table), CONFIDENCE).unwrap();
            let spread = cluster_spread(&cells, &independent).unwrap();
            Found::from([("estimate", vec![independent.estimate]), ("factor", vec![spread.factor])])
        }
        "risk_ratio" => interval(risk_ratio(&risk_table(input), CONFIDENCE).unwrap().interval),
        "odds_ratio" => interval(odds_ratio(&risk_table(input), CONFIDENCE).unwrap().interval),
        "rate_ratio" => interval(rate_ratio(&rate_table(input), CONFIDENCE).unwrap().interval),
        "mantel_haenszel_risk_ratio" => interval(mantel_haenszel_risk_ratio(&strata(input, risk_table), CONFIDENCE).unwrap()),
        "mantel_haenszel_odds_ratio" => interval(mantel_haenszel_odds_ratio(&strata(input, risk_table), CONFIDENCE).unwrap()),
        "mantel_haenszel_rate_ratio" => interval(mantel_haenszel_rate_ratio(&strata(input, rate_table), CONFIDENCE).unwrap()),
        "breslow_day" => homogeneity(breslow_day(&strata(input, risk_table), input["tarone"].as_bool().unwrap()).unwrap()),
        "risk_ratio_homogeneity" => homogeneity(risk_ratio_homogeneity(&strata(input, risk_table)).unwrap()),
        "rate_ratio_homogeneity" => homogeneity(rate_ratio_homogeneity(&strata(input, rate_table)).unwrap()),
        "direct_standardisation" => {
            let strata = strata(input, |s| WeightedStratum {
                events: s["events"].as_u64().unwrap(),
                exposure: s["exposure"].as_f64().unwrap(),
                weight: s["weight"].as_f64().unwrap(),
            });
            interval(direct(&strata, CONFIDENCE).unwrap())
        }
        "indirect_standardisation" => {
            let strata = strata(input, |s| (s[0].as_f64().unwrap(), s[1].as_f64().unwrap()));
            interval(indirect(count("observed"), expected_events(strata).unwrap(), CONFIDENCE).unwrap().interval)
        }
        "proportionate_fault_ratio" => {
            let band = |b: &Value| FaultBand {
                observed: b["observed"].as_u64().unwrap(),
                faults: b["faults"].as_u64().unwrap(),
                standard_share: b["standard_share"].as_f64().unwrap(),
            };
            let bands: Vec<FaultBand> = input["bands"].as_array().unwrap().iter().map(band).collect();
            interval(proportionate_fault_ratio(&bands, CONFIDENCE).unwrap().interval)
        }
        "gamma_poisson" => fitted(GammaPoisson::fit(&rate_groups(input)).unwrap().fit),
        "beta_binomial" => fitted(BetaBinomial::fit(&share_groups(input)).unwrap().fit),
        "gamma_poisson_posterior" => {
            let groups = rate_groups(input);
            let model = GammaPoisson::fit(&groups).unwrap();
            posterior(model.posterior(groups[count("group") as usize], number("value"), CONFIDENCE).unwrap())
        }
        "beta_binomial_posterior" => {
            let groups = share_groups(input);
            let model = BetaBinomial::fit(&groups).unwrap();
            posterior(model.posterior(groups[count("group") as usize], number("value"), CONFIDENCE).unwrap())
        }
        "benjamini_hochberg" => Found::from([("adjusted", benjamini_hochberg(&list("p_values")).unwrap())]),
        "holm" => Found::from([("adjusted", holm(&list("p_values")).unwrap())]),
        "funnel_poisson" => funnel(poisson_limits(number("target"), number("exposure")).unwrap()),
        "funnel_binomial" => funnel(binomial_limits(number("target"), count("trials")).unwrap()),
        other => panic!("no estimator for the check {other}"),
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(values) => values.iter().map(|value| value.as_f64().unwrap()).collect(),
        single => vec![single.as_f64().unwrap()],
    }
}

fn interval(interval: Interval) -> Found {
    Found::from([("estimate", vec![interval.estimate]), ("lower", vec![interval.lower]), ("upper", vec![interval.upper])])
}

fn p_value(p: f64) -> Found {
    Found::from([("p_value", vec![p])])
}

fn homogeneity(test: Homogeneity) -> Found {
    Found::from([
        ("chi_square", vec![test.chi_square]),
        ("p_value", vec![test.p_value]),
        ("degrees_of_freedom", vec![test.degrees_of_freedom as f64]),
    ])
}

fn funnel(limits: FunnelLimits) -> Found {
    let FunnelLimits { lower_998, lower_95, upper_95, upper_998 } = limits;
    Found::from([
        ("lower_998", vec![lower_998]),
        ("lower_95", vec![lower_95]),
        ("upper_95", vec![upper_95]),
        ("upper_998", vec![upper_998]),
    ])
}

fn fitted(fit: Fit) -> Found {
    Found::from([("mean", vec![fit.mean]), ("dispersion", vec![fit.dispersion])])
}

fn posterior(posterior: Posterior) -> Found {
    let mut found = interval(posterior.interval);
    found.insert("probability_above", vec![posterior.probability_above]);
    found.insert("own_weight", vec![posterior.own_weight]);
    found
}

fn rate_groups(input: &Value) -> Vec<RateGroup> {
    let group = |(&events, exposure): (&f64, f64)| RateGroup { events: events as u64, exposure };
    numbers(&input["events"]).iter().zip(numbers(&input["exposure"])).map(group).collect()
}

fn share_groups(input: &Value) -> Vec<ShareGroup> {
    let group = |(&events, trials): (&f64, f64)| ShareGroup { events: events as u64, trials: trials as u64 };
    numbers(&input["events"]).iter().zip(numbers(&input["trials"])).map(group).collect()
}

fn strata<T>(input: &Value, table: impl Fn(&Value) -> T) -> Vec<T> {
    input["strata"].as_array().unwrap().iter().map(table).collect()
}

fn risk_table(cells: &Value) -> RiskTable {
    let count = |key: &str| cells[key].as_u64().unwrap();
    RiskTable {
        exposed_events: count("exposed_events"),
        exposed_total: count("exposed_total"),
        reference_events: count("reference_events"),
        reference_total: count("reference_total"),
    }
}

fn rate_table(cells: &Value) -> RateTable {
    RateTable {
        exposed_events: cells["exposed_events"].as_u64().unwrap(),
        exposed_machine_years: cells["exposed_machine_years"].as_f64().unwrap(),
        reference_events: cells["reference_events"].as_u64().unwrap(),
        reference_machine_years: cells["reference_machine_years"].as_f64().unwrap(),
    }
}
