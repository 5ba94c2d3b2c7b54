//! `fixodds ingest`

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use chrono::{Local, NaiveDate};
use fixodds_ingest::{Doubt, IngestOptions, IngestReport, Mapping, Progress as Step, ingest, requeue};

use crate::Outcome;
use crate::arguments::{DEFAULT_SOURCE, DateOrder, Ingest, Reading};
use crate::progress::Progress;
use crate::terminal::Terminal;

pub fn run(arguments: &Ingest) -> anyhow::Result<Outcome> {
    let mut options = options(&arguments.reading, &arguments.store)?;
    options.review = arguments.review.clone();
    let report = match &arguments.requeue {
        Some(corrected) => with_progress(|progress| requeue(corrected, &options, progress))?,
        None => read_into_store(&arguments.files, &options)?,
    };
    let mut out = Terminal::for_programs_if(arguments.json);
    if arguments.json {
        writeln!(out, "{}", serde_json::to_string_pretty(&report)?)?;
    } else {
        print(&mut out, &report, arguments)?;
    }
    out.flush()?;
    Ok(if arguments.strict && report.quarantined() > 0 { Outcome::Quarantined } else { Outcome::Done })
}

pub fn read_into_store(files: &[PathBuf], options: &IngestOptions) -> anyhow::Result<IngestReport> {
    Ok(with_progress(|progress| ingest(files, options, progress))?)
}

fn with_progress<T>(work: impl FnOnce(&mut dyn FnMut(Step)) -> T) -> T {
    let progress = Progress::new();
    work(&mut |step| match step {
        Step::Reading { file, bytes, total_bytes, .. } => progress.bytes(&file, bytes, total_bytes),
        Step::Superseding { table } => progress.step(&format!("replacing earlier versions in {table}")),
        Step::Committing => progress.step("making the snapshot durable"),
    })
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

fn print(out: &mut impl Write, report: &IngestReport, arguments: &Ingest) -> io::Result<()> {
    let store = &arguments.store;
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
    if report.texts_to_review > 0 {
        let asked = store.join("review.csv");
        writeln!(
            out,
            "\n{} texts were not understood with confidence. {} asks about them; fill in what you know and give it back:\n  {} FILES --review {}",
            report.texts_to_review,
            asked.display(),
            command(arguments),
            asked.display()
        )?;
    }
    if report.quarantined() > 0 {
        writeln!(
            out,
            "\nRows in quarantine keep their text, line and remedy. Write them out, correct the column raw, and read them again:\n  fixodds query --store {} --csv \"{QUARANTINED_ROWS}\" > corrected.csv\n  {} --requeue corrected.csv",
            store.display(),
            command(arguments),
        )?;
    }
    Ok(())
}

/// The rows that `--requeue` takes, with what tells a person why they are there.
const QUARANTINED_ROWS: &str = "SELECT * FROM quarantine WHERE kind = 'row' ORDER BY source_file, source_line";

/// The command as it was given, without its files.
fn command(arguments: &Ingest) -> String {
    let Reading { mapping, source, .. } = &arguments.reading;
    let mut command = format!("fixodds ingest --store {}", arguments.store.display());
    if source != DEFAULT_SOURCE {
        command.push_str(&format!(" --source \"{source}\""));
    }
    if let Some(mapping) = mapping {
        command.push_str(&format!(" --mapping {}", mapping.display()));
    }
    command
}

pub fn print_doubts(out: &mut impl Write, doubts: &[Doubt]) -> io::Result<()> {
    for doubt in doubts {
        writeln!(out, "? {doubt}\n  {}", doubt.advice())?;
    }
    Ok(())
}
