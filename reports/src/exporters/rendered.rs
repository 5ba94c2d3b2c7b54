//! Tables and cells as text, for every format that prints them: numbers worded, reasons gathered as footnotes.

use crate::document::{Align, Cell, Table};
use crate::wording::{self, Words};
use serde::Serialize;

/// Longer texts are sentences and need a wider column.
const LONGEST_WORDS: usize = 40;
/// A row with as many figures with intervals is too long for one line.
const FIGURES_OF_WIDE_TABLE: usize = 3;

#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct RenderedTable {
    pub caption: String,
    pub columns: Vec<RenderedColumn>,
    pub rows: Vec<Vec<RenderedCell>>,
    /// Whether its figures need several lines, lest it be too wide to read.
    pub wide: bool,
    pub notes: Vec<RenderedNote>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct RenderedColumn {
    pub heading: String,
    pub unit: Option<String>,
    pub at_end: bool,
}

/// A remark under a table; `mark` ties it to the cells it explains.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(super) struct RenderedNote {
    pub mark: Option<String>,
    pub text: String,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub(super) struct RenderedCell {
    pub value: String,
    pub interval: Option<String>,
    pub n: Option<String>,
    /// Mark of the note that says why there is no number.
    pub note: Option<String>,
    /// A word for how the cell looks: `number`, `words`, `prose`, `missing`, or a standing.
    pub kind: &'static str,
    pub at_end: bool,
}

impl RenderedCell {
    /// The cell on one line.
    pub(super) fn joined(&self) -> String {
        let words = Words { value: self.value.clone(), interval: self.interval.clone(), n: self.n.clone() };
        self.note.as_ref().map_or_else(|| words.joined(), |note| format!("{} ({note})", words.joined()))
    }
}

/// A table as text, or the words that stand in for a table without rows.
pub(super) fn table(table: &Table) -> Result<RenderedTable, &str> {
    if table.rows.is_empty() {
        return Err(&table.when_empty);
    }
    let mut reasons: Vec<&str> = Vec::new();
    let rows = table
        .rows
        .iter()
        .map(|cells| {
            let padded = cells.iter().chain(std::iter::repeat(&Cell::Nothing));
            table.columns.iter().zip(padded).map(|(column, content)| cell(content, column.align, &mut reasons)).collect()
        })
        .collect();
    let marked =
        reasons.iter().enumerate().map(|(place, reason)| RenderedNote { mark: Some(mark(place)), text: wording::sentence(reason) });
    let remarks = table.notes.iter().map(|note| RenderedNote { mark: None, text: note.clone() });
    let columns = table.columns.iter().map(|column| RenderedColumn {
        heading: column.heading.clone(),
        unit: column.unit.clone(),
        at_end: column.align == Align::End,
    });
    let figures =
        |cells: &Vec<Cell>| cells.iter().filter(|cell| matches!(cell, Cell::Quantity(quantity) if quantity.interval.is_some())).count();
    let wide = table.rows.iter().map(figures).max().unwrap_or(0) >= FIGURES_OF_WIDE_TABLE;
    Ok(RenderedTable { caption: table.caption.clone(), columns: columns.collect(), rows, wide, notes: marked.chain(remarks).collect() })
}

/// A figure outside a table: units in full, and the reason in place of a missing number.
pub(super) fn figure(figure: &Cell) -> RenderedCell {
    match figure {
        Cell::Quantity(quantity) => from_words(wording::with_unit_in_value(quantity)),
        Cell::Missing(reason) => {
            RenderedCell { value: "not estimated".to_owned(), interval: Some(reason.clone()), kind: "missing", ..RenderedCell::default() }
        }
        other => cell(other, Align::Start, &mut Vec::new()),
    }
}

fn cell<'a>(content: &'a Cell, align: Align, reasons: &mut Vec<&'a str>) -> RenderedCell {
    let rendered = match content {
        Cell::Text(text) => {
            let kind = if text.chars().count() > LONGEST_WORDS { "prose" } else { "words" };
            RenderedCell { value: text.clone(), kind, ..RenderedCell::default() }
        }
        Cell::Count(count) => RenderedCell { value: wording::count(*count), kind: "number", ..RenderedCell::default() },
        Cell::Quantity(quantity) => from_words(wording::in_cell(quantity)),
        Cell::Nothing => RenderedCell { value: "–".to_owned(), kind: "missing", ..RenderedCell::default() },
        Cell::Missing(reason) => {
            let place = reasons.iter().position(|known| known == reason).unwrap_or_else(|| {
                reasons.push(reason);
                reasons.len() - 1
            });
            RenderedCell { value: "not estimated".to_owned(), note: Some(mark(place)), kind: "missing", ..RenderedCell::default() }
        }
        Cell::Verdict(standing, words) => {
            RenderedCell { value: format!("{} {words}", standing.mark()), kind: standing.key(), ..RenderedCell::default() }
        }
    };
    RenderedCell { at_end: align == Align::End, ..rendered }
}

fn from_words(words: Words) -> RenderedCell {
    RenderedCell { value: words.value, interval: words.interval, n: words.n, kind: "number", ..RenderedCell::default() }
}

/// a, b, ... z, aa, ab, ...
fn mark(place: usize) -> String {
    let letter = char::from(b'a' + (place % 26) as u8);
    if place < 26 { letter.to_string() } else { format!("{}{letter}", mark(place / 26 - 1)) }
}
