//! The `fixodds` command: arguments, progress, logging and exit codes. The work is done in the crates.

mod arguments;
mod commands;
mod progress;
mod terminal;

use std::process::ExitCode;

use clap::Parser;

use arguments::{Arguments, Command};

/// 0 done, 1 failed, 2 wrong usage (from the argument parser), 3 done but rows were quarantined (only with `--strict`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Done,
    Quarantined,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    start_log(arguments.verbose);
    match run(arguments) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::Quarantined) => ExitCode::from(3),
        Err(error) => {
            if is_broken_pipe(&error) {
                return ExitCode::SUCCESS;
            }
            eprintln!("fixodds: {}", terminal::plain(&format!("{error:#}")));
            ExitCode::FAILURE
        }
    }
}

fn run(arguments: Arguments) -> anyhow::Result<Outcome> {
    match arguments.command {
        Command::Demo(demo) => commands::demo::run(&demo),
        Command::Check(check) => commands::check::run(&check),
        Command::Ingest(ingest) => commands::ingest::run(&ingest),
        Command::Analyse(analyse) => commands::analyse::run(&analyse),
        Command::Report(report) => commands::report::run(&report),
        Command::Export(export) => commands::export::run(&export),
        Command::Odds(odds) => commands::odds::run(&odds),
        Command::Store(command) => commands::store::run(&command),
        Command::Quote(quote) => commands::quote::run(&quote),
        Command::Business => commands::business::run(),
        Command::Query(query) => commands::query::run(&query),
        Command::Simulate(simulate) => commands::simulate::run(&simulate),
    }
}

fn start_log(verbose: u8) {
    let level = match verbose {
        0 => tracing::Level::WARN,
        1 => tracing::Level::DEBUG,
        _ => tracing::Level::TRACE,
    };
    tracing_subscriber::fmt().with_max_level(level).with_writer(std::io::stderr).with_target(false).without_time().init();
}

/// Whoever read our output has seen enough.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().filter_map(|cause| cause.downcast_ref::<std::io::Error>()).any(|io| io.kind() == std::io::ErrorKind::BrokenPipe)
}
