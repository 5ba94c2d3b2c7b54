//! Read-only SQL over the store's tables and the evidence tables, each under its own name.

use std::path::Path;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use duckdb::types::ValueRef;
use duckdb::{Connection, Row};
use fixodds_schemas::store_layout::{StoreLayout, parquet_files, read_link};
use fixodds_schemas::tables::store_tables;
use serde_json::{Map, Number, Value};

use crate::engine::{quoted, sql};
use crate::error::AnalyticsError;

const MEMORY: &str = "2GiB";
const LONGEST: Duration = Duration::from_secs(300);
const MOST_ROWS: usize = 1_000_000;

/// The answer to a query: column names, and rows of JSON values.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    pub columns: Vec<String>,
    pub rows: Vec<Vec<Value>>,
}

impl Answer {
    /// One object a row, keys in the order of the columns.
    pub fn objects(&self) -> impl Iterator<Item = Map<String, Value>> + '_ {
        self.rows.iter().map(|row| self.columns.iter().cloned().zip(row.iter().cloned()).collect())
    }
}

/// Answers one SELECT. The database sees the files of the current snapshot and of the current evidence, and nothing else:
/// no other file, no network, no extension, no writing. It may take 2 GiB of memory and five minutes, and give a million rows.
pub fn query(store: &StoreLayout, select: &str) -> Result<Answer, AnalyticsError> {
    let select = one_select(select)?;
    let connection = Connection::open_in_memory().map_err(sql("open"))?;
    let mut allowed = Vec::new();
    for table in store_tables() {
        add_view(&connection, &table.name, &store.table_files(&table.name)?, &mut allowed)?;
    }
    let link = store.evidence_link();
    if let Some(current) = read_link(&link).map_err(AnalyticsError::file(&link))? {
        let folder = store.evidence_dir().join(current);
        for file in parquet_files(&folder).map_err(AnalyticsError::file(&folder))? {
            let name = file.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
            add_view(&connection, &name, std::slice::from_ref(&file), &mut allowed)?;
        }
    }
    let paths: Vec<String> = allowed.iter().map(|path| quoted(path)).collect();
    connection
        .execute_batch(&format!(
            "SET memory_limit = '{MEMORY}'; SET autoinstall_known_extensions = false; SET autoload_known_extensions = false;
             SET temp_directory = ''; SET allowed_paths = [{}]; SET enable_external_access = false; SET lock_configuration = true;",
            paths.join(", ")
        ))
        .map_err(sql("settings"))?;
    let (finished, waiting) = mpsc::channel::<()>();
    let handle = connection.interrupt_handle();
    let watch = thread::spawn(move || {
        let too_long = matches!(waiting.recv_timeout(LONGEST), Err(mpsc::RecvTimeoutError::Timeout));
        if too_long {
            handle.interrupt();
        }
        too_long
    });
    let answer = answer(&connection, &select);
    drop(finished);
    if watch.join().unwrap_or(false) {
        return Err(AnalyticsError::Query(format!("the query was stopped after {} seconds", LONGEST.as_secs())));
    }
    let answer = answer.map_err(|cause| AnalyticsError::Query(cause.to_string()))?;
    if answer.rows.len() > MOST_ROWS {
        return Err(AnalyticsError::Query(format!("the answer has more than {MOST_ROWS} rows; add conditions, or LIMIT")));
    }
    Ok(answer)
}

fn add_view(connection: &Connection, name: &str, files: &[impl AsRef<Path>], allowed: &mut Vec<String>) -> Result<(), AnalyticsError> {
    let paths: Vec<String> = files.iter().map(|file| file.as_ref().to_string_lossy().into_owned()).collect();
    if paths.is_empty() {
        return Ok(());
    }
    let literals: Vec<String> = paths.iter().map(|path| quoted(path)).collect();
    allowed.extend(paths);
    connection
        .execute_batch(&format!(
            "CREATE VIEW \"{}\" AS SELECT * FROM read_parquet([{}], union_by_name = true)",
            name.replace('"', "\"\""),
            literals.join(", ")
        ))
        .map_err(sql(name))
}

/// A single statement that can only read: it is run as a subquery, so it must not be able to end it.
fn one_select(text: &str) -> Result<String, AnalyticsError> {
    let trimmed = text.trim().trim_end_matches(';').trim();
    if trimmed.is_empty() {
        return Err(AnalyticsError::Query("the query is empty; try: SELECT category, count(*) FROM jobs GROUP BY category".to_owned()));
    }
    if trimmed.contains(';') {
        return Err(AnalyticsError::Query("one SELECT at a time, without `;` inside it (write chr(59) for one in a text)".to_owned()));
    }
    Ok(trimmed.to_owned())
}

fn answer(connection: &Connection, select: &str) -> duckdb::Result<Answer> {
    let mut describe = connection.prepare(&format!("DESCRIBE SELECT * FROM (\n{select}\n)"))?;
    let described = describe.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<duckdb::Result<Vec<(String, String)>>>()?;
    let list: Vec<String> = described.iter().enumerate().map(|(position, (_, kind))| readable(&format!("c{position}"), kind)).collect();
    let names: Vec<String> = (0..described.len()).map(|position| format!("c{position}")).collect();
    let mut statement = connection.prepare(&format!(
        "SELECT {} FROM (\n{select}\n) AS answer({}) LIMIT {}",
        list.join(", "),
        names.join(", "),
        MOST_ROWS + 1
    ))?;
    let rows = statement
        .query_map([], |row| (0..described.len()).map(|position| value(row, position)).collect())?
        .collect::<duckdb::Result<Vec<Vec<Value>>>>()?;
    Ok(Answer { columns: described.into_iter().map(|(name, _)| name).collect(), rows })
}

/// Numbers and flags as they are, everything else as the database writes it.
fn readable(name: &str, kind: &str) -> String {
    match kind {
        "BOOLEAN" | "DOUBLE" | "BIGINT" => name.to_owned(),
        "TINYINT" | "SMALLINT" | "INTEGER" | "UTINYINT" | "USMALLINT" | "UINTEGER" => format!("CAST({name} AS BIGINT)"),
        "FLOAT" | "HUGEINT" | "UHUGEINT" | "UBIGINT" => format!("CAST({name} AS DOUBLE)"),
        decimal if decimal.starts_with("DECIMAL") => format!("CAST({name} AS DOUBLE)"),
        _ => format!("CAST({name} AS VARCHAR)"),
    }
}

fn value(row: &Row<'_>, position: usize) -> duckdb::Result<Value> {
    Ok(match row.get_ref(position)? {
        ValueRef::Boolean(flag) => Value::Bool(flag),
        ValueRef::BigInt(number) => Value::from(number),
        ValueRef::Double(number) => Number::from_f64(number).map_or(Value::Null, Value::Number),
        ValueRef::Text(text) => Value::String(String::from_utf8_lossy(text).into_owned()),
        _ => Value::Null,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_one_statement_is_taken() {
        assert_eq!(one_select(" SELECT 1 ; ").unwrap(), "SELECT 1");
        assert!(one_select("SELECT 1); COPY jobs TO '/tmp/x'; SELECT * FROM (SELECT 1").is_err());
        assert!(one_select("  ;").is_err());
    }
}
