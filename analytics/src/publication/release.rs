//! Rows are released one by one, the broadest and largest first. A row stays back if, with it, a reader could work out a count of 1 to
//! `least - 1`: so a total is never given up for one of its parts, nor a category for one of its models.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rayon::prelude::*;

use super::lists::Lists;
use super::reader::{Cell, Reader, Sums, Ties};
use super::relations::{Row, relations, same_records, subjects};
use super::rows::{ANY, PublishedTable};

/// From the broadest to the narrowest.
const LEVELS: [&str; 5] = ["all", "category", "brand", "platform", "model"];
/// What says less than others of its group, and goes after them.
const LAST: [&str; 3] = ["late_allowing_holidays", "in_force", "wait_p90"];

/// Withholds all rows that are not released; those withheld already stay so.
pub fn withhold(tables: &mut BTreeMap<String, PublishedTable>, platforms: &BTreeMap<String, String>, least: i64) {
    let mut cells = Cells::default();
    tables.values().for_each(|table| cells.add(table));
    let in_order: Vec<&PublishedTable> = tables.values().collect();
    let found: Vec<Found> =
        in_order.par_iter().enumerate().map(|(position, table)| Found::in_table(table, position, &cells, platforms, least)).collect();
    let (mut sums, mut ties, mut order) = (Sums::default(), between_tables(tables, &cells, least), Vec::new());
    for of_table in found {
        sums.append(&of_table.sums);
        ties.append(&of_table.ties);
        order.extend(of_table.order);
    }
    order.par_sort_unstable();
    let mut reader = Reader::new(cells.counts.clone(), sums, ties, least);
    let mut released: Vec<Vec<bool>> = tables.values().map(|table| vec![false; table.withheld.len()]).collect();
    for (_, table, row) in order {
        released[table][row] = reader.learns(cells.of_row(table, row).map(|(cell, _)| cell));
    }
    for (table, released) in tables.values_mut().zip(released) {
        table.withheld = released.into_iter().map(|released| !released).collect();
    }
}

/// Rank, position of the table, row.
type Released = ((usize, usize, usize, Reverse<i64>), usize, usize);

/// What a table holds for the reader to work with.
struct Found {
    sums: Sums,
    /// Equal counts of the same records.
    ties: Ties,
    order: Vec<Released>,
}

impl Found {
    fn in_table(table: &PublishedTable, position: usize, cells: &Cells, platforms: &BTreeMap<String, String>, least: i64) -> Found {
        let mut sums = Sums::default();
        for (total, parts) in relations(table, platforms).iter() {
            (0..table.counts.len()).for_each(|column| add_sum(&mut sums, table, &cells.tables[position], column, total, parts));
        }
        let same = same_records(table);
        let of_records =
            Lists::of(same.known, || cells.at_least(position, least).map(|(row, count, cell)| (same.of_row[row], (count, cell))));
        let rows = (0..table.withheld.len()).filter(|row| !table.withheld[*row]);
        Found { sums, ties: equal(&of_records, |cell| cell), order: rows.map(|row| (rank(table, row), position, row)).collect() }
    }
}

/// Equal counts of the same subject in different tables.
fn between_tables(tables: &BTreeMap<String, PublishedTable>, cells: &Cells, least: i64) -> Ties {
    let (subjects, known) = subjects(tables);
    let of_subjects = Lists::of(known, || {
        subjects
            .iter()
            .enumerate()
            .flat_map(|(position, subjects)| cells.at_least(position, least).map(|(row, count, cell)| (subjects[row], (count, cell))))
    });
    equal(&of_subjects, |cell| cells.table_of(cell))
}

/// Those of a list that are equal and do not all stand on one side.
fn equal(lists: &Lists<(i64, Cell)>, side: impl Fn(Cell) -> u32) -> Ties {
    let mut ties = Ties::default();
    let mut sorted = Vec::new();
    for list in lists.iter().filter(|list| list.len() > 1) {
        sorted.clear();
        sorted.extend_from_slice(list);
        sorted.sort_unstable();
        for tie in sorted.chunk_by(|(one, _), (other, _)| one == other).filter(|tie| tie.len() > 1) {
            let with_side = || tie.iter().map(|(_, cell)| (side(*cell), *cell));
            if with_side().any(|(side, _)| with_side().next().is_some_and(|(first, _)| side != first)) {
                ties.push(with_side());
            }
        }
    }
    ties
}

/// Every count of every table under a number of its own: table by table, column by column, row by row.
#[derive(Default)]
struct Cells {
    /// Where nothing is counted, 0.
    counts: Vec<i64>,
    is_counted: Vec<bool>,
    tables: Vec<Place>,
}

/// The numbers of a table's counts.
struct Place {
    first: usize,
    columns: usize,
    rows: usize,
}

impl Place {
    fn cell(&self, column: usize, row: usize) -> Cell {
        (self.first + column * self.rows + row) as Cell
    }
}

impl Cells {
    fn add(&mut self, table: &PublishedTable) {
        self.tables.push(Place { first: self.counts.len(), columns: table.counts.len(), rows: table.withheld.len() });
        let counts = || table.counts.iter().flat_map(|(_, counts)| counts);
        self.counts.extend(counts().map(|count| count.unwrap_or(0)));
        self.is_counted.extend(counts().map(Option::is_some));
    }

    /// The counts of a row, by number.
    fn of_row(&self, table: usize, row: usize) -> impl Iterator<Item = (Cell, i64)> {
        let place = &self.tables[table];
        let cells = (0..place.columns).map(move |column| place.cell(column, row));
        cells.filter(|cell| self.is_counted[*cell as usize]).map(|cell| (cell, self.counts[cell as usize]))
    }

    /// The counts of a table that are not small: row, count and number.
    fn at_least(&self, table: usize, least: i64) -> impl Iterator<Item = (usize, i64, Cell)> {
        let rows = 0..self.tables[table].rows;
        rows.flat_map(move |row| self.of_row(table, row).map(move |(cell, count)| (row, count, cell)))
            .filter(move |(_, count, _)| *count >= least)
    }

    fn table_of(&self, cell: Cell) -> u32 {
        self.tables.partition_point(|place| place.first <= cell as usize) as u32 - 1
    }
}

/// Adds a total and its parts in one column of counts; a total that every part states counts as known.
fn add_sum(sums: &mut Sums, table: &PublishedTable, place: &Place, column: usize, total: Option<Row>, parts: &[Row]) {
    let (name, counts) = &table.counts[column];
    let total_count = match total {
        Some(row) => counts[row as usize],
        None if name == "events" => table.count("jobs").and_then(|jobs| parts.iter().find_map(|row| jobs[*row as usize])),
        None => None,
    };
    if let Some(total_count) = total_count.filter(|count| *count != 0) {
        let cell = |row: &Row| place.cell(column, *row as usize);
        sums.push(total.as_ref().map(cell), total_count, parts.iter().filter(|row| counts[**row as usize].is_some()).map(cell));
    }
}

/// The broadest first, then what says more, then the largest.
fn rank(table: &PublishedTable, row: usize) -> (usize, usize, usize, Reverse<i64>) {
    let level = table.word("scope_level", row).and_then(|level| LEVELS.iter().position(|known| *known == level)).unwrap_or(LEVELS.len());
    let dimensions = || table.dimensions.iter().filter(|(name, _)| !name.starts_with("scope"));
    let specified = dimensions().filter(|(_, values)| values[row] != ANY).count();
    let last = dimensions().filter(|(_, values)| LAST.contains(&table.words.text(values[row]))).count();
    let largest = table.counts.iter().filter_map(|(_, counts)| counts[row]).max().unwrap_or(0);
    (level, last, specified, Reverse(largest))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use polars::prelude::{Column, DataFrame};

    use super::*;

    /// Scope level, scope, component and events.
    type Counted = (&'static str, &'static str, &'static str, i64);

    const ROWS: [Counted; 8] = [
        ("all", "all", "motor", 30),
        ("category", "washer", "motor", 18),
        ("category", "dryer", "motor", 12),
        ("model", "A 1", "motor", 11),
        ("model", "A 2", "motor", 7),
        ("all", "all", "pump", 23),
        ("category", "washer", "pump", 20),
        ("category", "dryer", "pump", 3),
    ];

    fn released(order: &[usize]) -> BTreeSet<(&'static str, &'static str)> {
        let rows: Vec<_> = order.iter().map(|at| ROWS[*at]).collect();
        let column = |name: &str, value: fn(&Counted) -> &'static str| Column::new(name.into(), rows.iter().map(value).collect::<Vec<_>>());
        let category = |row: &Counted| match row.0 {
            "all" => None,
            "category" => Some(row.1),
            _ => Some("washer"),
        };
        let columns = vec![
            column("scope_level", |row| row.0),
            column("scope", |row| row.1),
            Column::new("category".into(), rows.iter().map(category).collect::<Vec<_>>()),
            column("component", |row| row.2),
            Column::new("events".into(), rows.iter().map(|row| row.3).collect::<Vec<_>>()),
        ];
        let mut table = PublishedTable::read("fault_share", &DataFrame::new(rows.len(), columns).unwrap()).unwrap();
        table.withhold_small(5);
        let mut tables = BTreeMap::from([("fault_share".to_owned(), table)]);
        withhold(&mut tables, &BTreeMap::new(), 5);
        let withheld = &tables["fault_share"].withheld;
        rows.iter().zip(withheld).filter(|(_, withheld)| !**withheld).map(|(row, _)| (row.1, row.2)).collect()
    }

    /// 23 = 20 + 3: with the 20 a reader has the 3. 18 = 11 + 7 hides nothing small.
    #[test]
    fn what_is_released_does_not_depend_on_the_order_of_rows() {
        let expected = BTreeSet::from([
            ("all", "motor"),
            ("washer", "motor"),
            ("dryer", "motor"),
            ("A 1", "motor"),
            ("A 2", "motor"),
            ("all", "pump"),
        ]);
        assert_eq!(released(&[0, 1, 2, 3, 4, 5, 6, 7]), expected);
        assert_eq!(released(&[7, 3, 6, 0, 5, 2, 4, 1]), expected);
    }
}
