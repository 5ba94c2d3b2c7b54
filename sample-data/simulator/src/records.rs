//! What the workshop wrote down. Money is in pence, so that sums are exact.

use chrono::NaiveDate;
use std::sync::Arc;

/// A vocabulary key or catalogue name, shared by many records.
pub type Term = Arc<str>;

/// Names of the ten declared sub-scores of a model, in the order of `Model::declared`.
pub const DECLARED_SCORES: [&str; 10] = [
    "declared_documentation",
    "declared_disassembly_depth",
    "declared_tools",
    "declared_fasteners",
    "declared_availability_professional",
    "declared_availability_consumer",
    "declared_delivery_professional",
    "declared_delivery_consumer",
    "declared_price",
    "declared_specific",
];

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Outcome {
    Repaired,
    Repairable,
    Condemned,
    Declined,
    NoFaultFound,
}

impl Outcome {
    pub fn key(self) -> &'static str {
        match self {
            Self::Repaired => "repaired",
            Self::Repairable => "repairable",
            Self::Condemned => "condemned",
            Self::Declined => "declined",
            Self::NoFaultFound => "no_fault_found",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PartSource {
    NewOriginal,
    NewPattern,
    Used,
    Repaired,
}

impl PartSource {
    pub const ALL: [Self; 4] = [Self::NewOriginal, Self::NewPattern, Self::Used, Self::Repaired];

    pub fn key(self) -> &'static str {
        match self {
            Self::NewOriginal => "new-original",
            Self::NewPattern => "new-pattern",
            Self::Used => "used",
            Self::Repaired => "repaired",
        }
    }
}

/// Why the job's first fault happened: known to the simulator, never written to the records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// The component's own hazard.
    Natural,
    /// A bad repair, or a cause or damage left by an earlier repair.
    Recall,
    /// Nothing was wrong.
    NoFault,
}

#[derive(Debug, Clone)]
pub struct Job {
    pub job_number: u64,
    pub origin: Origin,
    pub booked_on: Option<NaiveDate>,
    pub closed_on: NaiveDate,
    pub category: Term,
    pub brand: Term,
    pub model: Term,
    pub serial: Option<String>,
    pub machine_id: Option<String>,
    pub made_year: Option<i32>,
    pub bought_on: Option<NaiveDate>,
    pub age_years: Option<u32>,
    pub usage_cycles: Option<u32>,
    pub at_home: bool,
    pub visits: u32,
    pub symptoms: Vec<Term>,
    /// The primary faults, in the order in which they were found.
    pub components: Vec<Term>,
    pub fault_text: Option<String>,
    pub cause: Option<&'static str>,
    pub outcome: Outcome,
    pub not_repaired_reason: Option<Term>,
    pub labour_minutes: Option<u32>,
    pub labour_cost_pence: i64,
    pub parts_cost_pence: i64,
    pub charged_pence: Option<i64>,
    pub price_new_pence: Option<i64>,
    pub notes: Option<String>,
    pub findings: Vec<Finding>,
    pub parts: Vec<Part>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Primary,
    Consequential,
    Incidental,
}

impl Role {
    pub fn key(self) -> &'static str {
        match self {
            Self::Primary => "primary",
            Self::Consequential => "consequential",
            Self::Incidental => "incidental",
        }
    }
}

#[derive(Debug, Clone)]
pub struct Finding {
    pub step: u32,
    pub component: Term,
    pub failure_mode: Term,
    pub role: Role,
    pub caused_by_step: Option<u32>,
    pub evidence: Option<&'static str>,
}

/// A part fitted, or an order that could not be met.
#[derive(Debug, Clone)]
pub struct Part {
    pub component: Term,
    pub part_number: Option<String>,
    pub source: PartSource,
    pub quantity: u32,
    pub unit_cost_pence: Option<i64>,
    pub ordered_on: Option<NaiveDate>,
    pub received_on: Option<NaiveDate>,
    pub unavailable: bool,
    pub donor_machine: Option<String>,
}

/// A machine of the roster: on a service plan or rented out.
#[derive(Debug, Clone)]
pub struct Machine {
    pub machine_id: String,
    pub serial: Option<String>,
    pub category: Term,
    pub brand: Term,
    pub model: Term,
    pub in_service_on: NaiveDate,
    pub entered_on: NaiveDate,
    pub left_on: Option<NaiveDate>,
    pub left_reason: Option<&'static str>,
}

/// One machine with all its recorded jobs, in order of time; `machine` is `None` off the roster.
#[derive(Debug, Clone)]
pub struct History {
    pub machine: Option<Machine>,
    pub jobs: Vec<Job>,
}
