//! For the repair-advocacy group: what can be claimed in public, and how far.

pub(super) mod claims;
mod condemned;
mod contrasts;
mod curves;
mod declared;
mod endings;
mod failure;
mod law;
mod lives;
mod prices;
mod priority_parts;
mod sealed;
mod standings;
mod statements;

use super::brief::Brief;
use super::data;
use crate::document::{Document, Fact, Reader};

const TABLES: [&str; 14] = [
    "outcome",
    "outcome_by_age",
    "write_off_reason",
    "fault_share",
    "failure_rate",
    "life",
    "recurrence",
    "sealed_write_off",
    "design_contrast",
    "part_supply",
    "part_price",
    "declared_lived",
    "model_standing",
    "priority_part",
];
const LIMITS: [&str; 6] = [
    "Rates rest on the machines of the roster: machines under a service plan or guarantee, or rented out. They may be used and kept differently from others.",
    "Where there is no roster, only shares of jobs can be given. A share says which fault is common among machines brought to repair, not how often machines fail.",
    "Contrasts of designs compare jobs as they reached the workshop, or machines of the roster, within age bands. Makers who choose one design may differ in other ways too; what brought a difference about, no figure here says.",
    "Intervals take machines as independent of each other. All machines of a model share its design, so that what can be said of a design in general is less sure than its interval looks.",
    "Intervals cover chance only, not errors in the records.",
    "No figure rests on fewer machines or jobs than the least cell named on the first page, and none is given from which such a figure could be had by subtraction.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    let claims = claims::list(brief);
    let limits = (!claims.claims.is_empty()).then(|| statements::what_is_not_shown(brief));
    let mut document = Document {
        title: "What fails, when, and how designs compare".to_owned(),
        purpose: "For the repair-advocacy group: figures that can be defended in public, each with its basis and its limits.".to_owned(),
        reader: Reader::Advocate,
        facts: brief.facts(),
        sections: vec![
            claims::opening(&claims, limits),
            failure::section(brief),
            lives::section(brief),
            endings::section(brief),
            condemned::section(brief),
            sealed::section(brief),
            contrasts::section(brief),
            law::section(brief),
            priority_parts::section(brief),
            standings::section(brief),
            claims::section(&claims),
            data::cleaning(brief),
            data::methods(brief, &TABLES, &LIMITS),
        ],
    };
    if !brief.evidence.about().has_exposure() {
        // Where no machine is observed over time, how repairs end is what the records say best.
        let endings = document.sections.iter().position(|section| section.id == "endings");
        endings.into_iter().for_each(|at| document.sections[1..=at].rotate_right(1));
    }
    if let Some(least) = brief.evidence.about().least_cell {
        document.facts.push(Fact { label: "Least cell".to_owned(), text: format!("{least} machines or jobs") });
    }
    document
}
