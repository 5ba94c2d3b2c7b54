//! What makers declared under the French repairability index beside what the records show.

use super::claims::{Draft, Question};
use super::law::NO_CONNECTION;
use crate::claims::ClaimStanding;
use crate::document::{Block, Cell, Column, Section, Table, Unit};
use crate::documents::brief::{Brief, counted_cell, said};
use crate::evidence_view::{Query, Row};

/// Statistic, what a maker declares, what is lived, and its words where it is better and where it is worse.
type Compared = (&'static str, &'static str, &'static str, [&'static str; 2]);
const COMPARED: [Compared; 3] = [
    ("rank_correlation_delivery", "delivery", "the wait for parts", ["shorter waits for parts", "longer waits for parts"]),
    ("rank_correlation_price", "the price of parts", "what parts cost", ["cheaper parts", "dearer parts"]),
    ("rank_correlation_disassembly", "disassembly", "the time that repairs take", ["shorter repairs", "longer repairs"]),
];

pub(super) fn questions(brief: &Brief<'_>) -> Vec<Question> {
    COMPARED.into_iter().map(|compared| question(brief, compared)).collect()
}

fn question(brief: &Brief<'_>, compared: Compared) -> Question {
    let (statistic, declared, lived, _) = compared;
    let found = brief.main().iter().find_map(|category| {
        let row = brief.evidence.first(&Query::of("declared_lived").category(&category.key).with("statistic", statistic))?;
        row.real("estimate").is_some().then_some((category.many.clone(), row))
    });
    let otherwise = "Too few models have both a complete declared sheet and ten records.";
    Question {
        about: format!("Whether models with more declared points for {declared} differ in {lived}"),
        answer: found.map(|(many, row)| draft(many, row, compared)).ok_or_else(|| brief.when_empty("declared_lived", otherwise)),
    }
}

fn draft(many: String, row: Row, (_, declared, lived, [better, worse]): Compared) -> Draft {
    let figure = said(&row, Unit::Number, "models").unwrap_or_default();
    let positive = row.real("estimate").is_some_and(|estimate| estimate > 0.0);
    Draft {
        table: "declared_lived",
        n: (row.integer("models"), "models"),
        row,
        unit: Unit::Number,
        population: format!("models of {many} with a declared sheet and ten records at least"),
        method: "Spearman's rank correlation, Fisher interval",
        against: Some(NO_CONNECTION),
        not_found: false,
        words: Box::new(move |standing| match (standing, positive) {
            (ClaimStanding::DifferenceShown, false) => {
                format!("Models of {many} that declare more points for {declared} do have {better}: rank correlation {figure}.")
            }
            (ClaimStanding::DifferenceShown, true) => {
                format!("Models of {many} that declare more points for {declared} have {worse}, not {better}: rank correlation {figure}.")
            }
            _ => format!(
                "No connection is shown between the points that models of {many} declare for {declared} and {lived}: rank correlation {figure}."
            ),
        }),
    }
}

pub(super) fn blocks(brief: &Brief<'_>, section: &mut Section) {
    section.blocks.push(Block::Subheading("Declared and lived".to_owned()));
    let models = brief.evidence.rows(&Query::of("declared_lived").with("scope_level", "model").with("statistic", "index"));
    if models.is_empty() {
        let otherwise =
            "The catalogue holds no model with a complete declared sheet, so that nothing declared can be set beside what was lived.";
        section.blocks.push(Block::Note(brief.when_empty("declared_lived", otherwise)));
        return;
    }
    section.blocks.push(Block::Paragraph(
        "The index is computed from the sub-scores that the maker declared, with the coefficients of the French repairability index (decree 2020-1757, order of 29 December 2020; \
         replaced by the durability index for washing machines in April 2025). Beside the declared score for delivery, price and disassembly stands what the records of the same \
         model show. The scores look at the parts that fail most, the records at all parts ordered and all repairs."
            .to_owned(),
    ));
    section.blocks.push(Block::Table(table(brief, &models)));
}

fn table(brief: &Brief<'_>, models: &[Row]) -> Table {
    let cells = |row: &Row| {
        let model = row.text("scope").unwrap_or_default();
        let first = |query: Query| brief.evidence.first(&query.model(model));
        let declared = |statistic: &str| first(Query::of("declared_lived").with("statistic", statistic));
        let score = |row: &Option<Row>| {
            row.as_ref().and_then(|row| row.real("declared")).map_or(Cell::Nothing, |score| Cell::Text(format!("{score:.1}")))
        };
        let lived = |row: &Option<Row>, unit: Unit| row.as_ref().map_or(Cell::Nothing, |row| counted_cell(row, unit, "records"));
        let [delivery, price, disassembly] = ["delivery", "price", "disassembly"].map(declared);
        let late = Query::of("part_supply")
            .with("part_source", "new-original")
            .with("statistic", "late")
            .with("period", "within")
            .null("audience");
        let late = first(late).map_or(Cell::Nothing, |row| counted_cell(&row, Unit::Share, "orders"));
        vec![
            Cell::Text(model.to_owned()),
            Cell::Text(row.real("estimate").map_or_else(String::new, |index| format!("{index:.1}"))),
            score(&delivery),
            lived(&delivery, Unit::Number),
            late,
            score(&price),
            lived(&price, Unit::Share),
            score(&disassembly),
            lived(&disassembly, Unit::Minutes),
        ]
    };
    let mut rows: Vec<Vec<Cell>> = models.iter().map(cells).collect();
    rows.sort_by(|a, b| format!("{:?}", a[0]).cmp(&format!("{:?}", b[0])));
    Table {
        caption: "Declared scores beside what was lived, by model".to_owned(),
        columns: vec![
            Column::text("Model"),
            Column::number_in("Index, declared", "of 10"),
            Column::number_in("Delivery, declared", "of 10"),
            Column::number_in("Wait, lived", "working days, median"),
            Column::number("Late, lived"),
            Column::number_in("Price, declared", "of 10"),
            Column::number_in("Part, lived", "of the price new, median"),
            Column::number_in("Disassembly, declared", "of 10"),
            Column::number_in("Labour, lived", "minutes, median"),
        ],
        rows,
        notes: vec![
            "Late: longer than the law's 15 working days, of orders within its years. n is the number of orders, parts and repairs. Availability of documentation and of parts is declared too and enters the index; \
             the records hold nothing to set beside documentation."
                .to_owned(),
        ],
        when_empty: String::new(),
    }
}
