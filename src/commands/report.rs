//! `fixodds report`

use std::fs;
use std::path::{Path, PathBuf};
use std::thread;

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
    let written = write_reports(&store, &evidence, &readers, &[format], arguments.least_cell, &arguments.out)?;
    for file in written.documents.iter().flat_map(|(_, files)| files).chain(&written.claims).chain(&written.odds_page) {
        println!("{}", file.display());
    }
    Ok(Outcome::Done)
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
    let (for_public, for_house): (Vec<Reader>, Vec<Reader>) = readers.iter().copied().partition(|reader| *reader == Reader::Advocate);
    let public = || -> anyhow::Result<Written> {
        if for_public.is_empty() {
            return Ok(Written::default());
        }
        let (published, _) = publish(store, evidence, least_cell)?;
        let frames = EvidenceFrames::new(&published);
        let documents = write_documents(&frames, &for_public, formats, folder)?;
        let claims = serde_json::to_string_pretty(&claims(&frames, vocabulary()))? + "\n";
        Ok(Written { documents, claims: Some(write(folder, "advocate-claims.json", claims.as_bytes())?), odds_page: None })
    };
    let house = || -> anyhow::Result<Written> {
        let documents = write_documents(&EvidenceFrames::new(evidence), &for_house, formats, folder)?;
        let odds_page = (for_house.contains(&Reader::Technician) && formats.contains(&Format::Html)).then(|| {
            let page = odds_page::render(&FaultOdds::open(store)?, vocabulary())?;
            write(folder, "technician-odds.html", page.as_bytes())
        });
        Ok(Written { documents, claims: None, odds_page: odds_page.transpose()? })
    };
    // Making evidence ready for the public takes longest; the rest is written meanwhile.
    let (public, house) = thread::scope(|scope| {
        let public = scope.spawn(public);
        let house = house();
        (public.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)), house)
    });
    let (public, house) = (public?, house?);
    let mut documents: Vec<_> = public.documents.into_iter().chain(house.documents).collect();
    documents.sort_by_key(|(document, _)| readers.iter().position(|reader| *reader == document.reader));
    Ok(Written { documents, claims: public.claims, odds_page: house.odds_page })
}

fn write_documents(
    frames: &EvidenceFrames<'_>,
    readers: &[Reader],
    formats: &[Format],
    folder: &Path,
) -> anyhow::Result<Vec<(Document, Vec<PathBuf>)>> {
    let write_document = |reader: &Reader| {
        let document = build(*reader, frames, vocabulary());
        let write_as =
            |format: &Format| write(folder, &format!("{}.{}", reader.key(), format.extension()), &format.exporter().export(&document)?);
        let files = formats.iter().map(write_as).collect::<anyhow::Result<_>>()?;
        Ok((document, files))
    };
    readers.iter().map(write_document).collect()
}

fn write(folder: &Path, name: &str, bytes: &[u8]) -> anyhow::Result<PathBuf> {
    let path = folder.join(name);
    fs::write(&path, bytes).with_context(|| format!("cannot write {}; check the folder and the free space", path.display()))?;
    Ok(path)
}

pub fn make_folder(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder).with_context(|| format!("cannot make the folder {}; check its path and permissions", folder.display()))
}
