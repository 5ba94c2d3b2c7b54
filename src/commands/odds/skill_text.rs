//! How good the odds have been on jobs that they were not made from.

use std::io::{self, Write};

use fixodds_analytics::fault_odds::{FaultOdds, SkillRow};
use fixodds_estimators::{CannotEstimate, Interval};
use fixodds_schemas::{List, vocabulary};

use super::answer_text::capitalised;

/// Predictors with the words for them, in the order of the table.
const PREDICTORS: [(&str, &str); 5] = [
    ("fault_odds", "all that is known"),
    ("without_age", "without the age"),
    ("without_kind", "without brand, platform and model"),
    ("without_symptoms", "without symptoms"),
    ("base_frequencies", "base frequencies of the category"),
];
/// Where symptoms come from, with the words for it.
const ORIGINS: [(&str, &str); 3] = [
    ("complaint", "the customer's complaint, before the machine was opened"),
    ("diagnosis", "the diagnosis, written afterwards, and so not used"),
    ("none", "no symptom on record"),
];
const NOT_MEASURED: &str = "How good these odds are cannot be measured yet: that takes records of more than twelve months.";

pub fn write(out: &mut impl Write, odds: &FaultOdds) -> io::Result<()> {
    let Some(all) = find(odds, None, "fault_odds", "log_loss") else { return writeln!(out, "{NOT_MEASURED}") };
    writeln!(out, "The last twelve months before {} ({} jobs), foretold from the {} jobs before", odds.as_of, all.jobs, all.training_jobs)?;
    writeln!(out, "\n  {:<36} {:>22} {:>22} {:>24}", "knowing", "fault named first", "in the first three", "log loss (nats)")?;
    for (predictor, words) in PREDICTORS {
        let cell = |statistic| find(odds, None, predictor, statistic).and_then(|row| row.estimated.as_ref().ok());
        let share = |statistic| cell(statistic).map_or_else(String::new, percent);
        let loss =
            cell("log_loss").map_or_else(String::new, |loss| format!("{:.3} ({:.3} to {:.3})", loss.estimate, loss.lower, loss.upper));
        writeln!(out, "  {words:<36} {:>22} {:>22} {loss:>24}", share("top_1"), share("top_3"))?;
    }
    writeln!(out, "\nStated against observed, by the probability of the likeliest fault")?;
    for row in odds.skill.iter().filter(|row| row.category.is_none() && row.symptoms_origin.is_none() && row.statistic == "calibration") {
        if let (Some([from, to, predicted]), Ok(observed)) = (row.calibration, &row.estimated) {
            let (from, to, predicted) = (from * 100.0, to * 100.0, predicted * 100.0);
            writeln!(
                out,
                "  {from:>3.0} to {to:>3.0} %: stated {predicted:>5.1} %, observed {:>22} in {} jobs",
                percent(observed),
                row.jobs
            )?;
        }
    }
    if let Some(Ok(error)) = find(odds, None, "fault_odds", "expected_calibration_error").map(|row| &row.estimated) {
        writeln!(out, "  expected calibration error {:.3} ({:.3} to {:.3})", error.estimate, error.lower, error.upper)?;
    }
    writeln!(out, "\nLog loss by where the symptoms come from")?;
    for (origin, words) in ORIGINS {
        let loss = |predictor| {
            let wanted = |row: &&SkillRow| {
                row.symptoms_origin.as_deref() == Some(origin) && row.predictor == predictor && row.statistic == "log_loss"
            };
            odds.skill.iter().find(wanted).and_then(|row| Some((row.jobs, row.estimated.as_ref().ok()?.estimate)))
        };
        if let (Some((jobs, all)), Some((_, without))) = (loss("fault_odds"), loss("without_symptoms")) {
            writeln!(out, "  {words}: {all:.3} in {jobs} jobs, without symptoms {without:.3}")?;
        }
    }
    writeln!(out, "\n{}", symptoms(odds, None))?;
    for category in &odds.categories {
        writeln!(out, "{}", sentence(odds, &category.key))?;
    }
    Ok(())
}

/// One line on a category.
pub fn sentence(odds: &FaultOdds, category: &str) -> String {
    let name = capitalised(vocabulary().name(List::Category, category));
    let measured = |predictor, statistic| {
        find(odds, Some(category), predictor, statistic).and_then(|row| Some((row.jobs, row.estimated.as_ref().ok()?)))
    };
    let (Some((jobs, first)), Some((_, three)), Some((_, base))) =
        (measured("fault_odds", "top_1"), measured("fault_odds", "top_3"), measured("base_frequencies", "top_3"))
    else {
        return format!("{name}: {NOT_MEASURED}");
    };
    format!(
        "{name}: of {jobs} jobs of the last year, told the year before, the fault was the first named in {}, among three in {} (by base frequencies {}). {}",
        percent(first),
        percent(three),
        percent(base),
        symptoms(odds, Some(category))
    )
}

/// Whether symptoms help, where that can be told.
fn symptoms(odds: &FaultOdds, category: Option<&str>) -> String {
    match find(odds, category, "without_symptoms", "log_loss_gain").map(|row| &row.estimated) {
        Some(Ok(gain)) if gain.lower > 0.0 => "Symptoms as recorded tell faults apart.".to_owned(),
        Some(Ok(gain)) if gain.upper < 0.0 => "Symptoms as recorded mislead: the odds are better without them.".to_owned(),
        Some(Ok(_)) => "Symptoms as recorded carry no information on the fault that could be shown.".to_owned(),
        Some(Err(CannotEstimate::TooFewObservations { .. })) | None => "Whether symptoms help cannot be told yet.".to_owned(),
        Some(Err(cause)) => format!("Whether symptoms help cannot be told because {cause}."),
    }
}

fn find<'a>(odds: &'a FaultOdds, category: Option<&str>, predictor: &str, statistic: &str) -> Option<&'a SkillRow> {
    let wanted = |row: &&SkillRow| {
        row.category.as_deref() == category && row.symptoms_origin.is_none() && row.predictor == predictor && row.statistic == statistic
    };
    odds.skill.iter().find(wanted)
}

fn percent(share: &Interval) -> String {
    format!("{:.0} % ({:.0} to {:.0})", share.estimate * 100.0, share.lower * 100.0, share.upper * 100.0)
}
