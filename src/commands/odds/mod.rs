//! `fixodds odds`: the technician's question, answered from one small file of the evidence.

use std::io::Write;

use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_schemas::StoreLayout;

use crate::Outcome;
use crate::arguments::Odds;
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
    } else {
        let mut question = question::understand(&odds, &arguments.machine)?;
        question.asked.price_new = question::sensible_amount("--price-new", arguments.price_new)?;
        question.asked.value_mended = question::sensible_amount("--value-mended", arguments.value_mended)?;
        let answer = odds.answer(question.asked)?;
        if arguments.json {
            let mut object = serde_json::to_value(&answer)?;
            object["notices"] = question.notices.into();
            writeln!(out, "{}", serde_json::to_string_pretty(&object)?)?;
        } else {
            answer_text::write(&mut out, &odds, &answer, &question.notices)?;
        }
    }
    out.flush()?;
    Ok(Outcome::Done)
}
