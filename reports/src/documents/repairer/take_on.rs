//! Which models to take on: the verdicts, their rule, and what stands behind them.

use crate::charts::{Look, Reference};
use crate::document::{Block, Cell, Column, Fold, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell, shortened};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_SHOWN: usize = 12;
const MOST_MODELS: usize = 60;
/// Verdicts with their words, those that need attention first.
const VERDICTS: [(&str, &str); 4] =
    [("decline", "Decline"), ("firm_quote", "Firm quote first"), ("not_enough_evidence", "Not enough evidence"), ("take_on", "Take on")];
const MONEY: [(&str, &str); 6] = [
    ("charged", "Charged"),
    ("parts", "Parts"),
    ("labour", "Labour, own hourly cost"),
    ("travel", "Travel"),
    ("recall_cost", "Set aside for recalls"),
    ("contribution", "Contribution: what is left"),
];

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("take-on", "Which models to take on");
    if brief.evidence.first(&Query::of("take_on").with("measure", "contribution")).is_none() {
        let otherwise =
            "No job has its charge and its working time on record, and some parts costs to go by, so no contribution can be worked out.";
        section.blocks.push(Block::Note(brief.when_empty("take_on", otherwise)));
        return section;
    }
    section.blocks.push(Block::Paragraph(
        "The contribution of a booked job is what was charged, less parts, labour at the business's own hourly cost, travel, and what the expected \
         recall costs. A model with few records leans on its platform, and a platform on its category; the column \"own records\" says how much \
         of the figure is its own."
            .to_owned(),
    ));
    section.blocks.push(Block::Subheading("The rule of the verdict".to_owned()));
    section.blocks.push(Block::List(rule(brief)));
    section.blocks.push(Block::Note(settings_said(brief)));
    for category in brief.main() {
        let models = contributions(brief, category, "model");
        if models.is_empty() {
            continue;
        }
        section.blocks.push(Block::Subheading(category.heading()));
        section.blocks.push(money(brief, category).drawn(1, 1, Look::Bars, "Mean of each part of the account, for one booked job.", None));
        let platforms = &contributions(brief, category, "platform");
        section
            .blocks
            .push(contribution_chart(brief, verdicts(brief, &format!("{}: platforms", category.heading()), platforms, MOST_SHOWN)));
        let attention: Vec<Row> = models.iter().filter(|row| row.text("verdict") != Some("take_on")).cloned().collect();
        let caption = format!("{}: models that are not simply to be taken on", category.heading());
        section.blocks.push(contribution_chart(brief, verdicts(brief, &caption, &attention, MOST_SHOWN)));
        let all = verdicts(brief, &format!("{}: all models, least contribution first", category.heading()), &models, MOST_MODELS);
        let behind = behind(brief, category, &models);
        section.blocks.push(Block::Fold(Fold { summary: all.caption.clone(), blocks: vec![Block::Table(all), Block::Table(behind)] }));
    }
    let others: Vec<Row> = brief.others().iter().flat_map(|category| contributions(brief, category, "model")).collect();
    if !others.is_empty() {
        let table = verdicts(brief, "The other categories: all models, by category", &others, MOST_MODELS);
        section.blocks.extend(brief.others_folded(vec![Block::Table(table)]));
    }
    section
}

fn amount(brief: &Brief<'_>, amount: f64) -> String {
    wording::in_sentence(&Quantity::new(amount, brief.money()))
}

/// The rule in words, with the limits that it was applied with.
fn rule(brief: &Brief<'_>) -> Vec<String> {
    let settings = &brief.evidence.about().business;
    let least = amount(brief, settings.least_contribution_per_job);
    let limit = wording::in_sentence(&Quantity::new(settings.most_loss_probability, Unit::Share));
    let jobs = wording::plain(settings.fewest_jobs);
    vec![
        format!("Not enough evidence: fewer than {jobs} jobs of its own, or an interval that holds both losses and {least} a job."),
        format!("Decline: the whole interval of the contribution lies below {least}."),
        format!("Take on: the whole interval lies at {least} or above, and at most {limit} of jobs lose money, the interval included."),
        format!(
            "Firm quote first: it pays, but not surely {least}, or more than {limit} of jobs may lose money; agree a price before the work (What to quote)."
        ),
    ]
}

fn settings_said(brief: &Brief<'_>) -> String {
    let settings = &brief.evidence.about().business;
    let whose = if settings.is_default {
        "These are the program's own figures, not yours: save what `fixodds business` prints, put in your own, and analyse with --business."
    } else {
        "These are the figures of your own settings."
    };
    let earned = if settings.returns_are_free { "earns nothing" } else { "earns what was charged for it" };
    format!(
        "An hour of work is taken to cost {}, a journey {}; a repair that is back with the same fault within {} days is a recall and {earned}. {whose}",
        amount(brief, settings.labour_per_hour),
        amount(brief, settings.travel_per_visit),
        wording::plain(settings.recall_days),
    )
}

/// The contributions of a category's models or platforms, the least first.
pub(super) fn contributions(brief: &Brief<'_>, category: &Category, level: &'static str) -> Vec<Row> {
    let query = Query::of("take_on").with("scope_level", level).with("category", category.key.as_str()).with("measure", "contribution");
    let mut rows = brief.evidence.rows(&query);
    rows.sort_by(|a, b| a.real("estimate").unwrap_or(f64::MAX).total_cmp(&b.real("estimate").unwrap_or(f64::MAX)));
    rows
}

fn measure(brief: &Brief<'_>, row: &Row, measure: &str, statistic: &str) -> Option<Row> {
    let (Some(level), Some(scope)) = (row.text("scope_level"), row.text("scope")) else { return None };
    let query = Query::of("take_on").with("scope_level", level).with("scope", scope);
    brief.evidence.first(&query.with("measure", measure).with("statistic", statistic))
}

fn money(brief: &Brief<'_>, category: &Category) -> Table {
    let of = |measure: &str| brief.evidence.first(&Query::of("take_on").category(&category.key).with("measure", measure));
    Table {
        caption: format!("{}: where the money of a booked job goes", category.heading()),
        columns: vec![Column::text("Per booked job"), Column::number("Mean")],
        rows: MONEY
            .iter()
            .filter_map(|(measure, words)| Some(vec![Cell::Text((*words).to_owned()), counted_cell(&of(measure)?, brief.money(), "jobs")]))
            .collect(),
        notes: std::iter::once(
            "Booked jobs with charge and working time known, whatever their outcome; recalls stand with the repairs they come from."
                .to_owned(),
        )
        .chain(imputed(brief, of("parts_imputed"), of("contribution")))
        .collect(),
        when_empty: "No job has its charge, parts and working time on record.".to_owned(),
    }
}

/// What was imputed, and what is left if empty amounts mean nothing.
fn imputed(brief: &Brief<'_>, parts: Option<Row>, contribution: Option<Row>) -> Vec<String> {
    let share = parts.and_then(|row| row.quantity(Unit::Share));
    let said = share.map(|share| {
        format!(
            "The parts cost of {} of these jobs is not recorded and was imputed from jobs with the same component, in proportion to the charge.",
            wording::in_sentence(&share)
        )
    });
    let contribution = contribution.as_ref();
    let reading = |name: &str| contribution.and_then(|row| row.real(name)).map(|reading| amount(brief, reading));
    let readings = match (reading("lowest_reading"), reading("highest_reading")) {
        (None, None) => None,
        (low, high) => {
            let readings: Vec<String> = [
                low.map(|low| format!("{low} if an empty charge means nothing")),
                high.map(|high| format!("{high} if an empty parts cost does")),
            ]
            .into_iter()
            .flatten()
            .collect();
            Some(format!("Contribution: {}. Say which it is in the mapping file: [jobs.blank].", wording::enumeration(&readings)))
        }
    };
    said.into_iter().chain(readings).collect()
}

fn verdict_words(row: &Row) -> String {
    let key = row.text("verdict").unwrap_or_default();
    VERDICTS.iter().find(|(known, _)| *known == key).map_or_else(String::new, |(_, words)| (*words).to_owned())
}

fn verdicts(brief: &Brief<'_>, caption: &str, rows: &[Row], most: usize) -> Table {
    let cells = |row: &Row| {
        let loss = measure(brief, row, "loss", "share").map_or(Cell::Nothing, |loss| loss.cell(Unit::Share));
        let own = row.real("own_weight").map_or(Cell::Nothing, |weight| Cell::Quantity(Quantity::new(weight, Unit::Share)));
        vec![
            Cell::Text(row.text("scope").unwrap_or_default().to_owned()),
            Cell::Text(verdict_words(row)),
            row.cell(brief.money()),
            loss,
            row.count_cell("jobs"),
            own,
        ]
    };
    let table = Table {
        caption: caption.to_owned(),
        columns: vec![
            Column::text("Model or platform"),
            Column::text("Verdict"),
            Column { unit: wording::unit_words(&brief.money()), ..Column::number("Contribution per job") },
            Column::number("Jobs that lose money"),
            Column::number("Jobs"),
            Column::number("Own records"),
        ],
        rows: rows.iter().map(cells).collect(),
        notes: Vec::new(),
        when_empty: "None.".to_owned(),
    };
    shortened(table, most, "take_on")
}

/// Verdicts with their contributions drawn against the least that is wanted.
fn contribution_chart(brief: &Brief<'_>, table: Table) -> Block {
    let least = brief.evidence.about().business.least_contribution_per_job;
    let reference = Reference { value: least, label: format!("least wanted: {}", amount(brief, least)) };
    table.drawn(2, 2, Look::Dots, "What one booked job leaves on average, against the least that is wanted of it.", Some(reference))
}

/// What else decides: visits, write-offs, recalls, parts.
fn behind(brief: &Brief<'_>, category: &Category, models: &[Row]) -> Table {
    let cells = |row: &Row| {
        let share = |name: &str| measure(brief, row, name, "share").map_or(Cell::Nothing, |found| found.cell(Unit::Share));
        let wait = measure(brief, row, "part_wait_days", "median").map_or(Cell::Nothing, |found| found.cell(Unit::Number));
        let name = Cell::Text(row.text("scope").unwrap_or_default().to_owned());
        vec![name, share("first_visit_fix"), share("write_off"), share("recall"), wait, share("part_unavailable"), share("used_part")]
    };
    let table = Table {
        caption: format!("{}: what else decides", category.heading()),
        columns: vec![
            Column::text("Model"),
            Column::number("Fixed at the first visit"),
            Column::number("Written off"),
            Column::number("Recalls"),
            Column::number_in("Wait for a part, median", "days"),
            Column::number("Orders not supplied"),
            Column::number("Parts fitted that were used ones"),
        ],
        rows: models.iter().map(cells).collect(),
        notes: vec![
            "Fixed at the first visit: of visits to homes where a fault was found. Recalls: of repairs, those not followed that long allowed for, drawn towards the category where records are few."
                .to_owned(),
        ],
        when_empty: String::new(),
    };
    shortened(table, MOST_MODELS, "take_on")
}

/// "Of 43 models of washing machines, 30 are to be taken on, ...".
pub(super) fn said(brief: &Brief<'_>, category: &Category) -> Option<String> {
    let rows = contributions(brief, category, "model");
    let all = brief.evidence.first(&Query::of("take_on").category(&category.key).with("measure", "contribution"))?;
    let count = |verdict: &str| rows.iter().filter(|row| row.text("verdict") == Some(verdict)).count();
    let words = [
        ("take_on", "are to be taken on"),
        ("firm_quote", "with a firm quote first"),
        ("decline", "are to be declined"),
        ("not_enough_evidence", "lack the evidence"),
    ];
    let parts: Vec<String> = words
        .iter()
        .map(|(verdict, words)| (count(verdict), words))
        .filter(|(n, _)| *n > 0)
        .map(|(n, words)| format!("{n} {words}"))
        .collect();
    let mean = wording::in_sentence(&all.quantity(brief.money())?.with_n(all.integer("jobs")?));
    let models = wording::count_of(rows.len() as i64, "model", "models");
    (!rows.is_empty()).then(|| {
        format!(
            "A booked job on {} leaves {mean}; of {models}, {}; see Which models to take on.",
            category.many,
            wording::enumeration(&parts)
        )
    })
}
