//! What to quote by fault, and up to what price a repair serves the customer.

use crate::charts::Look;
use crate::document::{Block, Cell, Column, Quantity, Section, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell};
use crate::evidence_view::{Query, Row};
use crate::wording;

const MOST_FAULTS: usize = 10;
const BETTER_NEW: &str = "Above this price of a repair, a new machine costs the customer less for each expected further year.";

pub(super) fn section(brief: &Brief<'_>) -> Section {
    let mut section = Section::new("quotes", "What to quote");
    if brief.evidence.first(&Query::of("quote").not_null("component")).is_none() {
        let otherwise = "No fault has ten repairs with parts cost and working time on record, so there is nothing to quote from.";
        section.blocks.push(Block::Note(brief.when_empty("quote", otherwise)));
        return section;
    }
    let settings = &brief.evidence.about().business;
    let limit = wording::in_sentence(&Quantity::new(settings.most_loss_probability, Unit::Share));
    let least = wording::in_sentence(&Quantity::new(settings.least_contribution_per_job, brief.money()));
    section.blocks.push(Block::Paragraph(format!(
        "The price of a repair once the fault is known: {limit} of such repairs cost the business more, and on average at least {least} is left. For a machine \
         whose fault is not known yet, `fixodds quote --model M --age A --symptom ...` mixes the faults by their odds.",
    )));
    section.blocks.extend(held_out(brief).map(Block::Note));
    for category in brief.main() {
        let table = faults(brief, category);
        if table.rows.is_empty() {
            continue;
        }
        section.blocks.push(Block::Subheading(category.heading()));
        section.blocks.push(table.drawn(1, 1, Look::Bars, "The price to quote once the fault is known.", None));
        section.blocks.push(lives(brief, category).drawn(1, 2, Look::Dots, BETTER_NEW, None));
    }
    section
}

fn held_out(brief: &Brief<'_>) -> Option<String> {
    let row = brief.evidence.first(&Query::of("quote").overall().with("statistic", "held_out_loss"))?;
    let share = wording::in_sentence(&row.quantity(Unit::Share)?.with_n(row.integer("jobs")?));
    Some(format!(
        "Tried on the last year, each machine priced as it was booked, from the records of the years before: {share} of repairs cost more than their price, the recalls that came included."
    ))
}

fn statistic(brief: &Brief<'_>, category: &Category, component: &str, statistic: &str) -> Option<Row> {
    brief.evidence.first(&Query::of("quote").category(&category.key).with("component", component).with("statistic", statistic))
}

fn faults(brief: &Brief<'_>, category: &Category) -> Table {
    let components: Vec<String> = brief.faults(category).iter().filter_map(|row| row.text("component").map(str::to_owned)).collect();
    let rows = components.iter().filter_map(|component| {
        let cell = |name: &str| statistic(brief, category, component, name).map_or(Cell::Nothing, |row| row.cell(brief.money()));
        let expected = statistic(brief, category, component, "expected_cost")?;
        let name = wording::sentence_case(&brief.names.component(component));
        Some(vec![Cell::Text(name), cell("price"), counted_cell(&expected, brief.money(), "jobs"), cell("p10_cost"), cell("p90_cost")])
    });
    Table {
        caption: format!("{}: price by fault, the commonest first", category.heading()),
        columns: vec![
            Column::text("Fault"),
            Column::number("Price to quote"),
            Column::number("Expected cost to the business"),
            Column::number("One in ten costs less than"),
            Column::number("One in ten costs more than"),
        ],
        rows: rows.take(MOST_FAULTS).collect(),
        notes: std::iter::once(
            "Costs are parts, labour at the business's own hourly cost, travel and the expected recall. n is the number of repairs."
                .to_owned(),
        )
        .chain(blank_note(brief, category, &components))
        .collect(),
        when_empty: String::new(),
    }
}

/// What empty parts costs would mean if they meant nothing, for the fault on which it matters most.
fn blank_note(brief: &Brief<'_>, category: &Category, components: &[String]) -> Option<String> {
    let expected = |component: &String| statistic(brief, category, component, "expected_cost");
    let rows: Vec<Row> = components.iter().filter_map(expected).filter(|row| row.real("lowest_reading").is_some()).collect();
    let gap = |row: &Row| row.real("estimate").unwrap_or(0.0) - row.real("lowest_reading").unwrap_or(0.0);
    let most = rows.iter().max_by(|a, b| gap(a).total_cmp(&gap(b)))?;
    let money = |amount: f64| wording::in_sentence(&Quantity::new(amount, brief.money()));
    Some(format!(
        "Some repairs have an empty parts cost, and nothing says what that means: they are taken to cost what the others of the fault do. If it means nothing, a {} costs {} instead of {}. \
         Say which in the mapping file: [jobs.blank].",
        brief.names.component(most.text("component")?),
        money(most.real("lowest_reading")?),
        money(most.real("estimate")?)
    ))
}

fn lives(brief: &Brief<'_>, category: &Category) -> Table {
    let rows = brief.evidence.rows(&Query::of("quote").category(&category.key).with("statistic", "remaining_life"));
    let above = |age: f64| {
        let query = Query::of("quote").category(&category.key).with("statistic", "write_off_above").with("age_years", age);
        brief.evidence.first(&query).map_or(Cell::Nothing, |row| row.cell(brief.money()))
    };
    let ends = rows.first().and_then(|row| row.integer("jobs")).unwrap_or(0);
    Table {
        caption: format!("{}: up to what price a repair serves the customer", category.heading()),
        columns: vec![
            Column::text("Age"),
            Column::number_in("Expected further life", "years"),
            Column::number("A new one is better above"),
        ],
        rows: rows
            .iter()
            .filter_map(|row| {
                let age = row.real("age_years")?;
                let words = if age == 0.0 { "New".to_owned() } else { format!("{} years", wording::plain(age)) };
                Some(vec![Cell::Text(words), row.cell(Unit::Years), above(age)])
            })
            .collect(),
        notes: vec![format!(
            "Where a repair costs more per expected further year than a new machine of the category's median price. Lives rest on {} of the roster taken out of use, and are \
             extrapolated at high ages; replacement by choice is not counted.",
            wording::count_of(ends, "machine", "machines")
        )],
        when_empty:
            "Too few machines of the roster were taken out of use, or fewer than half by the ages on record, to say how long they live."
                .to_owned(),
    }
}
