//! From what was typed to keys that the records know. What cannot be understood is said, and what is left is answered.

use anyhow::bail;
use fixodds_analytics::fault_odds::{Asked, Category, FaultOdds, Found, ModelMatch, nearest};
use fixodds_ingest::normalise::complaint::read_complaint;
use fixodds_ingest::normalise::terms::{How, TermReader};
use fixodds_ingest::privacy::mask;
use fixodds_schemas::words::words;
use fixodds_schemas::{List, vocabulary};

use crate::arguments::Machine;

/// Beyond this a machine's age is taken for a slip of the finger.
const HIGHEST_AGE_YEARS: f64 = 40.0;
const MOST_NAMED: usize = 8;

/// What is asked, and what the asker should know about how it was understood.
pub struct Question {
    pub asked: Asked,
    pub notices: Vec<String>,
}

pub fn understand(odds: &FaultOdds, machine: &Machine) -> anyhow::Result<Question> {
    let mut notices = Vec::new();
    let stated = machine.category.as_deref().map(|text| category_key(odds, text)).transpose()?;
    let mut asked = match machine.model.as_deref() {
        Some(text) => by_model(odds, text, stated.as_deref(), machine.brand.as_deref(), &mut notices)?,
        None => Asked::default(),
    };
    if asked.category.is_empty() {
        asked.category = match stated {
            Some(key) => key,
            None => bail!("which machine? Name its model with --model, or its category with --category ({})", names(odds)),
        };
    }
    let Some(category) = odds.category(&asked.category) else {
        bail!(
            "no job with a known fault on a {} is on record here, so there are no odds; on record: {}",
            category_name(&asked.category),
            names(odds)
        );
    };
    if let Some(text) = machine.brand.as_deref() {
        add_brand(odds, text, category, &mut asked, &mut notices);
    }
    asked.age_years = machine.age.map(|age| sensible_age(age, &mut notices)).transpose()?.flatten();
    (asked.symptoms, asked.words) = complaint(&machine.symptoms, category, asked.brand.as_deref(), &mut notices);
    Ok(Question { asked, notices })
}

fn category_key(odds: &FaultOdds, text: &str) -> anyhow::Result<String> {
    let words = vocabulary();
    if let Ok(Some(found)) = TermReader::new(words, List::Category, &Default::default()).one(text, None) {
        return Ok(found.key);
    }
    if odds.category(text).is_some() {
        return Ok(text.to_owned());
    }
    let near = nearest(text, words.categories.iter().map(|category| category.name.as_str()));
    let hint = near.first().map_or_else(String::new, |name| format!("; did you mean {name}?"));
    bail!("`{text}` is no category of appliance that this program knows{hint}. On record here: {}", names(odds))
}

/// What is known from the model; an empty category where the model is not known.
fn by_model(odds: &FaultOdds, text: &str, category: Option<&str>, brand: Option<&str>, notices: &mut Vec<String>) -> anyhow::Result<Asked> {
    let narrowed = odds.find_model(text, category, brand);
    // A model that contradicts category or brand is looked for without them, and its own word counts.
    let found = match narrowed {
        ModelMatch::Unknown(alike) if category.is_some() || brand.is_some() => match odds.find_model(text, None, None) {
            ModelMatch::Unknown(_) => ModelMatch::Unknown(alike),
            elsewhere => {
                notices.push(contradiction(text, &elsewhere, category, brand));
                elsewhere
            }
        },
        other => other,
    };
    match found {
        ModelMatch::One(found) => Ok(Asked {
            category: found.category.key.clone(),
            brand: found.model.brand.clone(),
            platform: found.model.platform.clone(),
            model: Some(found.key.to_owned()),
            ..Asked::default()
        }),
        ModelMatch::Several(found) => several(text, &found, notices),
        ModelMatch::Unknown(alike) => {
            let keys: Vec<&str> = alike.iter().map(|found| found.key).collect();
            let hint = if keys.is_empty() { String::new() } else { format!(" Most alike: {}.", keys.join(", ")) };
            if category.is_none() {
                bail!(
                    "no model like `{text}` is on record.{hint} To be answered without the model, name the category with --category ({})",
                    names(odds)
                );
            }
            notices.push(format!("No model like `{text}` is on record, so the answer rests on what else is known.{hint}"));
            Ok(Asked::default())
        }
    }
}

fn contradiction(text: &str, found: &ModelMatch<'_>, category: Option<&str>, brand: Option<&str>) -> String {
    let stated: Vec<String> = category.map(category_name).into_iter().chain(brand.map(|brand| format!("the brand {brand}"))).collect();
    let stated = stated.join(" of ");
    match found {
        ModelMatch::One(found) => {
            let own = category_name(&found.category.key);
            format!("`{text}` is on record as {}, a {own}, and as no {stated}: answered for {}, a {own}.", found.key, found.key)
        }
        _ => format!("No {stated} like `{text}` is on record, but others are."),
    }
}

/// Several models fit: the answer draws on what they have in common.
fn several(text: &str, found: &[Found<'_>], notices: &mut Vec<String>) -> anyhow::Result<Asked> {
    let keys: Vec<&str> = found.iter().take(MOST_NAMED).map(|found| found.key).collect();
    let more = if found.len() > keys.len() { format!(" and {} more", found.len() - keys.len()) } else { String::new() };
    let listed = format!("{} models fit `{text}`: {}{more}.", found.len(), keys.join(", "));
    let first = &found[0];
    if found.iter().any(|other| other.category.key != first.category.key) {
        bail!("{listed} They are of different categories; name more of the number, or the category with --category");
    }
    let shared = |of: fn(&Found<'_>) -> Option<String>| {
        let value = of(first);
        value.filter(|value| found.iter().all(|other| of(other).as_ref() == Some(value)))
    };
    notices.push(format!("{listed} Answered for what they have in common."));
    Ok(Asked {
        category: first.category.key.clone(),
        brand: shared(|found| found.model.brand.clone()),
        platform: shared(|found| found.model.platform.clone()),
        ..Asked::default()
    })
}

fn add_brand(odds: &FaultOdds, text: &str, category: &Category, asked: &mut Asked, notices: &mut Vec<String>) {
    match odds.find_brand(text, category) {
        Some(brand) if asked.model.is_none() => asked.brand = Some(brand),
        // With a model known, its own brand counts; a contradiction has been told.
        Some(_) => {}
        None if asked.model.is_none() => {
            let near = nearest(text, category.brands.keys().map(String::as_str));
            let hint = if near.is_empty() { String::new() } else { format!(" Most alike: {}.", near.join(", ")) };
            notices.push(format!(
                "No {} of the brand `{text}` is on record, so the brand does not count.{hint}",
                category_name(&category.key)
            ));
        }
        None => {}
    }
}

fn sensible_age(age: f64, notices: &mut Vec<String>) -> anyhow::Result<Option<f64>> {
    if !age.is_finite() || age < 0.0 {
        bail!("an age of {age} years cannot be; give years since the machine was new, such as --age 7");
    }
    if age > HIGHEST_AGE_YEARS {
        notices.push(format!("No machine is {age} years old, so the age does not count; give years since it was new, such as --age 7."));
        return Ok(None);
    }
    Ok(Some(age))
}

/// An amount that was typed, if it can be one.
pub fn sensible_amount(option: &str, amount: Option<f64>) -> anyhow::Result<Option<f64>> {
    if let Some(amount) = amount.filter(|amount| !(0.0..=1e6).contains(amount)) {
        bail!("{option} {amount} cannot be; give an amount of money such as 350");
    }
    Ok(amount)
}

/// Keys of the symptoms and, where that is not all that is said, the words: read as the ingest reads a complaint.
fn complaint(texts: &[String], category: &Category, brand: Option<&str>, notices: &mut Vec<String>) -> (Vec<String>, Vec<String>) {
    let vocabulary = vocabulary();
    let reader = TermReader::new(vocabulary, List::Symptom, &Default::default());
    let mut keys: Vec<String> = Vec::new();
    let mut is_plain = true;
    for text in texts {
        let read = read_complaint(&reader, text, Some(&category.key));
        is_plain &= read.words.is_empty();
        for term in read.terms.terms {
            let name = vocabulary.name(List::Symptom, &term.key);
            if let How::Misspelt { of } = &term.how {
                notices.push(format!("Read as {name:?}, misspelt `{of}`."));
            }
            // An emergency counts, on record or not.
            if category.symptoms.contains(&term.key) || vocabulary.emergency(&term.key).is_some() {
                keys.push(term.key);
            } else {
                notices.push(format!(
                    "No job on a {} with a known fault mentions \"{name}\", so it does not count.",
                    category_name(&category.key)
                ));
            }
        }
        for (part, _) in read.terms.set_aside {
            let known = |word: &String| category.find_word(word, brand).is_some();
            let counted: Vec<String> = words(&part).into_iter().filter(known).collect();
            if !counted.is_empty() {
                notices.push(format!(
                    "`{part}` is no symptom that this program knows; what records tell of its words counts: {}.",
                    counted.join(", ")
                ));
                continue;
            }
            let near = nearest(&part, category.symptoms.iter().map(|key| vocabulary.name(List::Symptom, key)));
            let near =
                if near.is_empty() { category.symptoms.iter().map(|key| vocabulary.name(List::Symptom, key)).collect() } else { near };
            notices.push(format!("`{part}` is no symptom that this program knows, so it does not count; try: {}.", near.join("; ")));
        }
    }
    keys.sort();
    keys.dedup();
    (keys, if is_plain { Vec::new() } else { words(&mask(&texts.join("; "))) })
}

fn names(odds: &FaultOdds) -> String {
    let names: Vec<String> =
        odds.categories.iter().filter(|category| category.jobs() > 0).map(|category| category_name(&category.key)).collect();
    names.join(", ")
}

fn category_name(key: &str) -> String {
    vocabulary().name(List::Category, key).to_lowercase()
}
