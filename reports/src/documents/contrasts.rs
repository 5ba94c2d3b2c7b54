//! Two designs compared at the same ages: sentences, chart and numbers.

use super::brief::Brief;
use crate::charts::{IntervalPlot, IntervalRow, Look, Plot, Reference};
use crate::document::{Block, Cell, Chart, Column, Section, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_DRAWN: usize = 12;

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("contrasts", "Designs compared");
    let sentences = sentences(brief);
    if !sentences.is_empty() {
        section.blocks.push(Block::List(sentences));
    }
    let rows = rows(brief);
    let adjusted: Vec<IntervalRow> = rows
        .iter()
        .filter(|row| is_adjusted(row))
        .take(MOST_DRAWN)
        .map(|row| IntervalRow { label: label(brief, row), quantity: row.quantity(Unit::Ratio), standing: None })
        .collect();
    let numbers = numbers(brief, &rows);
    section.blocks.push(if adjusted.is_empty() {
        Block::Table(numbers)
    } else {
        Block::Chart(Box::new(Chart {
            title: "Designs compared at the same ages".to_owned(),
            description: "Ratio of the first design to the second. Right of the line the first fares worse; an interval that crosses the line leaves it open."
                .to_owned(),
            plot: Plot::Intervals(IntervalPlot {
                unit: Unit::Ratio,
                look: Look::Ratios,
                reference: Some(Reference { value: 1.0, label: "no difference".to_owned() }),
                rows: adjusted,
            }),
            numbers,
        }))
    });
    section
}

/// One sentence a contrast whose ratio at equal ages was estimated, worded as the analysis found it.
pub(super) fn sentences(brief: &Brief<'_>) -> Vec<String> {
    rows(brief).iter().filter(|row| is_adjusted(row)).filter_map(|row| sentence(brief, row)).collect()
}

/// Rows by category, or overall where no category has any.
fn rows(brief: &Brief<'_>) -> Vec<Row> {
    let by_category: Vec<Row> =
        brief.categories.iter().flat_map(|category| brief.evidence.rows(&Query::of("design_contrast").category(&category.key))).collect();
    if by_category.is_empty() { brief.evidence.rows(&Query::of("design_contrast").overall()) } else { by_category }
}

/// Whether the row is a ratio with ages held equal. Odds ratios are left to the table.
fn is_adjusted(row: &Row) -> bool {
    matches!(row.text("statistic"), Some("risk_ratio_mantel_haenszel" | "rate_ratio_mantel_haenszel")) && row.real("estimate").is_some()
}

fn is_rate(row: &Row) -> bool {
    row.text("statistic").is_some_and(|statistic| statistic.starts_with("rate_"))
}

fn sentence(brief: &Brief<'_>, row: &Row) -> Option<String> {
    let machines = machines(brief, row);
    let ratio = wording::in_sentence(&row.quantity(Unit::Ratio)?);
    let contrast = words(row, "contrast");
    let (exposed, reference) = (words(row, "exposed"), words(row, "reference"));
    let component = row.text("component").map(|key| brief.names.component(key));
    let (with, happens) = match (row.text("outcome")?, component) {
        ("write_off", Some(component)) => (format!(" with a fault of the {component}"), "are written off".to_owned()),
        ("write_off", None) => (String::new(), "are written off".to_owned()),
        (_, Some(component)) => (String::new(), format!("have a fault of the {component}")),
        (_, None) => (String::new(), "fail".to_owned()),
    };
    let basis =
        format!("{} against {}", group(row, "exposed_events", "exposed_total")?, group(row, "reference_events", "reference_total")?);
    let ages = "at the same ages";
    Some(match row.text("finding")? {
        "higher" | "lower" => {
            format!(
                "{}{with} of {exposed} {contrast} {happens} {ratio} times as often {ages} as those of {reference} {contrast} ({basis}).",
                wording::sentence_case(&machines)
            )
        }
        _ => format!(
            "Whether {machines}{with} of {exposed} {contrast} {happens} more or less often than those of {reference} {contrast} is not shown: {ages} the ratio is {ratio} ({basis})."
        ),
    })
}

fn machines(brief: &Brief<'_>, row: &Row) -> String {
    row.text("category").map_or_else(|| "machines".to_owned(), |key| brief.names.categories(key))
}

fn words(row: &Row, column: &str) -> String {
    row.text(column).unwrap_or_default().replace('_', " ")
}

/// "312 of 840 jobs" or "41 in 1,204.5 machine-years".
fn group(row: &Row, events: &str, total: &str) -> Option<String> {
    let (events, total) = (wording::count(row.integer(events)?), wording::plain(row.real(total)?));
    Some(if is_rate(row) { format!("{events} in {total} machine-years") } else { format!("{events} of {total} jobs") })
}

fn label(brief: &Brief<'_>, row: &Row) -> String {
    let component = row.text("component").map(|key| brief.names.component(key));
    let outcome = match (row.text("outcome"), component) {
        (Some("write_off"), Some(component)) => format!("write-off, {component}"),
        (Some("write_off"), None) => "write-off".to_owned(),
        (_, Some(component)) => component,
        (_, None) => "any fault".to_owned(),
    };
    format!("{outcome}: {} v. {}", words(row, "exposed"), words(row, "reference"))
}

fn measure(statistic: &str) -> String {
    match statistic {
        "risk_ratio_crude" => "risk ratio, ages not held equal",
        "risk_ratio_mantel_haenszel" => "risk ratio at the same ages (Mantel-Haenszel)",
        "odds_ratio_mantel_haenszel" => "odds ratio at the same ages (Mantel-Haenszel)",
        "rate_ratio_crude" => "rate ratio, ages not held equal",
        "rate_ratio_mantel_haenszel" => "rate ratio at the same ages (Mantel-Haenszel)",
        "risk_homogeneity_p" => "p-value that the risk ratio is the same at all ages (Cochran's Q)",
        "breslow_day_p" => "p-value that the odds ratio is the same at all ages (Breslow-Day)",
        "rate_homogeneity_p" => "p-value that the rate ratio is the same at all ages (Cochran's Q)",
        other => return other.replace('_', " "),
    }
    .to_owned()
}

fn numbers(brief: &Brief<'_>, rows: &[Row]) -> Table {
    let text = |words: Option<String>| words.map_or(Cell::Nothing, Cell::Text);
    Table {
        caption: "Designs compared".to_owned(),
        columns: vec![
            Column::text("Contrast"),
            Column::text("Measure"),
            Column::number("Figure"),
            Column::number("First design"),
            Column::number("Second design"),
            Column::number("Strata"),
            Column::text("Machines"),
        ],
        rows: rows
            .iter()
            .map(|row| {
                let statistic = row.text("statistic").unwrap_or_default();
                vec![
                    Cell::Text(label(brief, row)),
                    Cell::Text(measure(statistic)),
                    row.cell(if statistic.ends_with("_p") { Unit::Probability } else { Unit::Ratio }),
                    text(group(row, "exposed_events", "exposed_total")),
                    text(group(row, "reference_events", "reference_total")),
                    row.count_cell("strata"),
                    Cell::Text(machines(brief, row)),
                ]
            })
            .collect(),
        notes: Vec::new(),
        when_empty: brief
            .when_empty("design_contrast", "No two designs can be compared: the catalogue does not say how enough models are built."),
    }
}
