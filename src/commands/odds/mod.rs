//! `fixodds odds`: the technician's question, answered from one small file of the evidence.

use std::io::Write;

use anyhow::Context;
use fixodds_analytics::fault_odds::{Answer, FaultOdds};
use fixodds_schemas::{List, StoreLayout, emergencies, vocabulary};
use serde_json::{Value, json};

use crate::Outcome;
use crate::arguments::{Machine, Odds};
use crate::terminal::Terminal;

pub(super) mod answer_text;
pub(super) mod question;
mod skill_text;

pub fn run(arguments: &Odds) -> anyhow::Result<Outcome> {
    let mut out = Terminal::for_programs_if(arguments.json);
    // An emergency waits for nothing: neither for a store nor for a machine that is understood.
    let urgent = emergencies_in(&arguments.machine);
    if !arguments.json {
        answer_text::write_emergencies(&mut out, &urgent)?;
        out.flush()?;
    }
    let answered = respond(arguments, &urgent, &mut out);
    if answered.is_err() && arguments.json && !urgent.is_empty() {
        writeln!(out, "{}", serde_json::to_string_pretty(&json!({ "emergencies": urgent, "what_to_do": what_to_do(&urgent) }))?)?;
    }
    out.flush()?;
    answered
}

/// Keys of the emergencies that the symptoms tell of, as typed, whatever the machine is.
pub(super) fn emergencies_in(machine: &Machine) -> Vec<&'static str> {
    let category = machine.category.as_deref().and_then(|text| vocabulary().find(List::Category, text, None).key());
    let mut keys: Vec<&str> = machine.symptoms.iter().flat_map(|text| emergencies().read(text, category)).collect();
    keys.sort_unstable();
    keys.dedup();
    keys
}

/// The advice of some emergencies, for programs.
pub(super) fn what_to_do(keys: &[impl AsRef<str>]) -> Value {
    let told = |key: &str| {
        let advice = vocabulary().emergency(key)?;
        Some(json!({ "emergency": key, "now": advice.now, "until": advice.until, "only_for": advice.qualified }))
    };
    keys.iter().filter_map(|key| told(key.as_ref())).collect()
}

fn respond(arguments: &Odds, urgent: &[&str], out: &mut Terminal) -> anyhow::Result<Outcome> {
    let odds = FaultOdds::open(&StoreLayout::new(&arguments.store))?;
    if arguments.skill {
        if arguments.json {
            writeln!(out, "{}", serde_json::to_string_pretty(&odds.skill)?)?;
        } else {
            skill_text::write(out, &odds)?;
        }
    } else if let Some(file) = &arguments.questions {
        let mut rows = csv::Reader::from_path(file).with_context(|| format!("{} cannot be read", file.display()))?;
        let titles = rows.headers().with_context(|| format!("{} has no line of titles", file.display()))?.clone();
        for row in rows.records() {
            let row = row.with_context(|| format!("{} cannot be read", file.display()))?;
            let object = machine(&titles, &row)
                .and_then(|machine| answer(&odds, arguments, &machine))
                .map(|(answer, notices)| as_json(&answer, notices));
            // What cannot be answered keeps its place.
            let object = object.and_then(|object| object).unwrap_or_else(|cause| json!({ "error": format!("{cause:#}") }));
            writeln!(out, "{object}")?;
        }
    } else {
        let (answer, notices) = answer(&odds, arguments, &arguments.machine)?;
        if arguments.json {
            writeln!(out, "{}", serde_json::to_string_pretty(&as_json(&answer, notices)?)?)?;
        } else {
            // A machine that was understood may tell of more.
            let further: Vec<&str> = answer.emergencies.iter().map(String::as_str).filter(|key| !urgent.contains(key)).collect();
            answer_text::write_emergencies(out, &further)?;
            answer_text::write(out, &odds, &answer, &notices)?;
        }
    }
    Ok(Outcome::Done)
}

/// The answer about a machine, and what the asker should know about how it was understood.
fn answer(odds: &FaultOdds, arguments: &Odds, machine: &Machine) -> anyhow::Result<(Answer, Vec<String>)> {
    let mut question = question::understand(odds, machine)?;
    question.asked.price_new = question::sensible_amount("--price-new", arguments.price_new)?;
    question.asked.value_mended = question::sensible_amount("--value-mended", arguments.value_mended)?;
    Ok((odds.answer(question.asked)?, question.notices))
}

fn as_json(answer: &Answer, notices: Vec<String>) -> anyhow::Result<Value> {
    let mut object = serde_json::to_value(answer)?;
    object["what_to_do"] = what_to_do(&answer.emergencies);
    object["notices"] = notices.into();
    Ok(object)
}

/// A row of questions as if it had been typed.
fn machine(titles: &csv::StringRecord, row: &csv::StringRecord) -> anyhow::Result<Machine> {
    let cell = |title: &str| {
        let at = titles.iter().position(|known| known.trim() == title)?;
        row.get(at).map(str::trim).filter(|cell| !cell.is_empty()).map(str::to_owned)
    };
    let age = |text: String| text.parse().with_context(|| format!("an age of `{text}` years cannot be"));
    Ok(Machine {
        category: cell("category"),
        brand: cell("brand"),
        model: cell("model"),
        age: cell("age").map(age).transpose()?,
        symptoms: cell("symptoms").into_iter().collect(),
    })
}
