//! Holds the survival estimators against the values that `tests/reference/survival.py` took from published sources and
//! general-purpose libraries. Each check in the JSON names its source.

use std::collections::BTreeMap;
use std::path::Path;

use fixodds_estimators::aalen_johansen::aalen_johansen;
use fixodds_estimators::kaplan_meier::kaplan_meier;
use fixodds_estimators::lognormal::fit_lognormal;
use fixodds_estimators::mean_cumulative_function::{ObservedMachine, Repair, mean_cumulative_function};
use fixodds_estimators::observation::{CompetingLifetime, CompetingRiskTable, LifeTally, Lifetime, RiskTable};
use fixodds_estimators::weibull::fit_weibull;
use fixodds_estimators::{CONFIDENCE, CannotEstimate, Interval};
use serde::Deserialize;
use serde_json::Value;

#[derive(Deserialize)]
struct Check {
    kind: String,
    name: String,
    source: String,
    tolerance: f64,
    data: BTreeMap<String, Vec<Value>>,
    expected: BTreeMap<String, Value>,
}

impl Check {
    fn column(&self, name: &str) -> Vec<f64> {
        numbers(&self.data[name])
    }

    /// Compares every expected value; the estimator is asked by name, and by row where there is a list.
    fn compare(&self, key: &str, estimated: &[Option<f64>]) {
        let expected = self.expected_list(key);
        assert_eq!(expected.len(), estimated.len(), "{}: {key}", self.name);
        for (row, (expected, estimated)) in expected.iter().zip(estimated).enumerate() {
            let agree = match (expected, estimated) {
                (Some(expected), Some(estimated)) => (expected - estimated).abs() <= self.tolerance * expected.abs(),
                (None, None) => true,
                _ => false,
            };
            assert!(agree, "{}: {key}, row {row}: {estimated:?} instead of {expected:?} ({})", self.name, self.source);
        }
    }

    fn expected_list(&self, key: &str) -> Vec<Option<f64>> {
        match &self.expected[key] {
            Value::Array(rows) => {
                rows.iter().flat_map(|row| row.as_array().cloned().unwrap_or(vec![row.clone()])).map(|v| v.as_f64()).collect()
            }
            single => vec![single.as_f64()],
        }
    }

    fn expected_numbers(&self, key: &str) -> Vec<f64> {
        self.expected_list(key).into_iter().map(|v| v.unwrap_or_else(|| panic!("{}: {key} must not be null", self.name))).collect()
    }

    fn keys(&self) -> impl Iterator<Item = &str> {
        self.expected.keys().map(String::as_str)
    }
}

fn numbers(values: &[Value]) -> Vec<f64> {
    values.iter().map(|v| v.as_f64().or(v.as_bool().map(f64::from)).expect("a number or a truth value")).collect()
}

/// All checks of one kind, of which there must be at least so many: a shrunken file must not pass.
fn checks(kind: &str, at_least: usize) -> Vec<Check> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/survival.json");
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let all: Vec<Check> = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let chosen: Vec<Check> = all.into_iter().filter(|check| check.kind == kind).collect();
    assert!(chosen.len() >= at_least, "only {} checks of kind {kind}", chosen.len());
    chosen
}

fn lifetimes(check: &Check) -> Vec<Lifetime> {
    let rows = check.column("entry").into_iter().zip(check.column("exit")).zip(check.column("event"));
    rows.map(|((entry, exit), event)| Lifetime::new(entry, exit, event == 1.0).unwrap()).collect()
}

#[test]
fn kaplan_meier_and_nelson_aalen() {
    for check in checks("kaplan_meier", 13) {
        let curve = kaplan_meier(&RiskTable::from_lifetimes(&lifetimes(&check)).unwrap(), CONFIDENCE).unwrap();
        let times = check.expected_numbers("time");
        let steps: Vec<_> = times.iter().map(|t| *curve.steps.iter().find(|s| s.time == *t).expect("an event time")).collect();
        for key in check.keys().filter(|key| *key != "time") {
            if key == "quantiles" {
                for row in check.expected[key].as_array().unwrap() {
                    let row: Vec<_> = row.as_array().unwrap().iter().map(Value::as_f64).collect();
                    match curve.quantile(row[0].unwrap()) {
                        Ok(found) => {
                            assert_eq!([Some(found.estimate), Some(found.lower), found.upper], row[1..], "{}: {key}", check.name)
                        }
                        Err(reason) => assert_eq!((reason, row[1]), (CannotEstimate::NotReached, None), "{}: {key}", check.name),
                    }
                }
                continue;
            }
            let estimated: Vec<_> = steps
                .iter()
                .map(|step| match key {
                    "survival" => Some(step.survival),
                    "lower" => step.survival_interval.map(|i| i.lower),
                    "upper" => step.survival_interval.map(|i| i.upper),
                    "standard_error" => step.survival_variance.map(f64::sqrt),
                    "at_risk" => Some(step.at_risk as f64),
                    "cumulative_hazard" => Some(step.cumulative_hazard),
                    "hazard_lower" => Some(step.cumulative_hazard_interval.lower),
                    "hazard_upper" => Some(step.cumulative_hazard_interval.upper),
                    other => panic!("unknown quantity {other}"),
                })
                .collect();
            check.compare(key, &estimated);
        }
    }
}

#[test]
fn aalen_johansen_by_cause() {
    for check in checks("aalen_johansen", 7) {
        let rows = check.column("entry").into_iter().zip(check.column("exit")).zip(check.column("cause"));
        let units: Vec<_> = rows
            .map(|((entry, exit), cause)| CompetingLifetime::new(entry, exit, (cause > 0.0).then_some(cause as u32)).unwrap())
            .collect();
        let cause = check.expected["cause"].as_u64().unwrap();
        let curves = aalen_johansen(&CompetingRiskTable::from_lifetimes(&units).unwrap(), CONFIDENCE).unwrap();
        let curve = curves.iter().find(|curve| u64::from(curve.cause) == cause).expect("the cause has events");
        let times = check.expected_numbers("time");
        let steps: Vec<_> = times.iter().map(|t| *curve.steps.iter().find(|s| s.time == *t).expect("an event time")).collect();
        for key in check.keys().filter(|key| !["time", "cause"].contains(key)) {
            let estimated: Vec<_> = steps
                .iter()
                .map(|step| match key {
                    "incidence" => Some(step.incidence),
                    "variance" => Some(step.variance),
                    "lower" => step.interval.map(|i| i.lower),
                    "upper" => step.interval.map(|i| i.upper),
                    other => panic!("unknown quantity {other}"),
                })
                .collect();
            check.compare(key, &estimated);
        }
    }
}

#[test]
fn weibull_lognormal_and_exponential() {
    for check in checks("weibull", 13) {
        let tally = LifeTally::from_lifetimes(&lifetimes(&check)).unwrap();
        let fit = fit_weibull(&tally, CONFIDENCE).unwrap();
        let bounds = |interval: Result<Interval, CannotEstimate>| {
            let Interval { estimate, lower, upper, .. } = interval.unwrap();
            vec![Some(estimate), Some(lower), Some(upper)]
        };
        for key in check.keys() {
            let estimated = match key {
                "shape" => vec![Some(fit.shape)],
                "scale" => vec![Some(fit.scale)],
                "log_likelihood" => vec![Some(fit.log_likelihood)],
                "mean" => vec![Some(fit.mean_life().unwrap().estimate)],
                "standard_deviation" => {
                    let gamma = |r: f64| statrs::function::gamma::gamma(1.0 + r / fit.shape);
                    vec![Some(fit.scale * (gamma(2.0) - gamma(1.0).powi(2)).sqrt())]
                }
                "covariance" => fit.covariance.iter().flatten().copied().map(Some).collect(),
                "aic" => vec![Some(fit.aic)],
                "aic_lognormal" => vec![fit_lognormal(&tally).ok().map(|fit| fit.aic())],
                "aic_exponential" => vec![Some(fit.aic_exponential)],
                "shape_interval" => bounds(fit.shape_interval()),
                "scale_interval" => bounds(fit.scale_interval()),
                "b10_interval" => bounds(fit.b10()),
                "mean_interval" => bounds(fit.mean_life()),
                other => panic!("unknown quantity {other}"),
            };
            check.compare(key, &estimated);
        }
    }
}

#[test]
fn mean_cumulative_function_and_robust_variance() {
    for check in checks("mean_cumulative_function", 6) {
        let windows = check.column("entry").into_iter().zip(check.column("exit"));
        let machines: Vec<_> = windows.map(|(entry, exit)| ObservedMachine { entry, exit }).collect();
        let repairs = check.column("repair_machine").into_iter().zip(check.column("repair_age"));
        let repairs: Vec<_> = repairs.map(|(machine, age)| Repair { machine: machine as usize, age }).collect();
        let curve = mean_cumulative_function(&machines, &repairs, CONFIDENCE).unwrap();
        let ages = check.expected_numbers("age");
        let steps: Vec<_> = ages.iter().map(|a| *curve.steps.iter().find(|s| s.age == *a).expect("an age with repairs")).collect();
        check.compare("mean", &steps.iter().map(|s| Some(s.mean)).collect::<Vec<_>>());
        if check.expected.contains_key("variance") {
            check.compare("variance", &steps.iter().map(|s| Some(s.variance)).collect::<Vec<_>>());
        }
    }
}
