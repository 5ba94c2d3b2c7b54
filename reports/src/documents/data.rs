//! The last sections of every document: how the records were read, how each table came about, what it cannot show.

use super::brief::{Brief, shortened};
use crate::document::{Block, Cell, Column, Method, Section, Table};
use crate::wording;

const MOST_REASONS: usize = 25;
const MOST_FILES: usize = 40;

/// Rows in, and what became of them.
pub(super) fn cleaning(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("data", "How the records were read");
    section.blocks.push(Block::Paragraph(
        "Every row that came in is accounted for: it was accepted, was an identical repeat, replaced an earlier version of the same record, or was \
         quarantined with a reason. Values that cannot be true were set aside, and the rest of their row was used."
            .to_owned(),
    ));
    section.blocks.push(Block::Table(files(brief)));
    section.blocks.push(Block::Table(put_aside(brief)));
    section.blocks.push(Block::List(known_and_unknown(brief)));
    section
}

fn files(brief: &Brief<'_>) -> Table {
    let counts = ["Rows in", "Accepted", "Repeats", "Replaced an earlier version", "Quarantined", "Values set aside"];
    let rows = brief.evidence.about().files.iter().map(|file| {
        let counts = [file.rows_in, file.accepted, file.repeats, file.superseded, file.quarantined, file.values_set_aside];
        [Cell::Text(file.file.clone()), Cell::Text(file.table.clone())].into_iter().chain(counts.map(Cell::Count)).collect()
    });
    let table = Table {
        caption: "Rows by file".to_owned(),
        columns: [Column::text("File"), Column::text("Records")].into_iter().chain(counts.map(Column::number)).collect(),
        rows: rows.collect(),
        notes: vec!["Rows in = accepted + repeats + replaced an earlier version + quarantined.".to_owned()],
        when_empty: "The store holds no ledger of what was read.".to_owned(),
    };
    shortened(table, MOST_FILES, "ledger")
}

fn put_aside(brief: &Brief<'_>) -> Table {
    let mut reasons: Vec<_> = brief.evidence.about().put_aside.iter().collect();
    reasons.sort_by(|a, b| b.count.cmp(&a.count).then_with(|| (&a.table, &a.column, &a.reason).cmp(&(&b.table, &b.column, &b.reason))));
    let table = Table {
        caption: "What was put aside, and what would mend it".to_owned(),
        columns: vec![
            Column::text("Reason"),
            Column::number("How often"),
            Column::text("Put aside"),
            Column::text("Column"),
            Column::text("Records"),
            Column::text("Remedy"),
        ],
        rows: reasons
            .into_iter()
            .map(|row| {
                vec![
                    Cell::Text(wording::sentence_case(&row.reason.replace('_', " "))),
                    Cell::Count(row.count),
                    Cell::Text(if row.kind == "row" { "the row" } else { "the value" }.to_owned()),
                    row.column.clone().map_or(Cell::Nothing, Cell::Text),
                    Cell::Text(row.table.clone()),
                    Cell::Text(row.remedy.clone()),
                ]
            })
            .collect(),
        notes: brief
            .evidence
            .about()
            .least_cell
            .map(|least| format!("Reasons that came up fewer than {least} times are left out."))
            .into_iter()
            .collect(),
        when_empty: "Nothing was quarantined and no value was set aside.".to_owned(),
    };
    shortened(table, MOST_REASONS, "quarantine")
}

/// What the accepted jobs say and leave open.
fn known_and_unknown(brief: &Brief<'_>) -> Vec<String> {
    let about = brief.evidence.about();
    let jobs = |count: i64| wording::count_of(count, "job", "jobs");
    let ages: Vec<String> =
        about.age_basis.iter().map(|(basis, count)| format!("{} {}", wording::count(*count), basis.replace('_', " "))).collect();
    let mut sentences = vec![
        format!(
            "Of {}, {} name the part that failed, {} of them more than one; on {} a fault was found and no part is named.",
            jobs(about.jobs),
            wording::count(about.jobs_with_primary_fault),
            wording::count(about.jobs_with_several_primary_faults),
            wording::count(about.jobs_fault_not_named)
        ),
        format!(
            "{} cannot be tied to a machine, and {} have no age.",
            wording::sentence_case(&jobs(about.jobs_machine_unknown)),
            wording::count(about.jobs_age_unknown)
        ),
    ];
    if about.jobs_other_currency > 0 {
        sentences.push(format!("{} state their money in another currency and are left out of costs.", jobs(about.jobs_other_currency)));
    }
    if about.has_exposure() {
        let spans =
            about.source_spans.iter().map(|(source, [from, to])| format!("{source} from {} to {}", wording::date(from), wording::date(to)));
        sentences.push(format!(
            "Machines of the roster count as watched only while their source has job records: {}. {} of {} were watched at some time; of {} it is \
             not known when they were put into service, so that they count in rates over all ages alone.",
            wording::enumeration(&spans.collect::<Vec<_>>()),
            wording::count(about.roster_machines_observed),
            wording::count_of(about.roster_machines, "machine", "machines"),
            wording::count(about.roster_machines_age_unknown)
        ));
    }
    if !ages.is_empty() {
        sentences.push(format!("What the ages of jobs rest on: {}.", wording::enumeration(&ages)));
    }
    sentences
}

/// The dictionary's account of the tables a document draws on, what is missing from them, and the limits.
pub(super) fn methods(brief: &Brief<'_>, tables: &[&str], limits: &[&str]) -> Section {
    let mut section = Section::new("methods", "Methods and limits");
    let missing = brief.evidence.about().missing.iter().filter(|(table, _)| tables.contains(&table.as_str()));
    let missing = missing.map(|(table, why)| format!("{}: {}", title(table), wording::sentence(why)));
    section.blocks.push(Block::List(limits.iter().map(|limit| (*limit).to_owned()).chain(missing).collect()));
    let described = fixodds_schemas::evidence_tables().iter().filter(|table| tables.contains(&table.name.as_str()));
    section.blocks.push(Block::Methods(
        described
            .map(|table| {
                let method = table.method.as_deref().map_or_else(String::new, |method| format!("\n{}", wording::sentence(method)));
                Method { name: title(&table.name), text: wording::sentence(&table.description) + &method }
            })
            .collect(),
    ));
    section
}

fn title(table: &str) -> String {
    wording::sentence_case(&table.replace('_', " "))
}
