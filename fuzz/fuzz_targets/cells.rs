//! Single cells: dates, ages, money, labour time, numbers, identifiers, models, and words of the vocabulary.
#![no_main]

use std::collections::{BTreeMap, BTreeSet};

use chrono::Datelike;
use fixodds_fuzz::LATEST_YEAR;
use fixodds_ingest::normalise::age::{AgeUnit, StatedAge, parse_age};
use fixodds_ingest::normalise::date::{PartialDate, order_matters, parse_date, proven_order};
use fixodds_ingest::normalise::duration::{DurationUnit, parse_minutes};
use fixodds_ingest::normalise::identifier::{parse_identifier, parse_machine_id, parse_serial};
use fixodds_ingest::normalise::model::{Catalogue, model_key};
use fixodds_ingest::normalise::money::parse_money;
use fixodds_ingest::normalise::number::{parse_number, proven_mark};
use fixodds_ingest::normalise::terms::TermReader;
use fixodds_ingest::normalise::{Reading, tidy};
use fixodds_ingest::{DateOrder, DecimalMark};
use fixodds_schemas::{List, vocabulary};
use libfuzzer_sys::fuzz_target;

thread_local! {
    static TERMS: Vec<TermReader<'static>> = List::ALL.iter().map(|&list| TermReader::new(vocabulary(), list, &BTreeMap::new())).collect();
}

fuzz_target!(|input: &[u8]| {
    let Some((&choice, cell)) = input.split_first() else { return };
    let cell = String::from_utf8_lossy(cell);
    dates(&cell);
    ages(&cell);
    amounts(&cell);
    identifiers(&cell);
    models(&cell);
    terms(&cell, choice);
});

fn dates(cell: &str) {
    let [by_day, by_month] = [DateOrder::DayFirst, DateOrder::MonthFirst].map(|order| parse_date(cell, order, LATEST_YEAR));
    for date in [&by_day, &by_month].into_iter().filter_map(|read| read.as_ref().ok()?.as_ref()) {
        let year = match *date {
            PartialDate::Day(date) => date.year(),
            PartialDate::Month { year, month } => {
                assert!((1..=12).contains(&month), "{cell:?}: {date:?}");
                year
            }
            PartialDate::Year(year) => year,
        };
        assert!((1950..=2199).contains(&year), "{cell:?}: {date:?}");
        if let Some(day) = date.day() {
            assert_eq!(parse_date(&day.to_string(), DateOrder::MonthFirst, LATEST_YEAR), Ok(Some(PartialDate::Day(day))));
        }
    }
    if let (Ok(Some(one)), Ok(Some(other))) = (&by_day, &by_month) {
        assert!(one == other || order_matters(cell), "{cell:?} is {one:?} or {other:?}");
    }
    if let Some(order) = proven_order(cell) {
        assert!(!order_matters(cell), "{cell:?} proves an order that does not matter");
        let against = if order == DateOrder::DayFirst { by_month } else { by_day };
        assert!(!matches!(against, Ok(Some(_))), "{cell:?} proves {order:?} and can be read otherwise");
    }
}

fn ages(cell: &str) {
    for unit in [AgeUnit::Years, AgeUnit::Months] {
        match parse_age(cell, unit, LATEST_YEAR) {
            Ok(Some(StatedAge::Years(years, _))) => assert!(years.is_finite(), "{cell:?}: {years}"),
            Ok(Some(StatedAge::MadeIn(year) | StatedAge::BoughtIn(year))) => {
                assert!((1950..=LATEST_YEAR).contains(&year), "{cell:?}: {year}")
            }
            Ok(None) | Err(_) => {}
        }
    }
}

fn amounts(cell: &str) {
    for mark in [DecimalMark::Point, DecimalMark::Comma] {
        if let Some(number) = parse_number(cell, mark) {
            assert!(number.is_finite(), "{cell:?}: {number}");
        }
        if let Ok(Some(money)) = parse_money(cell, mark) {
            assert!(money.amount.is_finite(), "{cell:?}: {money:?}");
        }
        for unit in [DurationUnit::Minutes, DurationUnit::Hours] {
            if let Ok(Some(minutes)) = parse_minutes(cell, unit, mark) {
                assert!(minutes.is_finite(), "{cell:?}: {minutes}");
            }
        }
    }
    if proven_mark(cell).is_some() {
        let [with_point, with_comma] = [DecimalMark::Point, DecimalMark::Comma].map(|mark| parse_number(cell, mark));
        assert_eq!(with_point, with_comma, "{cell:?} proves its decimal mark");
    }
}

fn identifiers(cell: &str) {
    let tidied = tidy(cell);
    assert_eq!(tidy(&tidied), tidied);
    assert!(!tidied.contains(char::is_control));
    if let Ok(Some(identifier)) = parse_identifier(cell) {
        stays(&parse_identifier(&identifier), &identifier);
    }
    // some letters of other scripts have capitals that are written with further marks
    if cell.is_ascii() {
        if let Ok(Some(serial)) = parse_serial(cell) {
            assert!(serial.bytes().all(|byte| byte.is_ascii_uppercase() || byte.is_ascii_digit()), "{cell:?}: {serial}");
            stays(&parse_serial(&serial.to_lowercase()), &serial);
        }
        if let Ok(Some(id)) = parse_machine_id(cell) {
            stays(&parse_machine_id(&id.to_lowercase()), &id);
        }
    }
}

/// What is read of an identifier in its one form: the same, unless without its signs it is a word for a missing one.
fn stays<T: AsRef<str>>(read_again: &Reading<T>, identifier: &str) {
    if let Ok(Some(again)) = read_again {
        assert_eq!(again.as_ref(), identifier);
    }
}

fn models(cell: &str) {
    let (brand, model) = cell.split_once('\n').unwrap_or(("Orrowby", cell));
    let mut catalogue = Catalogue::default();
    catalogue.add("Orrowby", "WM-7140/EU");
    catalogue.count_brand("Tessaly", 40);
    let read = catalogue.brand(brand);
    assert!(read.like.as_deref().is_none_or(|like| ["Orrowby", "Tessaly"].contains(&like)), "{brand:?} is like {read:?}");
    if brand.is_ascii() {
        assert_eq!(catalogue.brand(&read.spelling).spelling, read.spelling, "{brand:?}");
    }
    let spelt = catalogue.model(None, model);
    assert_eq!(catalogue.model(None, &spelt), spelt, "{model:?}");
    assert!(!catalogue.model(Some(brand), model).contains(char::is_control), "{cell:?}");
    let key = model_key("B", &spelt);
    assert!(key.strip_prefix("B ").is_some_and(|number| !number.contains([' ', '-', '/', '.', '\\'])), "{model:?}: {key}");
}

fn terms(cell: &str, choice: u8) {
    let category = vocabulary().categories.get(usize::from(choice / 16)).map(|category| category.key.as_str());
    TERMS.with(|readers| {
        let at = usize::from(choice) % readers.len();
        let (reader, list) = (&readers[at], List::ALL[at]);
        let is_key = |key: &str| vocabulary().index(list).terms(None).any(|(_, known)| known == key);
        if let Ok(Some(term)) = reader.one(cell, category) {
            assert!(is_key(&term.key), "{cell:?}: {term:?}");
        }
        let several = reader.several(cell, category);
        let keys: BTreeSet<&str> = several.terms.iter().map(|term| term.key.as_str()).collect();
        assert!(keys.iter().all(|key| is_key(key)), "{cell:?}: {several:?}");
        assert_eq!(keys.len(), several.terms.len(), "{cell:?} holds a term twice: {several:?}");
        assert!(several.set_aside.iter().all(|(text, _)| cell.contains(text.as_str())), "{cell:?}: {several:?}");
    });
}
