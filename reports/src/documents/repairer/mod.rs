//! For the repair business: which models to take on, what to quote, carry, keep and strip; what comes in, what it costs, how it ends, what changes.

mod closing;
mod endings;
mod faults;
mod models;
mod quotes;
mod returns;
mod statements;
mod stock;
mod take_on;
mod trends;

use super::brief::{Brief, findings};
use super::data;
use crate::document::{Document, Reader};
use crate::evidence_view::Query;

const TABLES: [&str; 11] = [
    "fault_share",
    "repair_cost",
    "outcome",
    "closing_test",
    "model_standing",
    "recall",
    "take_on",
    "quote",
    "stock_list",
    "donor_value",
    "trend",
];
/// Tables of the sections that come first.
const DECISIONS: [&str; 4] = ["take_on", "quote", "stock_list", "donor_value"];
const LIMITS: [&str; 6] = [
    "The figures describe the machines that were brought to repair, not all machines in use.",
    "Costs cover jobs that ended repaired; what a repair would have cost on machines that were condemned or declined is not known.",
    "A machine that comes back to somebody else is not seen. Return shares of machines outside the roster are therefore lower bounds.",
    "A contribution is a mean over the jobs that came, at the prices then charged; another price would have brought other jobs.",
    "A van list is tried on jobs whose needs are known afterwards; that the right parts are taken along for a fault not known yet is not tested.",
    "A model without a verdict is not a good model: it is one with too few records.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    let mut document = Document {
        title: "Which jobs pay, what to quote, what to stock".to_owned(),
        purpose: "For the repair business: which models to take on, what to quote and carry, which faults pay, which jobs end as write-offs, and what comes back.".to_owned(),
        reader: Reader::Repairer,
        facts: brief.facts(),
        sections: vec![
            findings(statements::sentences(brief)),
            take_on::section(brief),
            quotes::section(brief),
            stock::section(brief),
            stock::donors(brief),
            endings::intake(brief),
            faults::section(brief),
            endings::section(brief),
            closing::section(brief),
            models::section(brief),
            returns::section(brief),
            trends::section(brief),
            data::cleaning(brief),
            data::methods(brief, &TABLES, &LIMITS),
        ],
    };
    if !DECISIONS.iter().any(|table| brief.evidence.first(&Query::of(table)).is_some()) {
        // what the records do support comes first
        let data = document.sections.iter().position(|section| section.id == "data");
        data.into_iter().for_each(|at| document.sections[1..at].rotate_left(DECISIONS.len()));
    }
    document
}
