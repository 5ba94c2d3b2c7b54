//! What a dossier claims: a family of questions settled before any records were seen, each answered by a sentence with the cell of the evidence
//! table that it rests on, or listed with the reason why the records do not answer it.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::document::Quantity;

/// The whole family.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Claims {
    /// The questions that the records answer, in the family's order.
    pub claims: Vec<Claim>,
    /// Those that they do not answer.
    pub not_made: Vec<NotMade>,
}

/// A question of the family without an answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NotMade {
    pub question: String,
    pub why: String,
}

/// One headline sentence, and all that a sceptic needs to find it again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Claim {
    pub number: usize,
    /// The question of the family that it answers.
    pub question: String,
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
    /// Benjamini-Hochberg over all comparisons of the family that the records allow.
    pub q_value: Option<f64>,
    pub standing: ClaimStanding,
    /// Place among the answers of its topic.
    #[serde(skip)]
    pub place: usize,
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
