use crate::markdown::tiny_document;
use crate::sample;
use fixodds_reports::document::{Block, Cell, Column, Reader, Table};
use fixodds_reports::documents;
use fixodds_reports::exporters::Format;

fn pages() -> Vec<String> {
    let evidence = sample::evidence();
    let built = Reader::ALL.map(|reader| documents::build(reader, &evidence, fixodds_schemas::vocabulary()));
    let documents = built.into_iter().chain([tiny_document()]);
    documents.map(|document| String::from_utf8(Format::Html.exporter().export(&document).unwrap()).unwrap()).collect()
}

/// Names of elements that never have a closing tag in HTML.
const VOID: [&str; 2] = ["meta", "img"];

/// Opening and closing tags of a page in order, without its style sheet: name and everything up to the closing bracket.
fn tags(page: &str) -> Vec<&str> {
    let (head, rest) = page.split_once("<style>").unwrap();
    let (_, body) = rest.split_once("</style>").unwrap();
    [head, body]
        .into_iter()
        .flat_map(|part| part.split('<').skip(1))
        .map(|piece| piece.split_once('>').expect("each < has its >").0)
        .collect()
}

fn name(tag: &str) -> &str {
    tag.trim_start_matches('/').split([' ', '/', '\n']).next().unwrap()
}

#[test]
fn elements_are_closed_in_order() {
    for page in pages() {
        let mut open: Vec<&str> = Vec::new();
        for tag in tags(&page) {
            match tag {
                _ if tag.starts_with('!') || tag.ends_with('/') || VOID.contains(&name(tag)) => {}
                _ if tag.starts_with('/') => assert_eq!(open.pop(), Some(name(tag)), "closed out of order"),
                _ => open.push(name(tag)),
            }
        }
        assert!(open.is_empty(), "left open: {open:?}");
    }
}

#[test]
fn every_table_has_a_caption_and_scoped_headers() {
    for page in pages() {
        let tables: Vec<&str> = page.split("<table>").skip(1).map(|table| table.split("</table>").next().unwrap()).collect();
        assert!(!tables.is_empty());
        for table in tables {
            assert!(table.contains("<caption"));
            assert!(table.contains("<th scope=\"col\"") && table.contains("<th scope=\"row\""));
            assert_eq!(table.matches("<th>").count() + table.matches("<th class").count(), 0, "a header without scope");
        }
        assert_eq!(page.matches("<table>").count(), page.matches("role=\"region\" aria-labelledby=").count());
    }
}

#[test]
fn nothing_is_fetched_and_nothing_runs() {
    for page in pages() {
        let outside = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        assert!(!outside.contains("http://") && !outside.contains("https://") && !outside.contains("url(") && !outside.contains("@import"));
        let names: Vec<&str> = tags(&page).into_iter().map(name).collect();
        for forbidden in ["script", "link", "iframe", "img", "object", "image", "use", "b", "i"] {
            assert!(!names.contains(&forbidden), "<{forbidden}> on the page");
        }
        assert!(page.contains("default-src 'none'"));
    }
}

#[test]
fn hostile_names_stay_text() {
    let page = &pages()[0];
    assert!(page.contains("onerror=alert(1)&gt;") || page.contains("onerror=alert(1)&#x2f;&gt;"), "the model is on the page, escaped");
    assert!(!page.contains("<img"));
}

#[test]
fn ids_are_unique_and_references_resolve() {
    for page in pages() {
        let attribute = |name: &str| -> Vec<String> {
            tags(&page)
                .into_iter()
                .filter_map(|tag| tag.split_once(&format!(" {name}=\"")).map(|(_, rest)| rest.split('"').next().unwrap().to_owned()))
                .collect()
        };
        let ids = attribute("id");
        let mut unique = ids.clone();
        unique.sort();
        unique.dedup();
        assert_eq!(unique.len(), ids.len(), "an id is used twice");
        let links = attribute("href").into_iter().filter_map(|link| link.strip_prefix('#').map(str::to_owned));
        let labels = attribute("aria-labelledby").into_iter().flat_map(|labels| labels.split(' ').map(str::to_owned).collect::<Vec<_>>());
        for reference in links.chain(labels) {
            assert!(unique.binary_search(&reference).is_ok(), "nothing has the id {reference}");
        }
    }
}

#[test]
fn charts_are_images_with_text() {
    for page in pages() {
        let charts = page.matches("<svg ").count();
        assert!(charts > 0 || !page.contains("<figure>"));
        assert_eq!(page.matches("role=\"img\"").count(), charts);
        assert_eq!(page.matches("<desc ").count(), charts);
        assert!(!page.contains("#01F1"), "a placeholder colour was left");
    }
}

#[test]
fn the_same_evidence_gives_the_same_bytes() {
    assert_eq!(pages(), pages());
}

#[test]
fn detail_is_folded_away() {
    let pages = pages();
    let advocate = &pages[Reader::ALL.iter().position(|reader| *reader == Reader::Advocate).unwrap()];
    assert!(advocate.contains("<details class=\"fold\">\n<summary>Not singled out before looking"));
    assert!(advocate.contains("<details>\n<summary>The numbers behind this chart</summary>"));
    let tiny = pages.last().unwrap();
    assert!(tiny.contains("<details class=\"fold\">\n<summary>More</summary>\n"), "{tiny}");
}

#[test]
fn a_long_table_is_folded_away_and_a_short_one_is_not() {
    let page = |rows: usize| {
        let table = Table {
            caption: "T".to_owned(),
            columns: vec![Column::text("x")],
            rows: (0..rows).map(|row| vec![Cell::Text(row.to_string())]).collect(),
            notes: Vec::new(),
            when_empty: String::new(),
        };
        let mut document = tiny_document();
        document.sections[0].blocks = vec![Block::Table(table)];
        String::from_utf8(Format::Html.exporter().export(&document).unwrap()).unwrap()
    };
    assert!(!page(13).contains("<details"));
    assert!(page(14).contains("<details class=\"long\">\n<summary>T <span class=\"size\">(14 rows)</span></summary>"));
}
