//! End-to-end tests in one binary, so that the database is linked once.
//!
//! - `pipeline`: the demo from simulated records to reports; truth recovered; the same input twice, the same bytes
//! - `bad_input`: what a user may feed it by mistake or on purpose
//! - `business`: contributions, quotes, stock, donors, trends against the simulator's truth
//! - `command`: exit codes, messages, `--json`
//! - `dependencies`: licences; none unused or unexplained
//! - `durability`: killed, out of disk, read-only, two at once, damaged
//! - `hostile`: scripts, SQL, formulas, bombs and nesting in what is fed to it
//! - `ingest`: check, correct and read again: mapping, review, quarantine, standard input
//! - `messy_spreadsheet`: the same jobs, wide and messy in several encodings, give the same evidence
//! - `advocate`: parts against the law by hand; every claim found again in its table, and judged among the others
//! - `evidence_sql`: what the SQL files say they read; currencies, same-day returns, shared platforms
//! - `export`: the data package, the workbook, open repair data; free text stays in the store
//! - `odds`: the technician's question: truths of the trade, skill on held-out jobs, bad input
//! - `odds_page`: the technician's page in headless Chromium: the command's numbers, thumb, keyboard, print
//! - `page`: the HTML reports in headless Chromium
//! - `portability`: the SQL on Apache Spark, table by table, where its Python packages are installed
//! - `privacy`: an attack on the published tables
//! - `safety`: cautions in every answer, emergencies before everything, closing tests counted; data by another hand
//! - `worlds`: small worlds by another hand, with their truth

mod support;

mod advocate;
mod bad_input;
mod business;
mod command;
mod dependencies;
mod durability;
mod evidence_sql;
mod export;
mod hostile;
mod ingest;
mod messy_spreadsheet;
mod odds;
mod odds_page;
mod page;
mod pipeline;
mod portability;
mod privacy;
mod safety;
mod worlds;
