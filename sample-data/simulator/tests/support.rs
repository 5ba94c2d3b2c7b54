//! The demo scenario, simulated once for all tests.

use fixodds_simulator::{Records, Scenario, simulate};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::LazyLock;

pub static DEMO: LazyLock<Records> = LazyLock::new(|| simulate(&Scenario::demo()).unwrap());

/// Catalogue model name -> platform name.
pub fn platform_of_model(scenario: &Scenario) -> BTreeMap<&str, &str> {
    let models = scenario.platforms.iter().flat_map(|p| p.models.iter().map(|m| (m.model.as_str(), p.name.as_str())));
    models.collect()
}

/// Rows of a CSV file as maps from title to cell; short and long rows are kept.
pub fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_path(path).unwrap();
    let titles: Vec<String> = reader.headers().unwrap().iter().map(|t| t.trim_start_matches('\u{feff}').to_owned()).collect();
    let record_to_map = |record: csv::StringRecord| titles.iter().cloned().zip(record.iter().map(str::to_owned)).collect();
    reader.records().map(|record| record_to_map(record.unwrap())).collect()
}

/// Distance of a count from its expectation in standard deviations of a binomial.
pub fn binomial_z(successes: u64, trials: u64, probability: f64) -> f64 {
    let expected = trials as f64 * probability;
    (successes as f64 - expected) / (expected * (1.0 - probability)).sqrt()
}
