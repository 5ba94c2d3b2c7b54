//! `fixodds odds`: the technician's question, answered from one small file of the evidence.

use std::io::Write;

use anyhow::Context;
use fixodds_analytics::fault_odds::{Answer, FaultOdds};
use fixodds_schemas::StoreLayout;

use crate::Outcome;
use crate::arguments::{Machine, Odds};
use crate::terminal::Terminal;

mod answer_text;
pub(super) mod question;
mod skill_text;

pub fn run(arguments: &Odds) -> anyhow::Result<Outcome> {
    let odds = FaultOdds::open(&StoreLayout::new(&arguments.store))?;
    let mut out = Terminal::for_programs_if(arguments.json);
    if arguments.skill {
        if arguments.json {
            writeln!(out, "{}", serde_json::to_string_pretty(&odds.skill)?)?;
        } else {
            skill_text::write(&mut out, &odds)?;
        }
    } else if let Some(file) = &arguments.questions {
        let mut rows = csv::Reader::from_path(file).with_context(|| format!("{} cannot be read", file.display()))?;
        let titles = rows.headers().with_context(|| format!("{} has no line of titles", file.display()))?.clone();
        for row in rows.records() {
            let row = row.with_context(|| format!("{} cannot be read", file.display()))?;
            let object = machine(&titles, &row)
                .and_then(|machine| answer(&odds, arguments, &machine))
                .map(|(answer, notices)| json(&answer, notices));
            // What cannot be answered keeps its place.
            let object = object.and_then(|object| object).unwrap_or_else(|cause| serde_json::json!({ "error": format!("{cause:#}") }));
            writeln!(out, "{object}")?;
        }
    } else {
        let (answer, notices) = answer(&odds, arguments, &arguments.machine)?;
        if arguments.json {
            writeln!(out, "{}", serde_json::to_string_pretty(&json(&answer, notices)?)?)?;
        } else {
            answer_text::write(&mut out, &odds, &answer, &notices)?;
        }
    }
    out.flush()?;
    Ok(Outcome::Done)
}

/// The answer about a machine, and what the asker should know about how it was understood.
fn answer(odds: &FaultOdds, arguments: &Odds, machine: &Machine) -> anyhow::Result<(Answer, Vec<String>)> {
    let mut question = question::understand(odds, machine)?;
    question.asked.price_new = question::sensible_amount("--price-new", arguments.price_new)?;
    question.asked.value_mended = question::sensible_amount("--value-mended", arguments.value_mended)?;
    Ok((odds.answer(question.asked)?, question.notices))
}

fn json(answer: &Answer, notices: Vec<String>) -> anyhow::Result<serde_json::Value> {
    let mut object = serde_json::to_value(answer)?;
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
