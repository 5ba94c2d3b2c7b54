//! The embedded database over the store: views of its Parquet files, the vocabulary as tables, and the SQL that prepares the evidence.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::time::Instant;

use chrono::NaiveDate;
use duckdb::arrow::array::RecordBatch;
use duckdb::{Connection, Row, ToSql, params};
use fixodds_schemas::store_layout::parquet_files;
use fixodds_schemas::tables::{ColumnKind, store_table};
use fixodds_schemas::vocabulary::{ModelTrait, vocabulary};
use tracing::trace;

use crate::analyse::AnalyseOptions;
use crate::business::BusinessSettings;
use crate::error::AnalyticsError;

/// Lower edges of the age bands in years; a band ends where the next begins, the last is open.
pub const AGE_BAND_EDGES_YEARS: [f64; 13] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0];

const STORE_TABLES: [&str; 7] = ["jobs", "findings", "parts", "machines", "models", "ledger", "quarantine"];

macro_rules! sql_files {
    ($folder:literal, [$($name:literal),* $(,)?]) => {
        &[$(($name, include_str!(concat!("../sql/", $folder, "/", $name, ".sql")))),*]
    };
}

/// Tables built in this order before any evidence: file name and SQL.
const PREPARED: &[(&str, &str)] = sql_files!(
    "prepare",
    [
        "catalogue",
        "machine_number",
        "roster",
        "machine_link",
        "dated_job",
        "source_span",
        "machine_clock",
        "leaf",
        "scope",
        "leaf_scope",
        "leaf_component",
        "job",
        "job_part",
        "finding",
        "fault",
        "primary_fault",
        "fault_found",
        "recorded_job",
        "stay",
        "observation",
        "roster_fault",
        "roster_job",
        "machine_exposure",
        "exposure",
        "exposure_all_ages",
        "job_parts_cost",
        "job_cost",
        "sealed_condemned",
        "repaired_job",
        "returned_job",
        "return_booking",
        "same_fault_again",
        "followed_repair",
        "said_unknown",
        "life_correction",
        "part_order",
        "part_order_slice",
        "part_bought",
    ]
);

/// Tables that rest on the settings of the business too, built after the others.
const PREPARED_FOR_BUSINESS: &[(&str, &str)] = sql_files!("prepare", ["booked_job", "yearly_exposure", "part_need"]);

/// What an evidence row is about.
#[derive(Debug, Clone)]
pub struct Scope {
    pub level: String,
    pub key: String,
    pub category: Option<String>,
}

/// A database connection in which every prepared table stands.
pub struct Engine {
    connection: Connection,
    pub scopes: Vec<Scope>,
    pub business: BusinessSettings,
    /// Public holidays that were given.
    pub holidays: usize,
}

/// Resources that the database may use.
#[derive(Debug, Clone)]
pub struct Resources {
    /// Memory the database may hold before it spills to disk, in MiB.
    pub memory_mib: u64,
}

impl Default for Resources {
    fn default() -> Self {
        Self { memory_mib: 3072 }
    }
}

impl Engine {
    /// Opens a snapshot and builds the prepared tables in `scratch` (a folder that the caller deletes).
    pub fn open(snapshot: &Path, scratch: &Path, options: &AnalyseOptions, progress: &mut dyn FnMut(&str)) -> Result<Self, AnalyticsError> {
        let connection = Connection::open(scratch.join("analysis.duckdb")).map_err(sql("open"))?;
        let mut engine = Self { connection, scopes: Vec::new(), business: options.business.clone(), holidays: options.holidays.len() };
        engine.run("settings", &settings(scratch, &options.resources))?;
        for table in STORE_TABLES {
            engine.run(table, &store_view(snapshot, table)?)?;
            engine.add_missing_columns(table)?;
        }
        engine.add_cut_off(options.as_of.as_deref())?;
        engine.add_holidays(&options.holidays)?;
        engine.add_vocabulary()?;
        // Prepared tables have no order; keeping one takes memory that joins and windows need.
        engine.run("settings", "SET preserve_insertion_order = false")?;
        for (name, select) in PREPARED {
            progress(name);
            engine.run(name, &format!("CREATE TABLE {name} AS {select}"))?;
            if *name == "dated_job" {
                engine.add_money_of_account()?;
            }
        }
        engine.add_business()?;
        for (name, select) in PREPARED_FOR_BUSINESS {
            progress(name);
            engine.run(name, &format!("CREATE TABLE {name} AS {select}"))?;
        }
        engine.run("settings", "SET preserve_insertion_order = true")?;
        engine.scopes = engine.rows("scope", "SELECT scope_level, scope, category FROM scope ORDER BY scope_id", |row| {
            Ok(Scope { level: row.get(0)?, key: row.get(1)?, category: row.get(2)? })
        })?;
        Ok(engine)
    }

    /// Columns that the store has gained since its files were written are empty in them.
    fn add_missing_columns(&self, table: &str) -> Result<(), AnalyticsError> {
        let present = self.rows(table, &format!("DESCRIBE store_{table}"), |row| row.get::<_, String>(0))?;
        let columns = store_table(table).map(|schema| schema.columns.as_slice()).unwrap_or_default();
        let missing = columns.iter().filter(|column| column.nullable && !present.contains(&column.name));
        let empty: Vec<String> = missing.map(|column| format!("CAST(NULL AS {}) AS \"{}\"", sql_type(column.kind), column.name)).collect();
        if empty.is_empty() {
            return Ok(());
        }
        let view = format!("ALTER VIEW store_{table} RENAME TO written_{table};");
        self.run(table, &format!("{view} CREATE VIEW store_{table} AS (SELECT *, {} FROM written_{table});", empty.join(", ")))
    }

    /// The scope that a `scope_id` column of the evidence SQL stands for.
    pub fn scope(&self, scope_id: i64) -> &Scope {
        &self.scopes[scope_id as usize - 1]
    }

    /// Runs statements that return nothing.
    pub fn run(&self, step: &str, statements: &str) -> Result<(), AnalyticsError> {
        let began = Instant::now();
        self.connection.execute_batch(statements).map_err(sql(step))?;
        trace!(step, seconds = began.elapsed().as_secs_f64(), "statements run");
        Ok(())
    }

    /// Runs a query and reads each row with `read`.
    pub fn rows<T>(&self, step: &str, select: &str, read: impl FnMut(&Row<'_>) -> duckdb::Result<T>) -> Result<Vec<T>, AnalyticsError> {
        self.rows_for(step, select, &[], read)
    }

    /// The same for a query with parameters.
    pub fn rows_for<T>(
        &self,
        step: &str,
        select: &str,
        parameters: &[&dyn ToSql],
        mut read: impl FnMut(&Row<'_>) -> duckdb::Result<T>,
    ) -> Result<Vec<T>, AnalyticsError> {
        let began = Instant::now();
        let mut statement = self.connection.prepare(select).map_err(sql(step))?;
        let mut rows = statement.query(parameters).map_err(sql(step))?;
        let query_seconds = began.elapsed().as_secs_f64();
        let mut read_rows = Vec::new();
        while let Some(row) = rows.next().map_err(sql(step))? {
            read_rows.push(read(row).map_err(sql(step))?);
        }
        let seconds = began.elapsed().as_secs_f64();
        trace!(step, first_line = select.lines().next(), rows = read_rows.len(), query_seconds, seconds, "query read");
        Ok(read_rows)
    }

    /// Runs a query and gives its answer column by column, for answers of many rows.
    pub fn columns(
        &self,
        step: &str,
        select: &str,
        parameters: &[&dyn ToSql],
        mut read: impl FnMut(&RecordBatch),
    ) -> Result<(), AnalyticsError> {
        let began = Instant::now();
        let mut statement = self.connection.prepare(select).map_err(sql(step))?;
        for batch in statement.stream_arrow(parameters).map_err(sql(step))? {
            read(&batch.map_err(sql(step))?);
        }
        trace!(step, first_line = select.lines().next(), seconds = began.elapsed().as_secs_f64(), "columns read");
        Ok(())
    }

    /// The leaves that each scope holds.
    pub fn leaves_of_scopes(&self) -> Result<BTreeMap<i64, Vec<i64>>, AnalyticsError> {
        let mut scopes: BTreeMap<i64, Vec<i64>> = BTreeMap::new();
        self.rows("leaf_scope", "SELECT scope_id, leaf FROM leaf_scope ORDER BY scope_id, leaf", |row| {
            scopes.entry(row.get(0)?).or_default().push(row.get(1)?);
            Ok(())
        })?;
        Ok(scopes)
    }

    fn add_cut_off(&self, as_of: Option<&str>) -> Result<(), AnalyticsError> {
        self.run("cut_off", "CREATE TABLE cut_off (as_of DATE)")?;
        self.connection
            .execute("INSERT INTO cut_off SELECT coalesce(CAST(? AS DATE), (SELECT max(closed_on) FROM store_jobs))", params![as_of])
            .map_err(sql("cut_off"))?;
        Ok(())
    }

    fn add_holidays(&self, days: &BTreeSet<NaiveDate>) -> Result<(), AnalyticsError> {
        self.run("holiday", "CREATE TABLE holiday (day DATE)")?;
        for day in days {
            self.connection.execute("INSERT INTO holiday VALUES (CAST(? AS DATE))", params![day.to_string()]).map_err(sql("holiday"))?;
        }
        Ok(())
    }

    /// The currency that most priced jobs use; amounts in another are left out and counted.
    fn add_money_of_account(&self) -> Result<(), AnalyticsError> {
        self.run(
            "money_of_account",
            "CREATE TABLE money_of_account AS
             SELECT coalesce((SELECT currency FROM dated_job WHERE currency IS NOT NULL GROUP BY currency ORDER BY count(*) DESC, currency LIMIT 1), 'GBP') AS currency",
        )
    }

    /// The settings of the business that the SQL needs.
    fn add_business(&self) -> Result<(), AnalyticsError> {
        let BusinessSettings { labour_per_hour, travel_per_visit, recall_days, returns_are_free, .. } = &self.business;
        self.run(
            "business",
            "CREATE TABLE business (labour_per_hour DOUBLE, travel_per_visit DOUBLE, recall_days DOUBLE, returns_are_free BOOLEAN)",
        )?;
        self.connection
            .execute("INSERT INTO business VALUES (?, ?, ?, ?)", params![labour_per_hour, travel_per_visit, recall_days, returns_are_free])
            .map_err(sql("business"))?;
        Ok(())
    }

    fn add_vocabulary(&self) -> Result<(), AnalyticsError> {
        let words = vocabulary();
        self.run(
            "vocabulary",
            "CREATE TABLE age_band (age_from_years DOUBLE, age_to_years DOUBLE);
             CREATE TABLE component_of (category VARCHAR, component VARCHAR, trait_name VARCHAR, trait_value VARCHAR);
             CREATE TABLE competing_end AS SELECT unnest(['condemned', 'scrapped', 'withdrawn']) AS left_reason;
             CREATE TABLE sealed_component (category VARCHAR, component VARCHAR, design_name VARCHAR, design_value VARCHAR, assembly VARCHAR);
             CREATE TABLE statutory_part (category VARCHAR, component VARCHAR, law VARCHAR, statutory_class VARCHAR, audience VARCHAR,
                                          years_after_last_sale DOUBLE, delivery_working_days BIGINT, applies_from DATE);",
        )?;
        let step = || sql("vocabulary");
        let mut band = self.connection.prepare("INSERT INTO age_band VALUES (?, ?)").map_err(step())?;
        for (position, from) in AGE_BAND_EDGES_YEARS.iter().enumerate() {
            band.execute(params![from, AGE_BAND_EDGES_YEARS.get(position + 1)]).map_err(step())?;
        }
        let mut part_of = self.connection.prepare("INSERT INTO component_of VALUES (?, ?, ?, ?)").map_err(step())?;
        let mut sealed = self.connection.prepare("INSERT INTO sealed_component VALUES (?, ?, ?, ?, ?)").map_err(step())?;
        let mut statutory =
            self.connection.prepare("INSERT INTO statutory_part VALUES (?, ?, ?, ?, ?, ?, ?, CAST(? AS DATE))").map_err(step())?;
        for component in &words.components {
            let (trait_name, trait_value) = name_and_value(component.model_trait.as_ref());
            let (design_name, design_value) = name_and_value(component.sealed_inside.as_ref());
            for category in &component.categories {
                part_of.execute(params![category, component.key, trait_name, trait_value]).map_err(step())?;
                if let Some(class) = words.statutory_class_of(&component.key, category) {
                    let (years, days) = (class.years_after_last_placed_on_market, i64::from(class.delivery_working_days));
                    statutory
                        .execute(params![
                            category,
                            component.key,
                            class.law,
                            class.key,
                            class.audience.key(),
                            years,
                            days,
                            class.applies_from
                        ])
                        .map_err(step())?;
                }
                if design_name.is_some() {
                    sealed.execute(params![category, component.key, design_name, design_value, component.assembly]).map_err(step())?;
                }
            }
        }
        Ok(())
    }
}

fn sql_type(kind: ColumnKind) -> &'static str {
    match kind {
        ColumnKind::Text => "VARCHAR",
        ColumnKind::Integer32 => "INTEGER",
        ColumnKind::Integer64 => "BIGINT",
        ColumnKind::Real => "DOUBLE",
        ColumnKind::Date => "DATE",
        ColumnKind::Flag => "BOOLEAN",
    }
}

fn name_and_value(condition: Option<&ModelTrait>) -> (Option<&str>, Option<&str>) {
    condition.map_or((None, None), |ModelTrait { column, value }| (Some(column), Some(value)))
}

/// The order of answers must hold: without `preserve_insertion_order` the results of a sorted query come back unsorted once they are large.
fn settings(scratch: &Path, resources: &Resources) -> String {
    format!(
        "SET memory_limit = '{}MiB'; SET temp_directory = {};
         SET autoinstall_known_extensions = false; SET autoload_known_extensions = false;",
        resources.memory_mib,
        quoted(&scratch.join("spill").to_string_lossy())
    )
}

/// A view named `store_TABLE` over the files of that table in a snapshot.
fn store_view(snapshot: &Path, table: &str) -> Result<String, AnalyticsError> {
    let folder = snapshot.join(table);
    let files = parquet_files(&folder).map_err(AnalyticsError::file(&folder))?;
    let literals: Vec<String> = files.iter().map(|file| quoted(&file.to_string_lossy())).collect();
    Ok(format!("CREATE VIEW store_{table} AS SELECT * FROM read_parquet([{}], union_by_name = true);", literals.join(", ")))
}

/// A text as an SQL literal.
pub(crate) fn quoted(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}

pub(crate) fn sql(step: &str) -> impl FnOnce(duckdb::Error) -> AnalyticsError {
    let step = step.to_owned();
    move |source| {
        let message = source.to_string();
        match message.lines().next() {
            Some(first) if first.starts_with("Out of Memory Error") => AnalyticsError::OutOfMemory { step, message: first.to_owned() },
            _ => AnalyticsError::Sql { step, source },
        }
    }
}
