//! The quote as plain text: the price first, then what it rests on, then the customer's side.

use std::io::{self, Write};

use fixodds_analytics::quote::{Quote, WriteOff, WriteOffVerdict};
use fixodds_estimators::Interval;
use fixodds_schemas::{List, vocabulary};

const MOST_FAULTS: usize = 8;

pub fn write(out: &mut impl Write, quote: &Quote, as_of: &str, notices: &[String]) -> io::Result<()> {
    let money = |amount: f64| money(amount, &quote.currency);
    writeln!(out, "{}", machine(quote))?;
    for notice in notices {
        writeln!(out, "Note: {notice}")?;
    }
    if quote.default_settings {
        writeln!(out, "Note: these are the program's own figures for hourly cost, travel and limits, not yours; see `fixodds business`.")?;
    }
    writeln!(out, "\nQuote {} for the repair, agreed before the work.", money(quote.price))?;
    writeln!(
        out,
        "  {:.0} % of such repairs cost more than that; on average it leaves {}.",
        quote.most_loss_probability * 100.0,
        money(quote.expected_contribution)
    )?;
    writeln!(
        out,
        "  Expected cost {}, standard deviation {}; eight in ten lie between {} and {}.",
        money(quote.expected_cost),
        money(quote.cost_standard_deviation),
        money(quote.p10_cost),
        money(quote.p90_cost)
    )?;
    if let Some(lowest) = quote.expected_cost_if_blank_is_nothing {
        writeln!(
            out,
            "  Some repairs have an empty parts cost: taken to cost what the others do. If it means nothing, the expected cost is {}; say so in the mapping: [jobs.blank].",
            money(lowest)
        )?;
    }
    if let Some(held_out) = &quote.held_out {
        writeln!(
            out,
            "  Tried on {} repairs of the year to {as_of}, each machine priced as it was booked, from the years before: {} cost more than their price, recalls included.",
            held_out.jobs,
            percent(&held_out.exceeded)
        )?;
    }
    writeln!(out, "\n{:.0} % of such jobs end repaired.", quote.prob_repaired * 100.0)?;
    if let Some((jobs, cost)) = quote.unrepaired_cost {
        let left = quote.call_out_charge - cost;
        writeln!(
            out,
            "  One that does not costs {} on average (n = {jobs}); against the call-out charge of {} that {} {}.",
            money(cost),
            money(quote.call_out_charge),
            if left < 0.0 { "loses" } else { "leaves" },
            money(left.abs())
        )?;
    }
    faults(out, quote)?;
    writeln!(out)?;
    match (&quote.write_off, &quote.no_write_off_because) {
        (Some(write_off), _) => write_off_text(out, write_off, quote),
        (None, Some(why)) => writeln!(out, "Whether a new machine would serve the customer better cannot be said: {why}."),
        (None, None) => Ok(()),
    }
}

fn machine(quote: &Quote) -> String {
    let asked = &quote.asked;
    let kind = asked.model.as_ref().or(asked.brand.as_ref()).map_or_else(String::new, |kind| format!(" {kind}"));
    let age = asked.age_years.map_or_else(|| ", age not known".to_owned(), |age| format!(", {age} years old"));
    let symptoms: Vec<&str> = asked.symptoms.iter().map(|key| vocabulary().name(List::Symptom, key)).collect();
    let said = if symptoms.is_empty() { String::new() } else { format!(": {}", symptoms.join(", ").to_lowercase()) };
    format!("{}{kind}{age}{said}", vocabulary().name(List::Category, &asked.category))
}

fn faults(out: &mut impl Write, quote: &Quote) -> io::Result<()> {
    writeln!(out, "\n  {:<34} {:>6} {:>9} {:>10} {:>10}  rests on", "fault", "odds", "repaired", "cost", "p90")?;
    for fault in quote.faults.iter().take(MOST_FAULTS) {
        let name = vocabulary().name(List::Component, &fault.component);
        writeln!(
            out,
            "  {name:<34} {:>4.0} % {:>7.0} % {:>10} {:>10}  {} repairs of the {}",
            fault.probability * 100.0,
            fault.prob_repaired * 100.0,
            money(fault.expected_cost, &quote.currency),
            money(fault.p90_cost, &quote.currency),
            fault.jobs,
            fault.level
        )?;
    }
    let without = 1.0 - quote.probability_covered;
    if without > 0.005 {
        writeln!(out, "  Faults without enough repairs on record, {:.0} % of the odds, are left out.", without * 100.0)?;
    }
    Ok(())
}

fn write_off_text(out: &mut impl Write, found: &WriteOff, quote: &Quote) -> io::Result<()> {
    let money = |amount: f64| money(amount, &quote.currency);
    let range = |amount: &Interval| format!("{} ({} to {})", money(amount.estimate), money(amount.lower), money(amount.upper));
    writeln!(out, "For the customer: a new one costs {}.", money(found.price_new))?;
    let years = |years: &Interval| format!("{:.1} ({:.1} to {:.1})", years.estimate, years.lower, years.upper);
    writeln!(
        out,
        "  Repaired it may be expected to last {} further years, a new one {} ({} machines of the {} taken out of use).",
        years(&found.remaining_years),
        years(&found.life_of_new_years),
        found.ends,
        found.level
    )?;
    writeln!(
        out,
        "  Per expected further year: repaired {}, new {}.",
        range(&found.cost_per_year_repaired),
        range(&found.cost_per_year_new)
    )?;
    let verdict = match found.verdict {
        WriteOffVerdict::Repair => "The quote lies below: mending is the better answer.",
        WriteOffVerdict::Replace => "The quote lies above: a new machine is the better answer.",
        WriteOffVerdict::NotDistinguishable => "The quote lies within: the records do not tell which is better.",
    };
    writeln!(out, "  A repair dearer than {} costs more per year than a new one. {verdict}", range(&found.better_above))
}

fn money(amount: f64, currency: &str) -> String {
    let sign = if amount < 0.0 { "-" } else { "" };
    let digits = format!("{:.0}", amount.abs());
    match currency {
        "GBP" => format!("{sign}£{digits}"),
        "EUR" => format!("{sign}€{digits}"),
        "" => format!("{sign}{digits}"),
        other => format!("{other} {sign}{digits}"),
    }
}

fn percent(share: &Interval) -> String {
    format!("{:.0} % ({:.0} to {:.0})", share.estimate * 100.0, share.lower * 100.0, share.upper * 100.0)
}
