//! `fixodds report`

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::Context;
use fixodds_analytics::evidence::Evidence;
use fixodds_analytics::fault_odds::FaultOdds;
use fixodds_analytics::publication::publishable;
use fixodds_reports::document::{Document, Reader};
use fixodds_reports::documents::{build, claims};
use fixodds_reports::evidence_frames::EvidenceFrames;
use fixodds_reports::exporters::Format;
use fixodds_reports::odds_page;
use fixodds_schemas::{StoreLayout, vocabulary};

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
    let evidence = open_evidence(&store)?;
    let written = write_reports(&store, &evidence, &readers, &[format], arguments.least_cell, &arguments.out)?;
    for file in written.documents.iter().flat_map(|(_, files)| files).chain(&written.claims).chain(&written.odds_page) {
        println!("{}", file.display());
    }
    Ok(Outcome::Done)
}

/// The store's evidence; says so where the store has moved on since it was made.
pub fn open_evidence(store: &StoreLayout) -> anyhow::Result<Evidence> {
    let evidence = Evidence::open(store)?;
    let number = |snapshot: &str| snapshot.trim_start_matches('0').to_owned();
    let (made_from, current) = (&evidence.about.snapshot, store.current_number()?.map(StoreLayout::snapshot_name));
    if let Some(current) = current.filter(|current| current != made_from) {
        eprintln!(
            "fixodds: the evidence was made from snapshot {}; the store is at {}: run `fixodds analyse --store {}` to bring it up to date",
            number(made_from),
            number(&current),
            store.root().display()
        );
    }
    Ok(evidence)
}

/// What was written for the readers.
#[derive(Default)]
pub struct Written {
    /// Each document with its files, one for each format.
    pub documents: Vec<(Document, Vec<PathBuf>)>,
    /// The advocate's claims with the cell that each rests on, as JSON.
    pub claims: Option<PathBuf>,
    /// The page that answers the technician's question by itself.
    pub odds_page: Option<PathBuf>,
}

/// Writes the documents of these readers, the advocate's claims and the technician's page.
pub fn write_reports(
    store: &StoreLayout,
    evidence: &Evidence,
    readers: &[Reader],
    formats: &[Format],
    least_cell: i64,
    folder: &Path,
) -> anyhow::Result<Written> {
    let mut written = Written::default();
    // Only the advocate's document and claims are for the public, and making evidence ready for it takes longest.
    let published = readers.contains(&Reader::Advocate).then(|| publishable(evidence, least_cell)).transpose()?;
    let public = published.as_ref().map(|(published, _)| EvidenceFrames::new(published));
    let house = EvidenceFrames::new(evidence);
    for reader in readers {
        let frames = public.as_ref().filter(|_| *reader == Reader::Advocate).unwrap_or(&house);
        let document = build(*reader, frames, vocabulary());
        let write_as = |format: &Format| {
            let name = format!("{}.{}", reader.key(), format.extension());
            write(folder, &name, &format.exporter().export(&document)?)
        };
        let files = formats.iter().map(write_as).collect::<anyhow::Result<_>>()?;
        written.documents.push((document, files));
    }
    if let Some(public) = &public {
        let claims = serde_json::to_string_pretty(&claims(public, vocabulary()))? + "\n";
        written.claims = Some(write(folder, "advocate-claims.json", claims.as_bytes())?);
    }
    if readers.contains(&Reader::Technician) && formats.contains(&Format::Html) {
        let page = odds_page::render(&FaultOdds::open(store)?, vocabulary())?;
        written.odds_page = Some(write(folder, "technician-odds.html", page.as_bytes())?);
    }
    Ok(written)
}

/// Writes a file, whose name may begin with folders.
pub fn write(folder: &Path, name: &str, bytes: &[u8]) -> anyhow::Result<PathBuf> {
    let path = folder.join(name);
    make_folder(path.parent().unwrap_or(folder))?;
    fs::write(&path, bytes).with_context(|| format!("cannot write {}; check the folder and the free space", path.display()))?;
    Ok(path)
}

pub fn make_folder(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}; check its path and permissions", folder.display()))
}
