//! Free text against labels, half of which nobody looks at.

use crate::support::Workshop;
use std::collections::{BTreeMap, BTreeSet};

use fixodds_ingest::free_text::FreeTextReader;
use fixodds_schemas::{text_rules, vocabulary};
use serde::Deserialize;

#[derive(Deserialize)]
struct Labelled {
    job: Vec<Label>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Label {
    category: String,
    text: String,
    #[serde(default)]
    primary: BTreeSet<String>,
    #[serde(default)]
    consequential: BTreeSet<String>,
    #[serde(default)]
    uncertain: BTreeSet<String>,
    #[serde(default)]
    symptoms: BTreeSet<String>,
    outcome: Option<String>,
    reason: Option<String>,
}

impl Label {
    fn is_held_out(&self) -> bool {
        blake3::hash(self.text.as_bytes()).as_bytes()[0] % 2 == 1
    }

    fn fields(&self) -> [BTreeSet<String>; 6] {
        let one = |value: &Option<String>| value.iter().cloned().collect();
        let [primary, consequential, uncertain, symptoms] =
            [&self.primary, &self.consequential, &self.uncertain, &self.symptoms].map(Clone::clone);
        [primary, consequential, uncertain, symptoms, one(&self.outcome), one(&self.reason)]
    }
}

const FIELDS: [&str; 6] = ["primary component", "consequential component", "suspected component", "symptom", "outcome", "reason"];

#[derive(Default, Clone, Copy)]
struct Score {
    right: usize,
    wrong: usize,
    missed: usize,
}

impl Score {
    fn precision(self) -> f64 {
        self.right as f64 / (self.right + self.wrong).max(1) as f64
    }

    fn recall(self) -> f64 {
        self.right as f64 / (self.right + self.missed).max(1) as f64
    }
}

fn measure(held_out: bool) -> BTreeMap<&'static str, Score> {
    let labelled: Labelled = toml::from_str(include_str!("labelled/job_texts.toml")).unwrap();
    let reader = FreeTextReader::new(vocabulary(), text_rules(), &BTreeMap::new());
    let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
    let show = std::env::var_os("SHOW_FREE_TEXT").is_some() && !held_out;
    for label in labelled.job.iter().filter(|label| label.is_held_out() == held_out) {
        let reading = reader.read(&label.text, Some(&label.category));
        let of = |consequential: bool| {
            reading
                .findings
                .iter()
                .filter(|finding| finding.consequential == consequential)
                .map(|finding| finding.component.clone())
                .collect()
        };
        let suspected: BTreeSet<String> = reading.suspected.iter().map(|finding| finding.component.clone()).collect();
        let one = |value: &Option<String>| value.iter().cloned().collect::<BTreeSet<String>>();
        let found: [BTreeSet<String>; 6] =
            [of(false), of(true), suspected, reading.symptoms.iter().cloned().collect(), one(&reading.outcome), one(&reading.reason)];
        for ((field, found), expected) in FIELDS.into_iter().zip(&found).zip(&label.fields()) {
            let score = scores.entry(field).or_default();
            score.right += found.intersection(expected).count();
            score.wrong += found.difference(expected).count();
            score.missed += expected.difference(found).count();
            if show && found != expected {
                println!("{field}: {:?} [{}] expected {expected:?}, found {found:?}", label.text, label.category);
            }
        }
    }
    scores
}

fn table(scores: &BTreeMap<&str, Score>) -> String {
    let rows = FIELDS.iter().map(|field| {
        let score = scores[field];
        let (found, labelled) = (score.right + score.wrong, score.right + score.missed);
        format!("| {field} | {labelled} | {found} | {} | {:.3} | {:.3} |\n", score.right, score.precision(), score.recall())
    });
    format!("| field | labelled | found | right | precision | recall |\n|---|---|---|---|---|---|\n{}", rows.collect::<String>())
}

#[test]
fn the_labelled_set_is_large_and_split_in_halves() {
    let labelled: Labelled = toml::from_str(include_str!("labelled/job_texts.toml")).unwrap();
    let held_out = labelled.job.iter().filter(|label| label.is_held_out()).count();
    assert!(labelled.job.len() >= 400 && held_out * 5 >= labelled.job.len() * 2, "{held_out} of {}", labelled.job.len());
    assert_eq!(labelled.job.iter().map(|label| (&label.category, &label.text)).collect::<BTreeSet<_>>().len(), labelled.job.len());
    assert!(vocabulary().categories.iter().all(|category| labelled.job.iter().any(|label| label.category == category.key)));
}

#[test]
fn held_out_texts_are_read_as_well_as_promised() {
    let tuned = measure(false);
    let held_out = measure(true);
    println!("tuned on\n{}\nheld out\n{}", table(&tuned), table(&held_out));
    let primary = held_out["primary component"];
    assert!(primary.precision() >= 0.94 && primary.recall() >= 0.90, "{}", table(&held_out));
}

#[test]
fn where_no_fault_was_found_the_complaint_is_no_finding() {
    let workshop = Workshop::new();
    workshop.ingest_text(
        "jobs.csv",
        "job_id,closed_on,category,outcome,fault_text\n1,2021-01-02,refrigerator,no_fault_found,\"Reported: compressor clicks. Ran a day, no fault found.\"\n2,2021-01-03,refrigerator,repaired,compressor seized\n",
    );
    let found: Vec<_> = workshop.rows("findings").into_iter().map(|row| (row["job_id"].clone(), row["component"].clone())).collect();
    assert_eq!(found, [("2".to_owned(), "compressor".to_owned())]);
}
