//! What comes back: roster machines, and apart from them all machines that could be followed, as a lower bound.

use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, counted_cell};
use crate::documents::returns::{self, Followed};
use crate::evidence_view::Query;

const MOST_COMPONENTS: usize = 12;

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("returns", "What comes back");
    section.blocks.push(Block::Paragraph(returns::READING.to_owned()));
    section.blocks.push(Block::Table(any_repair(brief)));
    section.blocks.push(Block::Table(by_component(brief)));
    section.blocks.push(Block::Subheading("By where the part came from".to_owned()));
    let best = Followed::best(brief);
    section.blocks.push(Block::Table(returns::by_part_source(brief, best)));
    section.blocks.extend(returns::all_folded(best, returns::by_part_source(brief, Followed::All)));
    section.blocks.push(Block::Subheading("By what was replaced".to_owned()));
    section.blocks.extend(returns::repair_scope_blocks(brief));
    section
}

fn columns(brief: &Brief<'_>) -> Vec<Followed> {
    if Followed::best(brief) == Followed::Roster { vec![Followed::Roster, Followed::All] } else { vec![Followed::All] }
}

fn any_repair(brief: &Brief<'_>) -> Table {
    let followed = columns(brief);
    let rows = [30, 90, 365].into_iter().flat_map(|days| [false, true].map(|same_fault| (days, same_fault)));
    let rows = rows.filter_map(|(days, same_fault)| {
        let of = |followed: &Followed| brief.evidence.first(&returns::any_repair(*followed == Followed::Roster, same_fault, days));
        let found: Vec<_> = followed.iter().map(of).collect();
        let cells = found.iter().map(|row| row.as_ref().map_or(Cell::Nothing, |row| counted_cell(row, Unit::Share, "jobs")));
        let reason = if same_fault { "the same fault" } else { "any reason" };
        found.iter().any(Option::is_some).then(|| std::iter::once(Cell::Text(format!("{days} days, {reason}"))).chain(cells).collect())
    });
    Table {
        caption: "Machines that came back after a repair".to_owned(),
        columns: std::iter::once(Column::text("Within, for"))
            .chain(followed.iter().map(|followed| Column::number(followed.words())))
            .collect(),
        rows: rows.collect(),
        notes: vec![returns::N_IS_REPAIRS.to_owned()],
        when_empty: brief.when_empty("recall", "No machine can be told apart well enough to see whether it came back."),
    }
}

fn by_component(brief: &Brief<'_>) -> Table {
    let followed = columns(brief);
    let recall = |followed: &Followed| {
        let query = Query::of("recall").overall().null("part_source").null("repair_scope").not_null("component");
        query.with("same_fault", true).with("horizon_days", 365_i64).with("roster_only", *followed == Followed::Roster)
    };
    let found: Vec<_> = followed.iter().map(|followed| brief.evidence.rows(&recall(followed))).collect();
    let mut most_followed: Vec<_> = found.first().into_iter().flatten().filter(|row| row.real("estimate").is_some()).collect();
    most_followed.sort_by_key(|row| std::cmp::Reverse(row.integer("jobs")));
    most_followed.truncate(MOST_COMPONENTS);
    let rows = most_followed.into_iter().map(|row| {
        let same = |rows: &Vec<crate::evidence_view::Row>| {
            let other = rows.iter().find(|other| other.text("component") == row.text("component"));
            other.map_or(Cell::Nothing, |other| counted_cell(other, Unit::Share, "jobs"))
        };
        std::iter::once(Cell::Text(brief.component_of(row))).chain(found.iter().map(same)).collect()
    });
    Table {
        caption: "By the component that was repaired: the same fault again within 365 days".to_owned(),
        columns: std::iter::once(Column::text("Component"))
            .chain(followed.iter().map(|followed| Column::number(followed.words())))
            .collect(),
        rows: rows.collect(),
        notes: vec![format!("The {MOST_COMPONENTS} components repaired most often; {}", returns::N_IS_REPAIRS.to_lowercase())],
        when_empty: "No component has enough repairs to follow.".to_owned(),
    }
}
