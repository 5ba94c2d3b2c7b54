use crate::sample;
use fixodds_reports::document::{Block, Cell, Document, Reader};
use fixodds_reports::documents;
use fixodds_reports::evidence_view::{EvidenceInMemory, EvidenceView};
use fixodds_reports::exporters::Format;

fn build(reader: Reader, evidence: &dyn EvidenceView) -> Document {
    documents::build(reader, evidence, fixodds_schemas::vocabulary())
}

fn markdown(reader: Reader, evidence: &EvidenceInMemory) -> String {
    String::from_utf8(Format::Markdown.exporter().export(&build(reader, evidence)).unwrap()).unwrap().replace('\u{a0}', " ")
}

#[test]
fn without_evidence_documents_say_so_and_print_no_number() {
    for reader in Reader::ALL {
        let text = markdown(reader, &sample::nothing());
        assert!(text.contains("does not support a finding yet"), "{reader:?}");
        assert!(!text.contains("NaN") && !text.contains("0 %"), "{reader:?}");
        let html = Format::Html.exporter().export(&build(reader, &sample::nothing())).unwrap();
        assert!(!String::from_utf8(html).unwrap().contains("<table>"), "{reader:?}: a table without rows");
    }
}

#[test]
fn the_repairer_reads_what_the_commonest_fault_costs() {
    let text = markdown(Reader::Repairer, &sample::evidence());
    assert!(text.contains("Of all jobs, 71.0 % (69.6–72.4 %, n = 4,210) ended repaired."), "{text}");
    assert!(text.contains("drum bearings: 23.1 % (21.7–24.5 %, n = 3,520) of jobs with a known fault."));
    assert!(text.contains("£171 (£159–£184, n = 406) on average; one job in ten costs more than £290"));
    assert!(text.contains("Within 90 days of a repair, 6.1 % (5.1–7.3 %, n = 2,101) of machines came back"));
}

#[test]
fn a_number_without_support_is_replaced_by_its_reason() {
    let text = markdown(Reader::Repairer, &sample::evidence());
    assert!(text.contains("not estimated (a)"));
    assert!(text.contains("(a) Cannot be estimated because only 7 jobs state their cost."));
}

#[test]
fn verdicts_are_the_analysis_own() {
    let document = build(Reader::Repairer, &sample::evidence());
    let section = document.sections.iter().find(|section| section.id == "models").unwrap();
    let table = section.blocks.iter().find_map(|block| if let Block::Table(table) = block { Some(table) } else { None }).unwrap();
    let verdicts: Vec<&str> = table
        .rows
        .iter()
        .filter_map(|row| if let Some(Cell::Verdict(_, words)) = row.last() { Some(words.as_str()) } else { None })
        .collect();
    assert_eq!(
        verdicts[..4],
        ["written off more often than its kind", "written off less often than its kind", "no clear difference", "not enough evidence"]
    );
}

#[test]
fn the_advocate_reads_wear_and_contrasts_in_sentences() {
    let text = markdown(Reader::Advocate, &sample::evidence());
    assert!(text.contains("shape 2.9 (2.6–3.2, n = 211); one in ten has failed by an age of 6.1 years (5.7–6.6)"), "{text}");
    assert!(text.contains("are written off 2.1 (1.8–2.5) times as often at the same ages as those of bolted drum design (312 of 840 jobs against 190 of 1,020 jobs)"), "{text}");
    assert!(text.contains("is not shown"));
    assert!(text.contains("41 % (37–45 %, n = 612)"));
}

#[test]
fn without_a_roster_the_advocate_gets_shares_and_is_told_so() {
    let mut evidence = sample::nothing();
    evidence.push(
        "outcome",
        [
            ("scope_level", "category".into()),
            ("scope", "dishwasher".into()),
            ("category", "dishwasher".into()),
            ("outcome", "repaired".into()),
            ("jobs", 3.into()),
        ],
    );
    let text = markdown(Reader::Advocate, &evidence);
    assert!(text.contains("There is no roster of machines: shares, not rates. What follows"), "{text}");
}

#[test]
fn cautions_come_before_any_check() {
    let document = build(Reader::Technician, &sample::evidence());
    assert!(matches!(document.sections[0].blocks[0], Block::Caution(_)));
    let bench = document.sections.iter().find(|section| section.id == "bench-washing-machine").unwrap();
    let caution = bench.blocks.iter().position(|block| matches!(block, Block::Caution(_)));
    let table = bench.blocks.iter().position(|block| matches!(block, Block::Table(_)));
    assert!(caution.is_none() || caution < table);
}

#[test]
fn the_technician_sees_three_faults_an_age_band() {
    let document = build(Reader::Technician, &sample::evidence());
    let bench = document.sections.iter().find(|section| section.id == "bench-washing-machine").unwrap();
    let tables: Vec<_> = bench.blocks.iter().filter_map(|block| if let Block::Table(table) = block { Some(table) } else { None }).collect();
    let youngest = tables[1].rows.iter().filter(|row| row[0] == Cell::Text("0–1 years".to_owned())).count();
    assert_eq!(youngest, 3);
}

#[test]
fn every_row_that_came_in_is_accounted_for() {
    for reader in Reader::ALL {
        let text = markdown(reader, &sample::evidence());
        assert!(text.contains("| jobs.csv | jobs | 4,298 | 4,200 | 61 | 10 | 27 | 84 |"));
        assert!(text.contains("| Unreadable date | 27 | the row | closed\\_on | jobs | Write the date as 2024-12-31. |"));
    }
}
