//! For the technician: what hurts, what to test first, what goes with it.

mod bench;
mod cascades;
mod statements;

use super::brief::{Brief, findings};
use super::data;
use crate::document::{Block, Document, Reader, Section};

const TABLES: [&str; 5] = ["fault_share", "failure_rate", "cascade", "recall", "repair_cost"];
const LIMITS: [&str; 3] = [
    "The order of checks follows how often each component is at fault in the records; it does not know the symptom in front of you.",
    "Check times are common practice, no source; repair times are the labour times recorded.",
    "The maker's instructions, local codes and your own training come before this page.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    let mut sections = vec![cautions(brief), findings(statements::sentences(brief))];
    sections.extend(brief.main().iter().map(|category| bench::page(brief, category)));
    sections.extend(bench::others(brief));
    sections.push(cascades::section(brief));
    sections.push(data::cleaning(brief));
    sections.push(data::methods(brief, &TABLES, &LIMITS));
    Document {
        title: "What to test first, and what goes with it".to_owned(),
        purpose: "For the technician at the bench: cautions, probable faults by age, the damage found with them.".to_owned(),
        reader: Reader::Technician,
        facts: brief.facts(),
        sections,
    }
}

/// All cautions that concern any component of the categories at hand, in full.
fn cautions(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("cautions", "Before you open anything");
    let components: Vec<String> = brief.categories.iter().flat_map(|category| bench::components(brief, category)).collect();
    let full = brief.names.cautions(&components).into_iter().map(|caution| format!("{}. {}", caution.name, caution.text));
    section.blocks.push(Block::Caution(full.collect()));
    section
}
