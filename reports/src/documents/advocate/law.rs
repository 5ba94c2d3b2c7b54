//! Parts against the law: how long they took, and how many could not be had, by class of part and by who may buy.

use fixodds_estimators::judgement::Scale;
use fixodds_schemas::vocabulary::{Audience, StatutoryClass};

use super::claims::{Draft, Question, answering};
use super::{declared, prices};
use crate::charts::Look;
use crate::document::{Block, Cell, Column, Fold, Section, Table, Unit};
use crate::documents::brief::{Brief, counted, counted_cell, said};
use crate::evidence_view::{Query, Row};
use crate::wording;

const LAW_NOTE: &str = "Great Britain: The Ecodesign for Energy-Related Products and Energy Information Regulations 2021, Sch. 9 para. 18; European Union: \
                        Regulation (EU) 2019/2023, Annex II, for washing machines and washer-dryers; (EU) 2019/2022 for dishwashers and (EU) 2019/2019 for refrigerating \
                        appliances (classes of these two from memory). They bind machines placed on the market since 1 March 2021 in the European Union and since 1 July 2021 in Great \
                        Britain (from memory). For older machines the law is a yardstick here, not an obligation that anybody broke.";
const NO_HOLIDAYS: &str = "Working days are Monday to Friday; the day after ordering is day 1. Public holidays are not counted out, because none were given \
                           (analyse --holidays). Late, four days allowed for counts only waits that exceed the limit by more than four days, as many holidays as can fall into such a span.";

/// Orders of new parts of the machine's own maker.
fn orders(statistic: &str) -> Query {
    Query::of("part_supply").with("part_source", "new-original").with("statistic", statistic)
}

/// Of any class and audience, for everything together.
fn overall(statistic: &str, period: &str) -> Query {
    orders(statistic).overall().with("period", period).null("audience").null("statutory_class")
}

const NO_ORDERS: &str =
    "No order of a new original part that a law lists, placed within its years, is recorded with its day and what became of it.";

pub(super) fn questions(brief: &Brief<'_>) -> Vec<Question> {
    let of = |about: &str, statistic: &str, draft: fn(&Brief<'_>, Row) -> Draft| Question {
        about: about.to_owned(),
        answer: answering(brief, &overall(statistic, "within"), NO_ORDERS).map(|row| draft(brief, row)),
    };
    vec![
        of("What share of orders of the makers' own parts took longer than the law allows", "late", late),
        prices::question(brief),
        of("What share of orders of the makers' own parts could not be met within the law's years", "unavailable", unavailable),
    ]
}

fn late(brief: &Brief<'_>, row: Row) -> Draft {
    let share = said(&row, Unit::Share, "orders").unwrap_or_default();
    // Where holidays are counted out, nothing has to be allowed for.
    let is_rough = brief.evidence.about().holidays == 0;
    let allowing = is_rough
        .then(|| brief.evidence.first(&overall("late_allowing_holidays", "within")))
        .flatten()
        .and_then(|row| counted(&row, Unit::Share, ""));
    let allowing =
        allowing.map_or_else(String::new, |share| format!("; allowing four days for public holidays, {}", wording::in_sentence(&share)));
    let sentence = format!(
        "Of orders of the makers' own parts placed within the law's years and not refused, {share} had not come when the law's {} working days had passed{allowing}.",
        limit(brief)
    );
    draft(row, "orders of new original parts that a law lists, not refused, within its years; open orders censored", sentence)
}

fn unavailable(_: &Brief<'_>, row: Row) -> Draft {
    let share = said(&row, Unit::Share, "orders").unwrap_or_default();
    let sentence =
        format!("Of orders of the makers' own parts placed within the law's years after the last sale, {share} could not be met.");
    draft(row, "orders of new original parts that a law lists, within its years", sentence)
}

fn draft(row: Row, population: &str, sentence: String) -> Draft {
    Draft {
        table: "part_supply",
        n: (row.integer("orders"), "orders"),
        row,
        unit: Unit::Share,
        population: population.to_owned(),
        method: "share of orders at the law's limit (Kaplan-Meier, Aalen-Johansen), Wilson interval widened for open orders and for several orders for one machine",
        against: None,
        not_found: false,
        words: Box::new(move |_| sentence.clone()),
    }
}

/// The limit in working days, where all classes share one.
fn limit(brief: &Brief<'_>) -> String {
    let mut limits: Vec<u32> = brief.names.statutory_classes().map(|class| class.delivery_working_days).collect();
    limits.sort_unstable();
    limits.dedup();
    let words: Vec<String> = limits.iter().map(u32::to_string).collect();
    wording::enumeration(&words)
}

/// Reference to a comparison of shares, for the claims that compare something.
pub(super) const NO_CONNECTION: (f64, Scale) = (0.0, Scale::Fisher);
pub(super) const SAME_PRICE: (f64, Scale) = (1.0, Scale::Logarithm);

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("parts-law", "Parts: supply and price against the law");
    let by_period = by_period(brief);
    if by_period.rows.is_empty() {
        let otherwise = "No order of a new part that a law lists is recorded with its day; nothing can be held against the law's limits.";
        section.blocks.push(Block::Note(brief.when_empty("part_supply", otherwise)));
    } else {
        section.blocks.push(Block::Paragraph(format!(
            "The law has makers supply listed parts for seven to ten years after the last unit of a model is placed on the market, and within {} working days of the \
             order. The figures are of new original parts that were ordered; parts from stock waited for nobody and are left out.",
            limit(brief)
        )));
        section.blocks.push(Block::Note(LAW_NOTE.to_owned()));
        section.blocks.push(by_period.drawn(1, LATE_OR_NOT_TO_BE_HAD, Look::Dots, DRAWN, None));
        section.blocks.push(by_audience(brief).drawn(1, LATE_OR_NOT_TO_BE_HAD, Look::Dots, DRAWN, None));
        section.blocks.extend(by_class(brief));
    }
    prices::blocks(brief, &mut section);
    declared::blocks(brief, &mut section);
    section
}

/// Column of the tables below that is drawn.
const LATE_OR_NOT_TO_BE_HAD: usize = 5;
const DRAWN: &str = "Share of orders that took longer than the law's working days or could not be met.";
fn holidays_said(brief: &Brief<'_>) -> String {
    match brief.evidence.about().holidays {
        0 => NO_HOLIDAYS.to_owned(),
        given => format!(
            "Working days are Monday to Friday, without {} given; the day after ordering is day 1. Late, four days allowed for allows as many more all the same.",
            wording::count_of(given as i64, "public holiday that was", "public holidays that were")
        ),
    }
}

const STATISTICS: [&str; 4] = ["late", "late_allowing_holidays", "unavailable", "late_or_unavailable"];

fn columns(first: &str) -> Vec<Column> {
    vec![
        Column::text(first),
        Column::number_in("Wait, median", "working days"),
        Column::number("Late"),
        Column::number("Late, four days allowed for"),
        Column::number("Not to be had"),
        Column::number("Late or not to be had"),
    ]
}

/// A row of figures, if there are any that may be given.
fn cells(brief: &Brief<'_>, label: String, scoped: &dyn Fn(Query) -> Query) -> Option<Vec<Cell>> {
    let first = |statistic: &str| brief.evidence.first(&scoped(orders(statistic)));
    STATISTICS.iter().filter_map(|statistic| first(statistic)).find(|row| row.real("estimate").is_some())?;
    let wait = first("wait_median").map_or(Cell::Nothing, |row| counted_cell(&row, Unit::Number, "orders"));
    let shares = STATISTICS.map(|statistic| first(statistic).map_or(Cell::Nothing, |row| counted_cell(&row, Unit::Share, "orders")));
    Some([Cell::Text(label), wait].into_iter().chain(shares).collect())
}

fn table(caption: &str, first: &str, rows: Vec<Vec<Cell>>) -> Table {
    Table {
        caption: caption.to_owned(),
        columns: columns(first),
        rows,
        notes: vec![
            "n is the number of orders: those not refused for waits and lateness, all for the rest. Orders that had not come by the cut-off count for as long as they had waited; \
             orders on repaired machines without a day of receipt are left out.".to_owned(),
        ],
        when_empty: "There are no such orders.".to_owned(),
    }
}

fn by_period(brief: &Brief<'_>) -> Table {
    let periods = [
        ("within", "within the law's years"),
        ("in_force", "of these, law in force"),
        ("after", "after the law's years"),
        ("unknown", "last sale not known"),
    ];
    let of = |(period, label): (&'static str, &str)| {
        let scoped = |query: Query| query.overall().null("audience").null("statutory_class").with("period", period);
        cells(brief, wording::sentence_case(label), &scoped)
    };
    let mut table = table("Orders of new original parts, by when they were made", "Ordered", periods.into_iter().filter_map(of).collect());
    table.notes.push(
        "The law's years count from the day on which the last unit of the model was placed on the market. Law in force: the order was made when the law bound such \
         machines, for a model that it bound."
            .to_owned(),
    );
    table.notes.push(holidays_said(brief));
    table
}

fn by_audience(brief: &Brief<'_>) -> Table {
    let of = |audience: Audience| {
        let label = match audience {
            Audience::Professional => "Parts for professional repairers",
            Audience::EndUser => "Parts for end-users too",
        };
        cells(brief, label.to_owned(), &|query| {
            query.overall().with("audience", audience.key()).null("statutory_class").with("period", "within")
        })
    };
    let rows = [Audience::Professional, Audience::EndUser].into_iter().filter_map(of).collect();
    table("Within the law's years, by who may buy the part", "Who may buy", rows)
}

fn by_class(brief: &Brief<'_>) -> Vec<Block> {
    let mut blocks = Vec::new();
    for (place, category) in brief.categories.iter().enumerate() {
        let classes = brief.names.statutory_classes_of(&category.key);
        let row = |class: &&StatutoryClass| {
            cells(brief, class.name.clone(), &|query| {
                query
                    .category(&category.key)
                    .with("law", class.law.as_str())
                    .with("statutory_class", class.key.as_str())
                    .with("period", "within")
            })
        };
        let rows: Vec<Vec<Cell>> = classes.iter().filter_map(row).collect();
        if rows.is_empty() {
            continue;
        }
        let caption = format!("{}: within the law's years, by class of parts", category.heading());
        let block = table(&caption, "Class of parts", rows).drawn(1, LATE_OR_NOT_TO_BE_HAD, Look::Dots, DRAWN, None);
        blocks.push(if place == 0 { block } else { Block::Fold(Fold { summary: caption, blocks: vec![block] }) });
    }
    blocks
}
