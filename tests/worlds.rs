//! Small worlds by another hand than the program's: records in, truth known by arithmetic, evidence out.
//!
//! Each folder in `open/` and `closed/` holds records and a `world.toml` with the world's story, how it is read in, and what must be found in
//! which evidence table. Those in `closed/` are scored and were not looked at while the program was written.

use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde_json::Value;

use crate::support::{rows, succeed};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct World {
    title: String,
    #[serde(rename = "story")]
    _story: String,
    as_of: Option<String>,
    ingest: Vec<Ingest>,
    expect: Vec<Expectation>,
}

/// One call of the command, for one source of records.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Ingest {
    files: Vec<String>,
    source: Option<String>,
    mapping: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Expectation {
    why: String,
    table: String,
    /// Values by column, all of which a row must have; an empty text stands for a missing value.
    #[serde(rename = "where")]
    of: toml::Table,
    #[serde(default = "estimate")]
    column: String,
    equals: Option<f64>,
    tolerance: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    /// A value that lies within the row's interval.
    holds: Option<f64>,
    is: Option<String>,
    is_not: Option<Vec<String>>,
    #[serde(default)]
    null: bool,
    /// A missing value is as good.
    #[serde(default)]
    or_null: bool,
    /// How many rows there are; else one, which has the value.
    rows: Option<usize>,
}

fn estimate() -> String {
    "estimate".to_owned()
}

fn is_same(found: &Value, wanted: &toml::Value) -> bool {
    match (found, wanted) {
        (Value::Null, toml::Value::String(text)) => text.is_empty(),
        (Value::Bool(found), toml::Value::Boolean(wanted)) => found == wanted,
        (Value::String(found), toml::Value::String(wanted)) => found == wanted,
        (Value::Number(found), toml::Value::Integer(wanted)) => found.as_f64() == Some(*wanted as f64),
        (Value::Number(found), toml::Value::Float(wanted)) => found.as_f64().is_some_and(|found| (found - wanted).abs() < 1e-9),
        _ => false,
    }
}

impl Expectation {
    /// What is wrong, if something is.
    fn fault(&self, table: &[Value]) -> Option<String> {
        let found: Vec<&Value> = table
            .iter()
            .filter(|row| self.of.iter().all(|(column, wanted)| row.get(column).is_some_and(|value| is_same(value, wanted))))
            .collect();
        let complain = |what: String| Some(format!("{}: {} where {}: {what}", self.why, self.table, self.of));
        if let Some(wanted) = self.rows {
            return if found.len() == wanted { None } else { complain(format!("{} rows instead of {wanted}", found.len())) };
        }
        let [row] = found[..] else { return complain(format!("{} rows", found.len())) };
        let value = &row[&self.column];
        let number = value.as_f64();
        let within = |from: f64, to: f64| number.is_some_and(|number| (from..=to).contains(&number));
        let tolerance = self.tolerance.unwrap_or(1e-9);
        let is_right = self.or_null && value.is_null() || (!self.null || value.is_null())
            && self.equals.is_none_or(|wanted| within(wanted - tolerance, wanted + tolerance))
            && within_or_unasked(self.min, self.max, number)
            && self.holds.is_none_or(|truth| {
                matches!((row["lower"].as_f64(), row["upper"].as_f64()), (Some(lower), Some(upper)) if lower <= truth && truth <= upper)
            })
            && self.is.as_ref().is_none_or(|wanted| value.as_str() == Some(wanted))
            && self.is_not.as_ref().is_none_or(|unwanted| !unwanted.iter().any(|text| value.as_str() == Some(text)));
        if is_right { None } else { complain(format!("{} is {value} in {row}", self.column)) }
    }
}

fn within_or_unasked(min: Option<f64>, max: Option<f64>, number: Option<f64>) -> bool {
    (min.is_none() && max.is_none())
        || number.is_some_and(|number| min.is_none_or(|min| number >= min) && max.is_none_or(|max| number <= max))
}

/// What is wrong in one world.
fn faults(folder: &Path) -> Vec<String> {
    let text = fs::read_to_string(folder.join("world.toml")).unwrap();
    let world: World = toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let scratch = tempfile::tempdir().unwrap();
    let store = scratch.path().join("store");
    let path = |path: &Path| path.to_str().unwrap().to_owned();
    for call in &world.ingest {
        let mut arguments = vec!["ingest".to_owned(), "--store".to_owned(), path(&store)];
        arguments.extend(call.files.iter().map(|file| path(&folder.join(file))));
        for (option, value) in
            [("--source", call.source.clone()), ("--mapping", call.mapping.as_ref().map(|file| path(&folder.join(file))))]
        {
            arguments.extend(value.into_iter().flat_map(|value| [option.to_owned(), value]));
        }
        succeed(&arguments);
    }
    let mut arguments = vec!["analyse".to_owned(), "--store".to_owned(), path(&store)];
    arguments.extend(world.as_of.iter().flat_map(|day| ["--as-of".to_owned(), day.clone()]));
    succeed(&arguments);
    let mut names: Vec<&str> = world.expect.iter().map(|expectation| expectation.table.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    let mut faults = Vec::new();
    for name in names {
        let table = rows(&store, &format!("SELECT * FROM {name}"));
        faults.extend(
            world.expect.iter().filter(|expectation| expectation.table == name).filter_map(|expectation| expectation.fault(&table)),
        );
    }
    faults
        .iter_mut()
        .for_each(|fault| fault.insert_str(0, &format!("{} ({}): ", folder.file_name().unwrap().to_string_lossy(), world.title)));
    faults
}

/// What is wrong in all worlds of one half.
fn all_faults(half: &str) -> Vec<String> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/worlds").join(half);
    let mut worlds: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    worlds.sort();
    assert!(worlds.len() >= 12, "{}", worlds.len());
    worlds.iter().flat_map(|world| faults(world)).collect()
}

#[test]
fn worlds_that_were_looked_at_hold() {
    let faults = all_faults("open");
    assert!(faults.is_empty(), "{} faults:\n{}", faults.len(), faults.join("\n"));
}

/// Expectations of worlds nobody has looked at that did not hold when this was written, of 173. They are scored only: what they are is not printed.
const NOT_HELD: usize = 10;

#[test]
fn worlds_that_were_not_looked_at_hold_as_they_did() {
    let faults = all_faults("closed").len();
    assert!(faults <= NOT_HELD, "{faults} expectations do not hold instead of {NOT_HELD}");
}
