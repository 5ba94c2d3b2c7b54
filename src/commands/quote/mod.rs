//! `fixodds quote`: what to ask for a repair, from two small files of the evidence.

use std::io::Write;

use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_analytics::quote::Quotes;
use fixodds_schemas::StoreLayout;

use super::odds::{self, question};
use crate::Outcome;
use crate::arguments::Quote;
use crate::terminal::Terminal;

mod quote_text;

pub fn run(arguments: &Quote) -> anyhow::Result<Outcome> {
    let mut out = Terminal::for_programs_if(arguments.json);
    // No price before what must be done at once.
    let urgent = odds::emergencies_in(&arguments.machine);
    if !arguments.json {
        odds::answer_text::write_emergencies(&mut out, &urgent)?;
        out.flush()?;
    }
    let store = StoreLayout::new(&arguments.store);
    let (known, quotes) = (FaultOdds::open(&store)?, Quotes::open(&store)?);
    let question = question::understand(&known, &arguments.machine)?;
    let answer = known.answer(question.asked)?;
    let quote = quotes
        .answer(&answer)
        .map_err(|cause| anyhow::anyhow!("no price can be quoted because {cause}: it takes repairs with parts cost and minutes known"))?;
    if arguments.json {
        let mut object = serde_json::to_value(&quote)?;
        object["emergencies"] = serde_json::to_value(&answer.emergencies)?;
        object["what_to_do"] = odds::what_to_do(&answer.emergencies);
        object["notices"] = question.notices.into();
        writeln!(out, "{}", serde_json::to_string_pretty(&object)?)?;
    } else {
        quote_text::write(&mut out, &quote, &quotes.as_of, &question.notices)?;
    }
    out.flush()?;
    Ok(Outcome::Done)
}
