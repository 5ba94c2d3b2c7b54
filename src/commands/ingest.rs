//! `fixodds ingest`

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use chrono::{Local, NaiveDate};
use fixodds_ingest::{Doubt, IngestOptions, IngestReport, Mapping, Progress as Step, ingest};

use crate::Outcome;
use crate::arguments::{DateOrder, Ingest, Reading};
use crate::progress::Progress;
use crate::terminal::Terminal;

pub fn run(arguments: &Ingest) -> anyhow::Result<Outcome> {
    let options = options(&arguments.reading, &arguments.store)?;
    let report = read_into_store(&files(&arguments.reading), &options)?;
    let mut out = Terminal::for_programs_if(arguments.json);
    if arguments.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&report)?)?;
    } else {
        print(&mut out, &report, &arguments.store)?;
    }
    out.flush()?;
    Ok(if arguments.strict && report.quarantined() > 0 { Outcome::Quarantined } else { Outcome::Done })
}

pub fn read_into_store(files: &[PathBuf], options: &IngestOptions) -> anyhow::Result<IngestReport> {
    let progress = Progress::new();
    Ok(ingest(files, options, &mut |step| match step {
        Step::Reading { file, bytes, total_bytes, .. } => progress.bytes(&file, bytes, total_bytes),
        Step::Superseding { table } => progress.step(&format!("replacing earlier versions in {table}")),
        Step::Committing => progress.step("making the snapshot durable"),
    })?)
}

pub fn files(reading: &Reading) -> Vec<PathBuf> {
    reading.files.iter().map(PathBuf::from).collect()
}

pub fn options(reading: &Reading, store: &Path) -> anyhow::Result<IngestOptions> {
    let mut options = IngestOptions::new(store, today());
    if let Some(path) = &reading.mapping {
        options.mapping = Mapping::read(path, &options.vocabulary)?;
    }
    options.source = reading.source.clone();
    options.date_order = reading.date_order.map(|order| match order {
        DateOrder::DayFirst => fixodds_ingest::DateOrder::DayFirst,
        DateOrder::MonthFirst => fixodds_ingest::DateOrder::MonthFirst,
    });
    Ok(options)
}

fn today() -> NaiveDate {
    Local::now().date_naive()
}

fn print(out: &mut impl Write, report: &IngestReport, store: &Path) -> io::Result<()> {
    writeln!(out, "Snapshot {} of {}", report.snapshot, store.display())?;
    writeln!(
        out,
        "{:<10} {:>9} {:>9} {:>9} {:>10} {:>11} {:>16}  file",
        "table", "rows in", "accepted", "repeats", "superseded", "quarantined", "values set aside"
    )?;
    for account in &report.tables {
        writeln!(
            out,
            "{:<10} {:>9} {:>9} {:>9} {:>10} {:>11} {:>16}  {}",
            account.table,
            account.rows_in,
            account.accepted,
            account.repeats,
            account.superseded,
            account.quarantined,
            account.values_set_aside,
            account.file
        )?;
    }
    print_doubts(out, &report.doubts)?;
    if report.quarantined() > 0 {
        writeln!(
            out,
            "\nRows in quarantine keep their text, line and remedy:\n  fixodds query --store {} \"SELECT source_file, source_line, reason, remedy, raw FROM quarantine WHERE kind = 'row'\"",
            store.display()
        )?;
    }
    Ok(())
}

pub fn print_doubts(out: &mut impl Write, doubts: &[Doubt]) -> io::Result<()> {
    for doubt in doubts {
        writeln!(out, "? {doubt}\n  {}", doubt.advice())?;
    }
    Ok(())
}
