//! `fixodds quote`: what to ask for a repair, from two small files of the evidence.

use std::io::Write;

use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_analytics::quote::Quotes;
use fixodds_schemas::StoreLayout;

use super::odds::question;
use crate::Outcome;
use crate::arguments::Quote;
use crate::terminal::Terminal;

mod quote_text;

pub fn run(arguments: &Quote) -> anyhow::Result<Outcome> {
    let store = StoreLayout::new(&arguments.store);
    let (odds, quotes) = (FaultOdds::open(&store)?, Quotes::open(&store)?);
    let question = question::understand(&odds, &arguments.machine)?;
    let answer = odds.answer(question.asked)?;
    let quote = quotes
        .answer(&answer)
        .map_err(|cause| anyhow::anyhow!("no price can be quoted because {cause}: it takes repairs with parts cost and minutes known"))?;
    let mut out = Terminal::for_programs_if(arguments.json);
    if arguments.json {
        let mut object = serde_json::to_value(&quote)?;
        object["notices"] = question.notices.into();
        writeln!(out, "{}", serde_json::to_string_pretty(&object)?)?;
    } else {
        quote_text::write(&mut out, &quote, &quotes.as_of, &question.notices)?;
    }
    out.flush()?;
    Ok(Outcome::Done)
}
