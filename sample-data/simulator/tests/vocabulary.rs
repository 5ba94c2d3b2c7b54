//! The simulator writes only what the vocabulary knows, but for misspellings and rows that are broken on purpose.

use fixodds_schemas::{List, Match, emergencies, input_table, vocabulary};
use fixodds_simulator::{Mess, Scenario, simulate, write_csv};
use std::collections::{BTreeMap, BTreeSet};

type Wordings = BTreeMap<String, BTreeMap<String, Vec<String>>>;

fn wordings() -> Wordings {
    toml::from_str(include_str!("../../terms.toml")).unwrap()
}

fn list_called(name: &str) -> List {
    List::ALL.into_iter().find(|list| list.name() == name).unwrap_or_else(|| panic!("no list {name}"))
}

/// The vocabulary's key for one of the scenario's. A burning smell is an emergency now; its old key stays in the scenario, since another one
/// would stand elsewhere among the weights and change every draw of the sample data.
fn key_today(key: &str) -> &str {
    if key == "burning_smell" { "fire_or_smoke" } else { key }
}

/// What the program makes of a text: emergencies are read first.
fn read<'a>(list: List, text: &str, category: Option<&str>) -> Match<'a> {
    let urgent = if list == List::Symptom { emergencies().read(text, category) } else { Vec::new() };
    urgent.first().map_or_else(|| vocabulary().find(list, text, category), |key| Match::One(key))
}

/// In which categories a component or symptom is written.
fn categories_of(scenario: &Scenario, kind: &str, key: &str) -> Vec<String> {
    let mut categories = BTreeSet::new();
    for component in &scenario.components {
        for category in component.hazard.keys() {
            let symptoms = component.symptoms_in.get(category).unwrap_or(&component.symptoms);
            if (kind == "component" && component.key == key) || (kind == "symptom" && symptoms.contains_key(key)) {
                categories.insert(category.clone());
            }
        }
    }
    if key == scenario.sealed.assembly {
        categories.extend(["washing_machine", "washer_dryer"].map(str::to_owned));
    }
    categories.into_iter().collect()
}

#[test]
fn every_wording_means_its_key() {
    let scenario = Scenario::demo();
    let mut wrong = Vec::new();
    for (kind, words) in wordings() {
        let list = list_called(&kind);
        for (key, wordings) in words {
            let categories = match kind.as_str() {
                "component" | "symptom" => categories_of(&scenario, &kind, &key).into_iter().map(Some).collect(),
                _ => vec![None],
            };
            assert!(!categories.is_empty(), "{kind} {key} is never written");
            for wording in wordings {
                for category in &categories {
                    let found = read(list, &wording, category.as_deref());
                    // The roster distinguishes more finely than the vocabulary why a machine left.
                    let right = if kind == "left_reason" { found.key().is_some() } else { found == Match::One(key_today(&key)) };
                    if !right {
                        wrong.push(format!("{kind} {key} {category:?}: {wording:?} is {found:?}"));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_key_and_its_plain_words_are_known() {
    let scenario = Scenario::demo();
    let mut wrong = Vec::new();
    let mut check = |list: List, key: &str, category: Option<&str>| {
        for text in [key.to_owned(), key.replace('_', " ")] {
            let found = read(list, &text, category);
            if found != Match::One(key_today(key)) {
                wrong.push(format!("{list:?} {text:?} in {category:?} is {found:?}"));
            }
        }
    };
    for component in &scenario.components {
        for category in component.hazard.keys() {
            check(List::Component, &component.key, Some(category));
            let symptoms = component.symptoms_in.get(category).unwrap_or(&component.symptoms);
            symptoms.keys().for_each(|key| check(List::Symptom, key, Some(category)));
        }
        component.failure_modes.iter().for_each(|key| check(List::FailureMode, key, None));
    }
    let reasons = [&scenario.outcome.condemned_reasons, &scenario.outcome.declined_reasons, &scenario.outcome.repairable_reasons];
    reasons.into_iter().flat_map(|r| r.keys()).for_each(|key| check(List::Reason, key, None));
    assert!(wrong.is_empty(), "{wrong:#?}");
    for component in &scenario.components {
        let known = vocabulary().component(&component.key).unwrap();
        for category in component.hazard.keys() {
            assert!(known.categories.contains(category), "{} is no part of a {category}", component.key);
        }
        for mode in &component.failure_modes {
            assert!(known.failure_modes.contains(mode), "{} does not fail by {mode}", component.key);
        }
    }
}

#[test]
fn a_part_can_only_fail_where_the_vocabulary_says_it_is_fitted() {
    let scenario = Scenario::demo();
    let drum = vocabulary().component("drum_bearings").unwrap();
    assert_eq!(drum.assembly.as_deref(), Some(scenario.sealed.assembly.as_str()));
    for component in &scenario.components {
        let known = vocabulary().component(&component.key).unwrap();
        if component.hazard.contains_key("washing_machine") {
            let motor = known.model_trait.as_ref().filter(|needed| needed.column == "motor_type").map(|needed| needed.value.as_str());
            assert_eq!(motor, component.motor_type.as_deref(), "{}", component.key);
        }
        let inside = scenario.sealed.components.contains(&component.key);
        assert_eq!(known.sealed_inside.is_some(), inside, "{}", component.key);
    }
}

#[test]
fn both_kinds_of_column_titles_are_recognised() {
    let records = simulate(&Scenario::demo().with_jobs(50)).unwrap();
    for mess in [Mess::none(), Mess::workshop()] {
        let folder = tempfile::tempdir().unwrap();
        write_csv(&records, folder.path(), mess).unwrap();
        for name in ["jobs", "findings", "parts", "machines", "models"] {
            let table = input_table(name).unwrap();
            let mut reader = csv::Reader::from_path(folder.path().join(format!("{name}.csv"))).unwrap();
            let unknown: Vec<String> = (reader.headers().unwrap().iter())
                .map(|title| title.trim_start_matches('\u{feff}').to_owned())
                .filter(|title| table.field_for_header(title).is_none())
                .collect();
            let own: &[&str] = if mess.workshop_titles && name == "jobs" { &["Van", "Payment"] } else { &[] };
            assert_eq!(unknown, own, "{name}");
        }
    }
}
