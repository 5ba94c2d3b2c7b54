//! `fixodds simulate`

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use anyhow::Context;
use fixodds_simulator::{Mess, Scenario, Truth, stream_csv};

use super::report::make_folder;
use crate::Outcome;
use crate::arguments::Simulate;

/// Subfolder for what no workshop would know of its records.
const TRUTH: &str = "truth";

pub fn run(arguments: &Simulate) -> anyhow::Result<Outcome> {
    let mut scenario = Scenario::demo();
    if let Some(seed) = arguments.seed {
        scenario = scenario.with_seed(seed);
    }
    if let Some(jobs) = arguments.jobs {
        scenario = scenario.with_jobs(jobs);
    }
    let mess = if arguments.clean { Mess::none() } else { Mess::workshop() };
    let truth = write_records(&scenario, &arguments.out, mess)?;
    println!(
        "{} jobs, {} machines on the roster; the truth behind them is in {}",
        truth.realised.jobs,
        truth.realised.roster_machines,
        arguments.out.join(TRUTH).display()
    );
    Ok(Outcome::Done)
}

/// Writes the records, the truth behind them and what an ingest should make of them.
pub fn write_records(scenario: &Scenario, folder: &Path, mess: Mess) -> anyhow::Result<Truth> {
    make_folder(folder)?;
    let (truth, expected) = stream_csv(scenario, folder, mess)?;
    let beside = folder.join(TRUTH);
    make_folder(&beside)?;
    let create = |name: &str| {
        let path = beside.join(name);
        File::create(&path).map(BufWriter::new).with_context(|| format!("cannot write {}", path.display()))
    };
    truth.write_json(create("truth.json")?)?;
    expected.write_json(create("expected.json")?)?;
    Ok(truth)
}
