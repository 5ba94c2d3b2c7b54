//! The technician's question as one page: a file that works offline on a phone and works out in the browser the numbers of
//! `fixodds odds`, from the same counts.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_schemas::emergencies::{Emergencies, emergencies};
use fixodds_schemas::vocabulary::{Advice, Caution, Check, ClosingTest, FirstLook, List, Trait, Vocabulary};
use minijinja::{Environment, context};
use serde::Serialize;

const PAGE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
const ODDS_SCRIPT: &str = include_str!("odds.js");
const PAGE_SCRIPT: &str = include_str!("page.js");

/// Why the page cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum OddsPageError {
    #[error("the page of odds cannot be filled in: {0}")]
    Template(#[from] minijinja::Error),
    #[error("the counts for the page of odds cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

#[derive(Serialize)]
struct Data<'a> {
    odds: &'a FaultOdds,
    words: Words<'a>,
}

/// The words for all keys that the counts hold.
#[derive(Serialize)]
struct Words<'a> {
    categories: BTreeMap<&'a str, &'a str>,
    components: BTreeMap<&'a str, ComponentWords<'a>>,
    symptoms: BTreeMap<&'a str, &'a str>,
    reasons: BTreeMap<&'a str, &'a str>,
    origins: BTreeMap<&'a str, &'a str>,
    subunits: BTreeMap<&'a str, &'a str>,
    /// In the order of reading.
    cautions: Vec<&'a Caution>,
    category_cautions: BTreeMap<&'a str, &'a [String]>,
    symptom_cautions: BTreeMap<&'a str, &'a [String]>,
    traits: &'a [Trait],
    emergencies: BTreeMap<&'a str, &'a Advice>,
    /// Categories of the emergencies that do not occur in all.
    emergency_categories: BTreeMap<&'a str, &'a [String]>,
    emergency_rules: &'a Emergencies,
    first_looks: &'a [FirstLook],
    closing_tests: &'a [ClosingTest],
}

#[derive(Serialize)]
struct ComponentWords<'a> {
    name: &'a str,
    subunit: &'a str,
    check_minutes: f64,
    check: Option<Check>,
    cautions: &'a [String],
}

/// The page as HTML.
///
/// # Errors
/// If the template or the counts cannot be written.
pub fn render(odds: &FaultOdds, vocabulary: &Vocabulary) -> Result<String, OddsPageError> {
    // Inside a script element `<` could end it.
    let data = serde_json::to_string(&Data { odds, words: words(odds, vocabulary) })?.replace('<', "\\u003c");
    let mut templates = Environment::new();
    templates.add_template("page.html", PAGE)?;
    let page = templates.get_template("page.html")?;
    Ok(page.render(context! { style => STYLE, data, odds_script => ODDS_SCRIPT, page_script => PAGE_SCRIPT })?)
}

fn words<'a>(odds: &'a FaultOdds, vocabulary: &'a Vocabulary) -> Words<'a> {
    let names = |list: List, keys: &mut dyn Iterator<Item = &'a String>| -> BTreeMap<&'a str, &'a str> {
        keys.map(|key| (key.as_str(), vocabulary.name(list, key))).collect()
    };
    let component = |key: &'a String| {
        let known = vocabulary.component(key)?;
        let words = ComponentWords {
            name: &known.name,
            subunit: &known.subunit,
            check_minutes: known.check_minutes,
            check: known.check,
            cautions: &known.cautions,
        };
        Some((key.as_str(), words))
    };
    let mut cautions: Vec<&Caution> = vocabulary.cautions.iter().collect();
    cautions.sort_by_key(|caution| caution.order);
    let urgent = || vocabulary.symptoms.iter().filter_map(|symptom| Some((symptom, symptom.emergency.as_ref()?)));
    let on_record = odds.categories.iter().flat_map(|category| &category.symptoms);
    let reported: BTreeSet<&String> = on_record.chain(urgent().map(|(symptom, _)| &symptom.key)).collect();
    Words {
        categories: names(List::Category, &mut odds.categories.iter().map(|category| &category.key)),
        components: odds.categories.iter().flat_map(|category| &category.components).filter_map(component).collect(),
        symptoms: names(List::Symptom, &mut reported.into_iter()),
        reasons: names(List::Reason, &mut odds.categories.iter().flat_map(|category| &category.economics.reasons)),
        origins: names(
            List::PartSource,
            &mut odds.categories.iter().flat_map(|category| category.economics.prices.iter().flat_map(|of| of.keys())),
        ),
        subunits: vocabulary.subunits.iter().map(|subunit| (subunit.key.as_str(), subunit.name.as_str())).collect(),
        cautions,
        category_cautions: vocabulary.categories.iter().map(|category| (category.key.as_str(), category.cautions.as_slice())).collect(),
        symptom_cautions: vocabulary.symptoms.iter().map(|symptom| (symptom.key.as_str(), symptom.cautions.as_slice())).collect(),
        traits: &vocabulary.traits,
        emergencies: urgent().map(|(symptom, advice)| (symptom.key.as_str(), advice)).collect(),
        emergency_categories: urgent().map(|(symptom, _)| (symptom.key.as_str(), symptom.categories.as_slice())).collect(),
        emergency_rules: emergencies(),
        first_looks: &vocabulary.first_looks,
        closing_tests: &vocabulary.closing_tests,
    }
}
