//! Which model is meant, however its number is spelt and even if only part of it is known.

use super::{Category, FaultOdds, Model};

/// Shortest part of a model number that is looked for.
const SHORTEST_PART: usize = 3;
/// Least likeness, 0 to 1, for a model to be suggested.
const LEAST_LIKENESS: f64 = 0.6;
const MOST_SUGGESTIONS: usize = 5;

/// A model and the category it belongs to.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a> {
    pub category: &'a Category,
    pub key: &'a str,
    pub model: &'a Model,
}

/// What a text turned out to mean.
#[derive(Debug, Clone)]
pub enum ModelMatch<'a> {
    One(Found<'a>),
    /// Several models begin with the text, or hold it.
    Several(Vec<Found<'a>>),
    /// No model; those that are most alike.
    Unknown(Vec<Found<'a>>),
}

impl FaultOdds {
    /// Finds a model by its number, with or without the brand; `category` and `brand` narrow the search.
    #[must_use]
    pub fn find_model(&self, text: &str, category: Option<&str>, brand: Option<&str>) -> ModelMatch<'_> {
        let asked = compact(text);
        let categories = self.categories.iter().filter(|known| category.is_none_or(|key| known.key == key));
        let models = categories.flat_map(|category| category.models.iter().map(move |(key, model)| Found { category, key, model }));
        let brand_known =
            |found: &Found<'_>| brand.is_none_or(|brand| found.model.brand.as_deref().is_some_and(|own| compact(own) == compact(brand)));
        let models: Vec<Found<'_>> = models.filter(brand_known).collect();
        let ways: [fn(&str, &str) -> bool; 4] = [
            |own, asked| own == asked,
            |own, asked| is_region(asked.strip_prefix(own)),
            |own, asked| asked.len() >= SHORTEST_PART && own.starts_with(asked),
            |own, asked| asked.len() >= SHORTEST_PART && own.contains(asked),
        ];
        for fits in ways {
            let found: Vec<Found<'_>> =
                models.iter().filter(|found| spellings(found).iter().any(|own| fits(own, &asked))).copied().collect();
            match found[..] {
                [] => {}
                [found] => return ModelMatch::One(found),
                _ => return ModelMatch::Several(found),
            }
        }
        let likeness =
            |found: &Found<'_>| spellings(found).iter().map(|own| strsim::normalized_damerau_levenshtein(own, &asked)).fold(0.0, f64::max);
        let mut alike: Vec<(f64, Found<'_>)> = models.iter().map(|found| (likeness(found), *found)).collect();
        alike.retain(|(likeness, _)| *likeness >= LEAST_LIKENESS);
        alike.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.key.cmp(b.1.key)));
        ModelMatch::Unknown(alike.into_iter().take(MOST_SUGGESTIONS).map(|(_, found)| found).collect())
    }

    /// A brand's spelling in the records of a category.
    #[must_use]
    pub fn find_brand(&self, text: &str, category: &Category) -> Option<String> {
        let asked = compact(text);
        let of_models = category.models.values().filter_map(|model| model.brand.as_ref());
        category.brands.keys().chain(of_models).find(|brand| compact(brand) == asked).cloned()
    }
}

/// The entries of a list that are most like a text, the likest first.
pub fn nearest<'a>(text: &str, entries: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let asked = text.to_lowercase();
    let mut alike: Vec<(f64, &str)> = entries.map(|entry| (strsim::jaro_winkler(&entry.to_lowercase(), &asked), entry)).collect();
    alike.retain(|(likeness, _)| *likeness >= 0.7);
    alike.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
    alike.dedup_by_key(|(_, entry)| *entry);
    alike.into_iter().take(MOST_SUGGESTIONS).map(|(_, entry)| entry).collect()
}

/// Brand and number, and the number alone.
fn spellings(found: &Found<'_>) -> [String; 2] {
    let number = found.model.brand.as_deref().and_then(|brand| found.key.strip_prefix(brand)).unwrap_or(found.key);
    [compact(number), compact(found.key)]
}

/// Letters and digits in capitals.
fn compact(text: &str) -> String {
    text.chars().filter(|character| character.is_alphanumeric()).flat_map(char::to_uppercase).collect()
}

/// What makers append for a region: two or three letters.
fn is_region(rest: Option<&str>) -> bool {
    rest.is_some_and(|rest| (2..=3).contains(&rest.len()) && rest.chars().all(|character| character.is_ascii_alphabetic()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn odds() -> FaultOdds {
        let model = |brand: &str| Model { brand: Some(brand.to_owned()), ..Model::default() };
        let models = [("Haldane WM7140", "Haldane"), ("Haldane WM7150", "Haldane"), ("Orrowby W391", "Orrowby")];
        let models = models.into_iter().map(|(key, brand)| (key.to_owned(), model(brand))).collect();
        let category = Category { key: "washing_machine".to_owned(), models, ..Category::default() };
        FaultOdds { categories: vec![category], ..FaultOdds::default() }
    }

    fn one(text: &str) -> Option<String> {
        match odds().find_model(text, None, None) {
            ModelMatch::One(found) => Some(found.key.to_owned()),
            _ => None,
        }
    }

    #[test]
    fn any_spelling_finds_the_model() {
        for text in ["WM7140", "wm 7140", "Haldane WM-7140", "haldane wm.7140", "WM7140/EU", "WM7140 (UK)", "M7140"] {
            assert_eq!(one(text).as_deref(), Some("Haldane WM7140"), "{text}");
        }
        assert_eq!(one("391").as_deref(), Some("Orrowby W391"));
    }

    #[test]
    fn half_a_number_finds_all_that_fit_and_a_wrong_one_those_alike() {
        assert!(matches!(odds().find_model("WM71", None, None), ModelMatch::Several(found) if found.len() == 2));
        assert!(matches!(odds().find_model("VM7140", None, None), ModelMatch::Unknown(found) if found[0].key == "Haldane WM7140"));
        assert!(matches!(odds().find_model("ZZZZZZ", None, None), ModelMatch::Unknown(found) if found.is_empty()));
        assert!(matches!(odds().find_model("", None, None), ModelMatch::Unknown(_)));
        assert!(matches!(odds().find_model("WM7140", Some("dishwasher"), None), ModelMatch::Unknown(_)));
        assert!(matches!(odds().find_model("WM7140", None, Some("Orrowby")), ModelMatch::Unknown(_)));
    }
}
