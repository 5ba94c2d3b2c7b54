//! The answer as plain text: emergencies first, then cautions, the odds, the order of checks, and what goes with the likeliest faults.

use std::io::{self, Write};

use fixodds_analytics::fault_odds::{Answer, CheckStep, Donor, EconomicsAnswer, FaultOdds, PartChoice};
use fixodds_estimators::Interval;
use fixodds_reports::wording;
use fixodds_schemas::{List, vocabulary};

use super::skill_text;

const MOST_ODDS: usize = 8;
const MOST_CHECKS: usize = 12;
const MOST_LIVE_CHECKS: usize = 6;
const MOST_MODELS: usize = 4;
const MOST_DONOR_PARTS: usize = 3;

/// What to do at once.
pub fn write_emergencies(out: &mut impl Write, keys: &[&str]) -> io::Result<()> {
    for (key, advice) in keys.iter().filter_map(|key| Some((key, vocabulary().emergency(key)?))) {
        writeln!(out, "STOP: {}", vocabulary().name(List::Symptom, key).to_uppercase())?;
        for (number, step) in advice.now.iter().enumerate() {
            writeln!(out, "  {}. {step}", number + 1)?;
        }
        writeln!(out, "  {}", advice.until)?;
        writeln!(out, "  Whoever looks for the fault: {}. Nobody else.\n", advice.qualified)?;
    }
    Ok(())
}

pub fn write(out: &mut impl Write, odds: &FaultOdds, answer: &Answer, notices: &[String]) -> io::Result<()> {
    let mut qualified: Vec<&str> =
        answer.emergencies.iter().filter_map(|key| Some(vocabulary().emergency(key)?.qualified.as_str())).collect();
    qualified.dedup();
    if !qualified.is_empty() {
        writeln!(out, "WHAT FOLLOWS IS ONLY FOR {}.\n", qualified.join("; ").to_uppercase())?;
    }
    writeln!(out, "BEFORE YOU TEST OR OPEN ANYTHING")?;
    for caution in answer.cautions.iter().filter_map(|key| vocabulary().caution(key)) {
        writeln!(out, "  ! {}: {}", caution.name, caution.text)?;
    }
    writeln!(out, "\n{}", machine(answer))?;
    writeln!(out, "{}", basis(answer, &odds.as_of))?;
    for notice in notices {
        writeln!(out, "Note: {notice}")?;
    }
    writeln!(out, "\nLikely faults (95 % interval)")?;
    for likely in answer.odds.iter().take(MOST_ODDS) {
        writeln!(out, "  {:<38} {}", component(&likely.component), percent(&likely.probability))?;
    }
    let rest: f64 = answer.odds.iter().skip(MOST_ODDS).map(|other| other.probability.estimate).sum();
    writeln!(out, "  {:<38} {:>5.1} %", "anything else", rest * 100.0)?;
    mentions(out, answer)?;
    checks(out, answer)?;
    consequences(out, answer)?;
    closing(out, answer)?;
    economics(out, &answer.economics, &odds.currency)?;
    writeln!(out, "\n{}", skill_text::sentence(odds, &answer.asked.category))
}

fn machine(answer: &Answer) -> String {
    let asked = &answer.asked;
    let category = vocabulary().name(List::Category, &asked.category);
    let kind = asked.model.as_ref().or(asked.brand.as_ref()).map_or_else(String::new, |kind| format!(" {kind}"));
    let age = asked.age_years.map_or_else(|| ", age not known".to_owned(), |age| format!(", {age} years old"));
    let symptoms: Vec<&str> = asked.symptoms.iter().map(|key| vocabulary().name(List::Symptom, key)).collect();
    let said = if symptoms.is_empty() { ", no symptom given".to_owned() } else { format!(": {}", symptoms.join(", ").to_lowercase()) };
    capitalised(&format!("{category}{kind}{age}{said}"))
}

fn basis(answer: &Answer, as_of: &str) -> String {
    let (asked, basis) = (&answer.asked, &answer.basis);
    let levels = [
        (asked.model.is_some(), basis.model_jobs, "on this model"),
        (asked.platform.is_some(), basis.platform_jobs, "on its platform"),
        (asked.brand.is_some(), basis.brand_jobs, "of the brand"),
        (true, Some(basis.category_jobs), "in its category"),
    ];
    let known = levels.into_iter().filter(|(known, ..)| *known).enumerate();
    let parts: Vec<String> = known
        .map(|(position, (_, jobs, place))| format!("{}{} {place}", jobs.unwrap_or(0), if position == 0 { " jobs" } else { "" }))
        .collect();
    let age = match answer.age_band {
        Some((from, Some(to))) => format!("; {} at {from} to {to} years", basis.age_band_jobs),
        Some((from, None)) => format!("; {} at {from} years or more", basis.age_band_jobs),
        None => String::new(),
    };
    format!("From {}{age}; records to {as_of}.", parts.join(", "))
}

/// What each thing that was said does to the odds of the likeliest fault.
fn mentions(out: &mut impl Write, answer: &Answer) -> io::Result<()> {
    let Some(first) = answer.odds.first().filter(|_| !answer.mentions.is_empty()) else { return Ok(()) };
    let told: Vec<String> = answer
        .mentions
        .iter()
        .map(|mention| {
            let name = if mention.is_symptom { vocabulary().name(List::Symptom, &mention.said) } else { mention.said.as_str() };
            format!("{} x {:.2} ({} jobs)", name.to_lowercase(), mention.odds_ratio, mention.jobs)
        })
        .collect();
    writeln!(out, "  What was said multiplies the odds of {}: {}", component(&first.component).to_lowercase(), told.join(", "))
}

fn checks(out: &mut impl Write, answer: &Answer) -> io::Result<()> {
    writeln!(out, "\nFirst, for nothing")?;
    for look in vocabulary().first_looks.iter().filter(|look| answer.first_looks.contains(&look.key)) {
        writeln!(out, "  {}: {}", look.name, look.text)?;
    }
    writeln!(out, "\nChecks in the order that finds the fault soonest: {:.0} minutes on average", answer.expected_minutes)?;
    let needed = &answer.checks[..answer.checks_to_90_percent.min(answer.checks.len())];
    let (dead, live) = needed.split_at(needed.iter().position(|step| step.live).unwrap_or(needed.len()));
    run_of_checks(out, "Dead: isolated and proved", dead, 0, MOST_CHECKS)?;
    run_of_checks(out, "Only then, under power", live, dead.len(), MOST_LIVE_CHECKS)?;
    writeln!(
        out,
        "  {} checks reach 90 %. Doing all dead checks before live ones costs {:.0} of these minutes. Times are common practice, no source.",
        answer.checks_to_90_percent, answer.dead_first_minutes
    )
}

/// The first checks one by one, the others of their kind in one line; `before` checks have been done.
fn run_of_checks(out: &mut impl Write, heading: &str, steps: &[CheckStep], before: usize, most: usize) -> io::Result<()> {
    if steps.is_empty() {
        return Ok(());
    }
    writeln!(out, " {heading}")?;
    let (shown, rest) = steps.split_at(most.min(steps.len()));
    let mut place = "";
    for (number, step) in shown.iter().enumerate() {
        if step.subunit != place {
            place = &step.subunit;
            let name = vocabulary().subunit(place).map_or(place, |subunit| subunit.name.as_str());
            writeln!(out, "  {} {name}", if step.opens { "Get at:" } else { "Back to:" })?;
        }
        let found = step.probability_found * 100.0;
        // Rounded half up, as on the page.
        let minutes = step.minutes.round();
        writeln!(out, "  {:>3}. {:<36} {minutes:>4.0} min, found by then {found:>3.0} %", before + number + 1, component(&step.component))?;
    }
    if let Some(last) = rest.last() {
        let minutes: f64 = rest.iter().map(|step| step.minutes).sum();
        let found = last.probability_found * 100.0;
        writeln!(out, "       and {} more, {minutes:.0} min, found by then {found:.0} %", rest.len())?;
    }
    Ok(())
}

fn closing(out: &mut impl Write, answer: &Answer) -> io::Result<()> {
    writeln!(out, "\nAfter any repair, before it goes back (prompts with the usual limits, not pass or fail of a standard)")?;
    for test in vocabulary().closing_tests.iter().filter(|test| answer.closing_tests.contains(&test.key)) {
        writeln!(out, "  {}: {}", test.name, test.text)?;
    }
    Ok(())
}

fn consequences(out: &mut impl Write, answer: &Answer) -> io::Result<()> {
    if answer.consequences.is_empty() {
        return Ok(());
    }
    writeln!(out, "\nLook at these too before power is applied again")?;
    for found in &answer.consequences {
        let share = percent(&found.share);
        writeln!(
            out,
            "  {} at fault: {} damaged with it in {share} of {} jobs",
            component(&found.component),
            component(&found.damaged).to_lowercase(),
            found.jobs
        )?;
    }
    for repair in answer.repair_scopes.iter().filter(|repair| repair.roster_only) {
        let replaced = match repair.replaced.as_str() {
            "both_replaced" => "both were replaced",
            "consequential_only" => "only the damaged part was replaced",
            _ => "only the cause was replaced",
        };
        let returned = percent(&repair.returned);
        writeln!(
            out,
            "  {}: where {replaced}, {returned} came back with it within a year ({} repairs)",
            component(&repair.component),
            repair.jobs
        )?;
    }
    Ok(())
}

fn economics(out: &mut impl Write, found: &EconomicsAnswer, currency: &str) -> io::Result<()> {
    writeln!(out, "\nIs it worth mending?")?;
    let amount = |value: f64| wording::money(value, currency);
    let amounts = |range: &Interval| format!("{} ({} to {})", amount(range.estimate), amount(range.lower), amount(range.upper));
    match &found.cost_to_fix {
        Some(cost) => writeln!(
            out,
            "  Labour and parts, if it is mended: {} on average, over faults that make up {:.0} % of the odds",
            amounts(cost),
            found.cost_known_for * 100.0
        )?,
        None => writeln!(out, "  What mending costs is not on record.")?,
    }
    if let (Some(price), Some(part)) = (found.price_new, &found.cost_to_price_new) {
        writeln!(out, "  That is {} of its price new, {}", percent(part).trim_start(), amount(price))?;
    }
    if let Some(end) = &found.write_off {
        let why: Vec<String> = found
            .write_off_reasons
            .iter()
            .map(|reason| format!("{} {:.0} %", vocabulary().name(List::Reason, &reason.reason).to_lowercase(), reason.share * 100.0))
            .collect();
        let why = if why.is_empty() { String::new() } else { format!("; of such: {}", why.join(", ")) };
        writeln!(out, "  It ends as a write-off with a probability of {}{why}", percent(end).trim_start())?;
    }
    if let Some(worth) = &found.worth_as_it_stands {
        let verdict = if worth.upper < 0.0 {
            "not worth mending for sale"
        } else if worth.lower > 0.0 {
            "worth mending for sale below that"
        } else {
            "too close to call"
        };
        writeln!(out, "  As it stands, to somebody who mends and sells it, it is worth {}: {verdict}", amounts(worth))?;
    }
    for part in &found.parts {
        part_choice(out, part, &amount)?;
    }
    found.donor.as_ref().map_or(Ok(()), |found| donor(out, found, &amount, &amounts))
}

fn donor(out: &mut impl Write, found: &Donor, amount: &impl Fn(f64) -> String, amounts: &impl Fn(&Interval) -> String) -> io::Result<()> {
    let condemned = format!("{} condemned in three years", found.machines);
    if found.parts.is_empty() {
        return writeln!(out, "  A condemned machine of this platform ({condemned}): no used part pays the time to take it out");
    }
    let verdict = match found.verdict.as_str() {
        "strip" => "worth stripping",
        "leave" => "not worth stripping",
        _ => "too close to call",
    };
    let yields = amounts(&found.worth);
    writeln!(
        out,
        "  What one more condemned machine of this platform yields in used parts, less the time to strip it: {yields}: {verdict} ({condemned})"
    )?;
    for part in found.parts.iter().take(MOST_DONOR_PARTS) {
        writeln!(
            out,
            "    {}: {}; a used one at {}, good with {:.0} %, asked for in time with {:.0} %",
            component(&part.component),
            amounts(&part.worth),
            amount(part.price),
            part.prob_good * 100.0,
            part.prob_sold * 100.0
        )?;
    }
    Ok(())
}

fn part_choice(out: &mut impl Write, part: &PartChoice, amount: &impl Fn(f64) -> String) -> io::Result<()> {
    let prices: Vec<String> = part
        .prices
        .iter()
        .map(|(origin, price)| {
            format!("{} {} (n = {})", vocabulary().name(List::PartSource, origin).to_lowercase(), amount(price.median), price.parts)
        })
        .collect();
    if !prices.is_empty() {
        writeln!(out, "  {}, median price of a piece: {}", component(&part.component), prices.join(", "))?;
    }
    for interchange in &part.numbers {
        let shown = interchange.also_in.iter().take(MOST_MODELS).map(String::as_str).collect::<Vec<_>>().join(", ");
        let more = interchange.also_in.len().saturating_sub(MOST_MODELS);
        let also = match (interchange.also_in.is_empty(), more) {
            (true, _) => String::new(),
            (false, 0) => format!(", also fitted to {shown}"),
            (false, more) => format!(", also fitted to {shown} and {more} more"),
        };
        writeln!(out, "    part number {}{also}", interchange.number)?;
    }
    Ok(())
}

pub fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn component(key: &str) -> &str {
    vocabulary().name(List::Component, key)
}

fn percent(share: &Interval) -> String {
    format!("{:>5.1} % ({:.1} to {:.1})", share.estimate * 100.0, share.lower * 100.0, share.upper * 100.0)
}
