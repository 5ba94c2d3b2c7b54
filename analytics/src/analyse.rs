//! One analysis: prepare, build every evidence table, swap them in as one.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, TryLockError};
use std::path::Path;
use std::time::Instant;

use chrono::NaiveDate;
use fixodds_schemas::checksums;
use fixodds_schemas::store_layout::StoreLayout;
use polars::prelude::DataFrame;
use tracing::debug;

use crate::business::BusinessSettings;
use crate::engine::{Engine, Resources};
use crate::error::AnalyticsError;
use crate::evidence::{About, Evidence, FileAccount, Input, PutAside};
use crate::evidence_rows::EvidenceRows;
use crate::fault_odds::{self, Consequences, FromEvidence};
use crate::quote;
use crate::tables;

/// How to analyse.
#[derive(Debug, Clone, Default)]
pub struct AnalyseOptions {
    /// The cut-off (ISO date), or else the latest closed_on in the store.
    pub as_of: Option<String>,
    pub resources: Resources,
    /// What the business decides by.
    pub business: BusinessSettings,
    /// Days that are no working days, beside Saturdays and Sundays.
    pub holidays: BTreeSet<NaiveDate>,
}

/// Builds all evidence tables from the store's current snapshot and makes them the current evidence.
pub fn analyse(store: &StoreLayout, options: &AnalyseOptions, progress: &mut dyn FnMut(&str)) -> Result<Evidence, AnalyticsError> {
    let snapshot = store.current_dir()?;
    let _lock = lock(store)?;
    remove_leftovers(store)?;
    progress("checksums");
    undamaged(store, &snapshot)?;
    let scratch = tempfile::Builder::new().prefix(SCRATCH).tempdir_in(store.root()).map_err(AnalyticsError::file(store.root()))?;
    let started = Instant::now();
    let engine = Engine::open(&snapshot, scratch.path(), options, progress)?;
    debug!(seconds = started.elapsed().as_secs_f64(), "records prepared");
    let mut about = about(&engine, &snapshot)?;
    if about.jobs == 0 {
        return Err(AnalyticsError::EmptyStore);
    }
    let mut built = BTreeMap::new();
    let mut consequences = Consequences::default();
    let mut economics = FromEvidence::default();
    for (name, build) in tables::ALL {
        progress(name);
        let started = Instant::now();
        let rows = build(&engine)?;
        consequences.take(name, &rows);
        economics.take(name, &rows);
        debug!(table = name, rows = rows.len(), seconds = started.elapsed().as_secs_f64(), "evidence table built");
        insert(&mut built, &mut about, name, rows)?;
    }
    progress("fault_odds");
    let fault_odds = fault_odds::build(&engine, &about, consequences, economics)?;
    insert(&mut built, &mut about, "fault_odds", fault_odds.rows()?)?;
    insert(&mut built, &mut about, "fault_odds_skill", fault_odds.skill_rows()?)?;
    progress("quote");
    let quotes = quote::build(&engine, &about)?;
    insert(&mut built, &mut about, "quote", quotes.rows(&engine)?)?;
    about.missing = missing(&about);
    let platforms = platforms(&engine)?;
    let mut evidence = Evidence { about, tables: built, platforms };
    evidence.make_current(store, &fault_odds, &quotes)?;
    Ok(evidence)
}

const SCRATCH: &str = ".analysis-";

/// Held by one analysis at a time.
fn lock(store: &StoreLayout) -> Result<File, AnalyticsError> {
    let folder = store.evidence_dir();
    fs::create_dir_all(&folder).map_err(AnalyticsError::file(&folder))?;
    let path = folder.join("lock");
    let file = File::options().create(true).truncate(false).write(true).open(&path).map_err(AnalyticsError::file(&path))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(AnalyticsError::Locked(store.root().to_owned())),
        Err(TryLockError::Error(source)) => Err(AnalyticsError::File { path, source }),
    }
}

/// Removes what an analysis that was killed left.
fn remove_leftovers(store: &StoreLayout) -> Result<(), AnalyticsError> {
    for (folder, is_leftover) in [
        (store.root().to_owned(), (|name| name.starts_with(SCRATCH)) as fn(&str) -> bool),
        (store.evidence_dir(), |name| name.ends_with(".building")),
    ] {
        for entry in fs::read_dir(&folder).map_err(AnalyticsError::file(&folder))? {
            let path = entry.map_err(AnalyticsError::file(&folder))?.path();
            if path.file_name().and_then(|name| name.to_str()).is_some_and(is_leftover) {
                fs::remove_dir_all(&path).map_err(AnalyticsError::file(&path))?;
            }
        }
    }
    Ok(())
}

/// A damaged snapshot is not analysed.
fn undamaged(store: &StoreLayout, snapshot: &Path) -> Result<(), AnalyticsError> {
    let damage = checksums::verify(snapshot).map_err(AnalyticsError::file(snapshot))?;
    match damage.into_iter().next() {
        Some(damage) => Err(AnalyticsError::Damaged { store: store.root().to_owned(), folder: snapshot.to_owned(), damage }),
        None => Ok(()),
    }
}

fn insert(
    built: &mut BTreeMap<String, DataFrame>,
    about: &mut About,
    table: &'static str,
    rows: EvidenceRows,
) -> Result<(), AnalyticsError> {
    about.table_rows.insert(table.to_owned(), rows.len() as i64);
    let frame = rows.into_frame().map_err(|cause| AnalyticsError::Table { table, message: cause.to_string() })?;
    built.insert(table.to_owned(), frame);
    Ok(())
}

/// A file without the folder it happened to lie in.
fn file_name(path: &str) -> String {
    Path::new(path).file_name().map_or_else(|| path.to_owned(), |name| name.to_string_lossy().into_owned())
}

/// What the records cannot support, said once per table instead of being faked.
fn missing(about: &About) -> BTreeMap<String, String> {
    let mut missing = BTreeMap::new();
    if !about.has_exposure() {
        let why = if about.roster_machines == 0 {
            "There is no roster of machines, so nothing says how many machines ran without failing: shares, not rates."
        } else {
            "No machine of the roster has a day of entry within the time of the job records, so there is no exposure: shares, not rates."
        };
        for table in ["failure_rate", "life", "recurrence"] {
            missing.insert(table.to_owned(), why.to_owned());
        }
    }
    if about.models_in_catalogue == 0 {
        let why = "There is no catalogue of models, so nothing says which designs are sealed: no comparison of designs.";
        for table in ["sealed_write_off", "design_contrast"] {
            missing.insert(table.to_owned(), why.to_owned());
        }
    }
    let nothing = |table: &str| about.table_rows.get(table).is_some_and(|rows| *rows == 0);
    for (table, why) in [
        ("part_supply", "No order of a new part that a law lists is recorded with its day, so that waits cannot be held against the law."),
        ("part_price", "No part is recorded with its price and origin."),
        (
            "declared_lived",
            "The catalogue holds no model with a complete declared sheet, so that nothing declared can be set beside what was lived.",
        ),
    ] {
        if nothing(table) {
            missing.insert(table.to_owned(), why.to_owned());
        }
    }
    for (table, rows) in &about.table_rows {
        if *rows == 0 && !missing.contains_key(table) {
            missing.insert(table.clone(), nothing_to_build(table).to_owned());
        }
    }
    missing
}

fn about(engine: &Engine, snapshot: &Path) -> Result<About, AnalyticsError> {
    let snapshot = file_name(&snapshot.to_string_lossy());
    let counts = engine.rows("about", include_str!("../sql/about.sql"), |row| {
        Ok(About {
            program_version: env!("CARGO_PKG_VERSION").to_owned(),
            snapshot: snapshot.clone(),
            sources: Vec::new(),
            as_of: row.get::<_, Option<String>>("as_of")?.unwrap_or_default(),
            first_closed_on: row.get::<_, Option<String>>("first_closed_on")?.unwrap_or_default(),
            last_closed_on: row.get::<_, Option<String>>("last_closed_on")?.unwrap_or_default(),
            currency: row.get("currency")?,
            jobs: row.get("jobs")?,
            jobs_with_primary_fault: row.get("jobs_with_primary_fault")?,
            jobs_fault_not_named: row.get("jobs_fault_not_named")?,
            jobs_with_several_primary_faults: row.get("jobs_with_several_primary_faults")?,
            jobs_on_roster: row.get("jobs_on_roster")?,
            jobs_machine_unknown: row.get("jobs_machine_unknown")?,
            jobs_age_unknown: row.get("jobs_age_unknown")?,
            jobs_other_currency: row.get("jobs_other_currency")?,
            age_basis: BTreeMap::new(),
            machines_in_jobs: row.get("machines_in_jobs")?,
            roster_machines: row.get("roster_machines")?,
            roster_stays: row.get("roster_stays")?,
            roster_machines_age_unknown: row.get("roster_machines_age_unknown")?,
            roster_machines_observed: row.get("roster_machines_observed")?,
            machine_years: row.get("machine_years")?,
            models_in_catalogue: row.get("models_in_catalogue")?,
            source_spans: BTreeMap::new(),
            files: Vec::new(),
            inputs: Vec::new(),
            put_aside: Vec::new(),
            table_rows: BTreeMap::new(),
            missing: BTreeMap::new(),
            business: engine.business.clone(),
            holidays: engine.holidays,
            least_cell: None,
        })
    })?;
    let mut about = counts.into_iter().next().ok_or(AnalyticsError::EmptyStore)?;
    about.sources = engine.rows("about", "SELECT DISTINCT source FROM job ORDER BY source", |row| row.get(0))?;
    about.age_basis = engine
        .rows("about", "SELECT age_basis, count(*) FROM job GROUP BY age_basis ORDER BY age_basis", |row| Ok((row.get(0)?, row.get(1)?)))?
        .into_iter()
        .collect();
    about.source_spans = engine
        .rows("about", "SELECT source, CAST(from_on AS VARCHAR), CAST(to_on AS VARCHAR) FROM source_span ORDER BY source", |row| {
            Ok((row.get(0)?, [row.get(1)?, row.get(2)?]))
        })?
        .into_iter()
        .collect();
    about.files = engine.rows(
        "about",
        "SELECT source_file, \"table\", sum(rows_in)::BIGINT, sum(accepted)::BIGINT, sum(repeats)::BIGINT, sum(superseded)::BIGINT,
                sum(quarantined)::BIGINT, sum(values_set_aside)::BIGINT
         FROM store_ledger GROUP BY source_file, \"table\" ORDER BY source_file, \"table\"",
        |row| {
            Ok(FileAccount {
                file: file_name(&row.get::<_, String>(0)?),
                table: row.get(1)?,
                rows_in: row.get(2)?,
                accepted: row.get(3)?,
                repeats: row.get(4)?,
                superseded: row.get(5)?,
                quarantined: row.get(6)?,
                values_set_aside: row.get(7)?,
            })
        },
    )?;
    about.inputs = engine.rows(
        "about",
        "SELECT source_file, \"table\", source, rows_in, file_hash FROM store_ledger ORDER BY ingest_number, source_file, \"table\"",
        |row| {
            Ok(Input {
                file: file_name(&row.get::<_, String>(0)?),
                table: row.get(1)?,
                source: row.get(2)?,
                rows_in: row.get(3)?,
                blake3: row.get(4)?,
            })
        },
    )?;
    about.put_aside = engine.rows(
        "about",
        "SELECT \"table\", kind, \"column\", reason, min(remedy), count(*)
         FROM store_quarantine GROUP BY \"table\", kind, \"column\", reason ORDER BY count(*) DESC, \"table\", \"column\", reason",
        |row| {
            Ok(PutAside {
                table: row.get(0)?,
                kind: row.get(1)?,
                column: row.get(2)?,
                reason: row.get(3)?,
                remedy: row.get(4)?,
                count: row.get(5)?,
            })
        },
    )?;
    Ok(about)
}

/// The platform of each model of the catalogue.
fn platforms(engine: &Engine) -> Result<BTreeMap<String, String>, AnalyticsError> {
    let select = "SELECT model_key, platform FROM catalogue WHERE platform IS NOT NULL ORDER BY model_key";
    Ok(engine.rows("platforms", select, |row| Ok((row.get(0)?, row.get(1)?)))?.into_iter().collect())
}

/// Why a table is empty although its conditions are met.
fn nothing_to_build(table: &str) -> &'static str {
    match table {
        "closing_test" => "No job ended repaired.",
        "cascade" => "No job records what its fault damaged besides.",
        "donor_value" => "No used part was fitted to a machine whose platform is known.",
        "model_standing" => "Too few jobs name a model for models to be compared with their kind.",
        "quote" => "No fault has ten repairs with parts cost and working time on record, so there is nothing to quote from.",
        "stock_list" => "No parts with their prices are on record, so there is no list.",
        "take_on" => "No job has its charge, its parts cost and its working time on record, so no contribution can be worked out.",
        "trend" => "There are not four whole years of records of machines watched or of costs.",
        "outcome_by_age" => "No job has a machine whose age is known.",
        "recall" => "No machine can be followed from one job to the next: the records name no serial or machine numbers.",
        "repair_cost" => "No repaired job states what it cost.",
        "write_off_reason" => "No job on a condemned machine says why it was not repaired.",
        _ => "The records hold nothing that this table could be built from.",
    }
}
