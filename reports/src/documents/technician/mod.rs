//! For the technician: what hurts, what to test first, what goes with it.

mod bench;
mod cascades;
mod statements;

use super::brief::{Brief, findings};
use super::data;
use crate::document::{Block, Document, Reader, Section};
use fixodds_schemas::vocabulary::Caution;

const TABLES: [&str; 5] = ["fault_share", "failure_rate", "cascade", "recall", "repair_cost"];
const LIMITS: [&str; 3] = [
    "The order of checks follows how often each component is at fault in the records; it does not know the symptom in front of you.",
    "Check times are common practice, no source; repair times are the labour times recorded.",
    "The maker's instructions, local codes and your own training come before this page.",
];

pub(super) fn build(brief: &Brief<'_>) -> Document {
    let mut sections = vec![emergencies(brief), cautions(brief), findings(statements::sentences(brief))];
    sections.extend(brief.main().iter().map(|category| bench::page(brief, category)));
    sections.extend(bench::others(brief));
    sections.push(closing(brief));
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
    let mut cautions: Vec<&Caution> = brief
        .categories
        .iter()
        .flat_map(|category| brief.names.cautions(&category.key, &bench::components(brief, category)))
        .chain(brief.names.cautions("", &[]))
        .collect();
    cautions.sort_by_key(|caution| caution.order);
    cautions.dedup_by_key(|caution| caution.order);
    let full = cautions.into_iter().map(|caution| format!("{}. {}", caution.name, caution.text));
    section.blocks.push(Block::Caution(full.collect()));
    section
}

/// What stops everything, in the words to say to the customer.
fn emergencies(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("emergencies", "Stop: emergencies");
    section.blocks.push(Block::Paragraph(
        "Reported by the customer, each of these comes before any question about the fault. Say this, in this order.".to_owned(),
    ));
    for (name, advice) in brief.names.emergencies() {
        section.blocks.push(Block::Subheading(name.to_owned()));
        let last = format!("{} Whoever looks for the fault: {}.", advice.until, advice.qualified);
        section.blocks.push(Block::Caution(advice.now.iter().cloned().chain([last]).collect()));
    }
    section
}

/// What is tested after any repair.
fn closing(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("closing", "After any repair, before it goes back");
    let categories: Vec<String> = brief.categories.iter().map(|category| category.key.clone()).collect();
    let tests = brief.names.closing_tests(&categories);
    section.blocks.push(Block::List(tests.iter().map(|test| format!("{}. {} Source: {}", test.name, test.text, test.source)).collect()));
    section.blocks.push(Block::Note(
        "Prompts with the usual limits, not pass or fail of a standard. Write the results down with the job.".to_owned(),
    ));
    section
}
