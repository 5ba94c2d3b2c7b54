//! What a dossier claims: each sentence with the cell of the evidence table that it rests on.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::document::Quantity;

/// One headline sentence, and all that a sceptic needs to find it again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Claim {
    pub number: usize,
    pub sentence: String,
    /// Evidence table, and the values of its columns that single out the row.
    pub table: String,
    pub cell: Map<String, Value>,
    pub estimate: f64,
    pub lower: f64,
    pub upper: f64,
    pub unit: String,
    /// What it is taken over, and how many.
    pub n: Option<i64>,
    pub n_counts: String,
    pub population: String,
    pub method: String,
    /// The value that would mean no difference; none for a claim that compares nothing.
    pub no_difference: Option<f64>,
    pub p_value: Option<f64>,
    /// Benjamini-Hochberg over all comparisons of the list.
    pub q_value: Option<f64>,
    pub standing: ClaimStanding,
    /// The figure as reports print it.
    #[serde(skip)]
    pub figure: Quantity,
}

/// What a claim shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClaimStanding {
    /// It says how much, and compares nothing.
    Estimate,
    DifferenceShown,
    NoDifferenceShown,
    /// Its own interval leaves no difference out, but among so many comparisons that may be chance.
    NotAfterSoManyComparisons,
}

impl ClaimStanding {
    pub fn words(self) -> &'static str {
        match self {
            ClaimStanding::Estimate => "estimate, compares nothing",
            ClaimStanding::DifferenceShown => "difference shown",
            ClaimStanding::NoDifferenceShown => "no difference shown",
            ClaimStanding::NotAfterSoManyComparisons => "may be chance among so many comparisons",
        }
    }
}
