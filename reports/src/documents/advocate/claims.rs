//! The list of claims: every headline sentence, made from one cell of an evidence table, and judged among all that compare something.

use std::collections::BTreeMap;

use fixodds_estimators::judgement::{Comparison, Judgement, Scale, Shows, judge};
use fixodds_estimators::{CONFIDENCE, Interval};
use serde_json::{Map, Value as Json};

use super::{contrasts, declared, failure, law, lives, sealed};
use crate::claims::{Claim, ClaimStanding};
use crate::document::{Block, Cell, Column, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, findings};
use crate::evidence_view::{Row, Value};
use crate::wording;

/// What a sentence says, given whether its comparison holds.
pub(super) type Words = Box<dyn Fn(ClaimStanding) -> String>;

/// A claim before it is judged.
pub(super) struct Draft {
    pub table: &'static str,
    pub row: Row,
    pub unit: Unit,
    /// How many it is taken over, and what they are.
    pub n: (Option<i64>, &'static str),
    pub population: String,
    pub method: &'static str,
    /// The value that would mean no difference, and the scale of the interval.
    pub against: Option<(f64, Scale)>,
    /// The analysis, which compared more than this list holds, did not find a difference.
    pub not_found: bool,
    pub words: Words,
}

impl Draft {
    fn interval(&self) -> Option<Interval> {
        let [estimate, lower, upper] = ["estimate", "lower", "upper"].map(|column| self.row.real(column));
        Interval::new(estimate?, lower?, upper?, CONFIDENCE).ok()
    }

    fn comparison(&self) -> Option<Comparison> {
        let (no_difference, scale) = self.against?;
        Some(Comparison { interval: self.interval()?, no_difference, scale })
    }

    fn claim(self, number: usize, judgement: Option<Judgement>) -> Option<Claim> {
        let interval = self.interval()?;
        let standing = match judgement.map(|judgement| judgement.shows) {
            None => ClaimStanding::Estimate,
            Some(Shows::Difference) if self.not_found => ClaimStanding::NotAfterSoManyComparisons,
            Some(Shows::Difference) => ClaimStanding::DifferenceShown,
            Some(Shows::NoDifference) => ClaimStanding::NoDifferenceShown,
            Some(Shows::TooManyCompared) => ClaimStanding::NotAfterSoManyComparisons,
        };
        let figure = self.row.quantity(self.unit.clone())?;
        let mut sentence = (self.words)(standing);
        if standing == ClaimStanding::NotAfterSoManyComparisons {
            sentence += " Its own interval would show one; among so many comparisons that may be chance.";
        }
        Some(Claim {
            number,
            sentence,
            table: self.table.to_owned(),
            cell: cell(&self.row),
            estimate: interval.estimate,
            lower: interval.lower,
            upper: interval.upper,
            unit: unit_name(&self.unit),
            n: self.n.0,
            n_counts: self.n.1.to_owned(),
            population: self.population,
            method: self.method.to_owned(),
            no_difference: self.against.map(|(value, _)| value),
            p_value: judgement.map(|judgement| judgement.p_value),
            q_value: judgement.map(|judgement| judgement.q_value),
            standing,
            figure,
        })
    }
}

/// The values that single the row out in its table.
fn cell(row: &Row) -> Map<String, Json> {
    const RESULTS: [&str; 4] = ["reason", "finding", "standing", "hazard_pattern"];
    let singled_out = row.cells().filter(|(column, _)| !RESULTS.contains(column)).filter_map(|(column, value)| match value {
        Value::Text(text) => Some((column.to_owned(), Json::from(text.as_str()))),
        Value::Flag(flag) => Some((column.to_owned(), Json::from(*flag))),
        Value::Real(real) if column.starts_with("age") => Some((column.to_owned(), Json::from(*real))),
        _ => None,
    });
    singled_out.collect()
}

fn unit_name(unit: &Unit) -> String {
    match unit {
        Unit::Share => "share, 0 to 1".to_owned(),
        Unit::PerMachineYear => "failures per machine-year".to_owned(),
        Unit::Money(currency) => currency.clone().unwrap_or_else(|| "currency not stated".to_owned()),
        Unit::Minutes => "minutes".to_owned(),
        Unit::Years => "years".to_owned(),
        Unit::Kilograms => "kg".to_owned(),
        Unit::Ratio => "ratio".to_owned(),
        Unit::Probability => "probability".to_owned(),
        Unit::Number => "number".to_owned(),
    }
}

/// All claims, most useful first.
pub fn list(brief: &Brief<'_>) -> Vec<Claim> {
    let (all_faults, by_part): (Vec<Draft>, Vec<Draft>) =
        contrasts::drafts(brief).into_iter().partition(|draft| draft.row.text("component").is_none());
    let mut drafts: Vec<Draft> = failure::drafts(brief);
    drafts.extend(sealed::drafts(brief));
    drafts.extend(all_faults);
    drafts.extend(law::drafts(brief));
    drafts.extend(lives::drafts(brief));
    drafts.extend(by_part);
    drafts.extend(declared::drafts(brief));
    drafts.retain(|draft| draft.interval().is_some());
    let compared: Vec<(usize, Comparison)> =
        drafts.iter().enumerate().filter_map(|(place, draft)| Some((place, draft.comparison()?))).collect();
    let comparisons: Vec<Comparison> = compared.iter().map(|(_, comparison)| *comparison).collect();
    let judged: BTreeMap<usize, Judgement> = match judge(&comparisons) {
        Ok(judged) => compared.iter().map(|(place, _)| *place).zip(judged).collect(),
        Err(_) => {
            // Without a judgement over all of them, nothing that compares is claimed.
            drafts.retain(|draft| draft.against.is_none());
            BTreeMap::new()
        }
    };
    let claims = drafts.into_iter().enumerate().filter_map(|(place, draft)| draft.claim(place + 1, judged.get(&place).copied()));
    claims.collect()
}

/// The findings: the first claims, and what the records cannot show.
pub(super) fn opening(claims: &[Claim], limits: Option<String>) -> Section {
    const MOST: usize = 8;
    let shown = if limits.is_some() { MOST - 1 } else { MOST };
    let headline = |claim: &&Claim| claim.standing != ClaimStanding::NotAfterSoManyComparisons;
    let mut sentences: Vec<String> = claims.iter().filter(headline).take(shown).map(|claim| claim.sentence.clone()).collect();
    if !sentences.is_empty() {
        sentences.extend(limits);
    }
    findings(sentences)
}

/// The list itself, with what each claim rests on.
pub(super) fn section(claims: &[Claim]) -> Section {
    let mut section = Section::new("claims", "What may be claimed");
    if claims.is_empty() {
        section.blocks.push(Block::Note(
            "The evidence does not support a claim yet: there are too few jobs with a known fault and outcome.".to_owned(),
        ));
        return section;
    }
    let compared = claims.iter().filter(|claim| claim.q_value.is_some()).count();
    section.blocks.push(Block::Paragraph(format!(
        "Every headline of this dossier stands here with the cell of the evidence table that it was made from. {compared} of these claims compare something: \
         q is the share of false findings to be expected among all comparisons of the list with a q as small as this (Benjamini-Hochberg). A difference is claimed \
         only where the interval leaves \u{201c}no difference\u{201d} out and q is 0.05 at most."
    )));
    section.blocks.push(Block::Table(Table {
        caption: "The claims and what they rest on".to_owned(),
        columns: vec![
            Column::text("Claim"),
            Column::number("Figure"),
            Column::number("n"),
            Column::text("Population"),
            Column::text("Method"),
            Column::text("What it shows"),
            Column::number("q"),
            Column::text("Evidence table"),
        ],
        rows: claims.iter().map(cells).collect(),
        notes: vec!["The same list, with the cell of each claim, is in claims.json of the data package and beside this report.".to_owned()],
        when_empty: String::new(),
    }));
    section
}

fn cells(claim: &Claim) -> Vec<Cell> {
    let n = claim.n.map_or(Cell::Nothing, |n| Cell::Text(format!("{} {}", wording::count(n), claim.n_counts)));
    vec![
        Cell::Text(format!("{}. {}", claim.number, claim.sentence)),
        Cell::Quantity(claim.figure.clone()),
        n,
        Cell::Text(claim.population.clone()),
        Cell::Text(claim.method.clone()),
        Cell::Text(claim.standing.words().to_owned()),
        claim.q_value.map_or(Cell::Nothing, |q| Cell::Quantity(Quantity::new(q, Unit::Probability))),
        Cell::Text(claim.table.clone()),
    ]
}
