//! `fixodds demo`

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use fixodds_analytics::publication::LEAST_CELL;
use fixodds_analytics::{AnalyseOptions, analyse};
use fixodds_ingest::{IdentityKey, IngestOptions};
use fixodds_reports::document::Reader;
use fixodds_reports::exporters::Format;
use fixodds_schemas::StoreLayout;
use fixodds_simulator::{Mess, Scenario};

use super::ingest::read_into_store;
use super::report::{make_folder, write_reports};
use super::simulate::write_records;
use crate::Outcome;
use crate::arguments::Demo;
use crate::progress::Progress;

/// Names the folder as ours to overwrite.
const MARK: &str = "made-by-fixodds-demo";
/// How many sentences each report gives to the closing summary.
const SENTENCES: [(Reader, usize); 3] = [(Reader::Repairer, 2), (Reader::Advocate, 2), (Reader::Technician, 1)];

pub fn run(arguments: &Demo) -> anyhow::Result<Outcome> {
    let out = &arguments.out;
    prepare(out)?;
    let scenario = Scenario::demo();
    let (records, store, reports) = (out.join("records"), out.join("store"), out.join("reports"));
    let progress = Progress::new();
    progress.step("simulating the workshop's records");
    write_records(&scenario, &records, Mess::workshop())?;
    drop(progress);

    let mut options = IngestOptions::new(&store, scenario.last_day);
    options.identity_key = Some(IdentityKey::fixed([7; 32]));
    let files: Vec<_> =
        ["models", "machines", "jobs", "findings", "parts"].iter().map(|name| records.join(format!("{name}.csv"))).collect();
    let read = read_into_store(&files, &options)?;

    let progress = Progress::new();
    let layout = StoreLayout::new(&store);
    let evidence = analyse(&layout, &AnalyseOptions::default(), &mut |step| progress.step(step))?;
    let about = evidence.about.clone();
    progress.step("writing reports");
    make_folder(&reports)?;
    let written = write_reports(&layout, &evidence, &Reader::ALL, &Format::ALL, LEAST_CELL, &reports)?;
    drop(progress);

    let jobs = read.total("jobs");
    println!(
        "{} job records of a simulated workshop read: {} accepted, {} repeats, {} corrected, {} quarantined. {} machines on the roster.\n",
        jobs.rows_in, jobs.accepted, jobs.repeats, jobs.superseded, jobs.quarantined, about.roster_machines
    );
    for (reader, count) in SENTENCES {
        let findings = written
            .documents
            .iter()
            .map(|(document, _)| document)
            .filter(|document| document.reader == reader)
            .flat_map(|document| document.findings());
        findings.take(count).for_each(|sentence| println!("- {sentence}"));
    }
    println!("\nReports, to be opened in a browser:");
    let is_page = |file: &&PathBuf| file.extension().is_some_and(|extension| extension == Format::Html.extension());
    for page in written.documents.iter().flat_map(|(_, files)| files).chain(&written.odds_page).filter(is_page) {
        println!("  {}", page.display());
    }
    Ok(Outcome::Done)
}

/// An empty folder, or one that an earlier demo made: nobody's own files are written over.
fn prepare(out: &Path) -> anyhow::Result<()> {
    make_folder(out)?;
    let mark = out.join(MARK);
    let empty = fs::read_dir(out)?.next().is_none();
    if !empty && !mark.exists() {
        bail!("{} is not empty and was not made by an earlier demo; choose another folder with --out", out.display());
    }
    for made in ["records", "store", "reports"].map(|name| out.join(name)).iter().filter(|folder| folder.exists()) {
        fs::remove_dir_all(made).with_context(|| format!("cannot clear {}", made.display()))?;
    }
    fs::write(&mark, "").with_context(|| format!("cannot write {}", mark.display()))
}
