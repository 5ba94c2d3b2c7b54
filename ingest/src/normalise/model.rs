//! Brands and model numbers: one spelling for each, and the key under which a model is counted.

use std::collections::{BTreeMap, BTreeSet};

use super::tidy;

/// Codes of regions that makers append to a model number; models that differ only in them are counted together.
const REGIONS: [&str; 29] = [
    "UK", "GB", "EU", "DE", "FR", "IT", "ES", "NL", "BE", "PL", "SE", "NO", "DK", "FI", "AT", "CH", "IE", "PT", "CZ", "HU", "GR", "RO",
    "SK", "US", "USA", "CA", "AU", "NZ", "EE",
];

/// A brand is taken for a misspelling only of one that is written this many times as often.
const TIMES_AS_OFTEN: u64 = 10;
/// Brands shorter than this are too much alike for one letter to be a slip.
const SHORTEST_MISSPELT: usize = 5;
/// From this length on, two letters may differ.
const LONG_BRAND: usize = 9;

/// A brand as it is to be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Brand {
    pub spelling: String,
    /// Whether it is written as another brand, which more than case and punctuation tells apart.
    pub is_merged: bool,
}

/// The spellings of the catalogue, and what is known of those of brands in the records.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    brands: BTreeMap<String, String>,
    models: BTreeMap<String, String>,
    /// Spelling by brand key: what a person or an earlier ingest has decided.
    decided: BTreeMap<String, String>,
    /// How often each brand key is written in the records, and one way of writing it.
    counts: BTreeMap<String, u64>,
    written: BTreeMap<String, String>,
    /// Brands of jobs that are in the store already: what they were read as, they stay.
    settled: BTreeSet<String>,
}

impl Catalogue {
    /// Adds a model; the first spelling of a brand or model stays.
    pub fn add(&mut self, brand: &str, model: &str) {
        let brand = tidy(brand);
        if !brand.is_empty() {
            self.brands.entry(brand_key(&with_ampersand(&brand))).or_insert_with(|| brand.into_owned());
        }
        let model = tidy(model);
        if !model.is_empty() {
            self.models.entry(compact_model(&model)).or_insert_with(|| model.into_owned());
        }
    }

    /// Says how a brand is to be written, whatever the catalogue and the records say.
    pub fn decide(&mut self, written: &str, spelling: &str) {
        self.decided.insert(brand_key(&with_ampersand(written)), spelling.to_owned());
    }

    /// Counts a brand of the records.
    pub fn count_brand(&mut self, written: &str, times: u64) {
        let written = with_ampersand(&tidy(written));
        let key = brand_key(&written);
        *self.counts.entry(key.clone()).or_default() += times;
        self.written.entry(key).or_insert_with(|| without_stops(&written).to_owned());
    }

    /// A brand that jobs of the store carry.
    pub fn settle_brand(&mut self, written: &str, times: u64) {
        self.count_brand(written, times);
        self.settled.insert(brand_key(&with_ampersand(written)));
    }

    /// The brand as decided, else the catalogue's spelling if it differs only in case or punctuation, else the much more frequent brand
    /// of which it seems to be a misspelling, else every word with one capital.
    #[must_use]
    pub fn brand(&self, text: &str) -> Brand {
        let text = with_ampersand(&tidy(text));
        let text = without_stops(&text);
        let key = brand_key(text);
        if let Some(spelling) = self.decided.get(&key) {
            return Brand { spelling: spelling.clone(), is_merged: brand_key(&with_ampersand(spelling)) != key };
        }
        if let Some(spelling) = self.brands.get(&key) {
            return Brand { spelling: spelling.clone(), is_merged: false };
        }
        match self.misspelt(&key) {
            Some(meant) => Brand { spelling: self.spelling_of(meant), is_merged: true },
            None => Brand { spelling: title_case(text), is_merged: false },
        }
    }

    /// The one brand that is much more frequent, or in the catalogue, and differs from this one by a letter.
    fn misspelt(&self, key: &str) -> Option<&str> {
        let length = key.chars().count();
        if length < SHORTEST_MISSPELT || self.settled.contains(key) || key.contains(|character: char| character.is_ascii_digit()) {
            return None;
        }
        let times = self.counts.get(key).copied().unwrap_or(0).max(1);
        let allowed = if length >= LONG_BRAND { 2 } else { 1 };
        let is_meant = |known: &str| {
            known.chars().next() == key.chars().next()
                && known.chars().count().abs_diff(length) <= allowed
                && known.chars().count() >= SHORTEST_MISSPELT
                && strsim::osa_distance(known, key) <= allowed
        };
        let frequent = self.counts.iter().filter(|(_, count)| **count >= TIMES_AS_OFTEN * times).map(|(known, _)| known.as_str());
        let listed = self.brands.keys().map(String::as_str).filter(|_| times < TIMES_AS_OFTEN);
        let mut meant = frequent.chain(listed).filter(|known| *known != key && !self.decided.contains_key(*known) && is_meant(known));
        let first = meant.next()?;
        meant.all(|other| other == first).then_some(first)
    }

    fn spelling_of(&self, key: &str) -> String {
        self.brands.get(key).cloned().unwrap_or_else(|| title_case(self.written.get(key).map_or(key, String::as_str)))
    }

    /// The catalogue's spelling of a model number if it differs only in case, spaces, dashes, dots or slashes, else capitals.
    /// A brand repeated in front of the number is left out.
    #[must_use]
    pub fn model(&self, brand: Option<&str>, text: &str) -> String {
        let text = tidy(text);
        let text = brand.and_then(|brand| without_brand(brand, &text)).unwrap_or(&text);
        self.models.get(&compact_model(text)).cloned().unwrap_or_else(|| text.to_uppercase())
    }
}

/// How often each spelling of a brand or model occurs in new catalogue files.
#[derive(Debug, Default)]
pub struct Spellings {
    brands: BTreeMap<String, u64>,
    models: BTreeMap<String, u64>,
}

impl Spellings {
    pub fn count(&mut self, brand: &str, model: &str) {
        *self.brands.entry(tidy(brand).into_owned()).or_default() += 1;
        *self.models.entry(tidy(model).into_owned()).or_default() += 1;
    }

    /// Adds the most frequent spelling of each brand and model that the catalogue does not have.
    pub fn add_to(self, catalogue: &mut Catalogue) {
        let most_frequent_first = |spellings: BTreeMap<String, u64>| {
            let mut spellings: Vec<_> = spellings.into_iter().collect();
            spellings.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
            spellings.into_iter().map(|(spelling, _)| spelling)
        };
        most_frequent_first(self.brands).for_each(|brand| catalogue.add(&brand, ""));
        most_frequent_first(self.models).for_each(|model| catalogue.add("", &model));
    }
}

/// Brand, a space, and the model number in capitals without spaces, dashes, dots, slashes and regional suffix: `Orrowby WM7140`.
#[must_use]
pub fn model_key(brand: &str, model: &str) -> String {
    format!("{brand} {}", compact_model(without_region(model)))
}

fn compact_model(model: &str) -> String {
    model.chars().filter(|character| !character.is_whitespace() && !is_joint(*character)).flat_map(char::to_uppercase).collect()
}

fn is_joint(character: char) -> bool {
    matches!(character, '-' | '\u{2010}'..='\u{2015}' | '\u{2212}' | '.' | '/' | '\\')
}

/// `WM7140/EU` and `WM-7140 (UK)` without their endings.
fn without_region(model: &str) -> &str {
    let end = model.trim_end_matches(')').trim_end();
    let Some((at, joint)) =
        end.char_indices().rev().find(|(_, character)| is_joint(*character) || character.is_whitespace() || *character == '(')
    else {
        return model;
    };
    let suffix = &end[at + joint.len_utf8()..];
    let base = end[..at].trim_end_matches(|character: char| is_joint(character) || character.is_whitespace() || character == '(');
    let is_region = REGIONS.iter().any(|region| region.eq_ignore_ascii_case(suffix));
    if is_region && base.chars().any(|character| character.is_ascii_digit()) { base } else { model }
}

fn without_brand<'a>(brand: &str, model: &'a str) -> Option<&'a str> {
    let head = model.get(..brand.len()).filter(|head| head.eq_ignore_ascii_case(brand))?;
    let rest = model[head.len()..].strip_prefix([' ', '-', '/'])?.trim();
    rest.chars().any(|character| character.is_ascii_digit()).then_some(rest)
}

/// "Orrin and Wex" is "Orrin & Wex".
fn with_ampersand(text: &str) -> String {
    text.split(' ').map(|word| if word.eq_ignore_ascii_case("and") { "&" } else { word }).collect::<Vec<_>>().join(" ")
}

/// A brand without the punctuation around it.
fn without_stops(text: &str) -> &str {
    text.trim_matches(|character: char| character.is_whitespace() || ".,;:*\"".contains(character))
}

fn brand_key(brand: &str) -> String {
    brand.chars().filter(|character| character.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn title_case(text: &str) -> String {
    // initials, which nobody reads as a word
    if text.len() <= 3 && text.chars().all(|character| character.is_ascii_alphabetic() && !"aeiouyAEIOUY".contains(character)) {
        return text.to_uppercase();
    }
    let mut result = String::with_capacity(text.len());
    let mut starts_word = true;
    for character in text.chars() {
        if starts_word {
            result.extend(character.to_uppercase());
        } else {
            result.extend(character.to_lowercase());
        }
        starts_word = !character.is_alphanumeric() && character != '\'' && character != '\u{2019}';
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn brands_take_the_spelling_of_the_catalogue() {
        let mut catalogue = Catalogue::default();
        catalogue.add("Orrowby", "WM 7140");
        for (text, spelling) in [
            (" ORR-OWBY ", "Orrowby"),
            ("orrin & wex", "Orrin & Wex"),
            ("OSTREL", "Ostrel"),
            ("Ostrel.", "Ostrel"),
            ("Orrowby. ", "Orrowby"),
            ("Orrin AND Wex", "Orrin & Wex"),
            ("k.l.m", "K.L.M"),
        ] {
            assert_eq!(catalogue.brand(text), Brand { spelling: spelling.to_owned(), is_merged: false }, "{text}");
        }
    }

    #[test]
    fn a_rare_brand_a_letter_away_from_a_frequent_one_is_a_misspelling() {
        let mut catalogue = Catalogue::default();
        for (brand, times) in [("Orrin & Wex", 40), ("Ostrel", 30), ("Orrin & Wax", 2), ("Ostral", 4), ("Pell", 90), ("Pall", 1)] {
            catalogue.count_brand(brand, times);
        }
        let read = |catalogue: &Catalogue, text: &str| {
            let brand = catalogue.brand(text);
            format!("{}{}", brand.spelling, if brand.is_merged { " (merged)" } else { "" })
        };
        for (text, expected) in [
            ("orin & wex", "Orrin & Wex (merged)"),
            ("Orrin & Wax", "Orrin & Wex (merged)"),
            ("Ostrell", "Ostrel (merged)"),
            ("Ostral", "Ostral"),
            ("Pall", "Pall"),
            ("Astrel", "Astrel"),
        ] {
            assert_eq!(read(&catalogue, text), expected, "{text}");
        }
        catalogue.decide("Ostrell", "Ostrell");
        catalogue.decide("Ostral", "Ostrel");
        catalogue.settle_brand("Orin Wex", 1);
        assert_eq!(read(&catalogue, "ostrell"), "Ostrell");
        assert_eq!(read(&catalogue, "Ostral"), "Ostrel (merged)");
        assert_eq!(read(&catalogue, "orin & wex"), "Orin & Wex");
    }

    #[test]
    fn a_misspelling_of_two_brands_is_neither() {
        let mut catalogue = Catalogue::default();
        catalogue.add("Ostrel", "");
        catalogue.add("Ostrem", "");
        assert_eq!(catalogue.brand("Ostret").spelling, "Ostret");
    }

    #[test]
    fn model_numbers_have_one_key_whatever_their_spelling() {
        let mut catalogue = Catalogue::default();
        catalogue.add("Orrowby", "WM 7140");
        for text in ["wm7140", "WM-7140", "Orrowby WM 7140", "wm.7140"] {
            let model = catalogue.model(Some("Orrowby"), text);
            assert_eq!(model, "WM 7140", "{text}");
            assert_eq!(model_key("Orrowby", &model), "Orrowby WM7140");
        }
        assert_eq!(catalogue.model(Some("Orrowby"), "wm7140/eu"), "WM7140/EU");
    }

    #[test]
    fn the_most_frequent_spelling_of_the_catalogue_wins() {
        let mut spellings = Spellings::default();
        for brand in ["ORROWBY", "Orrowby", "Orrowby"] {
            spellings.count(brand, "WM7140");
        }
        let mut catalogue = Catalogue::default();
        spellings.add_to(&mut catalogue);
        assert_eq!(catalogue.brand("orrowby").spelling, "Orrowby");
        catalogue.add("ORROWBY", "");
        assert_eq!(catalogue.brand("orrowby").spelling, "Orrowby");
    }

    #[test]
    fn regional_suffixes_are_counted_together() {
        for text in ["WM7140/EU", "WM7140 (UK)", "WM-7140-de", "WM7140 FR"] {
            assert_eq!(model_key("Orrowby", text), "Orrowby WM7140", "{text}");
        }
        assert_eq!(model_key("Orrowby", "WM7140EU"), "Orrowby WM7140EU");
        assert_eq!(model_key("Orrowby", "WM/EU"), "Orrowby WMEU");
        assert_eq!(model_key("Orrowby", "é 1 é"), "Orrowby É1É");
    }
}
