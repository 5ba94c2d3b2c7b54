//! The five files: jobs.csv, findings.csv, parts.csv, machines.csv, models.csv.

use crate::calendar::add_days;
use crate::mess::{BrokenRow, ExpectedIngest, ExpectedTable, Mess, Pen, Wordings, wordings};
use crate::records::{DECLARED_SCORES, Finding, Job, Machine, Outcome, Part};
use crate::scenario::{Scenario, ScenarioError};
use crate::simulation::{Records, Simulation};
use crate::truth::Truth;
use csv::{Terminator, WriterBuilder};
use rand::RngExt;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Why the files could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    #[error(transparent)]
    Scenario(#[from] ScenarioError),
    #[error("{path} cannot be written: {cause}; check that the folder exists, may be written to and has room")]
    File { path: PathBuf, cause: std::io::Error },
    #[error("sample-data/terms.toml cannot be read: {0}")]
    Terms(#[from] toml::de::Error),
}

/// (canonical name, the workshop's title); an empty canonical name: only the workshop has it.
type Columns = &'static [(&'static str, &'static str)];

const JOBS: Columns = &[
    ("job_id", "Job No"),
    ("booked_on", "Date booked"),
    ("closed_on", "Date done"),
    ("category", "Appliance"),
    ("brand", "Make"),
    ("model", "Model No"),
    ("serial", "S/N"),
    ("machine_id", "Machine No"),
    ("made_year", "Year made"),
    ("bought_on", "Date bought"),
    ("age_years", "Age"),
    ("usage_cycles", "Cycles"),
    ("site", "Where"),
    ("visits", "Visits"),
    ("symptoms", "Customer says"),
    ("component", "Faulty part"),
    ("fault_text", "Fault found"),
    ("cause", "Cause"),
    ("outcome", "Outcome"),
    ("not_repaired_reason", "Why not repaired"),
    ("labour_minutes", "Labour mins"),
    ("labour_cost", "Labour £"),
    ("parts_cost", "Parts £"),
    ("charged", "Charged £"),
    ("currency", ""),
    ("price_new", "New £"),
    ("", "Van"),
    ("", "Payment"),
    ("notes", "Notes"),
];

const FINDINGS: Columns = &[
    ("job_id", "Job No"),
    ("step", "Step"),
    ("component", "Part"),
    ("failure_mode", "What was wrong"),
    ("role", "Role"),
    ("caused_by", "Caused by step"),
    ("evidence", "How found"),
];

const PARTS: Columns = &[
    ("job_id", "Job No"),
    ("component", "Part"),
    ("part_number", "Part No"),
    ("part_source", "New or used"),
    ("quantity", "Qty"),
    ("unit_cost", "Cost £"),
    ("ordered_on", "Ordered"),
    ("received_on", "Arrived"),
    ("unavailable", "Not available"),
    ("donor_machine", "Donor"),
];

const MACHINES: Columns = &[
    ("machine_id", "Machine No"),
    ("serial", "S/N"),
    ("category", "Appliance"),
    ("brand", "Make"),
    ("model", "Model No"),
    ("in_service_on", "Installed"),
    ("entered_on", "Plan start"),
    ("left_on", "Plan end"),
    ("left_reason", "Why left"),
];

const MODELS: Columns = &[
    ("brand", "Make"),
    ("model", "Model No"),
    ("category", "Appliance"),
    ("platform", "Platform"),
    ("drum_design", "Drum"),
    ("motor_type", "Motor"),
    ("first_sold_on", "On sale from"),
    ("last_sold_on", "On sale until"),
    ("price_new", "Price £"),
    ("mass_kg", "Weight kg"),
];

/// Rows held back so that a repeat or a correction comes further down.
const HELD_BACK: usize = 16;

struct Table {
    name: &'static str,
    path: PathBuf,
    writer: csv::Writer<Box<dyn Write>>,
    later: Vec<Vec<String>>,
    expected: ExpectedTable,
}

impl Table {
    fn create(directory: &Path, name: &'static str, columns: Columns, more: &[&str], mess: &Mess) -> Result<Self, WriteError> {
        let path = directory.join(format!("{name}.csv"));
        let failed = |cause| WriteError::File { path: path.clone(), cause };
        let mut file = BufWriter::new(File::create(&path).map_err(failed)?);
        let from_spreadsheet = mess.workshop_titles && name == "jobs";
        if from_spreadsheet {
            file.write_all("\u{feff}".as_bytes()).map_err(failed)?;
        }
        let terminator = if from_spreadsheet { Terminator::CRLF } else { Terminator::Any(b'\n') };
        let writer = WriterBuilder::new().flexible(true).terminator(terminator).from_writer(Box::new(file) as Box<dyn Write>);
        let mut table = Self { name, path, writer, later: Vec::new(), expected: ExpectedTable::default() };
        let titles = columns.iter().filter_map(|(canonical, title)| {
            let title = if mess.workshop_titles { title } else { canonical };
            (!title.is_empty()).then_some(*title)
        });
        table.put(titles.chain(more.iter().copied()).map(str::to_owned).collect())?;
        table.expected.rows = 0;
        Ok(table)
    }

    fn put(&mut self, row: Vec<String>) -> Result<(), WriteError> {
        self.expected.rows += 1;
        self.writer.write_record(&row).map_err(|error| WriteError::File { path: self.path.clone(), cause: error.into() })
    }

    fn put_later(&mut self, row: Vec<String>) -> Result<(), WriteError> {
        self.later.push(row);
        if self.later.len() >= HELD_BACK { self.put_held_back() } else { Ok(()) }
    }

    fn put_held_back(&mut self) -> Result<(), WriteError> {
        std::mem::take(&mut self.later).into_iter().try_for_each(|row| self.put(row))
    }

    fn finish(mut self) -> Result<(&'static str, ExpectedTable), WriteError> {
        self.put_held_back()?;
        self.writer.flush().map_err(|cause| WriteError::File { path: self.path.clone(), cause })?;
        Ok((self.name, self.expected))
    }
}

/// Writes records file by file, a job or machine at a time.
struct Files {
    mess: Mess,
    currency: String,
    words: Wordings,
    jobs: Table,
    findings: Table,
    parts: Table,
    machines: Table,
    models: Table,
}

/// Writes the five files into a folder that exists, and says what a reader of them should find.
pub fn write_csv(records: &Records, directory: &Path, mess: Mess) -> Result<ExpectedIngest, WriteError> {
    let mut files = Files::create(directory, &records.truth.scenario, mess)?;
    records.machines.iter().try_for_each(|machine| files.machine(machine))?;
    records.jobs.iter().try_for_each(|job| files.job(job))?;
    files.finish()
}

/// Simulates and writes in bounded memory; the rows are not in order of time.
pub fn stream_csv(scenario: &Scenario, directory: &Path, mess: Mess) -> Result<(Truth, ExpectedIngest), WriteError> {
    let mut simulation = Simulation::new(scenario)?;
    let mut files = Files::create(directory, scenario, mess)?;
    for history in simulation.by_ref() {
        history.machine.iter().try_for_each(|machine| files.machine(machine))?;
        history.jobs.iter().try_for_each(|job| files.job(job))?;
    }
    Ok((simulation.truth(), files.finish()?))
}

impl Files {
    fn create(directory: &Path, scenario: &Scenario, mess: Mess) -> Result<Self, WriteError> {
        let mut files = Self {
            mess,
            currency: scenario.currency.clone(),
            words: wordings()?,
            jobs: Table::create(directory, "jobs", JOBS, &[], &mess)?,
            findings: Table::create(directory, "findings", FINDINGS, &[], &mess)?,
            parts: Table::create(directory, "parts", PARTS, &[], &mess)?,
            machines: Table::create(directory, "machines", MACHINES, &[], &mess)?,
            models: Table::create(directory, "models", MODELS, &DECLARED_SCORES, &mess)?,
        };
        files.catalogue(scenario)?;
        Ok(files)
    }

    fn finish(self) -> Result<ExpectedIngest, WriteError> {
        let tables = [self.jobs, self.findings, self.parts, self.machines, self.models];
        Ok(ExpectedIngest { tables: tables.into_iter().map(Table::finish).collect::<Result<_, _>>()? })
    }

    fn catalogue(&mut self, scenario: &Scenario) -> Result<(), WriteError> {
        let mut number = 0;
        for platform in &scenario.platforms {
            for model in &platform.models {
                number += 1;
                let mut pen = Pen::new(&self.mess, &self.words, 4, number);
                let mut row = vec![
                    model.brand.clone(),
                    model.model.clone(),
                    pen.term("category", &platform.category),
                    platform.name.clone(),
                    platform.drum_design.clone().unwrap_or_default(),
                    platform.motor_type.clone().unwrap_or_default(),
                    pen.date(model.first_sold_on),
                    pen.optional_date(model.last_sold_on),
                    pen.money((model.price_new * 100.0).round() as i64),
                    model.mass_kg.to_string(),
                ];
                for score in 0..DECLARED_SCORES.len() {
                    row.push(model.declared.map_or_else(String::new, |scores| scores[score].to_string()));
                }
                self.models.put(row)?;
            }
        }
        Ok(())
    }

    fn machine(&mut self, machine: &Machine) -> Result<(), WriteError> {
        let number = self.machines.expected.rows;
        let mut pen = Pen::new(&self.mess, &self.words, 3, number);
        let row = machine_row(machine, &mut pen);
        self.machines.put(row)?;
        if pen.chance(self.mess.repeated_row) {
            let row = machine_row(machine, &mut pen);
            self.machines.expected.identical_repeats += 1;
            self.machines.put_later(row)?;
        }
        Ok(())
    }

    fn job(&mut self, job: &Job) -> Result<(), WriteError> {
        self.job_rows(job)?;
        for finding in &job.findings {
            let mut pen = Pen::new(&self.mess, &self.words, 1, job.job_number * 64 + u64::from(finding.step));
            let row = finding_row(job, finding, &mut pen);
            self.findings.put(row)?;
            if pen.chance(self.mess.repeated_row) {
                let row = finding_row(job, finding, &mut pen);
                self.findings.expected.identical_repeats += 1;
                self.findings.put_later(row)?;
            }
        }
        for (place, part) in (0..).zip(&job.parts) {
            let mut pen = Pen::new(&self.mess, &self.words, 2, job.job_number * 64 + place);
            self.parts.put(part_row(job, part, &mut pen))?;
        }
        Ok(())
    }

    /// The job's row; perhaps twice, or first unfinished, or with a spoilt copy after it.
    fn job_rows(&mut self, job: &Job) -> Result<(), WriteError> {
        let mut pen = Pen::new(&self.mess, &self.words, 0, job.job_number);
        let mess = self.mess;
        let impossible = Impossible::draw(job, &mut pen);
        let fate: f64 = pen.rng.random();
        let row = job_row(job, &job_id(job), &self.currency, impossible, &mut pen);
        let mut copies = 1;
        if fate < mess.repeated_row {
            let again = job_row(job, &job_id(job), &self.currency, impossible, &mut pen);
            copies = 2;
            self.jobs.expected.identical_repeats += 1;
            self.jobs.put(row)?;
            self.jobs.put_later(again)?;
        } else if fate < mess.repeated_row + mess.resent_row {
            let unfinished = Job {
                outcome: Outcome::Repairable,
                not_repaired_reason: None,
                charged_pence: None,
                visits: 1,
                notes: Some("Waiting, not finished".to_owned()),
                ..job.clone()
            };
            let unfinished = job_row(&unfinished, &job_id(job), &self.currency, impossible, &mut pen);
            copies = 2;
            self.jobs.expected.superseding += 1;
            self.jobs.put(unfinished)?;
            self.jobs.put_later(row)?;
        } else {
            self.jobs.put(row)?;
        }
        for column in impossible.columns() {
            *self.jobs.expected.values_set_aside.entry(column).or_default() += copies;
        }
        if pen.chance(mess.broken_row) {
            let so_far: u64 = self.jobs.expected.quarantined.values().sum();
            let kind = BrokenRow::ALL[so_far as usize % BrokenRow::ALL.len()];
            let row = broken_row(job, kind, &self.currency, &mut pen);
            *self.jobs.expected.quarantined.entry(kind).or_default() += 1;
            self.jobs.put(row)?;
        }
        Ok(())
    }
}

fn job_id(job: &Job) -> String {
    format!("J-{:06}", job.job_number)
}

/// Impossible values, put only where the record has none.
#[derive(Clone, Copy)]
struct Impossible {
    age: bool,
    minutes: bool,
    booked_days_late: Option<u64>,
}

impl Impossible {
    fn draw(job: &Job, pen: &mut Pen) -> Self {
        let mess = *pen.mess;
        let on_roster = job.machine_id.is_some();
        Self {
            age: job.age_years.is_none() && on_roster && pen.chance(mess.impossible_age),
            minutes: job.labour_minutes.is_none() && pen.chance(mess.negative_minutes),
            booked_days_late: (job.booked_on.is_none() && pen.chance(mess.booked_after_closed)).then(|| pen.rng.random_range(20..300)),
        }
    }

    fn columns(self) -> impl Iterator<Item = &'static str> {
        let columns =
            [self.age.then_some("age_years"), self.minutes.then_some("labour_minutes"), self.booked_days_late.map(|_| "booked_on")];
        columns.into_iter().flatten()
    }
}

fn job_row(job: &Job, job_id: &str, currency: &str, impossible: Impossible, pen: &mut Pen) -> Vec<String> {
    let booked_on = impossible.booked_days_late.map(|days| add_days(job.closed_on, days)).or(job.booked_on);
    let minutes = job.labour_minutes.map_or_else(String::new, |minutes| pen.minutes(minutes));
    let number = |value: Option<u32>| value.map_or_else(String::new, |value| value.to_string());
    let mut row = vec![
        job_id.to_owned(),
        pen.optional_date(booked_on),
        pen.date(job.closed_on),
        pen.term("category", &job.category),
        pen.brand(&job.brand),
        pen.model(&job.model),
        pen.serial(job.serial.as_deref()),
        job.machine_id.clone().unwrap_or_default(),
        job.made_year.map_or_else(String::new, |year| year.to_string()),
        pen.optional_date(job.bought_on),
        if impossible.age { "250".to_owned() } else { number(job.age_years) },
        number(job.usage_cycles),
        pen.term("site", if job.at_home { "home" } else { "workshop" }),
        job.visits.to_string(),
        pen.terms("symptom", &job.symptoms),
        pen.terms("component", &job.components),
        job.fault_text.clone().unwrap_or_default(),
        job.cause.unwrap_or_default().to_owned(),
        pen.term("outcome", job.outcome.key()),
        job.not_repaired_reason.as_ref().map_or_else(String::new, |reason| pen.term("reason", reason)),
        if impossible.minutes { "-45".to_owned() } else { minutes },
        pen.money(job.labour_cost_pence),
        pen.money(job.parts_cost_pence),
        pen.optional_money(job.charged_pence),
    ];
    if !pen.mess.workshop_titles {
        row.push(currency.to_owned());
    }
    row.push(pen.optional_money(job.price_new_pence));
    if pen.mess.workshop_titles {
        row.push(format!("V{}", job.job_number % 3 + 1));
        row.push(["card", "cash", "transfer", "on account"][job.job_number as usize % 4].to_owned());
    }
    row.push(job.notes.clone().unwrap_or_default());
    row
}

/// A spoilt copy of a good row under a number of its own.
fn broken_row(job: &Job, kind: BrokenRow, currency: &str, pen: &mut Pen) -> Vec<String> {
    let nothing = Impossible { age: false, minutes: false, booked_days_late: None };
    let mut row = job_row(job, &format!("{}B", job_id(job)), currency, nothing, pen);
    let place = |name: &str| JOBS.iter().position(|(canonical, _)| *canonical == name).unwrap_or(0);
    match kind {
        BrokenRow::UnreadableClosingDate => {
            row[place("closed_on")] = ["last Tues", "??/??/21", "31/02/2021"][job.job_number as usize % 3].to_owned()
        }
        BrokenRow::ClosedInTheFuture => row[place("closed_on")] = add_days(job.closed_on, 73_050).to_string(),
        BrokenRow::UnknownOutcome => {
            row[place("outcome")] = ["see other sheet", "ask in office", "tbc Monday"][job.job_number as usize % 3].to_owned()
        }
        BrokenRow::MissingClosingDate => row[place("closed_on")].clear(),
        BrokenRow::MissingJobNumber => row[place("job_id")].clear(),
        BrokenRow::Truncated => row.truncate(place("job_id") + 1),
        BrokenRow::TooManyFields => row.extend(["rear".to_owned(), "side gate".to_owned()]),
    }
    row
}

fn finding_row(job: &Job, finding: &Finding, pen: &mut Pen) -> Vec<String> {
    vec![
        job_id(job),
        finding.step.to_string(),
        pen.misspelt_term("component", &finding.component),
        pen.term("failure_mode", &finding.failure_mode),
        pen.term("role", finding.role.key()),
        finding.caused_by_step.map_or_else(String::new, |step| step.to_string()),
        finding.evidence.unwrap_or_default().to_owned(),
    ]
}

fn part_row(job: &Job, part: &Part, pen: &mut Pen) -> Vec<String> {
    vec![
        job_id(job),
        pen.misspelt_term("component", &part.component),
        part.part_number.clone().unwrap_or_default(),
        pen.term("part_source", part.source.key()),
        part.quantity.to_string(),
        pen.optional_money(part.unit_cost_pence),
        pen.optional_date(part.ordered_on),
        pen.optional_date(part.received_on),
        match (part.unavailable, pen.mess.workshop_titles) {
            (true, true) => "yes",
            (true, false) => "true",
            (false, true) => "",
            (false, false) => "false",
        }
        .to_owned(),
        part.donor_machine.clone().unwrap_or_default(),
    ]
}

fn machine_row(machine: &Machine, pen: &mut Pen) -> Vec<String> {
    vec![
        machine.machine_id.clone(),
        pen.serial(machine.serial.as_deref()),
        pen.term("category", &machine.category),
        pen.brand(&machine.brand),
        pen.model(&machine.model),
        pen.date(machine.in_service_on),
        pen.date(machine.entered_on),
        pen.optional_date(machine.left_on),
        machine.left_reason.map_or_else(String::new, |reason| pen.term("left_reason", reason)),
    ]
}
