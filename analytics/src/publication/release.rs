//! Rows are released one by one, the broadest and largest first. A row stays back if, with it, a reader could work out a count of 1 to
//! `least - 1`: so a total is never given up for one of its parts, nor a category for one of its models.

use std::cmp::Reverse;
use std::collections::{BTreeMap, HashMap};

use super::reader::{Reader, Sum};
use super::relations::{relations, same_records, subjects};
use super::rows::{ANY, PublishedTable};

/// From the broadest to the narrowest.
const LEVELS: [&str; 5] = ["all", "category", "brand", "platform", "model"];
/// What says less than others of its group, and goes after them.
const LAST: [&str; 3] = ["late_allowing_holidays", "in_force", "wait_p90"];

/// Withholds all rows that are not released; those withheld already stay so.
pub fn withhold(tables: &mut BTreeMap<String, PublishedTable>, platforms: &BTreeMap<String, String>, least: i64) {
    let subjects = subjects(tables);
    let mut cells = Cells::default();
    let mut sums = Vec::new();
    let mut links: HashMap<Link, Vec<usize>> = HashMap::new();
    let mut order = Vec::new();
    for (position, (name, table)) in tables.iter().enumerate() {
        let rows = cells.add(table);
        let same = same_records(table);
        for (row, own) in rows.iter().enumerate() {
            for cell in own.iter().flatten().filter(|cell| cells.counts[**cell] >= least) {
                links.entry(Link::Within(position, same[row], cells.counts[*cell])).or_default().push(*cell);
                links.entry(Link::Between(subjects[name][row], cells.counts[*cell])).or_default().push(*cell);
            }
        }
        for relation in relations(table, platforms) {
            sums.extend((0..table.counts.len()).filter_map(|column| sum(table, &rows, column, relation.total, &relation.parts)));
        }
        order.extend((0..rows.len()).filter(|row| !table.withheld[*row]).map(|row| (rank(table, row), position, row)));
        cells.rows.push(rows);
    }
    order.sort_unstable();
    let tied = tied(&links, &cells);
    let mut reader = Reader::new(cells.counts, sums, tied, least);
    let mut released: Vec<Vec<bool>> = cells.rows.iter().map(|rows| vec![false; rows.len()]).collect();
    for (_, table, row) in order {
        released[table][row] = reader.learns(cells.rows[table][row].iter().copied().flatten());
    }
    for (table, released) in tables.values_mut().zip(released) {
        table.withheld = released.into_iter().map(|released| !released).collect();
    }
}

/// Every count of every table under a number of its own.
#[derive(Default)]
struct Cells {
    counts: Vec<i64>,
    /// The table of each count.
    tables: Vec<usize>,
    /// By table, row and column.
    rows: Vec<Vec<Vec<Option<usize>>>>,
}

impl Cells {
    fn add(&mut self, table: &PublishedTable) -> Vec<Vec<Option<usize>>> {
        let position = self.rows.len();
        let mut number = |count: i64| {
            self.counts.push(count);
            self.tables.push(position);
            self.counts.len() - 1
        };
        (0..table.withheld.len()).map(|row| table.counts.iter().map(|(_, counts)| counts[row].map(&mut number)).collect()).collect()
    }
}

/// What makes two equal counts one: the same records within a table, the same subject in different ones.
#[derive(PartialEq, Eq, Hash)]
enum Link {
    Within(usize, usize, i64),
    Between(usize, i64),
}

/// The cells that are known with each.
fn tied(links: &HashMap<Link, Vec<usize>>, cells: &Cells) -> Vec<Vec<usize>> {
    let mut tied = vec![Vec::new(); cells.counts.len()];
    for (link, known) in links {
        for cell in known {
            let together = |other: &&usize| match link {
                Link::Within(..) => *other != cell,
                Link::Between(..) => cells.tables[**other] != cells.tables[*cell],
            };
            tied[*cell].extend(known.iter().filter(together));
        }
    }
    tied
}

/// A relation in one column of counts; a total that every part states counts as known.
fn sum(table: &PublishedTable, rows: &[Vec<Option<usize>>], column: usize, total: Option<usize>, parts: &[usize]) -> Option<Sum> {
    let (name, counts) = &table.counts[column];
    let (total, total_count) = match total {
        Some(row) => (Some(rows[row][column]?), counts[row]?),
        None if name == "events" => (None, parts.iter().find_map(|row| table.count("jobs")?[*row])?),
        None => return None,
    };
    Some(Sum { total, total_count, parts: parts.iter().filter_map(|row| rows[*row][column]).collect() })
}

/// The broadest first, then what says more, then the largest.
fn rank(table: &PublishedTable, row: usize) -> (usize, usize, usize, Reverse<i64>) {
    let level = table.word("scope_level", row).and_then(|level| LEVELS.iter().position(|known| *known == level)).unwrap_or(LEVELS.len());
    let dimensions = || table.dimensions.iter().filter(|(name, _)| !name.starts_with("scope"));
    let specified = dimensions().filter(|(_, values)| values[row] != ANY).count();
    let last = dimensions().filter(|(_, values)| LAST.contains(&table.words[values[row] as usize].as_str())).count();
    let largest = table.counts.iter().filter_map(|(_, counts)| counts[row]).max().unwrap_or(0);
    (level, last, specified, Reverse(largest))
}
