//! No comparison here is causal, and no sentence says that it is; sentences about write-offs are about jobs.

use crate::sample;
use fixodds_reports::document::Reader;
use fixodds_reports::documents;
use fixodds_reports::exporters::Format;
use fixodds_schemas::{evidence_tables, vocabulary};

/// What would say that one thing brought another about.
const CAUSAL: [&str; 16] = [
    "forced",
    "forces",
    "avoidable",
    "avoided",
    "preventable",
    "because of the design",
    "due to",
    "owing to",
    "thanks to",
    "to blame",
    "leads to",
    "results in",
    "would have saved",
    "would have been saved",
    "caused",
    "has to do with",
];

fn causal_words(text: &str) -> Vec<&'static str> {
    let text = text.to_lowercase();
    CAUSAL.into_iter().filter(|words| text.contains(words)).collect()
}

#[test]
fn no_document_and_no_claim_says_that_a_design_brought_something_about() {
    for reader in Reader::ALL {
        let document = documents::build(reader, &sample::evidence(), vocabulary());
        let text = String::from_utf8(Format::Markdown.exporter().export(&document).unwrap()).unwrap();
        assert_eq!(causal_words(&text), Vec::<&str>::new(), "{reader:?}");
    }
    for claim in documents::claims(&sample::evidence(), vocabulary()).claims {
        assert_eq!(causal_words(&format!("{} {} {}", claim.question, claim.sentence, claim.method)), Vec::<&str>::new());
        let sentence = &claim.sentence;
        let is_of_jobs = ["jobs", "condemned in the workshop", "machines beyond repair for which"]
            .iter()
            .any(|words| sentence.to_lowercase().contains(words));
        assert!(
            !sentence.contains("write-off") && !sentence.contains("written off") && !sentence.contains("beyond repair") || is_of_jobs,
            "{sentence}"
        );
    }
}

#[test]
fn no_method_says_so_either() {
    for table in evidence_tables() {
        let columns = table.columns.iter().map(|column| column.meaning.as_str());
        let texts = [table.description.as_str(), table.method.as_deref().unwrap_or_default()].into_iter().chain(columns);
        texts.for_each(|text| assert_eq!(causal_words(text), Vec::<&str>::new(), "{}: {text}", table.name));
    }
}
