//! `fixodds export`

use std::path::Path;

use anyhow::bail;
use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::open_repair::open_repair_jobs;
use fixodds_analytics::publication::{Withheld, publishable};
use fixodds_analytics::query::{platforms_of_models, query};
use fixodds_reports::data_package::{self, Input};
use fixodds_reports::evidence_frames::EvidenceFrames;
use fixodds_reports::{documents, open_repair, workbook};
use fixodds_schemas::{StoreLayout, vocabulary};
use serde_json::Value;

use super::report::write;
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
    for file in data_package::build(&evidence, &withheld, &inputs(store)?, &serde_json::to_value(claims)?)? {
        tell(&write(&arguments.out, &file.path, &file.bytes)?);
    }
    Ok(())
}

fn published(store: &StoreLayout, least_cell: i64) -> anyhow::Result<(Evidence, Withheld)> {
    publish(store, &Evidence::open(store)?, least_cell)
}

/// The evidence without anything that rests on too few machines or jobs.
pub fn publish(store: &StoreLayout, evidence: &Evidence, least_cell: i64) -> anyhow::Result<(Evidence, Withheld)> {
    Ok(publishable(evidence, &platforms_of_models(store)?, least_cell)?)
}

/// The files that were read into the store, from its ledger.
fn inputs(store: &StoreLayout) -> anyhow::Result<Vec<Input>> {
    let select = "SELECT source_file, \"table\", source, rows_in, file_hash FROM ledger ORDER BY ingest_number, source_file, \"table\"";
    let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let input = |row: &Vec<Value>| Input {
        file: Path::new(&text(&row[0])).file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
        table: text(&row[1]),
        source: text(&row[2]),
        rows_in: row[3].as_i64().unwrap_or_default(),
        blake3: text(&row[4]),
    };
    Ok(query(store, select)?.rows.iter().map(input).collect())
}

fn tell(written: &Path) {
    println!("{}", written.display());
}
