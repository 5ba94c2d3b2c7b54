//! How models stand against their kind: counts of verdicts for all categories, a funnel for the largest.

use crate::document::{Block, Cell, Column, Section, Standing, Table};
use crate::documents::brief::Brief;
use crate::documents::models::{self, Measure};

const STANDINGS: [(Standing, &str); 4] = [
    (Standing::Worse, "Worse than their kind"),
    (Standing::Better, "Better"),
    (Standing::NotDistinguishable, "Not to be told apart"),
    (Standing::NotEnoughEvidence, "Not enough evidence"),
];

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("models", "How models stand against their kind");
    let compared = |measure: Measure| brief.categories.iter().any(|category| !models::standings(brief, category, measure).is_empty());
    let Some(measure) = [Measure::Rate, Measure::WriteOff].into_iter().find(|measure| compared(*measure)) else {
        section.blocks.push(Block::Note(brief.when_empty("model_standing", "No model has enough records to be compared with its kind.")));
        return section;
    };
    section.blocks.push(Block::Paragraph(
        "Each model is compared with the other models of its kind at the same ages. Models are called worse or better only where that holds after allowing for machines that differ \
         and for all that were compared at once (every kind, part and model, failures and write-offs), with a share of false calls of one in twenty at most."
            .to_owned(),
    ));
    section.blocks.push(Block::Table(counts(brief, measure)));
    section.blocks.extend(brief.main().iter().filter_map(|category| models::funnel(brief, category, measure)));
    section
}

fn counts(brief: &Brief<'_>, measure: Measure) -> Table {
    let rows = brief.categories.iter().filter_map(|category| {
        let rows = models::standings(brief, category, measure);
        let of = |standing: Standing| Cell::Count(rows.iter().filter(|row| models::standing(row) == standing).count() as i64);
        let counts = STANDINGS.into_iter().map(|(standing, _)| of(standing));
        let compared = [Cell::Text(category.heading()), Cell::Count(rows.len() as i64)];
        (!rows.is_empty()).then(|| compared.into_iter().chain(counts).collect())
    });
    Table {
        caption: format!("{}: how many models stand out", measure.title()),
        columns: [Column::text("Category"), Column::number("Models compared")]
            .into_iter()
            .chain(STANDINGS.map(|(_, heading)| Column::number(heading)))
            .collect(),
        rows: rows.collect(),
        notes: Vec::new(),
        when_empty: String::new(),
    }
}
