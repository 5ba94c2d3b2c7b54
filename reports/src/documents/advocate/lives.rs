//! How long parts last: fitted lives in sentences and a table, curves in [`super::curves`].

use super::claims::{Draft, Question};
use super::curves;
use crate::claims::ClaimStanding;
use crate::document::{Block, Cell, Column, Fold, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, shortened};
use crate::evidence_view::{Query, Row};
use crate::names::agreeing;
use crate::wording;
use fixodds_estimators::judgement::Scale;

/// Components whose life is asked about.
const MOST_CLAIMS: usize = 2;
const MOST_COMPONENTS: usize = 15;
const MOST_SENTENCES: usize = 4;
const MOST_OF_OTHERS: usize = 3;

/// The fitted life of one component.
pub(super) struct Life {
    pub component: String,
    shape: Row,
    b10_years: Option<Row>,
    median_years: Option<Row>,
}

impl Life {
    pub(super) fn failures(&self) -> i64 {
        self.shape.integer("events").unwrap_or(0)
    }

    fn pattern(&self) -> &'static str {
        match self.shape.text("hazard_pattern") {
            Some("early_life") => "early life",
            Some("random") => "at any age alike",
            Some("wear_out") => "wear-out",
            Some("undecided") => "undecided",
            _ => "not enough evidence",
        }
    }

    /// "Drum bearings wear out: shape 2.94 (2.83–3.06); one in ten has failed by age 6.0 (5.8–6.1); 1,497 failures on 11,274 machines."
    pub(super) fn sentence(&self, brief: &Brief<'_>, machines: Option<&Category>) -> Option<String> {
        let shape = wording::in_sentence(&self.shape.quantity(Unit::Number)?);
        let name = brief.names.component(&self.component);
        let named = machines.map_or_else(|| name.clone(), |category| format!("{name} of {}", category.many));
        let verb = |one, many| agreeing(&name, one, many);
        let opening = match self.shape.text("hazard_pattern")? {
            "wear_out" => format!("{named} {} out", verb("wears", "wear")),
            "early_life" => format!("{named} {} mostly when young", verb("fails", "fail")),
            "random" => format!("{named} {} at any age alike", verb("fails", "fail")),
            _ => format!("Whether the {named} {} out is not shown", verb("wears", "wear")),
        };
        let tenth = self.b10_years.as_ref().and_then(|row| row.quantity(Unit::Years)).map(|years| wording::in_cell(&years).joined());
        let tenth = tenth.map_or_else(String::new, |years| format!("; one in ten has failed by age {years}"));
        let basis = match self.shape.integer("machines") {
            Some(machines) => {
                format!(
                    "{} on {}",
                    wording::count_of(self.failures(), "failure", "failures"),
                    wording::count_of(machines, "machine of the roster", "machines of the roster")
                )
            }
            None => wording::count_of(self.failures(), "failure", "failures"),
        };
        Some(format!("{}: shape {shape}{tenth}; {basis}.", wording::sentence_case(&opening)))
    }
}

impl Life {
    fn draft(&self, brief: &Brief<'_>, category: &Category) -> Option<Draft> {
        let sentence = self.sentence(brief, Some(category))?;
        let name = brief.names.component(&self.component);
        let shape = wording::in_sentence(&self.shape.quantity(Unit::Number)?);
        let many = category.many.clone();
        Some(Draft {
            table: "life",
            n: (self.shape.integer("machines"), "machines"),
            row: self.shape.clone(),
            unit: Unit::Number,
            population: format!("{} on the roster that have the part", category.many),
            method: "Weibull shape by maximum likelihood, entry and censoring respected, profile-likelihood interval",
            against: Some((1.0, Scale::Logarithm)),
            not_found: !matches!(self.shape.text("hazard_pattern"), Some("wear_out" | "early_life")),
            words: Box::new(move |standing| match standing {
                ClaimStanding::DifferenceShown => sentence.clone(),
                _ => format!("Whether a fault of the {name} of {many} grows more likely with age is not shown: shape {shape}."),
            }),
        })
    }
}

/// Fitted lives of a category's components, most failures first.
fn lives_of(brief: &Brief<'_>, category: &Category) -> Vec<Life> {
    let fitted = |statistic: &str| {
        Query::of("life").category(&category.key).with("curve", "weibull").with("statistic", statistic).not_null("component")
    };
    let of = |statistic: &str, component: &str| brief.evidence.first(&fitted(statistic).with("component", component));
    let mut lives: Vec<Life> = brief
        .evidence
        .rows(&fitted("shape"))
        .into_iter()
        .filter(|shape| shape.real("estimate").is_some())
        .filter_map(|shape| {
            let component = shape.text("component")?.to_owned();
            Some(Life { b10_years: of("b10_years", &component), median_years: of("median_years", &component), component, shape })
        })
        .collect();
    lives.sort_by(|a, b| b.failures().cmp(&a.failures()).then_with(|| a.component.cmp(&b.component)));
    lives
}

/// The components with the most failures in the largest category that has fitted lives: by size, not by result.
pub(super) fn questions(brief: &Brief<'_>) -> Vec<Question> {
    let of = |category: &Category| -> Vec<Draft> {
        lives_of(brief, category).into_iter().filter_map(|life| life.draft(brief, category)).take(MOST_CLAIMS).collect()
    };
    let mut drafts = brief.main().iter().map(of).find(|drafts| !drafts.is_empty()).unwrap_or_default().into_iter();
    let asked = ["the component with the most failures on the roster", "the component with the second most failures on the roster"];
    let question = |part: &str| Question {
        about: format!("Whether the risk of a fault grows with age: {part}"),
        answer: drafts.next().ok_or_else(|| brief.when_empty("life", "Too few failures were watched on the roster for a fitted life.")),
    };
    asked.into_iter().map(question).collect()
}

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("life", "How long parts last");
    for category in brief.main() {
        let lives = lives_of(brief, category);
        let charts = [curves::survival(brief, category, &lives), curves::incidence(brief, category), curves::recurrence(brief, category)];
        if lives.is_empty() && charts.iter().all(Option::is_none) {
            continue;
        }
        section.blocks.push(Block::Subheading(category.heading()));
        let sentences: Vec<String> = lives.iter().filter_map(|life| life.sentence(brief, None)).take(MOST_SENTENCES).collect();
        if !sentences.is_empty() {
            section.blocks.push(Block::List(sentences));
        }
        section.blocks.extend(charts.into_iter().flatten().map(|chart| Block::Chart(Box::new(chart))));
        let table = life_table(brief, category, &lives);
        section.blocks.push(Block::Fold(Fold { summary: table.caption.clone(), blocks: vec![Block::Table(table)] }));
    }
    if section.blocks.is_empty() {
        let otherwise = "No life can be estimated: that needs a roster of machines with the dates they were observed from and to.";
        section.blocks.push(Block::Note(brief.when_empty("life", otherwise)));
        return section;
    }
    let reading = "A shape above 1 means that the risk of failing grows with age: the part wears out. A shape near 1 means that it fails at any \
                   age alike, below 1 that it fails mostly when young. The age by which one in ten has failed is called B10.";
    section.blocks.insert(0, Block::Paragraph(reading.to_owned()));
    let others = others(brief);
    if !others.rows.is_empty() {
        section.blocks.extend(brief.others_folded(vec![Block::Table(others)]));
    }
    section
}

fn columns(first: &[&str]) -> Vec<Column> {
    let figures = [
        Column::text("Pattern"),
        Column::number("Shape"),
        Column::number_in("B10", "years"),
        Column::number_in("Median life", "years"),
        Column::number("Failures"),
        Column::number("Machines"),
    ];
    first.iter().map(|heading| Column::text(heading)).chain(figures).collect()
}

fn cells(brief: &Brief<'_>, life: &Life) -> Vec<Cell> {
    let years = |row: &Option<Row>| row.as_ref().map_or(Cell::Nothing, |row| row.cell(Unit::Years));
    vec![
        Cell::Text(wording::sentence_case(&brief.names.component(&life.component))),
        Cell::Text(life.pattern().to_owned()),
        life.shape.cell(Unit::Number),
        years(&life.b10_years),
        years(&life.median_years),
        life.shape.count_cell("events"),
        life.shape.count_cell("machines"),
    ]
}

fn life_table(brief: &Brief<'_>, category: &Category, lives: &[Life]) -> Table {
    let table = Table {
        caption: format!("{}: fitted lives, most failures first", category.heading()),
        columns: columns(&["Component"]),
        rows: lives.iter().map(|life| cells(brief, life)).collect(),
        notes: vec!["A B10 or median beyond the ages observed is an extrapolation of the fitted curve.".to_owned()],
        when_empty: brief.when_empty("life", "No component has enough failures for a fitted life."),
    };
    shortened(table, MOST_COMPONENTS, "life")
}

/// The fitted lives of the components with the most failures in each of the other categories.
fn others(brief: &Brief<'_>) -> Table {
    let rows = brief.others().iter().flat_map(|category| {
        let lives = lives_of(brief, category).into_iter().take(MOST_OF_OTHERS);
        lives.map(|life| std::iter::once(Cell::Text(category.heading())).chain(cells(brief, &life)).collect())
    });
    Table {
        caption: format!("The other categories: fitted lives of the {MOST_OF_OTHERS} components with the most failures"),
        columns: columns(&["Category", "Component"]),
        rows: rows.collect(),
        notes: vec!["A B10 or median beyond the ages observed is an extrapolation of the fitted curve.".to_owned()],
        when_empty: String::new(),
    }
}
