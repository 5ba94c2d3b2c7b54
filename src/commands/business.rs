//! `fixodds business`

use std::io::{self, Write};

use fixodds_analytics::business::DEFAULT_FILE;

use crate::Outcome;

pub fn run() -> anyhow::Result<Outcome> {
    write!(io::stdout().lock(), "{DEFAULT_FILE}")?;
    Ok(Outcome::Done)
}
