//! Nobody gets hurt: the cautions of every machine in every answer, emergencies before everything, the closing test counted.
//!
//! `tests/safety/` holds what another hand wrote without sight of the vocabulary: phrases of customers (half of them looked at by
//! nobody), the cautions that each machine must carry, checks told dead from live, and notes of closing tests.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;
use std::process::Output;

use fixodds_analytics::fault_odds::{Asked, Category, FaultOdds};
use fixodds_estimators::fault_odds::complaint::Weights;
use fixodds_estimators::fault_odds::{CategoryCounts, Settings};
use fixodds_ingest::normalise::closing_test::{Verdict, parse_closing_test};
use fixodds_ingest::normalise::terms::TermReader;
use fixodds_schemas::vocabulary::{ModelTrait, Vocabulary, vocabulary};
use fixodds_schemas::{List, emergencies};
use serde::Deserialize;
use serde_json::Value;

use crate::support::{demo, fixodds, rows, succeed};

#[derive(Deserialize)]
struct Required {
    category: BTreeMap<String, Always>,
    #[serde(rename = "trait")]
    model_trait: BTreeMap<String, Always>,
    emergency: BTreeMap<String, Advised>,
}

#[derive(Deserialize)]
struct Always {
    always: Vec<String>,
    #[serde(default)]
    when_old_or_age_unknown: Vec<String>,
}

#[derive(Deserialize)]
struct Advised {
    must_say: Vec<Vec<String>>,
    #[serde(default)]
    must_say_carbon_monoxide: Vec<Vec<String>>,
    #[serde(default)]
    must_not_say: Vec<String>,
    #[serde(default)]
    better_say: Vec<Vec<String>>,
}

fn required() -> Required {
    toml::from_str(include_str!("safety/required_cautions.toml")).unwrap()
}

/// The lines of a table between tabs, by the names of its first line.
fn table(text: &str) -> Vec<BTreeMap<&str, &str>> {
    let mut lines = text.lines();
    let names: Vec<&str> = lines.next().unwrap().split('\t').collect();
    lines.map(|line| names.iter().copied().zip(line.split('\t')).collect()).collect()
}

/// Odds over every category with all its components and symptoms, one of the components the likeliest by far.
fn odds_over(category: &str, symptoms: &[String], likely: usize) -> FaultOdds {
    let components: Vec<String> = vocabulary().components_of(category).map(|component| component.key.clone()).collect();
    let ages = 14;
    let faults = |k: usize| (0..ages).map(|_| if k == likely { 1_000_000 } else { 0 }).collect();
    let counts = CategoryCounts { faults_by_age: (0..components.len()).map(faults).collect() };
    let complaint = Weights::none(components.len(), symptoms.len());
    let economics = fixodds_analytics::fault_odds::Economics {
        costs: vec![None; components.len()],
        write_offs: vec![vec![0; ages]; components.len()],
        write_off_reasons: vec![Vec::new(); components.len()],
        prices: vec![BTreeMap::new(); components.len()],
        ..Default::default()
    };
    let mention_jobs = vec![0; symptoms.len()];
    let symptoms = symptoms.to_vec();
    let category =
        Category { key: category.to_owned(), components, symptoms, complaint, mention_jobs, counts, economics, ..Category::default() };
    FaultOdds {
        as_of: "2024-06-30".to_owned(),
        age_band_edges: vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0],
        settings: Settings::default(),
        categories: vec![category],
        ..FaultOdds::default()
    }
}

fn symptoms_of(category: &str) -> Vec<String> {
    let occurs = |of: &[String]| of.is_empty() || of.iter().any(|key| key == category);
    vocabulary().symptoms.iter().filter(|symptom| occurs(&symptom.categories)).map(|symptom| symptom.key.clone()).collect()
}

/// Every category x symptom x component: what the other hand requires of the machine and its traits, and what the vocabulary says of what
/// is reported and of the part that is likely, stands in the answer; an emergency comes with its advice.
#[test]
fn every_answer_carries_the_cautions_of_its_machine() {
    let required = required();
    let words = vocabulary();
    let mut answers = 0;
    for category in &words.categories {
        let of_kind = &required.category[&category.key];
        let traits = words.traits.iter().filter(|known| known.categories.contains(&category.key));
        let of_traits = traits.flat_map(|known| required.model_trait[&known.key].always.iter());
        let always: BTreeSet<&String> = of_kind.always.iter().chain(of_traits).collect();
        let symptoms = symptoms_of(&category.key);
        for (likely, component) in words.components_of(&category.key).enumerate() {
            let odds = odds_over(&category.key, &symptoms, likely);
            for symptom in symptoms.iter().map(Some).chain([None]) {
                for age_years in [None, Some(3.0), Some(45.0)] {
                    let asked = Asked {
                        category: category.key.clone(),
                        symptoms: symptom.into_iter().cloned().collect(),
                        age_years,
                        ..Asked::default()
                    };
                    let place = format!("{} {symptom:?} {} {age_years:?}", category.key, component.key);
                    let answer = odds.answer(asked).unwrap_or_else(|error| panic!("{place}: {error}"));
                    let has = |key: &str| answer.cautions.iter().any(|caution| caution == key);
                    for key in always.iter().map(|key| key.as_str()).chain(component.cautions.iter().map(String::as_str)) {
                        let is_of_old_machines = words.caution(key).unwrap_or_else(|| panic!("no caution {key}")).made_before.is_some();
                        assert!(has(key) || is_of_old_machines, "{key} is missing in {place}: {:?}", answer.cautions);
                    }
                    for key in &of_kind.when_old_or_age_unknown {
                        assert_eq!(has(key), age_years != Some(3.0), "{key} in {place}");
                    }
                    let reported = symptom.and_then(|key| words.symptom(key));
                    assert!(reported.is_none_or(|symptom| symptom.cautions.iter().all(|key| has(key))), "{place}");
                    let is_emergency = reported.is_some_and(|symptom| symptom.emergency.is_some());
                    assert_eq!(answer.emergencies.is_empty(), !is_emergency, "{place}");
                    let lives: Vec<bool> = answer.checks.iter().map(|step| step.live).collect();
                    assert!(lives.is_sorted(), "a live check before a dead one: {place}");
                    assert!(!answer.first_looks.is_empty() && answer.closing_tests.len() >= 5, "{place}");
                    answers += 1;
                }
            }
        }
    }
    println!("{answers} answers");
    assert!(answers > 20_000, "{answers}");
}

/// Without one entry of the data the walk must fail: every caution that is required is carried by the data, and not by chance.
#[test]
fn taking_a_caution_out_of_the_data_is_noticed() {
    let required = required();
    for (category, of_kind) in &required.category {
        for key in of_kind.always.iter().chain(&of_kind.when_old_or_age_unknown) {
            let caution = vocabulary().caution(key).unwrap_or_else(|| panic!("no caution {key}"));
            let carried = caution.always || vocabulary().category(category).unwrap().cautions.contains(key);
            assert!(carried, "{category} does not carry {key} itself");
        }
    }
    for (key, of_trait) in &required.model_trait {
        let known = vocabulary().traits.iter().find(|known| known.key == *key).unwrap_or_else(|| panic!("no trait {key}"));
        assert!(of_trait.always.iter().all(|caution| known.cautions.contains(caution)), "{key}: {:?}", known.cautions);
    }
    // A category without cautions is refused, so none can be forgotten.
    let without = "[[category]]\nkey = \"toaster\"\nname = \"toaster\"\nplural = \"toasters\"";
    assert!(vocabulary().with_extension(without, "ours.toml").unwrap_err().message.contains("cautions"));
}

#[test]
fn a_trait_that_the_catalogue_rules_out_brings_no_caution() {
    let mut odds = odds_over("vacuum_cleaner", &[], 0);
    let asked = |model: Option<&str>| Asked { category: "vacuum_cleaner".to_owned(), model: model.map(str::to_owned), ..Asked::default() };
    odds.designs.insert("Orrowby V1".to_owned(), vec![ModelTrait { column: "motor_type".to_owned(), value: "brushed".to_owned() }]);
    // Nothing is checked that holds a charge of its own, so that only the trait brings the caution.
    let has = |model: Option<&str>| {
        let answer = odds.answer(asked(model)).unwrap();
        answer.cautions.iter().any(|key| key == "stored_charge")
    };
    assert!(has(None) && has(Some("Orrowby V2")));
    assert!(!has(Some("Orrowby V1")));
}

fn advice(key: &str) -> String {
    let advice = vocabulary().emergency(key).unwrap_or_else(|| panic!("no emergency {key}"));
    format!("{} {}", advice.now.join(" "), advice.until).to_lowercase()
}

/// What the other hand says an advice must tell.
#[test]
fn the_advice_says_what_it_must() {
    let mut missed = Vec::new();
    for (key, advised) in required().emergency {
        let text = advice(&key);
        let says = |group: &Vec<String>| group.iter().any(|words| text.contains(&words.to_lowercase()));
        for group in advised.must_say.iter().chain(&advised.must_say_carbon_monoxide) {
            assert!(says(group), "{key} says none of {group:?}: {text}");
        }
        assert!(advised.must_not_say.iter().all(|words| !text.contains(&words.to_lowercase())), "{key}: {text}");
        missed.extend(advised.better_say.iter().filter(|group| !says(group)).map(|group| format!("{key}: {group:?}")));
    }
    assert_eq!(missed, [""; 0], "would be better said");
}

/// Right readings and all phrases, by kind. For an emergency its own key must be among those read, for an ordinary phrase none.
fn score(text: &str) -> BTreeMap<String, (usize, usize)> {
    let reader = TermReader::new(vocabulary(), List::Symptom, &BTreeMap::new());
    let mut scores: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for line in table(text) {
        let kind = line.get("kind").or(line.get("leaning")).unwrap();
        let read = reader.several(line["phrase"], Some(line["category"]));
        let urgent: Vec<&str> =
            read.terms.iter().map(|term| term.key.as_str()).filter(|key| vocabulary().emergency(key).is_some()).collect();
        let is_right = if *kind == "ordinary" { urgent.is_empty() } else { urgent.contains(kind) };
        let score = scores.entry((*kind).to_owned()).or_default();
        score.0 += usize::from(is_right);
        score.1 += 1;
    }
    scores
}

#[test]
fn emergencies_are_read_before_everything_else() {
    for (kind, (right, all)) in score(include_str!("safety/phrases_open.tsv")) {
        assert_eq!(right, all, "{kind}, of the phrases that were looked at");
    }
    // Nobody has looked at these; only the totals are told.
    let closed = score(include_str!("safety/phrases_closed.tsv"));
    let debatable = score(include_str!("safety/phrases_debatable.tsv"));
    println!("phrases nobody looked at: {closed:?}\nphrases that may be either: {debatable:?}");
    let (ordinary, urgent): (Vec<_>, Vec<_>) = closed.into_iter().partition(|(kind, _)| kind == "ordinary");
    let share = |scores: &[(String, (usize, usize))]| {
        let (right, all) = scores.iter().fold((0, 0), |sum, (_, (right, all))| (sum.0 + right, sum.1 + all));
        right as f64 / all as f64
    };
    assert!(share(&urgent) > 0.85, "emergencies: {}", share(&urgent));
    assert!(share(&ordinary) > 0.95, "ordinary: {}", share(&ordinary));
}

fn verdict(found: Option<Verdict>) -> &'static str {
    match found {
        None => "",
        Some(Verdict::Passed) => "pass",
        Some(Verdict::Failed) => "fail",
        Some(Verdict::NotDone) => "not_done",
    }
}

/// Cells read right and all cells, of notes of closing tests.
fn closing_score(half: &str) -> (usize, usize, Vec<String>) {
    let (mut right, mut all, mut wrong) = (0, 0, Vec::new());
    for line in table(include_str!("safety/closing_tests.tsv")).into_iter().filter(|line| line["half"] == half) {
        let read = parse_closing_test(line["raw"]).unwrap_or_default();
        let number = |name: &str, found: Option<f64>| {
            let expected = line[name].trim_start_matches(['<', '>', '=', '~', ' ']).parse::<f64>().ok();
            expected.zip(found).map_or(expected.is_none() && found.is_none(), |(expected, found)| (expected - found).abs() < 1e-9)
        };
        let cells = [
            number("earth_ohm", read.earth_ohms),
            number("insulation_mohm", read.insulation_megohms),
            number("leakage_ma", read.leakage_milliamps),
            line["leakage_kind"] == read.leakage_kind.unwrap_or_default(),
            line["polarity"] == verdict(read.polarity),
            line["function"] == verdict(read.function),
            line["overall"] == verdict(read.overall),
        ];
        right += cells.iter().filter(|cell| **cell).count();
        all += cells.len();
        if cells.contains(&false) {
            wrong.push(line["raw"].to_owned());
        }
    }
    (right, all, wrong)
}

#[test]
fn notes_of_closing_tests_are_read() {
    let (right, all, wrong) = closing_score("open");
    assert_eq!(right, all, "{wrong:?}");
    let (right, all, _) = closing_score("closed");
    println!("closing tests nobody looked at: {right} of {all} cells");
    assert!(right as f64 > 0.8 * all as f64, "{right} of {all}");
}

/// Limits of the prompts and of the analysis are the same: results on either side of each, in every category.
#[test]
fn closing_tests_are_kept_held_against_the_limits_and_counted() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("closing-tests");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let mut lines = vec!["job_id,closed_on,category,component,outcome,closing_test".to_owned()];
    let mut expected: BTreeMap<(String, &str), (i64, i64)> = BTreeMap::new();
    let mut add = |category: &str, note: &str| lines.push(format!("J{},2024-03-04,{category},door seal,repaired,{note}", lines.len()));
    for category in &vocabulary().categories {
        let limit = |key: &str| vocabulary().closing_tests.iter().find(|test| test.key == key).unwrap().limits(Some(&category.key));
        for (key, word, unit) in [("earth", "EC", " ohm"), ("insulation", "IR", "M"), ("leakage", "lkg", " mA")] {
            let (least, most) = limit(key);
            for (bound, beyond) in [(least, -0.01), (most, 0.01)] {
                let Some(bound) = bound else { continue };
                for (reading, is_beyond) in [(bound, false), (bound + beyond, true)] {
                    add(&category.key, &format!("{word} {reading:.2}{unit}"));
                    let count = expected.entry((category.key.clone(), key)).or_default();
                    count.0 += 1;
                    count.1 += i64::from(is_beyond);
                }
            }
        }
        add(&category.key, "touch current 0.6 mA");
        let count = expected.entry((category.key.clone(), "leakage")).or_default();
        *count = (count.0 + 1, count.1 + 1);
        add(&category.key, "not tested");
        add(&category.key, "");
    }
    let jobs = folder.join("jobs.csv");
    fs::write(&jobs, lines.join("\n")).unwrap();
    let store = folder.join("store");
    succeed(["ingest", jobs.to_str().unwrap(), "--store", store.to_str().unwrap()]);
    succeed(["analyse", "--store", store.to_str().unwrap()]);
    let kept = rows(&store, "SELECT count(*) AS jobs FROM jobs WHERE closing_test = 'not tested' AND closing_overall = 'not_done'");
    assert_eq!(kept[0]["jobs"].as_i64(), Some(vocabulary().categories.len() as i64));
    let counted = |category: &str, measure: &str, finding: &str| -> (i64, i64) {
        let select = format!(
            "SELECT jobs, events FROM closing_test WHERE scope_level = 'category' AND scope = '{category}' AND measure = '{measure}' AND finding = '{finding}'"
        );
        let row = &rows(&store, &select)[0];
        (row["jobs"].as_i64().unwrap(), row["events"].as_i64().unwrap())
    };
    for ((category, measure), (recorded, beyond)) in &expected {
        assert_eq!(counted(category, measure, "recorded").1, *recorded, "{category} {measure}");
        assert_eq!(counted(category, measure, "beyond_limit"), (*recorded, *beyond), "{category} {measure}");
    }
    let tested: i64 = expected.iter().filter(|((category, _), _)| category == "oven").map(|(_, (recorded, _))| recorded).sum();
    assert_eq!(counted("oven", "any", "recorded"), (tested + 2, tested));
    let out = folder.join("reports");
    succeed(["report", "--store", store.to_str().unwrap(), "--for", "repairer", "--format", "md", "--out", out.to_str().unwrap()]);
    let report = fs::read_dir(&out).unwrap().map(|entry| fs::read_to_string(entry.unwrap().path()).unwrap()).collect::<String>();
    assert!(report.contains("The test after repair is on record for") && report.contains("Earth continuity"), "{report}");
}

/// How far the checks of the vocabulary are dead or live as another hand has them, part by part; differences are told, not judged.
#[test]
fn checks_are_dead_or_live_as_another_hand_has_them() {
    use fixodds_schemas::vocabulary::Check;
    let reader = TermReader::new(vocabulary(), List::Component, &BTreeMap::new());
    let mut found: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for line in table(include_str!("safety/dead_live.tsv")) {
        let Ok(Some(term)) = reader.one(line["part"], Some(line["category"])) else { continue };
        let check = vocabulary().component(&term.key).and_then(|component| component.check);
        let same = check == Some(if line["dead_or_live"] == "dead" { Check::Dead } else { Check::Live });
        let score = found.entry(line["half"]).or_default();
        score.0 += usize::from(same);
        score.1 += 1;
    }
    println!("checks alike: {found:?}");
    assert!(found.values().all(|(same, all)| *same as f64 > 0.6 * *all as f64), "{found:?}");
}

fn said(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[test]
fn an_emergency_stops_everything_on_the_command_line() {
    let store = demo().join("store");
    let store = store.to_str().unwrap();
    let text = succeed(["odds", "--store", store, "--category", "hob", "--symptom", "smell of gas and won't light"]);
    let at = |words: &str| text.find(words).unwrap_or_else(|| panic!("no {words} in {text}"));
    assert!(text.starts_with("STOP: SMELL OF GAS"), "{text}");
    assert!(at("0800 111 999") < at("ONLY FOR PEOPLE LICENSED FOR GAS") && at("ONLY FOR") < at("BEFORE YOU TEST"));
    assert!(at("Gas: licensed people only") < at("Likely faults") && at("Likely faults") < at("After any repair"));
    assert!(at("First, for nothing") < at("Dead: isolated and proved"));
    let json: Value =
        serde_json::from_str(&succeed(["odds", "--json", "--store", store, "--category", "hob", "--symptom", "smel of gass"])).unwrap();
    assert_eq!(json["emergencies"], serde_json::json!(["gas_smell"]));
    assert_eq!(json["what_to_do"][0]["now"].as_array().unwrap().len(), 5);
    assert!(json["cautions"].as_array().unwrap().iter().any(|key| key == "gas_licensed"));
    // A machine that nobody understands, or a store that is not there, does not keep the advice back.
    for place in [store, "no-such-store"] {
        let output = fixodds(["odds", "--store", place, "--model", "XQZ999", "--symptom", "got a shock off the door"]);
        assert_eq!(output.status.code(), Some(1));
        assert!(said(&output).starts_with("STOP: ELECTRIC SHOCK"), "{}", said(&output));
        let output = fixodds(["odds", "--json", "--store", place, "--model", "XQZ999", "--symptom", "got a shock off the door"]);
        let json: Value = serde_json::from_str(&said(&output)).unwrap();
        assert_eq!(json["emergencies"], serde_json::json!(["electric_shock"]));
    }
}

/// The dead microwave oven of the issue.
#[test]
fn a_dead_microwave_oven_comes_with_its_high_voltage() {
    let store = demo().join("store");
    let text = succeed(["odds", "--store", store.to_str().unwrap(), "--category", "microwave oven", "--symptom", "dead"]);
    for words in ["Microwave high voltage can kill", "Microwave leakage", "Isolate and prove dead", "prove the tester again"] {
        assert!(text.find(words).is_some_and(|at| at < text.find("Likely faults").unwrap()), "{words} not first in {text}");
    }
}

#[test]
fn the_page_carries_the_same_data() {
    let vocabulary: &Vocabulary = vocabulary();
    let odds = odds_over("microwave_oven", &[], 0);
    let page = fixodds_reports::odds_page::render(&odds, vocabulary).unwrap();
    let begin = page.find("id=\"data\">").unwrap() + "id=\"data\">".len();
    let data: Value = serde_json::from_str(page[begin..].split("</script>").next().unwrap()).unwrap();
    let words = &data["words"];
    for category in &vocabulary.categories {
        assert_eq!(words["category_cautions"][&category.key], serde_json::json!(category.cautions));
    }
    for symptom in &vocabulary.symptoms {
        assert_eq!(words["symptom_cautions"][&symptom.key], serde_json::json!(symptom.cautions));
        assert_eq!(words["emergencies"].get(&symptom.key).is_some(), symptom.emergency.is_some());
    }
    assert_eq!(words["traits"].as_array().unwrap().len(), vocabulary.traits.len());
    assert_eq!(words["emergency_rules"]["emergency"].as_array().unwrap().len(), emergencies().emergency.len());
}
