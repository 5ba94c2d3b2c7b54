//! Writes simulated records: `write_records DIR (tidy|messy|extract) [JOBS]`. The truth goes to DIR-truth.json, and what a
//! reader of the files should find to DIR-expected.json. `extract` is messy with more of the rare mess. Up to 100,000 jobs are in order of time, more are streamed.

use fixodds_simulator::{Mess, Scenario, simulate, stream_csv, write_csv};
use std::error::Error;
use std::fs::{File, create_dir_all};
use std::io::BufWriter;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (directory, mess, jobs) = match arguments.as_slice() {
        [directory, style] => (directory, style, None),
        [directory, style, jobs] => (directory, style, Some(jobs.parse()?)),
        _ => return Err("usage: write_records DIR (tidy|messy|extract) [JOBS]".into()),
    };
    let mess = match mess.as_str() {
        "tidy" => Mess::none(),
        "messy" => Mess::workshop(),
        "extract" => Mess::extract(),
        other => return Err(format!("{other} is neither tidy, messy nor extract").into()),
    };
    let scenario = jobs.map_or_else(Scenario::demo, |jobs| Scenario::demo().with_jobs(jobs));
    let directory = PathBuf::from(directory);
    create_dir_all(&directory)?;
    let (truth, expected) = if scenario.scale.typical_jobs > 100_000 {
        stream_csv(&scenario, &directory, mess)?
    } else {
        let records = simulate(&scenario)?;
        let expected = write_csv(&records, &directory, mess)?;
        (records.truth, expected)
    };
    let beside = |ending: &str| PathBuf::from(format!("{}-{ending}.json", directory.display()));
    truth.write_json(BufWriter::new(File::create(beside("truth"))?))?;
    expected.write_json(BufWriter::new(File::create(beside("expected"))?))?;
    println!("{} jobs, {} roster machines, {:?}", truth.realised.jobs, truth.realised.roster_machines, truth.realised.outcomes);
    Ok(())
}
