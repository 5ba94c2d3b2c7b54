//! The technician's question: truths of the trade on the demo, skill against base frequencies and a regression, and bad input.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::{demo, fixodds, rows, succeed};

fn demo_store() -> PathBuf {
    demo().join("store")
}

/// The answer as JSON.
fn ask(store: &Path, question: &[&str]) -> Value {
    let start = ["odds", "--json", "--store", store.to_str().unwrap()];
    serde_json::from_str(&succeed(start.iter().chain(question).copied())).unwrap()
}

fn likeliest(answer: &Value, count: usize) -> Vec<String> {
    let odds = answer["odds"].as_array().unwrap();
    odds.iter().take(count).map(|odds| odds["component"].as_str().unwrap().to_owned()).collect()
}

fn refused(question: &[&str]) -> String {
    let store = demo_store();
    let output = fixodds(["odds", "--store", store.to_str().unwrap()].iter().chain(question).copied());
    assert_eq!(output.status.code(), Some(1), "{question:?}");
    String::from_utf8(output.stderr).unwrap()
}

fn notices(answer: &Value) -> String {
    answer["notices"].as_array().unwrap().iter().filter_map(Value::as_str).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_brushed_drum_that_does_not_turn_points_at_brushes_motor_and_motor_board() {
    // Common practice, no source.
    let models = rows(&demo_store(), "SELECT model_key FROM models WHERE category = 'washing_machine' AND motor_type = 'brushed'");
    assert!(models.len() > 10);
    for model in models {
        let question = ["--model", model["model_key"].as_str().unwrap(), "--symptom", "drum does not turn"];
        let mut first = likeliest(&ask(&demo_store(), &question), 3);
        first.sort();
        assert_eq!(first, ["carbon_brushes", "motor", "motor_control_board"], "{model}");
    }
}

#[test]
fn an_old_machine_that_rumbles_on_spin_needs_its_bearings_looked_at() {
    // Common practice, no source.
    let answer = ask(&demo_store(), &["--category", "washing machine", "--age", "12", "--symptom", "rumbling on spin"]);
    assert_eq!(likeliest(&answer, 1), ["drum_bearings"]);
    assert_eq!(answer["checks"][0]["component"], "drum_bearings");
}

#[test]
fn an_answer_is_whole() {
    let answer = ask(&demo_store(), &["--model", "orb w391", "--age", "8", "--symptom", "drum wont turn"]);
    assert_eq!(answer["asked"]["model"], "Orrowby ORBW391");
    assert_eq!(answer["asked"]["symptoms"][0], "drum_does_not_turn");
    let basis = &answer["basis"];
    let jobs = ["model_jobs", "platform_jobs", "category_jobs"].map(|level| basis[level].as_u64().unwrap());
    assert!(0 < jobs[0] && jobs[0] < jobs[1] && jobs[1] < jobs[2], "{basis}");
    let mut total = 0.0;
    for odds in answer["odds"].as_array().unwrap() {
        let [p, lower, upper] = ["estimate", "lower", "upper"].map(|name| odds["probability"][name].as_f64().unwrap());
        assert!(0.0 <= lower && lower <= p && p <= upper && upper <= 1.0, "{odds}");
        total += p;
    }
    assert!((total - 1.0).abs() < 1e-9);
    let checks = answer["checks"].as_array().unwrap();
    let found = |step: usize| checks[step]["probability_found"].as_f64().unwrap();
    let to_90 = answer["checks_to_90_percent"].as_u64().unwrap() as usize;
    assert!(found(to_90 - 1) >= 0.9 && (to_90 < 2 || found(to_90 - 2) < 0.9));
    let damaged = answer["consequences"].as_array().unwrap();
    assert!(damaged.iter().any(|found| found["component"] == "motor" && found["damaged"] == "motor_control_board"));
    let text = succeed(["odds", "--store", demo_store().to_str().unwrap(), "--model", "orb w391", "--symptom", "drum wont turn"]);
    let at = |words: &str| text.find(words).unwrap_or_else(|| panic!("no {words} in {text}"));
    assert!(at("Isolate and prove dead") < at("Stored charge") && at("Stored charge") < at("Likely faults"), "cautions come first");
    assert!(at("Likely faults") < at("Checks in the order") && !text.contains("NaN") && !text.contains("inf "));
}

#[test]
fn it_beats_base_frequencies_by_far_and_is_level_with_a_regression() {
    let reference: Value = serde_json::from_str(include_str!("reference/fault_odds.json")).unwrap();
    let seed_7 = Path::new(env!("CARGO_TARGET_TMPDIR")).join("odds-seed-7");
    let _ = fs::remove_dir_all(&seed_7);
    let (records, other_store) = (seed_7.join("records"), seed_7.join("store"));
    succeed(["simulate", "--clean", "--seed", "7", "--out", records.to_str().unwrap()]);
    succeed(["ingest", records.to_str().unwrap(), "--store", other_store.to_str().unwrap()]);
    succeed(["analyse", "--store", other_store.to_str().unwrap()]);
    for (name, store) in [("demo", demo_store()), ("seed7", other_store)] {
        let skill = |predictor: &str, statistic: &str| -> (f64, f64) {
            let select = format!(
                "SELECT estimate, jobs FROM fault_odds_skill WHERE scope = 'all' AND symptoms_origin IS NULL AND predictor = '{predictor}' AND statistic = '{statistic}'"
            );
            let row = &rows(&store, &select)[0];
            (row["estimate"].as_f64().unwrap(), row["jobs"].as_f64().unwrap())
        };
        let number = |path: &[&str]| path.iter().fold(&reference[name], |value, key| &value[*key]).as_f64().unwrap();
        let (loss, jobs) = skill("fault_odds", "log_loss");
        assert!((jobs - number(&["test_jobs"])).abs() < 10.0, "{name}: the reference tests other jobs");
        let (base, _) = skill("base_frequencies", "log_loss");
        assert!((base - number(&["base_frequencies", "log_loss"])).abs() < 0.01, "{name}: base frequencies {base}");
        assert!(loss < base - 1.0, "{name}: {loss} against base frequencies {base}");
        assert!(loss <= number(&["logistic_regression", "log_loss"]), "{name}: {loss} against the regression");
        let (top_3, _) = skill("fault_odds", "top_3");
        assert!(top_3 > 2.0 * skill("base_frequencies", "top_3").0, "{name}: {top_3}");
        assert!(top_3 > number(&["logistic_regression", "top_3"]) - 0.01, "{name}: {top_3}");
        let (error, _) = skill("fault_odds", "expected_calibration_error");
        assert!(error < 0.03, "{name}: expected calibration error {error}");
    }
    let said = succeed(["odds", "--skill", "--store", demo_store().to_str().unwrap()]);
    assert!(said.contains("Symptoms as recorded tell faults apart") && said.contains("expected calibration error"), "{said}");
}

#[test]
fn nothing_known_but_the_category_gives_its_shares() {
    let answer = ask(&demo_store(), &["--category", "dishwasher"]);
    let shares = rows(
        &demo_store(),
        "SELECT component, estimate FROM fault_odds WHERE scope = 'dishwasher' AND quantity = 'share' AND age_from_years IS NULL",
    );
    assert!(!shares.is_empty());
    for share in shares {
        let odds = answer["odds"].as_array().unwrap().iter().find(|odds| odds["component"] == share["component"]).unwrap();
        assert!((odds["probability"]["estimate"].as_f64().unwrap() - share["estimate"].as_f64().unwrap()).abs() < 1e-9, "{share}");
    }
}

#[test]
fn what_is_not_understood_is_said_and_the_rest_is_answered() {
    let store = demo_store();
    let answer = ask(&store, &["--category", "hob", "--model", "XQZ999", "--brand", "Nobody", "--age", "99", "--symptom", "fnord"]);
    let said = notices(&answer);
    for words in ["XQZ999", "99 years old", "fnord"] {
        assert!(said.contains(words), "{words} in {said}");
    }
    assert!(answer["asked"]["model"].is_null() && answer["asked"]["age_years"].is_null());
    let contradictory = ask(&store, &["--model", "ORB-W391", "--category", "dishwasher"]);
    assert_eq!(contradictory["asked"]["category"], "washing_machine");
    assert!(notices(&contradictory).contains("as no dishwasher"), "{contradictory}");
    let half = ask(&store, &["--model", "ORB-W3", "--category", "washing machine"]);
    assert!(notices(&half).contains("models fit") || half["asked"]["model"].is_string(), "{half}");
    let misspelt = ask(&store, &["--category", "washing machine", "--symptom", "drum does not trun"]);
    assert_eq!(misspelt["asked"]["symptoms"][0], "drum_does_not_turn");
}

/// A workshop whose customers say of a blocked pump what no vocabulary knows, with the code that its brand shows, and whose diagnoses name it.
fn told_store() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("odds-told");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let mut jobs = "job_id,closed_on,outcome,category,brand,component,symptoms,fault_text\n".to_owned();
    for job in 0..360 {
        let day = format!("{}-{:02}-{:02}", 2022 + job % 3, 1 + job % 12, 1 + job % 28);
        // Brands that are not the ones of anybody.
        let (brand, other) = if job % 4 < 2 { ("Ulvessa", "Tovelinn") } else { ("Tovelinn", "Ulvessa") };
        let code = |of: &str| if of == "Ulvessa" { "E18" } else { "E7" };
        let (component, said, text) = match job % 6 {
            0 => ("drain_pump", "gurgles like a walrus", "pump blocked and noisy"),
            1 => ("drain_pump", "", "Customer says: gurgles like a walrus, please ring. Found blocked, does not drain"),
            2 => ("drain_pump", &*format!("shows {}", code(brand)), ""),
            3 => ("motor", &*format!("shows {}", code(other)), ""),
            4 => ("motor", "please ring first", "burnt out, noisy"),
            _ => ("motor", "", "noisy"),
        };
        jobs.push_str(&format!("T{job},{day},repaired,washing machine,{brand},{component},\"{said}\",\"{text}\"\n"));
    }
    let file = folder.join("jobs.csv");
    fs::write(&file, jobs).unwrap();
    let store = folder.join("store");
    succeed(["ingest", file.to_str().unwrap(), "--store", store.to_str().unwrap()]);
    succeed(["analyse", "--store", store.to_str().unwrap()]);
    store
}

#[test]
fn words_that_no_vocabulary_knows_count_and_what_was_found_afterwards_does_not() {
    let store = told_store();
    let kept =
        rows(&store, "SELECT symptoms, symptoms_origin, complaint_words FROM jobs WHERE job_id IN ('T0', 'T1', 'T5') ORDER BY job_id");
    assert_eq!(kept[0]["complaint_words"], "gurgles like walrus");
    assert_eq!(kept[0]["symptoms_origin"], "complaint");
    assert_eq!(kept[1]["complaint_words"], "gurgles like please ring walrus", "from a text that says itself what the customer says");
    assert!(kept[1]["symptoms"].is_null(), "that it does not drain was found, not reported: {}", kept[1]);
    assert!(kept[2]["symptoms"].is_null() && kept[2]["symptoms_origin"].is_null(), "the file has a column for symptoms: {}", kept[2]);
    let probability = |component: &str, question: &[&str]| {
        let answer = ask(&store, &[&["--category", "washing machine"], question].concat());
        let odds = answer["odds"].as_array().unwrap().iter().find(|odds| odds["component"] == component).unwrap().clone();
        (odds["probability"]["estimate"].as_f64().unwrap(), answer)
    };
    let (walrus, answer) = probability("drain_pump", &["--symptom", "a walrus in there"]);
    assert!(walrus > 0.8, "{walrus}");
    assert!(
        answer["mentions"].as_array().unwrap().iter().any(|found| found["said"] == "walrus" && found["odds_ratio"].as_f64() > Some(1.5))
    );
    let (misspelt, _) = probability("drain_pump", &["--symptom", "walruss"]);
    assert!(misspelt > 0.7, "{misspelt}");
    // One code means one part with one brand, the other part with the other, and nothing where the brand is not known.
    let (own, _) = probability("drain_pump", &["--brand", "Ulvessa", "--symptom", "shows E-18"]);
    let (foreign, _) = probability("drain_pump", &["--brand", "Tovelinn", "--symptom", "shows e 18"]);
    let (neither, _) = probability("drain_pump", &["--symptom", "shows E18"]);
    assert!(own > 0.8 && foreign < 0.2 && (0.3..0.7).contains(&neither), "{own}, {foreign}, {neither}");
    let (_, filler) = probability("motor", &["--symptom", "xylophone"]);
    assert_eq!(filler["unknown_words"], 1);
}

#[test]
fn many_questions_are_answered_as_one_by_one() {
    let store = demo_store();
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join("odds-questions.csv");
    fs::write(&file, "model,age,symptoms,category\norb w391,8,drum wont turn; noisy,\n,,,toaster\n,3,,dishwasher\n").unwrap();
    let said = succeed(["odds", "--json", "--store", store.to_str().unwrap(), "--questions", file.to_str().unwrap()]);
    let answers: Vec<Value> = said.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(answers.len(), 3);
    assert_eq!(answers[0], ask(&store, &["--model", "orb w391", "--age", "8", "--symptom", "drum wont turn; noisy"]));
    assert!(answers[1]["error"].as_str().unwrap().contains("toaster"));
    assert_eq!(answers[2], ask(&store, &["--category", "dishwasher", "--age", "3"]));
}

#[test]
fn what_cannot_be_answered_gets_a_clear_message() {
    assert!(refused(&["--category", "toaster"]).contains("On record here"));
    assert!(refused(&["--model", "XQZ999"]).contains("--category"));
    assert!(refused(&["--category", "hob", "--age", "-3"]).contains("years since"));
    assert!(refused(&["--category", "hob", "--age", "nan"]).contains("years since"));
    assert!(refused(&[]).contains("which machine?"));
}

#[test]
fn a_store_without_evidence_says_what_to_do() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("odds-without-evidence");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    let store = folder.join("store");
    let asked = |store: &Path| {
        let output = fixodds(["odds", "--store", store.to_str().unwrap(), "--category", "hob"]);
        assert_eq!(output.status.code(), Some(1));
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(asked(&store).contains("fixodds ingest"));
    let jobs = folder.join("jobs.csv");
    fs::write(&jobs, "job_id,closed_on,outcome,category,component\nA1,2024-03-04,repaired,washing machine,drain pump\n").unwrap();
    succeed(["ingest", jobs.to_str().unwrap(), "--store", store.to_str().unwrap()]);
    assert!(asked(&store).contains("fixodds analyse"));
    // One job: an answer, the other category refused, and no claim of skill.
    succeed(["analyse", "--store", store.to_str().unwrap()]);
    assert!(asked(&store).contains("on record: washing machine"));
    let answer = ask(&store, &["--category", "washing machine", "--symptom", "leaks"]);
    assert_eq!(likeliest(&answer, 1), ["drain_pump"]);
    assert!(succeed(["odds", "--skill", "--store", store.to_str().unwrap()]).contains("cannot be measured yet"));
}
