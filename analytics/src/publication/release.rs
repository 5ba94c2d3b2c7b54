//! Rows are released one by one, the broadest and largest first. A row stays back if, with it, a reader could work out a count of 1 to
//! `least - 1`: so a total is never given up for one of its parts, nor a category for one of its models.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use rayon::prelude::*;

use super::reader::{Reader, Sum, Tie};
use super::relations::{Relation, Subject, relations, same_records, subjects};
use super::rows::{ANY, PublishedTable};

/// From the broadest to the narrowest.
const LEVELS: [&str; 5] = ["all", "category", "brand", "platform", "model"];
/// What says less than others of its group, and goes after them.
const LAST: [&str; 3] = ["late_allowing_holidays", "in_force", "wait_p90"];

/// Withholds all rows that are not released; those withheld already stay so.
pub fn withhold(tables: &mut BTreeMap<String, PublishedTable>, platforms: &BTreeMap<String, String>, least: i64) {
    let subjects = subjects(tables);
    let mut cells = Cells::default();
    tables.values().for_each(|table| cells.add(table));
    let by_position: Vec<&PublishedTable> = tables.values().collect();
    let found: Vec<Found> = by_position
        .par_iter()
        .enumerate()
        .map(|(position, table)| Found::in_table(table, position, &subjects[&table.name], &cells, platforms, least))
        .collect();
    let (mut sums, mut links, mut order) = (Vec::new(), Vec::new(), Vec::new());
    for of_table in found {
        sums.extend(of_table.sums);
        links.extend(of_table.links);
        order.extend(of_table.order);
    }
    order.sort_unstable();
    let mut reader = Reader::new(cells.counts.clone(), sums, ties(links, &cells), least);
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
    sums: Vec<Sum>,
    links: Vec<(Link, usize)>,
    order: Vec<Released>,
}

impl Found {
    fn in_table(
        table: &PublishedTable,
        position: usize,
        subjects: &[Subject],
        cells: &Cells,
        platforms: &BTreeMap<String, String>,
        least: i64,
    ) -> Found {
        let columns = 0..table.counts.len();
        let sums = relations(table, platforms)
            .iter()
            .flat_map(|relation| columns.clone().filter_map(|column| sum(table, &cells.tables[position], column, relation)))
            .collect();
        let same = same_records(table);
        let rows = 0..table.withheld.len();
        let links = rows.clone().flat_map(|row| {
            let counts = cells.of_row(position, row).filter(|(_, count)| *count >= least);
            let (within, between) = (same[row], subjects[row]);
            counts.flat_map(move |(cell, count)| [(Link::Within(position, within, count), cell), (Link::Between(between, count), cell)])
        });
        let order = rows.clone().filter(|row| !table.withheld[*row]).map(|row| (rank(table, row), position, row));
        Found { sums, links: links.collect(), order: order.collect() }
    }
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
    fn cell(&self, column: usize, row: usize) -> usize {
        self.first + column * self.rows + row
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
    fn of_row(&self, table: usize, row: usize) -> impl Iterator<Item = (usize, i64)> {
        let place = &self.tables[table];
        let cells = (0..place.columns).map(move |column| place.cell(column, row));
        cells.filter(|cell| self.is_counted[*cell]).map(|cell| (cell, self.counts[cell]))
    }

    fn table_of(&self, cell: usize) -> usize {
        self.tables.partition_point(|place| place.first <= cell) - 1
    }
}

/// What makes two equal counts one: the same records within a table, the same subject in different ones.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Link {
    Within(usize, usize, i64),
    Between(usize, i64),
}

/// Equal counts that are known with each other: within a table all of them, between tables those of different ones.
fn ties(mut links: Vec<(Link, usize)>, cells: &Cells) -> Vec<Tie> {
    links.par_sort_unstable();
    let with_others = links.chunk_by(|(one, _), (other, _)| one == other).filter(|known| known.len() > 1);
    let side = |(link, cell): &(Link, usize)| match link {
        Link::Within(..) => (*cell, *cell),
        Link::Between(..) => (cells.table_of(*cell), *cell),
    };
    with_others.map(|known| known.iter().map(side).collect()).collect()
}

/// A relation in one column of counts; a total that every part states counts as known.
fn sum(table: &PublishedTable, place: &Place, column: usize, relation: &Relation) -> Option<Sum> {
    let (name, counts) = &table.counts[column];
    let (total, total_count) = match relation.total {
        Some(row) => (Some(place.cell(column, row)), counts[row]?),
        None if name == "events" => (None, relation.parts.iter().find_map(|row| table.count("jobs")?[*row])?),
        None => return None,
    };
    if total_count == 0 {
        return None;
    }
    let parts = relation.parts.iter().filter(|row| counts[**row].is_some()).map(|row| place.cell(column, *row)).collect();
    Some(Sum { total, total_count, parts })
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
