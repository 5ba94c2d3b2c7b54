//! The data package: evidence tables that others can read and check without this program.
//!
//! A Tabular Data Package (Frictionless Data, specs.frictionlessdata.io, version 1): `datapackage.json` describes each CSV file with the type and
//! meaning of its columns. Beside it stand the same tables as Parquet, what was claimed in `claims.json`, the methods in
//! `METHODS.md`, and `manifest.json` with the program's version, the snapshot that the evidence was made from, the hashes of the files that were read into it and of those
//! written.

use std::fmt::Write;

use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::publication::{LEFT_OUT, Withheld};
use fixodds_schemas::evidence_tables;
use fixodds_schemas::tables::{ColumnKind, TableSchema};
use serde_json::{Value, json};

use crate::exporters::ExportError;
use crate::table_files;

/// A file of the package; the path is relative to its folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackageFile {
    pub path: String,
    pub bytes: Vec<u8>,
}

/// All files of the package, in the order of their paths. `evidence` is ready for publication; `claims` is put in as it is.
///
/// # Errors
/// [`ExportError::Table`] if a table cannot be written.
pub fn build(evidence: &Evidence, withheld: &Withheld, claims: &Value) -> Result<Vec<PackageFile>, ExportError> {
    let mut files = Vec::new();
    let mut resources = Vec::new();
    for schema in evidence_tables() {
        let Some(frame) = evidence.tables.get(&schema.name) else { continue };
        let [csv, parquet] = ["csv", "parquet"].map(|kind| format!("data/{}.{kind}", schema.name));
        let bytes = table_files::csv(&schema.name, frame)?;
        resources.push(resource(schema, &csv, &parquet, bytes.len()));
        files.push(PackageFile { path: csv, bytes });
        files.push(PackageFile { path: parquet, bytes: table_files::parquet(&schema.name, frame)? });
    }
    files.push(PackageFile { path: "METHODS.md".to_owned(), bytes: methods(evidence).into_bytes() });
    files.push(json_file("claims.json", claims));
    files.push(json_file("datapackage.json", &descriptor(evidence, resources)));
    files.sort_by(|a, b| a.path.cmp(&b.path));
    let manifest = manifest(evidence, withheld, &files);
    files.push(json_file("manifest.json", &manifest));
    files.sort_by(|a, b| a.path.cmp(&b.path));
    Ok(files)
}

/// Two-space JSON with a final line feed.
fn json_file(path: &str, value: &Value) -> PackageFile {
    PackageFile { path: path.to_owned(), bytes: format!("{value:#}\n").into_bytes() }
}

fn descriptor(evidence: &Evidence, resources: Vec<Value>) -> Value {
    let about = &evidence.about;
    json!({
        "profile": "tabular-data-package",
        "name": "fixodds-evidence",
        "title": "Failure statistics of appliances from completed repair jobs",
        "description": format!(
            "Evidence from {} jobs closed {} to {}, as known on {}. Methods are in METHODS.md, hashes in manifest.json.",
            about.jobs, about.first_closed_on, about.last_closed_on, about.as_of
        ),
        "version": about.program_version,
        "keywords": ["repair", "reliability", "appliances"],
        "sources": about.sources.iter().map(|source| json!({ "title": source })).collect::<Vec<_>>(),
        "resources": resources,
    })
}

fn resource(schema: &TableSchema, csv: &str, parquet: &str, bytes: usize) -> Value {
    let fields: Vec<Value> = schema
        .columns
        .iter()
        .map(|column| {
            let unit = column.unit.as_ref().map_or_else(String::new, |unit| format!(" Unit: {unit}."));
            json!({ "name": column.name, "type": field_type(column.kind), "description": format!("{}{unit}", column.meaning) })
        })
        .collect();
    json!({
        "profile": "tabular-data-resource",
        "name": schema.name,
        "title": schema.name.replace('_', " "),
        "description": format!("{} One row: {}.", schema.description, schema.grain.trim_start_matches("one row per ")),
        "path": csv,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": bytes,
        "parquet": parquet,
        "dialect": { "delimiter": ",", "lineTerminator": "\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
        "schema": { "fields": fields, "missingValues": [""] },
    })
}

fn field_type(kind: ColumnKind) -> &'static str {
    match kind {
        ColumnKind::Text => "string",
        ColumnKind::Integer32 | ColumnKind::Integer64 => "integer",
        ColumnKind::Real => "number",
        ColumnKind::Date => "date",
        ColumnKind::Flag => "boolean",
    }
}

fn manifest(evidence: &Evidence, withheld: &Withheld, files: &[PackageFile]) -> Value {
    let about = &evidence.about;
    json!({
        "program": { "name": "fixodds", "version": about.program_version },
        "snapshot": about.snapshot,
        "as_of": about.as_of,
        "currency": about.currency,
        "least_cell": about.least_cell,
        "inputs": about.inputs,
        "tables": evidence.tables.iter().map(|(name, frame)| {
            let withheld = withheld.get(name).map_or(0, |(withheld, _)| *withheld);
            (name.clone(), json!({ "rows": frame.height(), "rows_withheld": withheld }))
        }).collect::<serde_json::Map<_, _>>(),
        "files": files.iter().map(|file| json!({
            "path": file.path,
            "bytes": file.bytes.len(),
            "blake3": blake3::hash(&file.bytes).to_hex().to_string(),
        })).collect::<Vec<_>>(),
    })
}

/// The dictionary of the tables in Markdown: what each holds, how it came about, what its columns mean.
fn methods(evidence: &Evidence) -> String {
    let about = &evidence.about;
    let mut text = format!(
        "# Methods\n\nEvidence from {} jobs closed {} to {}, as known on {}, by fixodds {}. Confidence is 95 %. Shares run from 0 to 1, rates are per \
         machine-year, money is in {}.\n\n## What is withheld\n\n",
        about.jobs, about.first_closed_on, about.last_closed_on, about.as_of, about.program_version, about.currency
    );
    let least = about.least_cell.unwrap_or_default();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "A row whose counts, or what they leave of the jobs they are taken over, lie between 1 and {} holds no figures and says so in the column reason; so do \
         further rows, smallest first, from which such a count could be had by subtracting parts from totals. Medians rest on at least {} records, 90th percentiles on {}. \
         Curves keep a point only where at least {least} events lie between it and the next. Left out altogether: {}. No free text, no job number and no \
         machine's number is in any table.",
        least - 1,
        2 * least,
        10 * least,
        LEFT_OUT.join(", ")
    );
    if !about.missing.is_empty() {
        text.push_str("\n## What these records cannot give\n\n");
        for (table, why) in &about.missing {
            let _ = writeln!(text, "- {table}: {why}");
        }
    }
    for schema in evidence_tables().iter().filter(|schema| evidence.tables.contains_key(&schema.name)) {
        let _ =
            write!(text, "\n## {}\n\n{} One row: {}.\n", schema.name, schema.description, schema.grain.trim_start_matches("one row per "));
        if let Some(method) = &schema.method {
            let _ = write!(text, "\n{}\n", method.trim());
        }
        text.push_str("\n| column | type | unit | meaning |\n|---|---|---|---|\n");
        for column in &schema.columns {
            let unit = column.unit.as_deref().unwrap_or("");
            let meaning = column.meaning.replace('|', "\\|");
            let _ = writeln!(text, "| {} | {} | {unit} | {meaning} |", column.name, field_type(column.kind));
        }
    }
    text
}
