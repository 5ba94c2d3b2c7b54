//! `fixodds export`

use std::path::Path;

use anyhow::bail;
use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::open_repair::open_repair_jobs;
use fixodds_analytics::publication::{Withheld, publishable};
use fixodds_reports::data_package;
use fixodds_reports::evidence_frames::EvidenceFrames;
use fixodds_reports::{documents, open_repair, workbook};
use fixodds_schemas::{StoreLayout, vocabulary};

use super::report::{open_evidence, write};
use crate::Outcome;
use crate::arguments::{Export, ExportAs};

const WORKBOOK: &str = "evidence.xlsx";
const OPEN_REPAIR: &str = "open-repair-data-v0.3.csv";

pub fn run(arguments: &Export) -> anyhow::Result<Outcome> {
    let store = StoreLayout::new(&arguments.store);
    match arguments.format {
        ExportAs::Datapackage => data_package(&store, arguments)?,
        ExportAs::Xlsx => {
            let (evidence, withheld) = published(&store, arguments.least_cell)?;
            tell(&write(&arguments.out, WORKBOOK, &workbook::build(&evidence, &withheld)?)?);
        }
        ExportAs::Ords => {
            let country = arguments.country.as_deref().unwrap_or_default();
            let is_code = country.len() == 3 && country.bytes().all(|letter| letter.is_ascii_uppercase());
            if !country.is_empty() && !is_code {
                bail!("--country {country}: the standard wants the ISO 3166 code of three capital letters, for example GBR");
            }
            let jobs = open_repair_jobs(&store)?;
            tell(&write(&arguments.out, OPEN_REPAIR, &open_repair::csv(&jobs, country, vocabulary())?)?);
        }
    }
    Ok(Outcome::Done)
}

fn data_package(store: &StoreLayout, arguments: &Export) -> anyhow::Result<()> {
    let (evidence, withheld) = published(store, arguments.least_cell)?;
    let claims = documents::claims(&EvidenceFrames::new(&evidence), vocabulary());
    for file in data_package::build(&evidence, &withheld, &serde_json::to_value(claims)?)? {
        tell(&write(&arguments.out, &file.path, &file.bytes)?);
    }
    Ok(())
}

/// The evidence without anything that rests on too few machines or jobs.
fn published(store: &StoreLayout, least_cell: i64) -> anyhow::Result<(Evidence, Withheld)> {
    Ok(publishable(&open_evidence(store)?, least_cell)?)
}

fn tell(written: &Path) {
    println!("{}", written.display());
}
