//! `fixodds report`

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context;
use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_reports::document::{Document, Reader};
use fixodds_reports::documents::{build, claims};
use fixodds_reports::evidence_frames::EvidenceFrames;
use fixodds_reports::exporters::Format;
use fixodds_reports::odds_page;
use fixodds_schemas::{StoreLayout, vocabulary};

use super::export::publish;
use crate::Outcome;
use crate::arguments::{self, Report};

pub fn run(arguments: &Report) -> anyhow::Result<Outcome> {
    make_folder(&arguments.out)?;
    let readers: Vec<Reader> = match arguments.reader {
        arguments::Reader::Repairer => vec![Reader::Repairer],
        arguments::Reader::Advocate => vec![Reader::Advocate],
        arguments::Reader::Technician => vec![Reader::Technician],
        arguments::Reader::All => Reader::ALL.to_vec(),
    };
    let format = match arguments.format {
        arguments::Format::Html => Format::Html,
        arguments::Format::Md => Format::Markdown,
    };
    let store = StoreLayout::new(&arguments.store);
    let evidence = Evidence::open(&store)?;
    // Only the advocate's document and claims are for the public, and making evidence ready for it takes longest.
    let for_public = readers.contains(&Reader::Advocate).then(|| publish(&store, &evidence, arguments.least_cell)).transpose()?;
    let published = for_public.as_ref().map(|(published, _)| published);
    for document in documents(&evidence, published.unwrap_or(&evidence), &readers) {
        println!("{}", write(&document, format, &arguments.out)?.display());
    }
    if let Some(published) = published {
        println!("{}", write_claims(published, &arguments.out)?.display());
    }
    if readers.contains(&Reader::Technician) && format == Format::Html {
        println!("{}", write_odds_page(&store, &arguments.out)?.display());
    }
    Ok(Outcome::Done)
}

/// The documents; the advocate's is for the public and is made from what may be published.
pub fn documents(evidence: &Evidence, published: &Evidence, readers: &[Reader]) -> Vec<Document> {
    let (own, public) = (EvidenceFrames::new(evidence), EvidenceFrames::new(published));
    let frames = |reader: Reader| if reader == Reader::Advocate { &public } else { &own };
    readers.iter().map(|reader| build(*reader, frames(*reader), vocabulary())).collect()
}

/// The advocate's claims with the cell that each rests on, as JSON.
pub fn write_claims(published: &Evidence, folder: &Path) -> anyhow::Result<PathBuf> {
    let path = folder.join("advocate-claims.json");
    let text = serde_json::to_string_pretty(&claims(&EvidenceFrames::new(published), vocabulary()))? + "\n";
    fs::write(&path, text).with_context(|| format!("cannot write {}; check the folder and the free space", path.display()))?;
    Ok(path)
}

pub fn write(document: &Document, format: Format, folder: &Path) -> anyhow::Result<PathBuf> {
    let path = folder.join(format!("{}.{}", document.reader.key(), format.extension()));
    let bytes = format.exporter().export(document)?;
    fs::write(&path, bytes).with_context(|| format!("cannot write {}; check the folder and the free space", path.display()))?;
    Ok(path)
}

/// The page that answers the technician's question by itself.
pub fn write_odds_page(store: &StoreLayout, folder: &Path) -> anyhow::Result<PathBuf> {
    let path = folder.join("technician-odds.html");
    let page = odds_page::render(&FaultOdds::open(store)?, vocabulary())?;
    fs::write(&path, page).with_context(|| format!("cannot write {}; check the folder and the free space", path.display()))?;
    Ok(path)
}

pub fn make_folder(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}; check its path and permissions", folder.display()))
}
