//! `fixodds query`

use std::io::Write;

use fixodds_schemas::StoreLayout;
use serde_json::Value;

use crate::Outcome;
use crate::arguments::Query;
use crate::terminal::Terminal;

pub fn run(arguments: &Query) -> anyhow::Result<Outcome> {
    let answer = fixodds_analytics::query::query(&StoreLayout::new(&arguments.store), &arguments.select)?;
    let mut out = Terminal::for_programs_if(arguments.json || arguments.csv);
    if arguments.csv {
        let mut csv = csv::Writer::from_writer(&mut out);
        csv.write_record(&answer.columns)?;
        for row in &answer.rows {
            csv.write_record(row.iter().map(text))?;
        }
        csv.flush()?;
    } else if arguments.json {
        for object in answer.objects() {
            writeln!(out, "{}", Value::Object(object))?;
        }
    } else {
        let rows: Vec<Vec<String>> = answer.rows.iter().map(|row| row.iter().map(plain).collect()).collect();
        let width = |position: usize| {
            rows.iter().map(|row| row[position].chars().count()).chain([answer.columns[position].chars().count()]).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..answer.columns.len()).map(width).collect();
        for row in std::iter::once(&answer.columns).chain(&rows) {
            let cells: Vec<String> = row.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}")).collect();
            writeln!(out, "{}", cells.join("  ").trim_end())?;
        }
    }
    out.flush()?;
    Ok(Outcome::Done)
}

/// A value as it is.
fn text(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

/// A value on one line, without anything that a terminal would obey.
fn plain(value: &Value) -> String {
    text(value).chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}
