//! The rules for free text, and the masking of personal data in it.
#![no_main]

use std::collections::{BTreeMap, BTreeSet};

use fixodds_ingest::free_text::{FreeTextReader, LEAST_CONFIDENCE, TextFinding, TextReading};
use fixodds_ingest::privacy::mask;
use fixodds_schemas::{text_rules, vocabulary};
use libfuzzer_sys::fuzz_target;

thread_local! {
    static READER: FreeTextReader<'static> = FreeTextReader::new(vocabulary(), text_rules(), &BTreeMap::new());
}

fuzz_target!(|input: &[u8]| {
    let Some((&choice, text)) = input.split_first() else { return };
    let text = String::from_utf8_lossy(text);
    let category = vocabulary().categories.get(usize::from(choice)).map(|category| category.key.as_str());

    let reading = READER.with(|reader| reader.read(&text, category));
    assert_sound(&reading);
    assert_eq!(READER.with(|reader| reader.read(&text, category)), reading, "the same text means something else the second time");

    let masked = mask(&text);
    assert_eq!(mask(&masked), masked, "masking has left something to mask");
});

fn assert_sound(reading: &TextReading) {
    let TextReading { findings, suspected, symptoms, outcome, reviewed_outcome, reason } = reading;
    let mut components = BTreeSet::new();
    for TextFinding { component, confidence, .. } in findings.iter().chain(suspected) {
        assert!(vocabulary().component(component).is_some(), "{reading:?}");
        assert!((0.0..=1.0).contains(confidence), "{reading:?}");
        assert!(components.insert(component), "a component is found twice: {reading:?}");
    }
    assert!(findings.iter().all(|finding| finding.confidence >= LEAST_CONFIDENCE), "{reading:?}");
    assert!(suspected.iter().all(|finding| finding.confidence < LEAST_CONFIDENCE), "{reading:?}");
    for (at, finding) in findings.iter().enumerate() {
        let is_possible =
            |cause: usize| finding.consequential && cause != at && findings.get(cause).is_some_and(|cause| !cause.consequential);
        assert!(finding.caused_by.is_none_or(is_possible), "{reading:?}");
    }
    assert!(symptoms.is_sorted() && symptoms.iter().all(|key| vocabulary().symptom(key).is_some()), "{reading:?}");
    assert!(outcome.as_ref().is_none_or(|key| vocabulary().outcome(key).is_some()), "{reading:?}");
    assert!(reason.as_ref().is_none_or(|key| vocabulary().reason(key).is_some()), "{reading:?}");
    assert!(reviewed_outcome.is_none(), "nobody has reviewed anything");
}
