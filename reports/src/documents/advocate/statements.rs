//! What the advocate reads first: at most eight sentences, the most useful ones first.

use super::{contrasts, endings, lives, priority_parts, sealed};
use crate::document::Unit;
use crate::documents::brief::{Brief, rate_said, said};
use crate::evidence_view::Query;

const MOST_LIVES: usize = 2;
const MOST_ENDINGS: usize = 4;

pub(super) fn sentences(brief: &Brief<'_>) -> Vec<String> {
    let mut sentences = Vec::new();
    // where machines are observed over time, rates and lives say more
    let (first, last) = if brief.evidence.about().has_exposure() { (0, 1) } else { (MOST_ENDINGS, 0) };
    sentences.extend(endings::sentences(brief).into_iter().take(first));
    sentences.extend(how_often(brief));
    sentences.extend(sealed::sentence(brief));
    sentences.extend(contrasts::overall(brief));
    sentences.extend(lives::strongest_wear(brief, MOST_LIVES));
    sentences.extend(priority_parts::sentence(brief));
    sentences.extend(endings::sentences(brief).into_iter().take(last));
    if !sentences.is_empty() {
        sentences.push(what_is_not_shown(brief));
    }
    sentences
}

/// The failure rate of the largest category, or its commonest fault where no machine is observed over time.
fn how_often(brief: &Brief<'_>) -> Option<String> {
    let category = brief.categories.first()?;
    let all_faults = brief.evidence.first(&Query::of("failure_rate").category(&category.key).all_ages().null("component"));
    if let Some(rate) = all_faults.as_ref().and_then(rate_said) {
        return Some(format!("{} fail {rate}.", category.heading()));
    }
    let (category, commonest) =
        brief.categories.iter().find_map(|category| Some((category, brief.faults(category).into_iter().next()?)))?;
    Some(format!(
        "The commonest fault in the jobs on {} is that of the {}: {} of jobs with a known fault. This is a share of jobs, not a failure rate.",
        category.many,
        brief.names.component(commonest.text("component")?),
        said(&commonest, Unit::Share, "jobs")?
    ))
}

fn what_is_not_shown(brief: &Brief<'_>) -> String {
    let about = brief.evidence.about();
    let mut limits = Vec::new();
    limits.push(if about.has_exposure() {
        "how machines outside the roster fare"
    } else {
        "how often machines fail, since no roster says which machines were observed, and for how long"
    });
    limits.push(if about.models_in_catalogue > 0 {
        "whether makers who choose one design differ in other ways too"
    } else {
        "what the design has to do with it, since no catalogue says how models are built"
    });
    limits.push("what became of machines that nobody brought to repair");
    format!("What these records cannot show: {}.", limits.join("; "))
}
