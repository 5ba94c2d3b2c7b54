//! The HTML reports in a real browser: nothing fetched, nothing wrong, nothing wider than the screen.

use crate::support::browser::Browser;
use crate::support::demo;

const READERS: [&str; 3] = ["repairer", "advocate", "technician"];

#[test]
fn reports_stand_alone_and_fit_a_phone() {
    let Some(mut browser) = Browser::start() else {
        eprintln!("skipped: no Chromium on this machine");
        return;
    };
    for reader in READERS {
        let file = demo().join("reports").join(format!("{reader}.html"));
        for (width, dark) in [(390, false), (390, true), (1280, false)] {
            let load = browser.open(&file, width, dark);
            assert!(load.requests.is_empty(), "{reader} at {width}: asks for {:?}", load.requests);
            assert!(load.complaints.is_empty(), "{reader} at {width}: {:?}", load.complaints);
            let page_width = browser.evaluate("document.documentElement.scrollWidth");
            assert!(page_width.as_f64().unwrap() <= f64::from(width), "{reader}: {page_width} wide at {width}");
        }
        let bare_tables =
            browser.evaluate("[...document.querySelectorAll('table')].filter(t => !t.querySelector('th[scope]') || !t.caption).length");
        assert_eq!(bare_tables, 0, "{reader}: tables without headers or caption");
        assert!(browser.evaluate("document.querySelectorAll('table').length").as_u64().unwrap() > 3, "{reader}: too few tables");
        let unnamed = browser.evaluate(
            "[...document.querySelectorAll('svg')].filter(s => !s.querySelector('title') && !s.getAttribute('aria-hidden')).length",
        );
        assert_eq!(unnamed, 0, "{reader}: charts without a text alternative");
        let text = browser.evaluate("document.body.innerText");
        let text = text.as_str().unwrap();
        for word in ["NaN", "Infinity", "undefined", "inf "] {
            assert!(!text.contains(word), "{reader}: says {word}");
        }
    }
}
