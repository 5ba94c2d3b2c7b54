//! How models stand against their kind: verdicts as the analysis decided them.

use super::brief::{Brief, Category, probability_cell};
use crate::charts::{Funnel, FunnelPoint, Plot};
use crate::document::{Block, Cell, Chart, Column, Quantity, Standing, Table, Unit};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_POINTS: usize = 60;
const MOST_NAMED: usize = 3;

/// What models are compared on.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Measure {
    Rate,
    WriteOff,
}

impl Measure {
    pub fn key(self) -> &'static str {
        match self {
            Measure::Rate => "rate",
            Measure::WriteOff => "write_off",
        }
    }

    pub fn unit(self) -> Unit {
        match self {
            Measure::Rate => Unit::PerMachineYear,
            Measure::WriteOff => Unit::Share,
        }
    }

    fn size_column(self) -> &'static str {
        match self {
            Measure::Rate => "machine_years",
            Measure::WriteOff => "jobs",
        }
    }

    pub fn title(self) -> &'static str {
        match self {
            Measure::Rate => "Failures on the roster against those expected at the same ages, model by model",
            Measure::WriteOff => "Jobs that end as write-offs against those expected at the same ages, model by model",
        }
    }
}

/// The rows of one measure for the models of a category, all components together.
pub(super) fn standings(brief: &Brief<'_>, category: &Category, measure: Measure) -> Vec<Row> {
    brief.ranked(&Query::of("model_standing").models_of(&category.key).with("measure", measure.key()).null("component"))
}

pub(super) fn standing(row: &Row) -> Standing {
    match row.text("standing") {
        Some("worse") => Standing::Worse,
        Some("better") => Standing::Better,
        Some("not_distinguishable") => Standing::NotDistinguishable,
        _ => Standing::NotEnoughEvidence,
    }
}

/// The standing of a model in words.
pub(super) fn verdict(row: Option<&Row>, measure: Measure) -> Cell {
    let standing = row.map_or(Standing::NotEnoughEvidence, standing);
    let words = match (standing, measure) {
        (Standing::Worse, Measure::Rate) => "more faults on the roster than its kind",
        (Standing::Better, Measure::Rate) => "fewer faults on the roster than its kind",
        (Standing::Worse, Measure::WriteOff) => "jobs end as write-offs more often than on its kind",
        (Standing::Better, Measure::WriteOff) => "jobs end as write-offs less often than on its kind",
        (Standing::NotDistinguishable, _) => "no clear difference",
        (Standing::NotEnoughEvidence, _) => "not enough evidence",
    };
    Cell::Verdict(standing, words.to_owned())
}

/// Models that stand out in one way, furthest first: the first few by name, the others counted.
pub(super) fn named(rows: &[Row], wanted: Standing) -> Option<String> {
    let mut names: Vec<String> =
        rows.iter().filter(|row| standing(row) == wanted).filter_map(|row| row.text("scope")).map(str::to_owned).collect();
    if wanted == Standing::Better {
        names.reverse();
    }
    let all = names.len();
    names.truncate(MOST_NAMED);
    match (names.is_empty(), all - names.len()) {
        (true, _) => None,
        (false, 0) => Some(wording::enumeration(&names)),
        (false, more) => Some(format!("{} and {more} more", names.join(", "))),
    }
}

/// The funnel of a category with its numbers; nothing where no model has a figure.
pub(super) fn funnel(brief: &Brief<'_>, category: &Category, measure: Measure) -> Option<Block> {
    let mut rows = standings(brief, category, measure);
    rows.retain(|row| row.real("ratio").is_some() && expected(row) > 0.0);
    let all = rows.len();
    rows.sort_by(|a, b| expected(b).total_cmp(&expected(a)));
    rows.truncate(MOST_POINTS);
    rows.first()?;
    let points = rows
        .iter()
        .map(|row| FunnelPoint {
            label: row.text("scope").unwrap_or_default().to_owned(),
            x: expected(row),
            y: row.real("ratio").unwrap_or(0.0),
            limits: row.real("funnel_lower").zip(row.real("funnel_upper")),
            standing: standing(row),
        })
        .collect();
    let x_label = match measure {
        Measure::Rate => "failures expected at the ages of its machines",
        Measure::WriteOff => "write-offs expected at the ages of its machines",
    };
    let description = "Each mark is a model: how many times as many as the other models of its kind would have had at the same ages. The more records, \
                       the further right. Inside the shaded funnel a model is where chance, and machines that differ, would put it. Which models \
                       stand out was decided after allowing for all comparisons of all kinds, parts and models at once.";
    Some(Block::Chart(Box::new(Chart {
        title: format!("{}: {}", category.heading(), measure.title()),
        description: description.to_owned(),
        plot: Plot::Funnel(Funnel { unit: Unit::Ratio, x_label: x_label.to_owned(), mean: Some(1.0), points }),
        numbers: numbers(&rows, measure, all),
    })))
}

fn expected(row: &Row) -> f64 {
    row.real("expected_events").unwrap_or(0.0)
}

fn size(row: &Row, measure: Measure) -> f64 {
    row.real(measure.size_column()).unwrap_or(0.0)
}

fn numbers(rows: &[Row], measure: Measure, all: usize) -> Table {
    let unit = wording::unit_words(&measure.unit());
    let figure = |heading: &str| Column { unit: unit.clone(), ..Column::number(heading) };
    let plain =
        |row: &Row, column: &str, unit: Unit| row.real(column).map_or(Cell::Nothing, |value| Cell::Quantity(Quantity::new(value, unit)));
    let size_heading = if measure == Measure::Rate { "Machine-years" } else { "Jobs" };
    Table {
        caption: "Models, most records first".to_owned(),
        columns: vec![
            Column::text("Model"),
            Column::number(size_heading),
            Column::number(if measure == Measure::Rate { "Failures" } else { "Write-offs" }),
            Column::number("Expected at the same ages"),
            Column::number("Recorded over expected"),
            figure("As recorded"),
            figure("Adjusted towards its kind"),
            Column::number("Probability that it is worse than its kind"),
            Column::text("Verdict"),
        ],
        rows: rows
            .iter()
            .map(|row| {
                vec![
                    Cell::Text(row.text("scope").unwrap_or_default().to_owned()),
                    Cell::Count(size(row, measure).round() as i64),
                    row.count_cell("events"),
                    plain(row, "expected_events", Unit::Number),
                    plain(row, "ratio", Unit::Ratio),
                    plain(row, "crude", measure.unit()),
                    row.cell(measure.unit()),
                    probability_cell(row, "prob_worse"),
                    verdict(Some(row), measure),
                ]
            })
            .collect(),
        notes: (all > rows.len())
            .then(|| format!("{} of {} models are shown, those with the most records.", rows.len(), wording::count(all as i64)))
            .into_iter()
            .collect(),
        when_empty: "No model has enough records to be compared.".to_owned(),
    }
}
