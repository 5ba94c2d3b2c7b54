//! End-to-end tests in one binary, so that the database is linked once.
//!
//! - `pipeline`: the demo from simulated records to reports; truth recovered; the same input twice, the same bytes
//! - `bad_input`: what a user may feed it by mistake or on purpose
//! - `command`: exit codes, messages, `--json`
//! - `page`: the HTML reports in headless Chromium

mod support;

mod bad_input;
mod command;
mod page;
mod pipeline;
