//! End-to-end tests in one binary, so that the database is linked once.
//!
//! - `pipeline`: the demo from simulated records to reports; truth recovered; the same input twice, the same bytes
//! - `bad_input`: what a user may feed it by mistake or on purpose
//! - `command`: exit codes, messages, `--json`
//! - `advocate`: parts against the law by hand; every claim found again in its table, and judged among the others
//! - `export`: the data package, the workbook, open repair data; free text stays in the store
//! - `odds`: the technician's question: truths of the trade, skill on held-out jobs, bad input
//! - `odds_page`: the technician's page in headless Chromium: the command's numbers, thumb, keyboard, print
//! - `page`: the HTML reports in headless Chromium
//! - `privacy`: an attack on the published tables

mod support;

mod advocate;
mod bad_input;
mod command;
mod export;
mod odds;
mod odds_page;
mod page;
mod pipeline;
mod privacy;
