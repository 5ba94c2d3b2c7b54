//! Brands and model numbers: one spelling for each, and the key under which a model is counted.

use std::collections::BTreeMap;

use super::tidy;

/// Codes of regions that makers append to a model number; models that differ only in them are counted together.
const REGIONS: [&str; 29] = [
    "UK", "GB", "EU", "DE", "FR", "IT", "ES", "NL", "BE", "PL", "SE", "NO", "DK", "FI", "AT", "CH", "IE", "PT", "CZ", "HU", "GR", "RO",
    "SK", "US", "USA", "CA", "AU", "NZ", "EE",
];

/// The spellings of the catalogue.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    brands: BTreeMap<String, String>,
    models: BTreeMap<String, String>,
}

impl Catalogue {
    /// Adds a model; the first spelling of a brand or model stays.
    pub fn add(&mut self, brand: &str, model: &str) {
        let brand = tidy(brand);
        if !brand.is_empty() {
            self.brands.entry(brand_key(&brand)).or_insert_with(|| brand.into_owned());
        }
        let model = tidy(model);
        if !model.is_empty() {
            self.models.entry(compact_model(&model)).or_insert_with(|| model.into_owned());
        }
    }

    /// The catalogue's spelling of a brand if it differs only in case or punctuation, else every word with one capital.
    #[must_use]
    pub fn brand(&self, text: &str) -> String {
        let text = tidy(text);
        self.brands.get(&brand_key(&text)).cloned().unwrap_or_else(|| title_case(&text))
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

fn brand_key(brand: &str) -> String {
    brand.chars().filter(|character| character.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

fn title_case(text: &str) -> String {
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
        assert_eq!(catalogue.brand(" ORR-OWBY "), "Orrowby");
        assert_eq!(catalogue.brand("orrin & wex"), "Orrin & Wex");
        assert_eq!(catalogue.brand("OSTREL"), "Ostrel");
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
        assert_eq!(catalogue.brand("orrowby"), "Orrowby");
        catalogue.add("ORROWBY", "");
        assert_eq!(catalogue.brand("orrowby"), "Orrowby");
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
