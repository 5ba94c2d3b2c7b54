//! A lint over the dictionaries of input fields and of table columns, and the JSON Schema of the records.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;

use arrow::datatypes::DataType;
use fixodds_schemas::records::{Finding, Job, Machine, Model, Part, json_schema};
use fixodds_schemas::terms::match_key;
use fixodds_schemas::{
    ColumnKind, FieldKind, InputTable, TableSchema, evidence_table, evidence_tables, input_table, input_tables, store_table, store_tables,
};
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

/// Units, with what a column's name must contain where the unit belongs in the name.
const UNITS: [(&str, &str); 27] = [
    ("ohms", "ohms"),
    ("megohms", "megohms"),
    ("milliamps", "milliamps"),
    ("calendar year", "year"),
    ("years", "years"),
    ("days", "days"),
    ("minutes", "minutes"),
    ("kg", "kg"),
    ("cycles", "cycles"),
    ("machine-years", "machine_years"),
    ("currency", ""),
    ("visits", "visits"),
    ("line", "line"),
    ("rows", ""),
    ("values", "values"),
    ("jobs", ""),
    ("machines", ""),
    ("models", "models"),
    ("orders", ""),
    ("parts", "parts"),
    ("records", "records"),
    ("events", "events"),
    ("strata", "strata"),
    ("probability", ""),
    ("score 0-10", "declared"),
    ("events per machine-year", ""),
    ("repairs per machine", ""),
];

fn assert_unit_is_known(name: &str, unit: Option<&str>) {
    if let Some(unit) = unit {
        let known = UNITS.iter().find(|(known, _)| *known == unit).unwrap_or_else(|| panic!("{name}: unknown unit `{unit}`"));
        assert!(name.contains(known.1), "{name} must say its unit, {unit}");
    }
}

fn assert_is_sentence(name: &str, text: &str) {
    assert!(text.len() > 4 && text.ends_with('.') && !text.contains('\n'), "{name}: `{text}` is not a sentence");
}

fn assert_table_is_sound(table: &TableSchema) {
    assert!(table.grain.starts_with("one row per "), "{}: {}", table.name, table.grain);
    assert_is_sentence(&table.name, &table.description);
    let names: BTreeSet<&str> = table.columns.iter().map(|column| column.name.as_str()).collect();
    assert_eq!(names.len(), table.columns.len(), "{}: a column stands twice", table.name);
    for column in &table.columns {
        assert_is_sentence(&column.name, &column.meaning);
        assert_unit_is_known(&column.name, column.unit.as_deref());
        assert_eq!(column.kind == ColumnKind::Date, column.name.ends_with("_on"), "{}.{}: dates end in _on", table.name, column.name);
    }
}

#[test]
fn store_tables_are_sound() {
    let names: Vec<&str> = store_tables().iter().map(|table| table.name.as_str()).collect();
    assert_eq!(names, ["jobs", "findings", "parts", "machines", "models", "superseded", "quarantine", "ledger"]);
    for table in store_tables() {
        assert_table_is_sound(table);
        assert_eq!(table.method, None, "{} is not an estimate", table.name);
    }
    assert!(store_table("fault_share").is_none());
}

#[test]
fn evidence_tables_are_sound_and_share_their_frame() {
    assert_eq!(evidence_tables().len(), 25);
    for table in evidence_tables() {
        assert_table_is_sound(table);
        let names: Vec<&str> = table.columns.iter().map(|column| column.name.as_str()).collect();
        assert_eq!(names[..3], ["scope_level", "scope", "category"], "{}", table.name);
        assert_eq!(names[names.len() - 4..], ["estimate", "lower", "upper", "reason"], "{}", table.name);
        let method = table.method.as_deref().unwrap_or_default();
        for word in ["Population:", "vent:", "ssumption:"] {
            assert!(method.contains(word), "{}: the method does not state `{word}`", table.name);
        }
        assert!(method.to_lowercase().contains("clock") && method.to_lowercase().contains("censor"), "{}", table.name);
    }
    assert!(evidence_table("jobs").is_none());
}

#[test]
fn arrow_schemas_follow_the_dictionary() {
    let schema = store_table("jobs").expect("table exists").arrow_schema();
    let typed = |name: &str| schema.field_with_name(name).map(|field| (field.data_type().clone(), field.is_nullable()));
    assert_eq!(typed("job_id").expect("column exists"), (DataType::Utf8, false));
    assert_eq!(typed("closed_on").expect("column exists"), (DataType::Date32, false));
    assert_eq!(typed("booked_on").expect("column exists"), (DataType::Date32, true));
    assert_eq!(typed("made_year").expect("column exists"), (DataType::Int32, true));
    assert_eq!(typed("labour_minutes").expect("column exists"), (DataType::Float64, true));
    assert_eq!(typed("content_hash").expect("column exists"), (DataType::Int64, false));
    let parts = store_table("parts").expect("table exists").arrow_schema();
    assert_eq!(parts.field_with_name("unavailable").expect("column exists").data_type(), &DataType::Boolean);
    for table in store_tables().iter().chain(evidence_tables()) {
        assert_eq!(table.arrow_schema().fields().len(), table.columns.len());
    }
}

#[test]
fn input_fields_are_sound() {
    for table in input_tables() {
        assert_is_sentence(&table.name, &table.description);
        for field in &table.fields {
            assert_is_sentence(&field.name, &field.meaning);
            assert_unit_is_known(&field.name, field.unit.as_deref());
            let has_list = matches!(field.kind, FieldKind::Term | FieldKind::Terms | FieldKind::Flag);
            assert_eq!(field.list.is_some(), has_list, "{}.{}: a list belongs to terms and flags", table.name, field.name);
        }
    }
}

#[test]
fn no_column_title_means_two_fields() {
    for table in input_tables() {
        for field in &table.fields {
            let mut keys: Vec<String> = field.headers().chain(field.ambiguous_synonyms.iter().map(String::as_str)).map(match_key).collect();
            keys.sort();
            assert!(keys.windows(2).all(|pair| pair[0] != pair[1]), "{}.{}: a title is given twice", table.name, field.name);
        }
        let mut titles: Vec<(String, &str)> =
            table.fields.iter().flat_map(|field| field.headers().map(|title| (match_key(title), field.name.as_str()))).collect();
        titles.sort();
        for pair in titles.windows(2) {
            assert_ne!(pair[0].0, pair[1].0, "{}: a column title of {} and {}", table.name, pair[0].1, pair[1].1);
        }
    }
}

/// What a workshop tells us has a place to be kept, of a type that fits.
#[test]
fn every_input_field_has_a_store_column() {
    for table in input_tables() {
        let store = store_table(&table.name).unwrap_or_else(|| panic!("{} is not stored", table.name));
        let becomes_findings = |name: &str| table.name == "jobs" && name == "component";
        for field in table.fields.iter().filter(|field| !becomes_findings(&field.name)) {
            let column = store.column(field.store_column()).unwrap_or_else(|| panic!("{}.{} is not stored", table.name, field.name));
            let expected = match field.kind {
                FieldKind::Date => ColumnKind::Date,
                FieldKind::Year | FieldKind::Count => ColumnKind::Integer32,
                FieldKind::Years | FieldKind::Money | FieldKind::Minutes | FieldKind::Quantity | FieldKind::Score => ColumnKind::Real,
                FieldKind::Flag => ColumnKind::Flag,
                FieldKind::Identifier | FieldKind::Currency | FieldKind::Term | FieldKind::Terms | FieldKind::Text => ColumnKind::Text,
            };
            assert_eq!(column.kind, expected, "{}.{}", table.name, field.name);
            assert_eq!(column.unit, field.unit, "{}.{}", table.name, field.name);
        }
    }
}

#[test]
fn workshop_column_titles_are_recognised() {
    let field = |table, title| input_table(table).expect("table exists").field_for_header(title).map(|field| field.name.as_str());
    for (title, name) in [
        ("Job No.", "job_id"),
        ("JOB #", "job_id"),
        ("JobNo", "job_id"),
        ("Date Completed", "closed_on"),
        ("Appliance", "category"),
        ("Make", "brand"),
        ("Model No", "model"),
        ("S/N", "serial"),
        ("Serial Number", "serial"),
        ("DOM", "made_on"),
        ("Age (yrs)", "age_years"),
        ("Fault", "fault_text"),
        ("Parts £", "parts_cost"),
        ("Labour", "labour_cost"),
        ("Labour (mins)", "labour_minutes"),
        ("Total Charged", "charged"),
        ("repair_status", "outcome"),
        ("repair_barrier_if_end_of_life", "not_repaired_reason"),
        ("event_date", "closed_on"),
    ] {
        assert_eq!(field("jobs", title), Some(name), "{title}");
    }
    assert_eq!(field("jobs", "customer name"), None);
    assert_eq!(field("jobs", ""), None);
    assert_eq!(field("parts", "source"), Some("part_source"));
    assert_eq!(field("parts", "Qty"), Some("quantity"));
    assert_eq!(field("machines", "In service date"), Some("in_service_on"));
    assert_eq!(field("models", "Weight (kg)"), Some("mass_kg"));
}

fn properties(table: &InputTable) -> Vec<(String, Value)> {
    let schema = json_schema(&table.name).unwrap_or_else(|| panic!("{} has no JSON Schema", table.name)).to_value();
    schema["properties"].as_object().expect("an object").iter().map(|(name, value)| (name.clone(), value.clone())).collect()
}

/// Record types and dictionary say the same.
#[test]
fn records_and_dictionary_agree() {
    for table in input_tables() {
        let properties = properties(table);
        let names: BTreeSet<&str> = properties
            .iter()
            .map(|(name, _)| name.as_str())
            .filter(|name| table.name != "jobs" || !["findings", "parts"].contains(name))
            .collect();
        assert_eq!(names, table.fields.iter().map(|field| field.name.as_str()).collect(), "{}", table.name);
        for (name, property) in &properties {
            if let Some(field) = table.field(name).filter(|field| field.name != "job_id") {
                assert_eq!(property["description"], field.meaning, "{}.{name}", table.name);
            }
        }
    }
}

/// The committed schemas are those of the record types. `FIXODDS_WRITE_SCHEMAS=1 cargo test -p fixodds-schemas` rewrites them.
#[test]
fn committed_json_schemas_are_current() {
    for table in input_tables() {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("json").join(format!("{}.schema.json", table.name));
        let current = json_schema(&table.name).unwrap_or_else(|| panic!("{} has no JSON Schema", table.name)).to_value();
        if std::env::var_os("FIXODDS_WRITE_SCHEMAS").is_some() {
            fs::write(&path, format!("{current:#}\n")).expect("the folder is writable");
        }
        let committed = fs::read_to_string(&path).unwrap_or_default();
        let committed: Value = serde_json::from_str(&committed).unwrap_or_default();
        assert!(committed == current, "{} is out of date; run the tests once with FIXODDS_WRITE_SCHEMAS=1", path.display());
    }
}

fn example(table: &str) -> Value {
    match table {
        "jobs" => json!({
            "job_id": 1042, "booked_on": "2024-03-04", "closed_on": "2024-03-06", "category": "washing machine", "brand": "Orrowby", "model": "WM 7140",
            "serial": "40-117-0093", "made_year": 2016, "age_years": 7.5, "site": "home", "visits": 1,
            "symptoms": ["rumbling on spin", "leaks"], "component": "bearings", "outcome": "BER", "not_repaired_reason": "sealed drum",
            "labour_minutes": 35.0, "charged": 30.0, "currency": "GBP", "price_new": 329.0, "van": "2",
            "findings": [example("findings")], "parts": [example("parts")],
        }),
        "findings" => json!({ "step": 1, "component": "bearings", "failure_mode": "worn", "role": "primary", "evidence": "play of 4 mm" }),
        "parts" => {
            json!({ "component": "drum assembly", "source": "new-original", "quantity": 1.0, "unit_cost": 189.5, "ordered_on": "2024-03-04", "unavailable": false })
        }
        "machines" => {
            json!({ "machine_id": "R-17", "brand": "Orrowby", "model": "WM7140", "in_service_on": "2019-05-01", "entered_on": "2021-02-10" })
        }
        "models" => {
            json!({ "brand": "Orrowby", "model": "WM7140", "category": "washing_machine", "drum_design": "sealed", "mass_kg": 67.0, "declared_price": 4.5 })
        }
        other => panic!("no example of {other}"),
    }
}

#[test]
fn examples_are_valid_and_mistakes_are_not() {
    for table in input_tables() {
        let schema = json_schema(&table.name).unwrap_or_else(|| panic!("{} has no JSON Schema", table.name)).to_value();
        let validator = jsonschema::validator_for(&schema).expect("a valid schema");
        let example = example(&table.name);
        if let Err(error) = validator.validate(&example) {
            panic!("{}: {error}", table.name);
        }
        assert!(!validator.is_valid(&json!([])), "{}: not an object", table.name);
        for field in &table.fields {
            let mut record = example.clone();
            if field.required {
                record.as_object_mut().expect("an object").remove(&field.name);
                assert_eq!(
                    validator.is_valid(&record),
                    ["findings", "parts"].contains(&table.name.as_str()),
                    "{} without {}",
                    table.name,
                    field.name
                );
            }
            record[&field.name] = match field.kind {
                FieldKind::Date => json!("06/03/2024"),
                FieldKind::Currency => json!("pounds"),
                FieldKind::Score => json!(10.5),
                FieldKind::Years | FieldKind::Money | FieldKind::Minutes | FieldKind::Quantity | FieldKind::Count => json!(-1),
                _ => json!({}),
            };
            assert!(!validator.is_valid(&record), "{} accepts {} = {}", table.name, field.name, record[&field.name]);
        }
    }
}

#[test]
fn examples_read_into_the_record_types() {
    fn read<T: DeserializeOwned>(table: &str) -> T {
        serde_json::from_value(example(table)).unwrap_or_else(|error| panic!("{table}: {error}"))
    }
    let job: Job = read("jobs");
    assert_eq!(job.findings, [read::<Finding>("findings")]);
    assert_eq!(job.parts, [read::<Part>("parts")]);
    assert_eq!(job.parts[0].part_source.as_deref(), Some("new-original"), "the short name is read too");
    assert!(job.parts[0].extra.is_empty());
    assert_eq!(job.extra.get("van"), Some(&json!("2")), "unknown members are kept");
    assert_eq!(serde_json::from_value::<Job>(serde_json::to_value(&job).expect("a job is JSON")).expect("reads back"), job);
    assert_eq!(read::<Machine>("machines").entered_on.expect("given").0, "2021-02-10");
    assert_eq!(read::<Model>("models").declared_price, Some(4.5));
}
