//! The family of claims, settled before any records: every headline sentence, made from one cell of an evidence table, and judged among all that
//! compare something; and the questions that the records do not answer, with the reason.

use fixodds_estimators::judgement::{Comparison, Judgement, Scale, Shows, judge};
use fixodds_estimators::{CONFIDENCE, Interval};
use serde_json::{Map, Value as Json};

use super::{contrasts, declared, endings, failure, law, lives, sealed};
use crate::claims::{Claim, ClaimStanding, Claims, NotMade};
use crate::document::{Block, Cell, Column, Fold, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, findings};
use crate::evidence_view::{Query, Row, Value};
use crate::wording;

/// The family, most useful first. Questions are settled by what they are about; categories come in by how many jobs they have, parts by what the
/// vocabulary says of designs or by how many records they have, ages by how many jobs they have. None is left out for how it came out.
const FAMILY: [fn(&Brief<'_>) -> Vec<Question>; 12] = [
    failure::how_often,
    sealed::questions,
    contrasts::of_all_faults,
    law::questions,
    endings::of_all_jobs,
    failure::commonest,
    endings::reasons_noted,
    endings::of_kinds,
    endings::of_ages,
    lives::questions,
    contrasts::of_sealed_parts,
    declared::questions,
];

/// A question of the family, and its answer or why there is none.
pub(super) struct Question {
    pub about: String,
    pub answer: Result<Draft, String>,
}

/// The row that answers a question, if it has an estimate with its interval.
pub(super) fn answering(brief: &Brief<'_>, query: &Query, otherwise: &str) -> Result<Row, String> {
    let row = brief.evidence.first(query).ok_or_else(|| brief.when_empty(query.table, otherwise))?;
    if interval(&row).is_some() { Ok(row) } else { Err(wording::sentence(row.reason())) }
}

fn interval(row: &Row) -> Option<Interval> {
    let [estimate, lower, upper] = ["estimate", "lower", "upper"].map(|column| row.real(column));
    Interval::new(estimate?, lower?, upper?, CONFIDENCE).ok()
}

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
    fn comparison(&self) -> Option<Comparison> {
        let (no_difference, scale) = self.against?;
        Some(Comparison { interval: interval(&self.row)?, no_difference, scale })
    }

    fn claim(self, question: String, number: usize, judgement: Option<Judgement>) -> Option<Claim> {
        let interval = interval(&self.row)?;
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
            question,
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
            place: 0,
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

/// A question that has an answer.
struct Answered {
    /// Place of the topic in the family, and of the answer in its topic.
    topic: usize,
    place: usize,
    about: String,
    draft: Draft,
    comparison: Option<Comparison>,
}

/// All questions of the family with their answers.
pub fn list(brief: &Brief<'_>) -> Claims {
    let (mut answered, mut not_made): (Vec<Answered>, Vec<NotMade>) = (Vec::new(), Vec::new());
    for (topic, Question { about, answer }) in
        FAMILY.iter().enumerate().flat_map(|(topic, asked)| asked(brief).into_iter().map(move |q| (topic, q)))
    {
        let answer = answer.and_then(|draft| {
            let comparison = draft.comparison();
            // judged alone first, so that one without a p-value is listed as such and does not take the others with it
            match comparison.map_or(Ok(()), |comparison| judge(&[comparison]).map(drop)) {
                Ok(()) => Ok((draft, comparison)),
                Err(why) => Err(wording::sentence(&format!("it has no p-value, because {why}"))),
            }
        });
        match answer {
            Ok((draft, comparison)) => {
                let place = answered.iter().filter(|known| known.topic == topic).count();
                answered.push(Answered { topic, place, about, draft, comparison });
            }
            Err(why) => not_made.push(NotMade { question: about, why }),
        }
    }
    let compared: Vec<Comparison> = answered.iter().filter_map(|answered| answered.comparison).collect();
    let mut judged = judge(&compared).unwrap_or_default().into_iter();
    let claims = answered.into_iter().enumerate().filter_map(|(number, Answered { place, about, draft, comparison, .. })| {
        let judgement = comparison.and_then(|_| judged.next());
        Some(Claim { place, ..draft.claim(about, number + 1, judgement)? })
    });
    Claims { claims: claims.collect(), not_made }
}

/// The findings: the first answer of each topic in the family's order, then the second ones, and what the records cannot show.
pub(super) fn opening(claims: &Claims, limits: Option<String>) -> Section {
    const MOST: usize = 8;
    let shown = if limits.is_some() { MOST - 1 } else { MOST };
    let mut in_turn: Vec<&Claim> = claims.claims.iter().collect();
    in_turn.sort_by_key(|claim| claim.place);
    let mut sentences: Vec<String> = in_turn.into_iter().take(shown).map(|claim| claim.sentence.clone()).collect();
    if !sentences.is_empty() {
        sentences.extend(limits);
    }
    findings(sentences)
}

/// The list itself, with what each claim rests on, and what could not be claimed.
pub(super) fn section(claims: &Claims) -> Section {
    let mut section = Section::new("claims", "What may be claimed");
    let Claims { claims, not_made } = claims;
    let compared = claims.iter().filter(|claim| claim.q_value.is_some()).count();
    section.blocks.push(Block::Paragraph(format!(
        "The questions were settled before any records were seen: what fails, how jobs end, how designs compare, parts against the law. Categories and parts come in by \
         the number of their records or by what the vocabulary says of designs, never by a result, and none is left out for how it came out. {} of {} \
         questions are answered, each with the cell of the evidence table that it was made from; the others are listed with the reason. {compared} of the answers compare something: \
         q is the share of false findings to be expected among all comparisons of the list with a q as small as this (Benjamini-Hochberg). A difference is claimed \
         only where the interval leaves \u{201c}no difference\u{201d} out and q is 0.05 at most.",
        claims.len(),
        claims.len() + not_made.len()
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
        when_empty: "The evidence does not support a claim yet: there are too few jobs with a known fault or outcome.".to_owned(),
    }));
    if !not_made.is_empty() {
        let table = Table {
            caption: "Questions that these records do not answer".to_owned(),
            columns: vec![Column::text("Question"), Column::text("Why not")],
            rows: not_made.iter().map(|open| vec![Cell::Text(open.question.clone()), Cell::Text(open.why.clone())]).collect(),
            notes: Vec::new(),
            when_empty: String::new(),
        };
        section.blocks.push(Block::Fold(Fold { summary: table.caption.clone(), blocks: vec![Block::Table(table)] }));
    }
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
