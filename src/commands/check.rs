//! `fixodds check`

use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use anyhow::Context;
use fixodds_ingest::{CheckReport, ColumnCheck, check};

use super::ingest::{options, print_doubts};
use crate::Outcome;
use crate::arguments::Check;
use crate::terminal::Terminal;

pub fn run(arguments: &Check) -> anyhow::Result<Outcome> {
    let report = check(&arguments.files, &options(&arguments.reading, Path::new(""))?)?;
    let mut out = Terminal::for_programs_if(arguments.json);
    if let Some(path) = &arguments.write_mapping {
        write_mapping(path, &report.mapping_toml())?;
    }
    if arguments.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&report)?)?;
    } else {
        print(&mut out, &report)?;
        if let Some(path) = &arguments.write_mapping {
            writeln!(out, "\n{} says this as a mapping file; correct it and give it back with --mapping.", path.display())?;
        }
    }
    out.flush()?;
    Ok(Outcome::Done)
}

/// Writes a mapping file, but not over one that somebody may have worked on.
fn write_mapping(path: &Path, text: &str) -> anyhow::Result<()> {
    let mut file = File::create_new(path).with_context(|| format!("cannot write {}; choose the name of a new file", path.display()))?;
    file.write_all(text.as_bytes()).with_context(|| format!("cannot write {}", path.display()))
}

fn print(out: &mut impl Write, report: &CheckReport) -> io::Result<()> {
    for file in &report.files {
        writeln!(out, "{}: {}, {}", file.file, file.format, file.encoding)?;
        for table in &file.tables {
            let extent = if table.looked_at_all { "all" } else { "the first" };
            writeln!(out, "  {} (titles in line {}; {extent} {} rows looked at)", table.table, table.header_line, table.rows_looked_at)?;
            for column in &table.columns {
                print_column(out, column)?;
            }
            if !table.fields_without_column.is_empty() {
                writeln!(out, "    no column for: {}", table.fields_without_column.join(", "))?;
            }
            print_doubts(out, &table.doubts)?;
        }
    }
    print_doubts(out, &report.doubts)
}

fn print_column(out: &mut impl Write, column: &ColumnCheck) -> io::Result<()> {
    let field = column.field.as_deref().unwrap_or("(kept unread)");
    let readable = column.readable_share.map_or(String::new(), |share| format!("{:.0} % readable", share * 100.0));
    writeln!(out, "    {:<24} -> {field:<20} {readable:<15} {}", column.title, column.samples.join(" | "))
}
