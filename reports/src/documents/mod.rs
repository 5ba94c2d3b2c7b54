//! One builder a reader: evidence in, document out. Builders choose, order and word; they compute no statistic.

mod advocate;
mod brief;
mod data;
mod models;
mod repairer;
mod returns;
mod technician;

use crate::claims::Claims;
use crate::document::{Document, Reader};
use crate::evidence_view::EvidenceView;
use brief::Brief;
use fixodds_schemas::vocabulary::Vocabulary;

/// The advocate's claims: every headline sentence with the cell of the evidence table that it rests on, and what could not be claimed.
pub fn claims(evidence: &dyn EvidenceView, vocabulary: &Vocabulary) -> Claims {
    advocate::claims::list(&Brief::new(evidence, vocabulary))
}

/// The document for one reader.
pub fn build(reader: Reader, evidence: &dyn EvidenceView, vocabulary: &Vocabulary) -> Document {
    let brief = Brief::new(evidence, vocabulary);
    match reader {
        Reader::Repairer => repairer::build(&brief),
        Reader::Advocate => advocate::build(&brief),
        Reader::Technician => technician::build(&brief),
    }
}
