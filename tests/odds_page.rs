//! The technician's page in a real browser: the same numbers as the command, quick, usable by keyboard, cautions on the printed card.

use std::path::PathBuf;

use fixodds_analytics::fault_odds::{Asked, FaultOdds};
use fixodds_schemas::StoreLayout;
use serde_json::{Value, json};

use crate::support::browser::Browser;
use crate::support::demo;

const QUESTIONS: u64 = 200;

fn page() -> PathBuf {
    demo().join("reports/technician-odds.html")
}

/// A sequence that looks random and is always the same (the minimal standard generator of Park & Miller 1988, from memory).
struct Draws(u64);

impl Draws {
    fn below(&mut self, end: usize) -> usize {
        self.0 = self.0 * 48_271 % 2_147_483_647;
        (self.0 % end as u64) as usize
    }
}

/// A question about any category, with or without brand, model, age, up to three symptoms and up to three words.
fn question(odds: &FaultOdds, draws: &mut Draws) -> Asked {
    let category = &odds.categories[draws.below(odds.categories.len())];
    let mut asked = Asked { category: category.key.clone(), ..Asked::default() };
    match draws.below(4) {
        0 => {}
        1 => asked.brand = category.brands.keys().nth(draws.below(category.brands.len())).cloned(),
        _ => {
            let (key, model) = category.models.iter().nth(draws.below(category.models.len())).unwrap();
            (asked.brand, asked.platform, asked.model) = (model.brand.clone(), model.platform.clone(), Some(key.clone()));
        }
    }
    if draws.below(4) > 0 {
        asked.age_years = Some(draws.below(200) as f64 / 10.0);
    }
    if draws.below(2) == 0 {
        asked.value_mended = Some(draws.below(400) as f64);
        asked.price_new = Some(draws.below(900) as f64).filter(|_| draws.below(2) == 0);
    }
    asked.symptoms = (0..draws.below(4)).map(|_| category.symptoms[draws.below(category.symptoms.len())].clone()).collect();
    asked.symptoms.sort();
    asked.symptoms.dedup();
    // Words that count, misspelt ones, codes that may be another brand's, and words that nobody says.
    for _ in 0..draws.below(4) {
        let word = match draws.below(4) {
            0 => "xylophone".to_owned(),
            _ if category.words.is_empty() => "e18".to_owned(),
            1 => category.words[draws.below(category.words.len())].chars().rev().collect::<String>().to_lowercase(),
            2 => category.words[draws.below(category.words.len())].replacen('e', "", 1),
            _ => category.words[draws.below(category.words.len())].clone(),
        };
        asked.words.push(word);
    }
    asked.words.sort();
    asked.words.dedup();
    asked
}

/// Both hold the same, numbers up to rounding; the page may leave out what it does not use.
fn assert_same(command: &Value, page: &Value, place: &str) {
    match (command, page) {
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            assert!((a - b).abs() <= 1e-9 * a.abs().max(1.0), "{place}: {a} by the command, {b} on the page");
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{place}");
            a.iter().zip(b).enumerate().for_each(|(position, (a, b))| assert_same(a, b, &format!("{place}[{position}]")));
        }
        (Value::Object(a), Value::Object(b)) => {
            for (key, a) in a.iter().filter(|(key, _)| *key != "confidence") {
                assert_same(a, b.get(key).unwrap_or(&Value::Null), &format!("{place}.{key}"));
            }
        }
        (a, b) => assert_eq!(a, b, "{place}"),
    }
}

#[test]
fn the_page_works_out_what_the_command_answers() {
    let Some(mut browser) = Browser::start() else {
        eprintln!("skipped: no Chromium on this machine");
        return;
    };
    let load = browser.open(&page(), 390, false);
    assert!(load.requests.is_empty(), "asks for {:?}", load.requests);
    assert!(load.complaints.is_empty(), "{:?}", load.complaints);
    let odds = FaultOdds::open(&StoreLayout::new(demo().join("store"))).unwrap();
    let mut draws = Draws(7);
    let questions: Vec<Asked> = (0..QUESTIONS).map(|_| question(&odds, &mut draws)).collect();
    let script = format!("{}.map(asked => answers.answer(asked))", json!(questions));
    let on_page = browser.evaluate(&script);
    let donors = on_page.as_array().unwrap().iter().filter(|answer| answer["economics"]["donor"]["worth"].is_object()).count();
    assert!(donors > 20, "{donors} answers tell what a donor machine yields");
    for (asked, on_page) in questions.into_iter().zip(on_page.as_array().unwrap()) {
        let place = json!(asked).to_string();
        let answer = serde_json::to_value(odds.answer(asked).unwrap()).unwrap();
        assert_same(&answer, on_page, &place);
    }
    let milliseconds = browser.evaluate(&format!(
        "(() => {{ const all = {}; const from = performance.now(); for (const asked of all) answers.answer(asked); return (performance.now() - from) / all.length; }})()",
        json!((0..QUESTIONS).map(|_| question(&odds, &mut draws)).collect::<Vec<_>>())
    ));
    println!("{milliseconds} ms a question");
}

/// The page reads emergencies as the program does, also in the phrases that nobody looked at.
#[test]
fn the_page_reads_emergencies_as_the_command_does() {
    let Some(mut browser) = Browser::start() else { return };
    browser.open(&page(), 390, false);
    let phrases =
        [include_str!("safety/phrases_open.tsv"), include_str!("safety/phrases_closed.tsv"), include_str!("safety/phrases_debatable.tsv")];
    let asked: Vec<[&str; 2]> = phrases
        .iter()
        .flat_map(|text| text.lines().skip(1))
        .filter_map(|line| line.split_once('\t'))
        .map(|(category, rest)| [rest.split('\t').next().unwrap_or_default(), category])
        .collect();
    assert!(asked.len() > 400);
    let on_page = browser.evaluate(&format!("{}.map(([text, category]) => answers.readEmergencies(text, category))", json!(asked)));
    let differing = asked
        .iter()
        .zip(on_page.as_array().unwrap())
        .filter(|(asked, on_page)| json!(fixodds_schemas::emergencies().read(asked[0], Some(asked[1]))) != **on_page);
    assert_eq!(differing.count(), 0, "phrases read differently");
}

#[test]
fn an_emergency_stops_the_page() {
    let Some(mut browser) = Browser::start() else { return };
    browser.open(&page(), 390, false);
    let shown = |browser: &mut Browser, id: &str| {
        browser.evaluate(&format!("document.getElementById('{id}').getClientRects().length > 0")).as_bool().unwrap()
    };
    // Before anything is known of the machine.
    browser.evaluate("(() => { const box = document.getElementById('words'); box.value = 'there is a smel of gas'; box.dispatchEvent(new Event('input')); })()");
    assert!(shown(&mut browser, "emergency") && !shown(&mut browser, "answer"));
    let text = browser.evaluate("document.getElementById('emergency').innerText");
    assert!(text.as_str().unwrap().contains("0800 111 999"), "{text}");
    browser.evaluate(
        "(() => { const box = document.getElementById('category'); box.value = 'hob'; box.dispatchEvent(new Event('change')); })()",
    );
    assert!(shown(&mut browser, "emergency") && !shown(&mut browser, "answer"), "the odds wait for somebody qualified");
    browser.evaluate("document.getElementById('qualified').click()");
    assert!(shown(&mut browser, "emergency") && shown(&mut browser, "answer") && shown(&mut browser, "only-qualified"));
    // Another emergency asks anew; a ticked one counts like a typed one.
    browser.evaluate("document.querySelector('input[value=electric_shock]').click()");
    assert!(!shown(&mut browser, "answer"));
    browser.print_media();
    assert!(shown(&mut browser, "emergency"), "the printed card shows it too");
}

#[test]
fn models_are_found_on_the_page_as_by_the_command() {
    let Some(mut browser) = Browser::start() else { return };
    browser.open(&page(), 390, false);
    let odds = FaultOdds::open(&StoreLayout::new(demo().join("store"))).unwrap();
    for text in ["orb w391", "ORBW391/UK", "W39", "orrowby", "XQZ999", "a", "", "Orrowby ORB-W391"] {
        use fixodds_analytics::fault_odds::ModelMatch;
        let mut found: Vec<&str> = match odds.find_model(text, None, None) {
            ModelMatch::One(found) => vec![found.key],
            ModelMatch::Several(found) => found.iter().map(|found| found.key).collect(),
            ModelMatch::Unknown(_) => Vec::new(),
        };
        found.sort_unstable();
        let mut on_page = browser.evaluate(&format!("answers.findModels({}).map(model => model.key)", json!(text)));
        on_page.as_array_mut().unwrap().sort_by(|a, b| a.as_str().cmp(&b.as_str()));
        assert_eq!(on_page, json!(found), "{text}");
    }
}

#[test]
fn a_technician_gets_from_a_model_number_to_a_card_by_keyboard() {
    let Some(mut browser) = Browser::start() else { return };
    for (width, dark) in [(360, false), (390, true), (1280, false)] {
        browser.open(&page(), width, dark);
        browser.evaluate(
            "(() => { const box = document.getElementById('model'); box.value = 'orb w391'; box.dispatchEvent(new Event('input'));
               box.dispatchEvent(new KeyboardEvent('keydown', { key: 'Enter' }));
               const age = document.getElementById('age'); age.value = '8'; age.dispatchEvent(new Event('input'));
               document.querySelector('input[value=drum_does_not_turn]').click(); })()",
        );
        let text = browser.evaluate("document.getElementById('answer').innerText");
        let text = text.as_str().unwrap();
        for words in
            ["Isolate and prove dead", "Orrowby ORBW391", "8 years old", "Carbon brushes", "jobs on this model", "minutes on average"]
        {
            assert!(text.contains(words), "{words} not in {text}");
        }
        for word in ["NaN", "Infinity", "undefined", "null"] {
            assert!(!text.contains(word), "{word} in {text}");
        }
        let page_width = browser.evaluate("document.documentElement.scrollWidth");
        assert!(page_width.as_f64().unwrap() <= f64::from(width), "{page_width} wide at {width}");
        let small = browser.evaluate(
            "[...document.querySelectorAll('button, select, #model, #age, #symptoms label')]
               .filter(one => one.offsetParent && one.getBoundingClientRect().height < 44).map(one => one.outerHTML)",
        );
        assert_eq!(small, json!([]), "too small for a thumb");
    }
    let unlabelled = browser.evaluate(
        "[...document.querySelectorAll('input, select, button')].filter(one => !one.labels?.length && !one.textContent.trim() && !one.ariaLabel).length",
    );
    assert_eq!(unlabelled, 0, "controls without a name");
    browser.print_media();
    let card = browser.evaluate(
        "['caution-heading', 'cautions', 'odds', 'checks'].filter(id => document.getElementById(id).getClientRects().length === 0).concat(
           document.querySelector('.ask').getClientRects().length ? ['ask'] : [])",
    );
    assert_eq!(card, json!([]), "the printed card shows cautions, odds and checks, and not what was asked with");
}

#[test]
fn the_page_is_small_enough_for_two_thousand_models() {
    let odds = FaultOdds::open(&StoreLayout::new(demo().join("store"))).unwrap();
    let small = std::fs::metadata(page()).unwrap().len();
    let models: usize = odds.categories.iter().map(|category| category.models.len()).sum();
    let mut large = odds.clone();
    for category in &mut large.categories {
        let known: Vec<_> = category.models.clone().into_iter().collect();
        for copy in 0..2_000usize.div_ceil(models) {
            category.models.extend(known.iter().map(|(key, model)| (format!("{key}{copy}"), model.clone())));
        }
    }
    let page = fixodds_reports::odds_page::render(&large, fixodds_schemas::vocabulary()).unwrap();
    println!(
        "{small} bytes for {models} models, {} for {}",
        page.len(),
        large.categories.iter().map(|category| category.models.len()).sum::<usize>()
    );
    assert!(page.len() < 3_000_000, "{} bytes", page.len());
}
