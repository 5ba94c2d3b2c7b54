//! Curves over age with their bands: parts still without a fault, first faults by cause, repairs per machine.

use super::lives::Life;
use crate::charts::{CurvePoint, Curves, Plot, Series};
use crate::document::{Cell, Chart, Column, Quantity, Table, Unit};
use crate::documents::brief::{Brief, Category, counted_cell};
use crate::evidence_view::{Query, Row};
use crate::wording;
use std::collections::BTreeSet;

const MOST_CURVES: usize = 4;

/// A component's curve: its name and its rows in order of age.
struct Curve {
    label: String,
    rows: Vec<Row>,
}

impl Curve {
    fn of(brief: &Brief<'_>, category: &Category, curve: &str, component: &str) -> Curve {
        let query = Query::of("life").category(&category.key).with("curve", curve).with("component", component);
        Curve { label: wording::sentence_case(&brief.names.component(component)), rows: by_age(brief.evidence.rows(&query)) }
    }

    fn end(&self) -> f64 {
        self.rows.last().and_then(|row| row.real("estimate")).unwrap_or(0.0)
    }
}

/// Share of machines on which a part has not failed yet, for the parts that fail most.
pub(super) fn survival(brief: &Brief<'_>, category: &Category, lives: &[Life]) -> Option<Chart> {
    let mut curves: Vec<Curve> = lives.iter().map(|life| Curve::of(brief, category, "survival", &life.component)).collect();
    curves.retain(|curve| !curve.rows.is_empty());
    curves.truncate(MOST_CURVES);
    chart(
        &curves,
        1.0,
        format!("{}: parts still without a fault, by age", category.heading()),
        "Share of roster machines on which the part has not failed yet, whatever else has; the parts with the most failures. Shaded bands are 95 % intervals.",
        "share without a fault of the part",
    )
}

/// Share of machines whose first fault was a given part, for the parts that are most often first.
pub(super) fn incidence(brief: &Brief<'_>, category: &Category) -> Option<Chart> {
    let rows = brief.evidence.rows(&Query::of("life").category(&category.key).with("curve", "cumulative_incidence").not_null("component"));
    let components: BTreeSet<&str> = rows.iter().filter_map(|row| row.text("component")).collect();
    let mut curves: Vec<Curve> =
        components.into_iter().map(|component| Curve::of(brief, category, "cumulative_incidence", component)).collect();
    curves.retain(|curve| !curve.rows.is_empty());
    curves.sort_by(|a, b| b.end().total_cmp(&a.end()).then_with(|| a.label.cmp(&b.label)));
    curves.truncate(MOST_CURVES);
    chart(
        &curves,
        0.0,
        format!("{}: the first fault of a machine, by age", category.heading()),
        "Share of roster machines whose first fault was this part; the parts that are first most often. Shaded bands are 95 % intervals.",
        "share whose first fault was the part",
    )
}

/// Mean number of repairs a machine has needed by a given age.
pub(super) fn recurrence(brief: &Brief<'_>, category: &Category) -> Option<Chart> {
    let rows = by_age(brief.evidence.rows(&Query::of("recurrence").category(&category.key)));
    if rows.is_empty() {
        return None;
    }
    Some(Chart {
        title: format!("{}: repairs of a machine by a given age", category.heading()),
        description: "Mean number of repairs per roster machine, counted from new. The shaded band is the 95 % interval.".to_owned(),
        plot: curves_plot(Unit::Number, vec![Series { label: "repairs".to_owned(), points: points(0.0, &rows) }]),
        numbers: Table {
            caption: format!("{}: mean number of repairs per machine by age", category.heading()),
            columns: vec![
                Column::number_in("Age", "years"),
                Column::number("Repairs per machine"),
                Column::number("Machines observed at that age"),
            ],
            rows: yearly(&rows).iter().map(|row| vec![age_cell(row), row.cell(Unit::Number), row.count_cell("at_risk")]).collect(),
            notes: vec!["One row a year of age; the evidence table recurrence holds the others.".to_owned()],
            when_empty: String::new(),
        },
    })
}

/// Curves of shares on one drawing, with a table that has a row a year of age and a column a curve.
fn chart(curves: &[Curve], at_birth: f64, title: String, description: &str, share: &str) -> Option<Chart> {
    if curves.is_empty() {
        return None;
    }
    let by_curve: Vec<Vec<Row>> = curves.iter().map(|curve| yearly(&curve.rows)).collect();
    let longest = by_curve.iter().max_by_key(|rows| rows.len())?;
    let at_age = |rows: &[Row], age: f64| {
        let row = rows.iter().find(|row| row.real("age_years") == Some(age));
        row.map_or(Cell::Nothing, |row| counted_cell(row, Unit::Share, "at_risk"))
    };
    let rows = longest.iter().filter_map(|row| {
        let age = row.real("age_years")?;
        Some(std::iter::once(age_cell(row)).chain(by_curve.iter().map(|rows| at_age(rows, age))).collect())
    });
    let columns = curves.iter().map(|curve| Column::number(&curve.label));
    Some(Chart {
        numbers: Table {
            caption: format!("{title}: {share}"),
            columns: std::iter::once(Column::number_in("Age", "years")).chain(columns).collect(),
            rows: rows.collect(),
            notes: vec![
                "n is the number of machines observed at that age that had not failed before.".to_owned(),
                "One row a year of age; the evidence table life holds the others.".to_owned(),
            ],
            when_empty: String::new(),
        },
        title,
        description: description.to_owned(),
        plot: curves_plot(
            Unit::Share,
            curves.iter().map(|curve| Series { label: curve.label.clone(), points: points(at_birth, &curve.rows) }).collect(),
        ),
    })
}

fn curves_plot(unit: Unit, series: Vec<Series>) -> Plot {
    Plot::Curves(Curves { unit, x_label: "age in years".to_owned(), series, stepped: true })
}

fn age_cell(row: &Row) -> Cell {
    row.real("age_years").map_or(Cell::Nothing, |age| Cell::Quantity(Quantity::new(age, Unit::Years)))
}

/// The rows with an estimate, in order of age.
fn by_age(mut rows: Vec<Row>) -> Vec<Row> {
    rows.retain(|row| row.real("age_years").is_some() && row.real("estimate").is_some());
    rows.sort_by(|a, b| a.real("age_years").unwrap_or(0.0).total_cmp(&b.real("age_years").unwrap_or(0.0)));
    rows
}

/// The points of a curve, from its value at birth, which is known.
fn points(at_birth: f64, rows: &[Row]) -> Vec<CurvePoint> {
    let birth = CurvePoint { x: 0.0, y: at_birth, interval: Some((at_birth, at_birth)) };
    let point = |row: &Row| {
        Some(CurvePoint { x: row.real("age_years")?, y: row.real("estimate")?, interval: row.real("lower").zip(row.real("upper")) })
    };
    std::iter::once(birth).chain(rows.iter().filter_map(point)).collect()
}

/// The last row of each started year of age.
fn yearly(rows: &[Row]) -> Vec<Row> {
    let year = |row: &Row| row.real("age_years").unwrap_or(0.0).ceil() as i64;
    let last_of_year = |place: &usize| rows.get(place + 1).is_none_or(|next| year(next) != year(&rows[*place]));
    (0..rows.len()).filter(last_of_year).map(|place| rows[place].clone()).collect()
}
