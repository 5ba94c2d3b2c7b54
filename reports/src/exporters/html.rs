//! One self-contained HTML page: styles and drawings inside, no script, nothing fetched.

use super::rendered::{self, RenderedCell, RenderedTable};
use super::{ExportError, Exporter};
use crate::charts;
use crate::document::{Block, Document};
use minijinja::Environment;
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use serde::Serialize;

const PAGE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
/// The numbers beside a chart are folded away when they have more rows than this.
const MOST_ROWS_BESIDE_CHART: usize = 4;
/// Any other table is folded away when it has more rows than this: one for each age band still stands open.
const MOST_ROWS_OPEN: usize = 13;

pub(super) struct Html;

impl Exporter for Html {
    fn export(&self, document: &Document) -> Result<Vec<u8>, ExportError> {
        let page = page(document)?;
        let failed = |source| ExportError::Template { title: document.title.clone(), source };
        let mut templates = Environment::new();
        templates.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build().map_err(failed)?);
        // The name's ending turns on HTML escaping.
        templates.add_template("page.html", PAGE).map_err(failed)?;
        let text = templates.get_template("page.html").and_then(|template| template.render(Serde(&page)));
        text.map(String::into_bytes).map_err(failed)
    }
}

#[derive(Serialize)]
struct Page<'a> {
    title: &'a str,
    purpose: &'a str,
    reader: &'static str,
    style: &'static str,
    facts: Vec<Pair<'a>>,
    sections: Vec<PageSection<'a>>,
}

#[derive(Serialize)]
struct Pair<'a> {
    name: &'a str,
    text: &'a str,
}

#[derive(Serialize)]
struct PageSection<'a> {
    id: &'a str,
    heading: &'a str,
    blocks: Vec<PageBlock<'a>>,
}

#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
enum PageBlock<'a> {
    Subheading { text: &'a str },
    Paragraph { text: &'a str },
    List { items: &'a [String] },
    KeyFigures { figures: Vec<PageFigure<'a>> },
    Table { table: RenderedTable, id: String, open: bool },
    Chart { id: String, title: &'a str, description: &'a str, svg: String, numbers: Option<RenderedTable>, when_empty: &'a str, open: bool },
    Note { text: &'a str },
    Caution { sentences: &'a [String] },
    Methods { methods: Vec<Pair<'a>> },
    Fold { summary: &'a str, blocks: Vec<PageBlock<'a>> },
}

#[derive(Serialize)]
struct PageFigure<'a> {
    label: &'a str,
    figure: RenderedCell,
}

fn page(document: &Document) -> Result<Page<'_>, ExportError> {
    let mut drawn = 0;
    let mut sections = Vec::new();
    for section in &document.sections {
        sections.push(PageSection { id: &section.id, heading: &section.heading, blocks: page_blocks(&section.blocks, &mut drawn)? });
    }
    let facts = document.facts.iter().map(|fact| Pair { name: &fact.label, text: &fact.text }).collect();
    Ok(Page { title: &document.title, purpose: &document.purpose, reader: document.reader.key(), style: STYLE, facts, sections })
}

/// `drawn` counts the blocks of the page, so that each has a name of its own.
fn page_blocks<'a>(blocks: &'a [Block], drawn: &mut usize) -> Result<Vec<PageBlock<'a>>, ExportError> {
    blocks.iter().map(|block| page_block(block, drawn)).collect()
}

fn page_block<'a>(block: &'a Block, drawn: &mut usize) -> Result<PageBlock<'a>, ExportError> {
    *drawn += 1;
    let id = format!("block-{drawn}");
    Ok(match block {
        Block::Subheading(text) => PageBlock::Subheading { text },
        Block::Paragraph(text) => PageBlock::Paragraph { text },
        Block::List(items) => PageBlock::List { items },
        Block::KeyFigures(figures) => PageBlock::KeyFigures {
            figures: figures.iter().map(|figure| PageFigure { label: &figure.label, figure: rendered::figure(&figure.figure) }).collect(),
        },
        Block::Table(table) => match rendered::table(table) {
            Ok(rendered) => PageBlock::Table { table: rendered, id, open: table.rows.len() <= MOST_ROWS_OPEN },
            Err(text) => PageBlock::Note { text },
        },
        Block::Chart(chart) => PageBlock::Chart {
            svg: charts::svg(chart, &id)?,
            id,
            title: &chart.title,
            description: &chart.description,
            numbers: rendered::table(&chart.numbers).ok(),
            when_empty: &chart.numbers.when_empty,
            open: chart.numbers.rows.len() <= MOST_ROWS_BESIDE_CHART,
        },
        Block::Note(text) => PageBlock::Note { text },
        Block::Caution(sentences) => PageBlock::Caution { sentences },
        Block::Methods(methods) => {
            PageBlock::Methods { methods: methods.iter().map(|method| Pair { name: &method.name, text: &method.text }).collect() }
        }
        Block::Fold(fold) => PageBlock::Fold { summary: &fold.summary, blocks: page_blocks(&fold.blocks, drawn)? },
    })
}
