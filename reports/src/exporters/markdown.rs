//! Markdown with pipe tables. Charts become their description and their numbers.

use super::rendered::{self, RenderedTable};
use super::{ExportError, Exporter};
use crate::document::{Block, Document, Table};
use std::fmt::Write;

pub(super) struct Markdown;

impl Exporter for Markdown {
    fn export(&self, document: &Document) -> Result<Vec<u8>, ExportError> {
        let mut pieces = vec![format!("# {}", line(&document.title)), line(&document.purpose)];
        pieces.push(bullets(document.facts.iter().map(|fact| format!("**{}:** {}", line(&fact.label), line(&fact.text)))));
        for section in &document.sections {
            pieces.push(format!("## {}", line(&section.heading)));
            section.blocks.iter().for_each(|block| pieces.push(self::block(block)));
        }
        pieces.retain(|piece| !piece.is_empty());
        Ok((pieces.join("\n\n") + "\n").into_bytes())
    }
}

fn block(block: &Block) -> String {
    match block {
        Block::Subheading(text) => format!("### {}", line(text)),
        Block::Paragraph(text) => line(text),
        Block::List(items) => bullets(items.iter().map(|item| line(item))),
        Block::KeyFigures(figures) => bullets(
            figures.iter().map(|figure| format!("**{}:** {}", line(&figure.label), line(&rendered::figure(&figure.figure).joined()))),
        ),
        Block::Table(table) => self::table(table),
        Block::Chart(chart) => format!("**{}.** {}\n\n{}", line(&chart.title), line(&chart.description), self::table(&chart.numbers)),
        Block::Note(text) => format!("> {}", line(text)),
        Block::Caution(sentences) => {
            let items: Vec<String> = sentences.iter().map(|sentence| format!("> - {}", line(sentence))).collect();
            format!("> **Caution**\n>\n{}", items.join("\n"))
        }
        Block::Methods(methods) => {
            let paragraphs: Vec<String> =
                methods.iter().map(|method| format!("**{}.** {}", line(&method.name), line(&method.text))).collect();
            paragraphs.join("\n\n")
        }
        Block::Fold(fold) => {
            let blocks = fold.blocks.iter().map(self::block);
            std::iter::once(format!("**{}**", line(&fold.summary))).chain(blocks).collect::<Vec<_>>().join("\n\n")
        }
    }
}

fn table(table: &Table) -> String {
    match rendered::table(table) {
        Ok(rendered) => pipe_table(&rendered),
        Err(when_empty) => line(when_empty),
    }
}

fn pipe_table(table: &RenderedTable) -> String {
    let headings: Vec<String> = table
        .columns
        .iter()
        .map(|column| {
            column.unit.as_ref().map_or_else(|| line(&column.heading), |unit| format!("{} ({})", line(&column.heading), line(unit)))
        })
        .collect();
    let rules: Vec<&str> = table.columns.iter().map(|column| if column.at_end { "---:" } else { ":---" }).collect();
    let mut text = format!("*{}*\n\n| {} |\n| {} |", line(&table.caption), headings.join(" | "), rules.join(" | "));
    for row in &table.rows {
        let cells: Vec<String> = row.iter().map(|cell| line(&cell.joined())).collect();
        // Writing to a String cannot fail.
        let _ = write!(text, "\n| {} |", cells.join(" | "));
    }
    for note in &table.notes {
        let mark = note.mark.as_ref().map_or_else(String::new, |mark| format!("({mark}) "));
        let _ = write!(text, "\n\n{mark}{}", line(&note.text));
    }
    text
}

fn bullets(items: impl Iterator<Item = String>) -> String {
    items.map(|item| format!("- {item}")).collect::<Vec<_>>().join("\n")
}

/// One line of text in which nothing is markup; no-break spaces stay.
fn line(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for (place, word) in text.split_ascii_whitespace().enumerate() {
        if place > 0 {
            escaped.push(' ');
        }
        word.chars().for_each(|letter| match letter {
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '&' => escaped.push_str("&amp;"),
            '\\' | '`' | '*' | '_' | '[' | ']' | '|' | '#' | '~' | '$' => escaped.extend(['\\', letter]),
            other => escaped.push(other),
        });
    }
    // A number with a full stop, a dash or a plus at the start of a line would open a list.
    let digits = escaped.bytes().take_while(u8::is_ascii_digit).count();
    let mut after = escaped[digits..].chars();
    match (after.next(), after.next()) {
        (Some('.' | ')'), None | Some(' ')) if digits > 0 => escaped.insert(digits, '\\'),
        (Some('-' | '+' | '='), _) if digits == 0 => escaped.insert(0, '\\'),
        _ => {}
    }
    escaped
}
