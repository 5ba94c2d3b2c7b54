//! For the repair business: what comes in, what it costs to mend, how it ends, which models, what comes back.

mod endings;
mod faults;
mod models;
mod returns;
mod statements;

use super::brief::{Brief, findings};
use super::data;
use crate::document::{Document, Reader};

const TABLES: [&str; 5] = ["fault_share", "repair_cost", "outcome", "model_standing", "recall"];
const LIMITS: [&str; 4] = [
    "The figures describe the machines that were brought to repair, not all machines in use.",
    "Costs cover jobs that ended repaired; what a repair would have cost on machines that were condemned or declined is not known.",
    "A machine that comes back to somebody else is not seen. Return shares of machines outside the roster are therefore lower bounds.",
    "A model without a verdict is not a good model: it is one with too few records.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    Document {
        title: "What comes in, what it costs, how it ends".to_owned(),
        purpose: "For the repair business: which faults and models pay, which end as write-offs, and what comes back.".to_owned(),
        reader: Reader::Repairer,
        facts: brief.facts(),
        sections: vec![
            findings(statements::sentences(brief)),
            endings::intake(brief),
            faults::section(brief),
            endings::section(brief),
            models::section(brief),
            returns::section(brief),
            data::cleaning(brief),
            data::methods(brief, &TABLES, &LIMITS),
        ],
    }
}
