//! What a record looks like in its canonical form, as types and as JSON Schema.
//!
//! This is the form of JSON Lines input and the target of every mapping. Spreadsheets may be looser: the reader accepts other column
//! titles, dates, amounts and words, and brings them into this form. Where a meaning is not spelt out here, the dictionary of
//! [`fields`](crate::fields) has it. Dates are ISO 8601 calendar days; terms are keys, names or synonyms of the vocabulary; members
//! that no field matches are kept as they are.

use std::collections::BTreeMap;

use schemars::{JsonSchema, Schema, generate::SchemaSettings};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// A calendar day as YYYY-MM-DD.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize, JsonSchema)]
#[serde(transparent)]
pub struct Day(#[schemars(regex(pattern = r"^[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$"))] pub String);

/// One term, or several.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Terms {
    One(String),
    Several(Vec<String>),
}

/// An identifier, which some exports write as a number.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Deserialize, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum Identifier {
    Text(String),
    Number(i64),
}

/// One record per completed job.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
pub struct Job {
    /// The job's own number, unique within the workshop.
    pub job_id: Identifier,
    /// Day on which the job was closed.
    pub closed_on: Day,
    /// Day on which the customer reported the fault.
    pub booked_on: Option<Day>,
    /// Kind of appliance.
    pub category: Option<String>,
    /// Brand of the appliance.
    pub brand: Option<Identifier>,
    /// Model number.
    pub model: Option<Identifier>,
    /// Serial number; stored only as a keyed hash.
    pub serial: Option<Identifier>,
    /// The workshop's own number for the machine; stored only as a keyed hash.
    pub machine_id: Option<Identifier>,
    /// Day of manufacture.
    pub made_on: Option<Day>,
    /// Year of manufacture.
    pub made_year: Option<i32>,
    /// Day on which the customer bought the appliance.
    pub bought_on: Option<Day>,
    /// Age of the appliance as the customer or repairer states it.
    #[schemars(range(min = 0.0))]
    pub age_years: Option<f64>,
    /// Reading of the cycle counter.
    #[schemars(range(min = 0.0))]
    pub usage_cycles: Option<f64>,
    /// Where the work was done: home or workshop.
    pub site: Option<String>,
    /// Number of visits the job took.
    pub visits: Option<u32>,
    /// What the customer noticed.
    pub symptoms: Option<Terms>,
    /// Part that had failed; several may stand in one cell.
    pub component: Option<Terms>,
    /// The fault in the repairer's own words.
    pub fault_text: Option<String>,
    /// Why it failed.
    pub cause: Option<String>,
    /// How the job ended.
    pub outcome: String,
    /// Why the appliance was not repaired.
    pub not_repaired_reason: Option<String>,
    /// Working time spent on the job.
    #[schemars(range(min = 0.0))]
    pub labour_minutes: Option<f64>,
    /// Cost of the labour.
    #[schemars(range(min = 0.0))]
    pub labour_cost: Option<f64>,
    /// Cost of the parts.
    #[schemars(range(min = 0.0))]
    pub parts_cost: Option<f64>,
    /// Amount charged to the customer.
    #[schemars(range(min = 0.0))]
    pub charged: Option<f64>,
    /// Three-letter code (ISO 4217) of the amounts.
    #[schemars(regex(pattern = r"^[A-Z]{3}$"))]
    pub currency: Option<String>,
    /// Today's price of an equivalent new appliance.
    #[schemars(range(min = 0.0))]
    pub price_new: Option<f64>,
    /// Test after the repair: earth, insulation, leakage, polarity, function, as noted or as an object of readings.
    pub closing_test: Option<ClosingTest>,
    /// Anything else that was noted.
    pub notes: Option<String>,
    /// What was found faulty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// Parts ordered or fitted.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parts: Vec<Part>,
    /// Members that no field matches.
    #[serde(flatten)]
    pub extra: BTreeMap<String, Value>,
}

/// The test after a repair: a note, or readings.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum ClosingTest {
    Note(String),
    Readings(ClosingReadings),
}

/// Readings of the test after a repair.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("minProperties" = 1))]
pub struct ClosingReadings {
    /// Resistance of the earth path.
    #[schemars(range(min = 0.0))]
    pub earth_ohms: Option<f64>,
    /// Insulation resistance.
    #[schemars(range(min = 0.0))]
    pub insulation_megohms: Option<f64>,
    /// Leakage or touch current.
    #[schemars(range(min = 0.0))]
    pub leakage_milliamps: Option<f64>,
    /// Which current that is: protective or touch.
    pub leakage_kind: Option<String>,
    /// Polarity: pass or fail.
    pub polarity: Option<String>,
    /// Function: pass or fail.
    pub function: Option<String>,
    /// The test as a whole: pass or fail.
    pub overall: Option<String>,
}

/// One record per component found faulty in a job.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
pub struct Finding {
    /// Number of the job; not needed where the record is nested in its job.
    pub job_id: Option<Identifier>,
    /// Position of the finding within the job, counted from 1.
    #[schemars(range(min = 1))]
    pub step: Option<u32>,
    /// Part that was found faulty.
    pub component: Option<String>,
    /// How the part had failed.
    pub failure_mode: Option<String>,
    /// Role in the chain of damage: primary, consequential or incidental.
    pub role: Option<String>,
    /// Step of the finding that caused this one.
    #[schemars(range(min = 1))]
    pub caused_by: Option<u32>,
    /// What showed the fault, such as a measurement.
    pub evidence: Option<String>,
    /// Members that no field matches.
    #[serde(flatten)]
    pub extra: BTreeMap<String, Value>,
}

/// One record per part ordered or fitted in a job.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
pub struct Part {
    /// Number of the job; not needed where the record is nested in its job.
    pub job_id: Option<Identifier>,
    /// What the part is.
    pub component: Option<String>,
    /// Part number.
    pub part_number: Option<Identifier>,
    /// Origin of the part: new-original, new-pattern, used or repaired.
    #[serde(alias = "source")]
    pub part_source: Option<String>,
    /// Number of pieces; 1 if not given.
    #[schemars(range(min = 0.0))]
    pub quantity: Option<f64>,
    /// Cost of one piece.
    #[schemars(range(min = 0.0))]
    pub unit_cost: Option<f64>,
    /// Three-letter code (ISO 4217) of the cost.
    #[schemars(regex(pattern = r"^[A-Z]{3}$"))]
    pub currency: Option<String>,
    /// Day on which the part was ordered.
    pub ordered_on: Option<Day>,
    /// Day on which the part arrived.
    pub received_on: Option<Day>,
    /// Whether the part could not be supplied.
    pub unavailable: Option<bool>,
    /// Number of the machine that a used part was taken from; stored only as a keyed hash.
    pub donor_machine: Option<Identifier>,
    /// Members that no field matches.
    #[serde(flatten)]
    pub extra: BTreeMap<String, Value>,
}

/// The roster: one record per stay of a machine in the workshop's care, failed or not.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, Serialize, JsonSchema)]
pub struct Machine {
    /// The workshop's own number for the machine; stored only as a keyed hash. Needed unless there is a serial number.
    pub machine_id: Option<Identifier>,
    /// Serial number; stored only as a keyed hash. Needed unless there is a machine number.
    pub serial: Option<Identifier>,
    /// Kind of appliance.
    pub category: Option<String>,
    /// Brand of the appliance.
    pub brand: Option<Identifier>,
    /// Model number.
    pub model: Option<Identifier>,
    /// Day on which the machine was first used, from which its age counts.
    pub in_service_on: Option<Day>,
    /// Day from which its faults would have become known to the workshop.
    pub entered_on: Option<Day>,
    /// Day from which its faults would no longer become known; empty while it is still in care.
    pub left_on: Option<Day>,
    /// Why it left.
    pub left_reason: Option<String>,
    /// Members that no field matches.
    #[serde(flatten)]
    pub extra: BTreeMap<String, Value>,
}

/// The catalogue: one record per model, with what is known about its design.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize, JsonSchema)]
pub struct Model {
    /// Brand; its spelling here is taken as the right one.
    pub brand: Identifier,
    /// Model number.
    pub model: Identifier,
    /// Kind of appliance.
    pub category: Option<String>,
    /// Name of the underlying design that several models share.
    pub platform: Option<Identifier>,
    /// Whether the tub can be opened: sealed or bolted.
    pub drum_design: Option<String>,
    /// Whether the main motor has brushes: brushed or brushless.
    pub motor_type: Option<String>,
    /// Day on which the first unit was placed on the market.
    pub first_sold_on: Option<Day>,
    /// Day on which the last unit was placed on the market.
    pub last_sold_on: Option<Day>,
    /// Today's price of the model or its equivalent.
    #[schemars(range(min = 0.0))]
    pub price_new: Option<f64>,
    /// Mass of the machine.
    #[schemars(range(min = 0.0))]
    pub mass_kg: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: availability of repair documentation.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_documentation: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: steps needed to reach the parts that fail most.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_disassembly_depth: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: tools needed.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_tools: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: fasteners used.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_fasteners: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: years for which spare parts are available to professional repairers.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_availability_professional: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: years for which spare parts are available to consumers.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_availability_consumer: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: delivery time of spare parts to professional repairers.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_delivery_professional: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: delivery time of spare parts to consumers.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_delivery_consumer: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: price of spare parts against the price of the product.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_price: Option<f64>,
    /// Sub-score that the manufacturer declared under the French repairability index: criteria specific to the kind of product.
    #[schemars(range(min = 0.0, max = 10.0))]
    pub declared_specific: Option<f64>,
    /// Members that no field matches.
    #[serde(flatten)]
    pub extra: BTreeMap<String, Value>,
}

/// The JSON Schema (draft 2020-12) of the records of an input table: jobs, findings, parts, machines or models.
#[must_use]
pub fn json_schema(table: &str) -> Option<Schema> {
    let generator = SchemaSettings::draft2020_12().into_generator();
    match table {
        "jobs" => Some(generator.into_root_schema_for::<Job>()),
        "findings" => Some(generator.into_root_schema_for::<Finding>()),
        "parts" => Some(generator.into_root_schema_for::<Part>()),
        "machines" => Some(generator.into_root_schema_for::<Machine>()),
        "models" => Some(generator.into_root_schema_for::<Model>()),
        _ => None,
    }
}
