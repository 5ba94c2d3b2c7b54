//! Which models: those that stand out first, all others behind them.

use crate::document::{Block, Cell, Column, Fold, Section, Standing, Table, Unit};
use crate::documents::brief::{Brief, Category, shortened};
use crate::documents::models::{self, Measure};
use crate::evidence_view::{Query, Row};
use crate::wording;
use std::collections::BTreeMap;

const MOST_STANDING_OUT: usize = 10;
const MOST_MODELS: usize = 40;

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("models", "Which models");
    section.blocks.push(Block::Paragraph(
        "A verdict is given only where the records tell a model from its kind after allowing for how many models were compared. Everything else is \
         called what it is: no clear difference, or not enough evidence."
            .to_owned(),
    ));
    for category in brief.main() {
        let models = Models::of(brief, category);
        if models.jobs.is_empty() {
            continue;
        }
        section.blocks.push(Block::Subheading(category.heading()));
        section.blocks.push(Block::Table(models.standing_out(brief, category)));
        let all = models.all(brief, category);
        section.blocks.push(Block::Fold(Fold { summary: all.caption.clone(), blocks: vec![Block::Table(all)] }));
        section.blocks.extend(models::funnel(brief, category, Measure::WriteOff));
    }
    let others = others(brief);
    if !others.rows.is_empty() {
        section.blocks.extend(brief.others_folded(vec![Block::Table(others)]));
    }
    if section.blocks.len() == 1 {
        section.blocks.push(Block::Note("No job names a model.".to_owned()));
    }
    section
}

/// What is known of the models of a category, by model.
struct Models {
    jobs: BTreeMap<String, i64>,
    repaired: BTreeMap<String, Row>,
    condemned: BTreeMap<String, Row>,
    cost: BTreeMap<String, Row>,
    standing: BTreeMap<String, Row>,
}

impl Models {
    fn of(brief: &Brief<'_>, category: &Category) -> Models {
        let by_model = |rows: Vec<Row>| -> BTreeMap<String, Row> {
            rows.into_iter().filter_map(|row| Some((row.text("scope")?.to_owned(), row))).collect()
        };
        let outcomes = || Query::of("outcome").models_of(&category.key).null("not_repaired_reason");
        let outcome = |outcome: &str| by_model(brief.evidence.rows(&outcomes().with("outcome", outcome)));
        let jobs = brief.evidence.rows(&outcomes()).into_iter();
        let costs = Query::of("repair_cost").models_of(&category.key).all_ages().null("component").with("cost", "total");
        Models {
            jobs: jobs.filter_map(|row| Some((row.text("scope")?.to_owned(), row.integer("jobs")?))).collect(),
            repaired: outcome("repaired"),
            condemned: outcome("condemned"),
            cost: by_model(brief.evidence.rows(&costs.with("statistic", "mean"))),
            standing: by_model(models::standings(brief, category, Measure::WriteOff)),
        }
    }

    fn jobs(&self, model: &str) -> i64 {
        self.jobs.get(model).copied().unwrap_or(0)
    }

    fn stands(&self, model: &str) -> Option<Standing> {
        self.standing.get(model).map(models::standing)
    }

    /// All models, most jobs first.
    fn names(&self) -> Vec<&String> {
        let mut names: Vec<&String> = self.jobs.keys().collect();
        names.sort_by_key(|model| (std::cmp::Reverse(self.jobs(model)), *model));
        names
    }

    fn cells(&self, brief: &Brief<'_>, model: &str) -> Vec<Cell> {
        // Evidence has no row for an outcome that never came.
        let share = |rows: &BTreeMap<String, Row>| rows.get(model).map_or(Cell::Text("none".to_owned()), |row| row.cell(Unit::Share));
        vec![
            Cell::Text(model.to_owned()),
            models::verdict(self.standing.get(model), Measure::WriteOff),
            share(&self.condemned),
            share(&self.repaired),
            Cell::Count(self.jobs(model)),
            self.cost.get(model).map_or(Cell::Nothing, |row| row.cell(brief.money())),
        ]
    }

    fn standing_out(&self, brief: &Brief<'_>, category: &Category) -> Table {
        let verdict = |model: &&String| matches!(self.stands(model), Some(Standing::Worse | Standing::Better));
        let mut names: Vec<&String> = self.names().into_iter().filter(verdict).collect();
        let all = names.len();
        names.truncate(MOST_STANDING_OUT);
        names.sort_by_key(|model| self.stands(model) != Some(Standing::Worse));
        let more = format!("{MOST_STANDING_OUT} of {all} are shown, those with the most jobs; the others are among all models below.");
        Table {
            caption: format!("{} that stand out, worse ones first", category.heading()),
            columns: columns(brief, &[]),
            rows: names.into_iter().map(|model| self.cells(brief, model)).collect(),
            notes: (all > MOST_STANDING_OUT).then_some(more).into_iter().chain([SHARES.to_owned()]).collect(),
            when_empty: format!("No model of {} is shown to differ from its kind in how often jobs end as write-offs.", category.many),
        }
    }

    fn all(&self, brief: &Brief<'_>, category: &Category) -> Table {
        let table = Table {
            caption: format!("{}: all models, most jobs first", category.heading()),
            columns: columns(brief, &[]),
            rows: self.names().into_iter().map(|model| self.cells(brief, model)).collect(),
            notes: vec![SHARES.to_owned()],
            when_empty: String::new(),
        };
        shortened(table, MOST_MODELS, "outcome")
    }
}

const SHARES: &str = "Shares are of all jobs on the model. Costs are of jobs that ended repaired.";

fn columns(brief: &Brief<'_>, more: &[&str]) -> Vec<Column> {
    let columns = [
        Column::text("Model"),
        Column::text("Jobs written off, against its kind"),
        Column::number("Written off"),
        Column::number("Repaired"),
        Column::number("Jobs"),
        Column { unit: wording::unit_words(&brief.money()), ..Column::number("Mean cost of a repair") },
    ];
    columns.into_iter().chain(more.iter().map(|heading| Column::text(heading))).collect()
}

/// The models of the other categories that have jobs.
fn others(brief: &Brief<'_>) -> Table {
    let rows = brief.others().iter().flat_map(|category| {
        let models = Models::of(brief, category);
        let rows: Vec<Vec<Cell>> = models
            .names()
            .into_iter()
            .map(|model| models.cells(brief, model).into_iter().chain([Cell::Text(category.heading())]).collect())
            .collect();
        rows
    });
    let table = Table {
        caption: "The other categories: all models, most jobs first within each category".to_owned(),
        columns: columns(brief, &["Category"]),
        rows: rows.collect(),
        notes: vec![SHARES.to_owned()],
        when_empty: String::new(),
    };
    shortened(table, MOST_MODELS, "outcome")
}
