//! Brands and model numbers: one spelling for each, and the key under which a model is counted.

use std::collections::{BTreeMap, BTreeSet};

use super::tidy;

/// Codes of regions that makers append to a model number; models that differ only in them are counted together.
const REGIONS: [&str; 29] = [
    "UK", "GB", "EU", "DE", "FR", "IT", "ES", "NL", "BE", "PL", "SE", "NO", "DK", "FI", "AT", "CH", "IE", "PT", "CZ", "HU", "GR", "RO",
    "SK", "US", "USA", "CA", "AU", "NZ", "EE",
];

/// Brands shorter than this are too much alike for one letter to be a slip.
const SHORTEST_MISSPELT: usize = 5;
/// From this length on, two letters may differ.
const LONG_BRAND: usize = 9;

/// A brand as it is to be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Brand {
    pub spelling: String,
    /// The brand that is written nearly so: perhaps the same, which only a person can say.
    pub like: Option<String>,
}

/// The spellings of the catalogue, and those of brands in the records. Two ways of writing are one brand where they differ only in case, spaces,
/// accents and punctuation, or where a person says so; anything else that is near is only proposed.
#[derive(Debug, Clone, Default)]
pub struct Catalogue {
    brands: BTreeMap<String, String>,
    models: BTreeMap<String, String>,
    /// The brand of a model number without its region; none where several brands have it.
    brand_of_model: BTreeMap<String, Option<String>>,
    /// Spelling by brand key: what a person has decided.
    decided: BTreeMap<String, String>,
    /// Brand keys of which a person says that they are no other brand.
    apart: BTreeSet<String>,
    written: BTreeMap<String, Written>,
}

/// How one brand is written in the records, and how often in each way.
#[derive(Debug, Clone, Default)]
struct Written {
    /// In jobs of the store: what they are called there they stay.
    stored: BTreeMap<String, u64>,
    read: BTreeMap<String, u64>,
}

impl Written {
    fn times(&self) -> u64 {
        self.stored.values().chain(self.read.values()).sum()
    }

    /// The commonest way of writing it.
    fn spelling(&self) -> &str {
        let ways = if self.stored.is_empty() { &self.read } else { &self.stored };
        ways.iter().max_by_key(|(way, times)| (**times, std::cmp::Reverse(*way))).map_or("", |(way, _)| way.as_str())
    }
}

impl Catalogue {
    /// Adds a model; the first spelling of a brand or model stays.
    pub fn add(&mut self, brand: &str, model: &str) {
        let (brand, model) = (tidy(brand), tidy(model));
        let key = brand_key(&brand);
        if !key.is_empty() {
            self.brands.entry(key.clone()).or_insert_with(|| brand.into_owned());
        }
        if model.is_empty() {
            return;
        }
        if let Some(brand) = self.brands.get(&key) {
            let owner = self.brand_of_model.entry(compact_model(without_region(&model))).or_insert_with(|| Some(brand.clone()));
            if owner.as_ref() != Some(brand) {
                *owner = None;
            }
        }
        self.models.entry(compact_model(&model)).or_insert_with(|| model.into_owned());
    }

    /// Says how a brand is to be written, whatever the catalogue and the records say.
    pub fn decide(&mut self, written: &str, spelling: &str) {
        self.decided.entry(brand_key(spelling)).or_insert_with(|| spelling.to_owned());
        self.decided.insert(brand_key(written), spelling.to_owned());
    }

    /// Says that a brand is no other, however near it is written.
    pub fn keep_apart(&mut self, written: &str) {
        self.apart.insert(brand_key(written));
    }

    /// Counts a brand of the records.
    pub fn count_brand(&mut self, written: &str, times: u64) {
        let way = title_case(without_stops(&with_ampersand(&tidy(written))));
        *self.written.entry(brand_key(written)).or_default().read.entry(way).or_default() += times;
    }

    /// A brand that jobs of the store carry.
    pub fn settle_brand(&mut self, stored: &str, times: u64) {
        *self.written.entry(brand_key(stored)).or_default().stored.entry(stored.to_owned()).or_default() += times;
    }

    /// The brand as a person decided, else in the catalogue's spelling, else as it is most often written, with one capital a word. One that was
    /// not counted is written as its key, so that two ways of writing it cannot come apart.
    #[must_use]
    pub fn brand(&self, text: &str) -> Brand {
        let key = brand_key(text);
        if let Some(spelling) = self.decided.get(&key).or_else(|| self.brands.get(&key)) {
            return Brand { spelling: spelling.clone(), like: None };
        }
        if key.is_empty() {
            return Brand { spelling: text.trim().to_owned(), like: None };
        }
        let spelling = self.written.get(&key).map_or_else(|| title_case(&key), |written| written.spelling().to_owned());
        Brand { spelling, like: self.like(&key).map(str::to_owned) }
    }

    /// The brand that is written nearly so and is in the catalogue or more frequent; of several, the catalogue's, then the most frequent.
    fn like(&self, key: &str) -> Option<&str> {
        if self.apart.contains(key) {
            return None;
        }
        let times = self.written.get(key).map_or(1, Written::times);
        let listed = self.brands.iter().map(|(known, spelling)| (known, u64::MAX, spelling.as_str()));
        let frequent = self.written.iter().map(|(known, written)| (known, written.times(), written.spelling()));
        let (_, _, spelling) = listed
            .chain(frequent)
            .filter(|(known, often, _)| {
                *often > times && known.as_str() != key && !self.decided.contains_key(*known) && is_near(known, key)
            })
            .max_by_key(|(known, often, _)| (*often, std::cmp::Reverse(*known)))?;
        Some(spelling)
    }

    /// The catalogue's brand of a model number, where the brand as read is written nearly so, is not in the catalogue itself, and no other brand
    /// has that number.
    #[must_use]
    pub fn brand_by_model(&self, brand: &str, model: &str) -> Option<&str> {
        let key = brand_key(brand);
        if self.brands.contains_key(&key) || self.decided.contains_key(&key) || self.apart.contains(&key) {
            return None;
        }
        let owner = self.brand_of_model.get(&compact_model(without_region(model)))?.as_deref()?;
        (model.chars().any(|character| character.is_ascii_digit()) && is_near(&brand_key(owner), &key)).then_some(owner)
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
    both: BTreeSet<(String, String)>,
}

impl Spellings {
    pub fn count(&mut self, brand: &str, model: &str) {
        let (brand, model) = (tidy(brand).into_owned(), tidy(model).into_owned());
        *self.brands.entry(brand.clone()).or_default() += 1;
        *self.models.entry(model.clone()).or_default() += 1;
        self.both.insert((brand, model));
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
        self.both.iter().for_each(|(brand, model)| catalogue.add(brand, model));
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

/// What two ways of writing a brand have in common: small letters without accents, and digits; "and" and "&" are left out.
fn brand_key(brand: &str) -> String {
    let words = brand.split_whitespace().filter(|word| !word.eq_ignore_ascii_case("and"));
    let letters = words.flat_map(str::chars).flat_map(char::to_lowercase);
    letters.filter(|letter| letter.is_alphanumeric()).fold(String::with_capacity(brand.len()), |mut key, letter| {
        match without_accent(letter) {
            Some(plain) => key.push_str(plain),
            None => key.push(letter),
        }
        key
    })
}

/// The plain letters of a small Latin letter with a mark; marks that stand by themselves are no letters.
fn without_accent(letter: char) -> Option<&'static str> {
    const MARKED: [(&str, &str); 24] = [
        ("àáâãäåāăą", "a"),
        ("æ", "ae"),
        ("çćĉċč", "c"),
        ("ďđð", "d"),
        ("èéêëēĕėęě", "e"),
        ("ĝğġģ", "g"),
        ("ĥħ", "h"),
        ("ìíîïĩīĭįı", "i"),
        ("ĵ", "j"),
        ("ķ", "k"),
        ("ĺļľŀł", "l"),
        ("ñńņň", "n"),
        ("òóôõöøōŏő", "o"),
        ("œ", "oe"),
        ("ŕŗř", "r"),
        ("śŝşšș", "s"),
        ("ß", "ss"),
        ("ţťŧț", "t"),
        ("þ", "th"),
        ("ùúûüũūŭůűų", "u"),
        ("ŵ", "w"),
        ("ýÿŷ", "y"),
        ("źżž", "z"),
        ("ſ", "s"),
    ];
    if letter.is_ascii() {
        return None;
    }
    MARKED.iter().find(|(marked, _)| marked.contains(letter)).map(|(_, plain)| *plain)
}

/// Whether two brand keys differ by a letter, long ones by two, but not in the first.
fn is_near(known: &str, key: &str) -> bool {
    let (length, known_length) = (key.chars().count(), known.chars().count());
    let allowed = if length >= LONG_BRAND { 2 } else { 1 };
    length.min(known_length) >= SHORTEST_MISSPELT
        && known_length.abs_diff(length) <= allowed
        && known.chars().next() == key.chars().next()
        && !key.contains(|character: char| character.is_ascii_digit())
        && strsim::osa_distance(known, key) <= allowed
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

    fn read(catalogue: &Catalogue, text: &str) -> String {
        let Brand { spelling, like } = catalogue.brand(text);
        like.map_or_else(|| spelling.clone(), |like| format!("{spelling}, like {like}"))
    }

    #[test]
    fn brands_take_the_spelling_of_the_catalogue() {
        let mut catalogue = Catalogue::default();
        catalogue.add("Orrowby", "WM 7140");
        for text in [" ORR-OWBY ", "Orrowby. ", "orrowby", "Ōrrowby", "O'rrowby"] {
            assert_eq!(read(&catalogue, text), "Orrowby", "{text}");
        }
    }

    #[test]
    fn ways_of_writing_that_differ_in_case_spaces_accents_and_signs_are_one_brand() {
        let mut catalogue = Catalogue::default();
        for (brand, times) in [("Orrin & Wex", 4), ("Orrin and Wex", 3), ("ORRIN&WEX", 2), ("Käser", 9), ("Kaser", 2), ("k.l.m", 2)] {
            catalogue.count_brand(brand, times);
        }
        for (text, spelling) in [
            ("orrin AND wex", "Orrin & Wex"),
            ("Orrinwex", "Orrin & Wex"),
            ("KASER", "Käser"),
            ("Ka\u{308}ser", "Käser"),
            ("KLM", "K.L.M"),
            ("Ostrel.", "Ostrel"),
            ("Vel-Tor", "Veltor"),
            ("vel tor", "Veltor"),
            ("&", "&"),
        ] {
            assert_eq!(read(&catalogue, text), spelling, "{text}");
        }
        // what the store's jobs are called they stay
        catalogue.settle_brand("Kaser", 1);
        assert_eq!(read(&catalogue, "Käser"), "Kaser");
    }

    #[test]
    fn brands_that_are_near_each_other_are_proposed_and_kept_apart() {
        let mut catalogue = Catalogue::default();
        for (brand, times) in [("Orrin & Wex", 40), ("Ostrel", 30), ("Orrin & Wax", 2), ("Ostral", 4), ("Pell", 90), ("Pall", 1)] {
            catalogue.count_brand(brand, times);
        }
        for (text, expected) in [
            ("Orrin & Wax", "Orrin & Wax, like Orrin & Wex"),
            ("Ostrell", "Ostrell, like Ostrel"),
            ("Ostral", "Ostral, like Ostrel"),
            ("Ostrel", "Ostrel"),
            ("Pall", "Pall"),
            ("Astrel", "Astrel"),
        ] {
            assert_eq!(read(&catalogue, text), expected, "{text}");
        }
        catalogue.keep_apart("Ostrell");
        catalogue.decide("Ostral", "Ostrel");
        assert_eq!(["ostrell", "Ostral"].map(|text| read(&catalogue, text)), ["Ostrell", "Ostrel"]);
    }

    #[test]
    fn what_a_person_decides_holds_for_every_way_of_writing_it() {
        let mut catalogue = Catalogue::default();
        catalogue.add("Ostrel", "");
        catalogue.decide("ostral", "OSTREL Ltd");
        assert_eq!(["Ostral", "OSTRAL.", "Ostrel Ltd"].map(|text| read(&catalogue, text)), ["OSTREL Ltd"; 3]);
        assert_eq!(read(&catalogue, "Ostrel"), "Ostrel");
    }

    #[test]
    fn a_model_number_of_one_brand_tells_a_misspelt_brand() {
        let mut spellings = Spellings::default();
        for (brand, model) in [("Orrowby", "WM 7140"), ("Orrowby", "WM 9000"), ("Tessaly", "WM9000"), ("Orrowby", "Solo")] {
            spellings.count(brand, model);
        }
        let mut catalogue = Catalogue::default();
        spellings.add_to(&mut catalogue);
        for (brand, model, owner) in [
            ("Orowby", "wm-7140/UK", Some("Orrowby")),
            ("Orowby", "WM 7141", None),
            ("Pelham", "WM 7140", None),
            ("Tessaly", "WM 7140", None),
            ("Orowby", "WM 9000", None),
            ("Orowby", "Solo", None),
        ] {
            assert_eq!(catalogue.brand_by_model(brand, model), owner, "{brand} {model}");
        }
        catalogue.keep_apart("Orowby");
        assert_eq!(catalogue.brand_by_model("Orowby", "WM 7140"), None);
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
