//! What a document says, before any format: typed blocks, typed cells, no markup.
//!
//! Builders fill it from evidence, exporters render it. All text is plain; exporters escape it.

use crate::charts::{IntervalPlot, IntervalRow, Look, Plot, Reference};

/// Rows of a table that a drawing of it shows.
const MOST_DRAWN: usize = 18;

/// Whom a document serves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reader {
    Repairer,
    Advocate,
    Technician,
}

impl Reader {
    pub const ALL: [Reader; 3] = [Reader::Repairer, Reader::Advocate, Reader::Technician];

    /// The word used in file names and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Reader::Repairer => "repairer",
            Reader::Advocate => "advocate",
            Reader::Technician => "technician",
        }
    }
}

/// One document for one reader.
#[derive(Clone, Debug, PartialEq)]
pub struct Document {
    pub title: String,
    /// One sentence under the title: what the document is for.
    pub purpose: String,
    pub reader: Reader,
    /// What the figures rest on: data span, source, jobs, machines, currency, cut-off.
    pub facts: Vec<Fact>,
    pub sections: Vec<Section>,
}

impl Document {
    /// What was found, in plain sentences: the list that opens the document.
    pub fn findings(&self) -> Vec<&str> {
        let opening = self.sections.iter().find(|section| section.id == "findings");
        let lists = opening.into_iter().flat_map(|section| &section.blocks).filter_map(|block| match block {
            Block::List(sentences) => Some(sentences),
            _ => None,
        });
        lists.flatten().map(String::as_str).collect()
    }
}

/// A labelled statement about the data behind the document.
#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    pub label: String,
    pub text: String,
}

/// A numbered section; `id` is its link target and unique within the document.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    pub id: String,
    pub heading: String,
    pub blocks: Vec<Block>,
}

impl Section {
    pub fn new(id: &str, heading: &str) -> Section {
        Section { id: id.to_owned(), heading: heading.to_owned(), blocks: Vec::new() }
    }
}

/// One piece of a section.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// A heading inside a section, for example one category of machine.
    Subheading(String),
    Paragraph(String),
    List(Vec<String>),
    KeyFigures(Vec<KeyFigure>),
    Table(Table),
    Chart(Box<Chart>),
    /// A limit or a reading aid.
    Note(String),
    /// What can hurt someone; always comes before the work it concerns.
    Caution(Vec<String>),
    Methods(Vec<Method>),
    /// Detail that a reader opens when wanted.
    Fold(Fold),
}

/// Blocks under one line that says what they hold: closed on screen, open in print.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    pub summary: String,
    pub blocks: Vec<Block>,
}

/// A figure set large, with the words that say what it counts.
#[derive(Clone, Debug, PartialEq)]
pub struct KeyFigure {
    pub label: String,
    pub figure: Cell,
}

/// How one table of evidence came about.
#[derive(Clone, Debug, PartialEq)]
pub struct Method {
    pub name: String,
    pub text: String,
}

/// A table whose first column names its rows.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    pub caption: String,
    pub columns: Vec<Column>,
    pub rows: Vec<Vec<Cell>>,
    /// Remarks printed under the table.
    pub notes: Vec<String>,
    /// What is said in place of a table without rows.
    pub when_empty: String,
}

impl Table {
    /// The table with one of its columns drawn, a row of the drawing for each row of the table, at most [`MOST_DRAWN`]; the texts of the first
    /// `labels` columns name the rows. A table with fewer than two figures in that column stays a table.
    #[must_use]
    pub fn drawn(self, labels: usize, column: usize, look: Look, description: &str, reference: Option<Reference>) -> Block {
        let label = |cells: &[Cell]| {
            let words = cells.iter().take(labels).filter_map(|cell| match cell {
                Cell::Text(words) => Some(words.as_str()),
                _ => None,
            });
            words.collect::<Vec<_>>().join(", ")
        };
        let rows: Vec<IntervalRow> = self
            .rows
            .iter()
            .filter_map(|cells| match cells.get(column) {
                Some(Cell::Quantity(quantity)) => {
                    Some(IntervalRow { label: label(cells), quantity: Some(quantity.clone()), standing: None })
                }
                _ => None,
            })
            .take(MOST_DRAWN)
            .collect();
        let Some(unit) = rows.first().and_then(|row| row.quantity.as_ref()).map(|quantity| quantity.unit.clone()) else {
            return Block::Table(self);
        };
        if rows.len() < 2 {
            return Block::Table(self);
        }
        Block::Chart(Box::new(Chart {
            title: self.caption.clone(),
            description: description.to_owned(),
            plot: Plot::Intervals(IntervalPlot { unit, rows, look, reference }),
            numbers: self,
        }))
    }
}

/// A column heading with the unit its cells are in.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    pub heading: String,
    pub unit: Option<String>,
    pub align: Align,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Align {
    Start,
    End,
}

impl Column {
    pub fn text(heading: &str) -> Column {
        Column { heading: heading.to_owned(), unit: None, align: Align::Start }
    }

    pub fn number(heading: &str) -> Column {
        Column { heading: heading.to_owned(), unit: None, align: Align::End }
    }

    pub fn number_in(heading: &str, unit: &str) -> Column {
        Column { unit: Some(unit.to_owned()), ..Column::number(heading) }
    }
}

/// What stands in one cell of a table.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    Text(String),
    Count(i64),
    Quantity(Quantity),
    /// Nothing to report here, without anything being wrong.
    Nothing,
    /// A number that the data do not support, and why.
    Missing(String),
    /// A standing decided by the analysis, with its words.
    Verdict(Standing, String),
}

/// How one group compares with its kind. Decided by the analysis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    Worse,
    Better,
    NotDistinguishable,
    NotEnoughEvidence,
}

impl Standing {
    /// The word that formats use for it.
    pub fn key(self) -> &'static str {
        match self {
            Standing::Worse => "worse",
            Standing::Better => "better",
            Standing::NotDistinguishable => "not-distinguishable",
            Standing::NotEnoughEvidence => "not-enough-evidence",
        }
    }

    /// A mark that carries the standing without colour.
    pub fn mark(self) -> &'static str {
        match self {
            Standing::Worse => "▲",
            Standing::Better => "▼",
            Standing::NotDistinguishable => "=",
            Standing::NotEnoughEvidence => "?",
        }
    }
}

/// A number with its doubt: estimate, interval, unit and the count it rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// In the unit's own scale: shares 0 to 1, rates per machine-year.
    pub value: f64,
    /// Lower and upper end of the 95 % interval.
    pub interval: Option<(f64, f64)>,
    pub unit: Unit,
    /// The number of observations behind it, printed as "n = 412".
    pub n: Option<i64>,
}

impl Quantity {
    pub fn new(value: f64, unit: Unit) -> Quantity {
        Quantity { value, interval: None, unit, n: None }
    }

    pub fn between(self, lower: f64, upper: f64) -> Quantity {
        Quantity { interval: Some((lower, upper)), ..self }
    }

    pub fn with_n(self, n: i64) -> Quantity {
        Quantity { n: Some(n), ..self }
    }
}

/// The unit a quantity is held in.
#[derive(Clone, Debug, PartialEq)]
pub enum Unit {
    /// 0 to 1, printed as per cent.
    Share,
    /// Events per machine-year, printed per 100 machine-years.
    PerMachineYear,
    /// ISO 4217 code; `None` where the records do not say.
    Money(Option<String>),
    Minutes,
    Years,
    Kilograms,
    /// A ratio of two like quantities: relative risk, lift.
    Ratio,
    /// A p-value, printed to three decimals.
    Probability,
    /// A pure number, such as a shape parameter or a mean count.
    Number,
}

/// A drawing with its numbers beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    pub title: String,
    /// How to read it; also opens the text alternative.
    pub description: String,
    pub plot: Plot,
    pub numbers: Table,
}
