//! What can be typed.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

#[derive(Debug, Parser)]
#[command(name = "fixodds", version, about = "Turns the job records of appliance repairers into failure statistics that can be defended")]
pub struct Arguments {
    /// Say what is done and how long it takes (twice: more)
    #[arg(short, long, global = true, action = clap::ArgAction::Count)]
    pub verbose: u8,
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Make the sample workshop's records, analyse them and write all reports
    Demo(Demo),
    /// Show what would be read as what, and what is doubted; writes nothing
    Check(Check),
    /// Read records into a store
    Ingest(Ingest),
    /// Build the evidence tables of a store
    Analyse(Analyse),
    /// Write reports from the evidence
    Report(Report),
    /// Write the evidence as a data package or workbook, or the records as open repair data, for others to use
    Export(Export),
    /// Say what is probably wrong with a machine, what to check first and what goes with it
    Odds(Odds),
    /// Check a store for damage, or go back to an earlier snapshot
    #[command(subcommand)]
    Store(StoreCommand),
    /// Say what to quote for a repair, what it may cost, and when a new machine serves the customer better
    Quote(Quote),
    /// Print the settings of the business, to be saved, changed and given to analyse
    Business,
    /// Answer one SELECT over the store and the evidence, read-only
    Query(Query),
    /// Write the records of a simulated workshop whose true failure rates are known
    Simulate(Simulate),
}

#[derive(Debug, Args)]
pub struct Demo {
    /// Folder for the demo's records, store and reports
    #[arg(long, default_value = "fixodds-demo")]
    pub out: PathBuf,
}

pub const DEFAULT_SOURCE: &str = "workshop";

#[derive(Debug, Args)]
pub struct Reading {
    /// TOML file that says which column is which field, and other corrections
    #[arg(long)]
    pub mapping: Option<PathBuf>,
    /// Name of where the records come from; job numbers of different sources never clash
    #[arg(long, default_value = DEFAULT_SOURCE)]
    pub source: String,
    /// Order of day and month in dates such as 03/04/2025, instead of finding out
    #[arg(long, value_enum)]
    pub date_order: Option<DateOrder>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum DateOrder {
    DayFirst,
    MonthFirst,
}

#[derive(Debug, Args)]
pub struct Check {
    /// Files or folders of records, - for the standard input; TABLE=FILE says which table a file holds (jobs, findings, parts, machines, models)
    #[arg(required = true, value_name = "FILES")]
    pub files: Vec<PathBuf>,
    #[command(flatten)]
    pub reading: Reading,
    /// Write a mapping file to start from: what every column is taken for, to be corrected and given back with --mapping
    #[arg(long, value_name = "FILE")]
    pub write_mapping: Option<PathBuf>,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct Ingest {
    /// Files or folders of records, - for the standard input; TABLE=FILE says which table a file holds (jobs, findings, parts, machines, models)
    #[arg(required_unless_present = "requeue", value_name = "FILES")]
    pub files: Vec<PathBuf>,
    #[command(flatten)]
    pub reading: Reading,
    /// Corrected rows of the quarantine (a CSV file, as `query --csv` writes it) instead of FILES
    #[arg(long, value_name = "FILE", conflicts_with = "files")]
    pub requeue: Option<PathBuf>,
    /// The store's review.csv with your answers filled in; they are remembered
    #[arg(long, value_name = "FILE")]
    pub review: Option<PathBuf>,
    /// The store's folder; made if there is none
    #[arg(long)]
    pub store: PathBuf,
    /// Exit with code 3 if any row was quarantined
    #[arg(long)]
    pub strict: bool,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct Analyse {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    /// Cut-off day (YYYY-MM-DD) instead of the latest day a job was closed
    #[arg(long, value_name = "DAY")]
    pub as_of: Option<String>,
    /// TOML file with the figures of the business; `fixodds business` prints one to start from
    #[arg(long, value_name = "FILE")]
    pub business: Option<PathBuf>,
    /// File with the public holidays, one day (YYYY-MM-DD) a line, that are no working days when waits for parts are counted
    #[arg(long, value_name = "FILE")]
    pub holidays: Option<PathBuf>,
    /// Memory that the database may use before it spills to disk, in MiB
    #[arg(long, default_value_t = 3072)]
    pub memory_mib: u64,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct Report {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    /// Whom the report is for
    #[arg(long = "for", value_enum, default_value = "all")]
    pub reader: Reader,
    /// File format
    #[arg(long, value_enum, default_value = "html")]
    pub format: Format,
    /// Folder to write to
    #[arg(long)]
    pub out: PathBuf,
    /// The advocate's report holds no figure that rests on fewer machines or jobs than this
    #[arg(long, value_name = "K", default_value_t = fixodds_analytics::publication::LEAST_CELL, value_parser = clap::value_parser!(i64).range(1..=10_000))]
    pub least_cell: i64,
}

#[derive(Debug, Args)]
pub struct Export {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    /// What to write
    #[arg(long = "as", value_enum)]
    pub format: ExportAs,
    /// Folder to write to
    #[arg(long)]
    pub out: PathBuf,
    /// No figure that rests on fewer machines or jobs than this is written (1: all are); not for ords, which holds single records
    #[arg(long, value_name = "K", default_value_t = fixodds_analytics::publication::LEAST_CELL, value_parser = clap::value_parser!(i64).range(1..=10_000))]
    pub least_cell: i64,
    /// Country of the records for ords, as ISO 3166 code of three letters
    #[arg(long, value_name = "CODE")]
    pub country: Option<String>,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum ExportAs {
    /// Evidence tables as CSV and Parquet with a Frictionless descriptor, methods, claims and hashes
    Datapackage,
    /// Records in the Open Repair Data Standard v0.3, free text masked
    Ords,
    /// All evidence tables in one workbook
    Xlsx,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Reader {
    Repairer,
    Advocate,
    Technician,
    All,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Format {
    Html,
    Md,
}

/// The machine in front of the one who asks.
#[derive(Debug, Args)]
pub struct Machine {
    /// Kind of appliance; not needed where the model is known
    #[arg(long)]
    pub category: Option<String>,
    /// Brand
    #[arg(long)]
    pub brand: Option<String>,
    /// Model number in any spelling, or part of it
    #[arg(long)]
    pub model: Option<String>,
    /// Years since the machine was new
    #[arg(long, value_name = "YEARS", allow_negative_numbers = true)]
    pub age: Option<f64>,
    /// What the customer says; may be given several times
    #[arg(long = "symptom", value_name = "WORDS")]
    pub symptoms: Vec<String>,
}

#[derive(Debug, Args)]
pub struct Odds {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    #[command(flatten)]
    pub machine: Machine,
    /// Price of such a machine new, instead of the catalogue's
    #[arg(long, value_name = "AMOUNT")]
    pub price_new: Option<f64>,
    /// What the machine would fetch once mended
    #[arg(long, value_name = "AMOUNT")]
    pub value_mended: Option<f64>,
    /// Show instead how good the odds have been on jobs they were not made from
    #[arg(long)]
    pub skill: bool,
    /// Answer every row of a CSV file with any of the columns category, brand, model, age and symptoms; one JSON object a line
    #[arg(long, value_name = "FILE", requires = "json", conflicts_with_all = ["skill", "category", "brand", "model", "age", "symptoms"])]
    pub questions: Option<PathBuf>,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Subcommand)]
pub enum StoreCommand {
    /// Hold every file against its checksum; exit code 1 if the current snapshot or the evidence is damaged
    Verify(StoreFolder),
    /// Make the newest undamaged snapshot before the current one current again
    Rollback(StoreFolder),
}

#[derive(Debug, Args)]
pub struct StoreFolder {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
}

#[derive(Debug, Args)]
pub struct Quote {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    #[command(flatten)]
    pub machine: Machine,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct Query {
    /// The store's folder
    #[arg(long)]
    pub store: PathBuf,
    /// One SELECT; tables carry their own names (jobs, findings, ..., fault_share, failure_rate, ...)
    pub select: String,
    /// Answer as JSON Lines, one object a row
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// Answer as CSV (RFC 4180), every value as it is stored
    #[arg(long)]
    pub csv: bool,
}

#[derive(Debug, Args)]
pub struct Simulate {
    /// Folder to write the CSV files to; the truth behind them goes into its subfolder "truth"
    #[arg(long)]
    pub out: PathBuf,
    /// Seed of the simulation; the same seed writes the same bytes
    #[arg(long)]
    pub seed: Option<u64>,
    /// About how many jobs to simulate; machines scale with them
    #[arg(long)]
    pub jobs: Option<u64>,
    /// Canonical column names and values, without the mess of real records
    #[arg(long)]
    pub clean: bool,
}
