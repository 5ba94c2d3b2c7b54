//! Evidence as it may be published: no figure that rests on fewer than `least_cell` machines or jobs, and none from which such a figure
//! could be had by subtraction.
//!
//! 1. A row is withheld if one of its counts, or what the count leaves of the jobs it is taken over, lies between 1 and `least_cell - 1`
//!    ([`rows`]). Medians need twice as many records, 90th percentiles ten times, because they are values of single jobs.
//! 2. Curves keep a point only where `least_cell` events lie between it and the next ([`curves`]).
//! 3. The rest is released row by row, the broadest and largest first; a row stays back if a count of 1 to `least_cell - 1` could be worked
//!    out with it, from totals and parts ([`relations`], [`reader`], [`release`]) or because an equal count of the same stands elsewhere.
//! 4. Side counts that would need the same care, and that no figure is taken over, are left out ([`LEFT_OUT`]).

mod curves;
mod lists;
mod reader;
mod relations;
mod release;
mod rows;

use std::collections::BTreeMap;

use polars::prelude::{Column, DataFrame, PolarsResult, Series};
use rayon::prelude::*;

use crate::error::AnalyticsError;
use crate::evidence::Evidence;
use rows::PublishedTable;

/// The fewest machines or jobs that a published figure rests on, unless the user asks for another number.
pub const LEAST_CELL: i64 = 5;

/// Evidence tables that are the affair of the business itself and are never published.
pub const OF_THE_BUSINESS: [&str; 6] = ["take_on", "quote", "stock_list", "donor_value", "trend", "closing_test"];

/// Counts that are not published at all.
pub const LEFT_OUT: [&str; 5] = ["repeat_events", "machines_trait_unknown", "orders_open", "at_risk", "events_not_known"];

/// Why a row holds no figures, in its column `reason`.
#[must_use]
pub fn withheld_because(least_cell: i64) -> String {
    format!("withheld: it, or what could be had from it by subtraction, rests on fewer than {least_cell} machines or jobs")
}

/// How many rows of each table were withheld, of how many.
pub type Withheld = BTreeMap<String, (usize, usize)>;

/// The evidence with everything withheld that may not be published.
///
/// # Errors
/// [`AnalyticsError::Publication`] if a table is not as the dictionary says.
pub fn publishable(evidence: &Evidence, least_cell: i64) -> Result<(Evidence, Withheld), AnalyticsError> {
    let mut published = evidence.clone();
    published.tables.retain(|name, _| !OF_THE_BUSINESS.contains(&name.as_str()));
    published.about.table_rows.retain(|name, _| !OF_THE_BUSINESS.contains(&name.as_str()));
    published.about.business = Default::default();
    let read = |(name, frame): (&String, &DataFrame)| {
        let mut table = PublishedTable::read(name, frame).map_err(|cause| fault(name, &cause))?;
        table.withhold_small(least_cell);
        curves::thin(&mut table, least_cell);
        Ok((name.clone(), table))
    };
    let mut tables: BTreeMap<String, PublishedTable> = published.tables.par_iter().map(read).collect::<Result<_, AnalyticsError>>()?;
    release::withhold(&mut tables, &evidence.platforms, least_cell);
    published.about.least_cell = Some(least_cell);
    published.about.put_aside.retain(|row| row.count >= least_cell);
    let mut withheld = Withheld::new();
    for (name, frame) in &mut published.tables {
        let table = &tables[name];
        withheld.insert(name.clone(), (table.withheld.iter().filter(|w| **w).count(), table.withheld.len()));
        *frame = blank(frame, table, least_cell).map_err(|cause| fault(name, &cause))?;
    }
    Ok((published, withheld))
}

/// The frame with the results of withheld rows taken out and the reason put in.
fn blank(frame: &DataFrame, table: &PublishedTable, least_cell: i64) -> PolarsResult<DataFrame> {
    let reason = withheld_because(least_cell);
    let columns: PolarsResult<Vec<Column>> = frame
        .columns()
        .iter()
        .map(|column| {
            let name = column.name().as_str();
            if name == "reason" {
                let reasons: Vec<Option<&str>> = column
                    .str()?
                    .iter()
                    .zip(&table.withheld)
                    .map(|(old, withheld)| if *withheld { Some(reason.as_str()) } else { old })
                    .collect();
                return Ok(Column::from(Series::from_iter_named(name, reasons)));
            }
            if table.is_dimension(name) {
                return Ok(column.clone());
            }
            let keep: Vec<bool> = table.withheld.iter().map(|withheld| !withheld && !LEFT_OUT.contains(&name)).collect();
            rows::keep_only(column, &keep)
        })
        .collect();
    DataFrame::new(frame.height(), columns?)
}

trait FromNamed {
    fn from_iter_named(name: &str, values: Vec<Option<&str>>) -> Series;
}

impl FromNamed for Series {
    fn from_iter_named(name: &str, values: Vec<Option<&str>>) -> Series {
        use polars::prelude::NamedFrom;
        Series::new(name.into(), values)
    }
}

fn fault(table: &str, cause: &dyn std::fmt::Display) -> AnalyticsError {
    AnalyticsError::Publication { table: table.to_owned(), message: cause.to_string() }
}
