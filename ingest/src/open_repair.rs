//! Records in the form of the Open Repair Data Standard (standard.openrepair.org), versions 0.1 to 0.3, as its partners publish them.
//!
//! The standard's product categories are coarser than ours for large appliances and finer elsewhere. A category that is exactly one of
//! ours becomes that; "Large home electrical" is split by the partner's own words and, if these do not tell, by the text of the problem;
//! every other category is kept under its own name as `other:NAME`, so that outcomes can be counted for all of them.

use fixodds_schemas::{List, Vocabulary, normalise, terms::match_key};

/// The standard's columns that are fields of a job (the column sets of 0.1 and 0.2 lack some of them; from memory).
const FIELDS: [(&str, &str); 8] = [
    ("id", "job_id"),
    ("event_date", "closed_on"),
    ("brand", "brand"),
    ("year_of_manufacture", "made_year"),
    ("product_age", "age_years"),
    ("repair_status", "outcome"),
    ("repair_barrier_if_end_of_life", "not_repaired_reason"),
    ("problem", "fault_text"),
];
/// Its other columns: read for the category and the source, or kept in `extra`.
const OTHER_COLUMNS: [&str; 7] = [
    "data_provider",
    "country",
    "partner_product_category",
    "product_category",
    "product_category_id",
    "group_identifier",
    "repairability",
];
/// What no other table of records has.
const TELLING: [&str; 4] = ["data_provider", "product_category", "repair_status", "event_date"];
/// Before the standard's name of a category that is none of ours.
pub const OTHER: &str = "other:";
/// The standard's category of all large appliances.
const LARGE: &str = "Large home electrical";

/// Where the columns stand that are no field of a job.
#[derive(Debug, Clone)]
pub struct OpenRepair {
    pub data_provider: usize,
    product_category: usize,
    partner_category: Option<usize>,
    problem: Option<usize>,
}

impl OpenRepair {
    /// The layout, if these are the columns of the standard.
    pub fn recognise(titles: &[String]) -> Option<Self> {
        let at = |name: &str| titles.iter().position(|title| match_key(title) == match_key(name));
        TELLING.iter().all(|name| at(name).is_some()).then_some(())?;
        Some(Self {
            data_provider: at("data_provider")?,
            product_category: at("product_category")?,
            partner_category: at("partner_product_category"),
            problem: at("problem"),
        })
    }

    /// Whether the standard has a column of that title.
    pub fn knows(title: &str) -> bool {
        let known = FIELDS.iter().map(|(name, _)| *name).chain(OTHER_COLUMNS);
        known.into_iter().any(|name| match_key(name) == match_key(title))
    }

    /// Columns and fields as a mapping file would give them.
    pub fn columns(titles: &[String]) -> impl Iterator<Item = (&str, &'static str)> {
        titles.iter().map(|title| {
            let field = FIELDS.iter().find(|(name, _)| match_key(name) == match_key(title)).map(|(_, field)| *field);
            (title.as_str(), field.unwrap_or(crate::mapping::EXTRA))
        })
    }

    /// The category of a record: a key of the vocabulary, or `other:NAME`; none if the record gives none.
    pub fn category<'c>(&self, cell: impl Fn(usize) -> &'c str, vocabulary: &Vocabulary) -> Option<String> {
        let name = cell(self.product_category).trim();
        if name.is_empty() {
            return None;
        }
        if let Some(category) = vocabulary.category_of_ords(name) {
            return Some(category.key.clone());
        }
        if match_key(name) == match_key(LARGE) {
            let partner = self.partner_category.map_or("", &cell);
            let detail = partner.split_once('~').map_or(partner, |(_, detail)| detail);
            let named = only_category(detail, vocabulary).or_else(|| only_category(self.problem.map_or("", &cell), vocabulary));
            return Some(named.unwrap_or_else(|| format!("{OTHER}{LARGE}")));
        }
        Some(format!("{OTHER}{name}"))
    }
}

/// The one category that a text names, if it names just one.
fn only_category(text: &str, vocabulary: &Vocabulary) -> Option<String> {
    let normalised = normalise(text);
    let words: Vec<&str> = normalised.split(' ').take(60).collect();
    let mut found: Option<String> = None;
    let mut at = 0;
    while at < words.len() {
        let longest = (1..=3.min(words.len() - at)).rev().find_map(|length| {
            let phrase = words[at..at + length].join(" ");
            // abbreviations and words such as "range" or "upright" mean something else in prose
            let is_plain = phrase.len() > 2 && !["range", "larder", "upright", "micro", "frig", "side by side"].contains(&phrase.as_str());
            let key = vocabulary.find(List::Category, &phrase, None).key().filter(|_| is_plain)?;
            Some((length, key.to_owned()))
        });
        let Some((length, key)) = longest else {
            at += 1;
            continue;
        };
        if found.as_ref().is_some_and(|known| *known != key) {
            return None;
        }
        found = Some(key);
        at += length;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::vocabulary;

    #[test]
    fn categories_are_ours_where_we_have_one() {
        let layout = OpenRepair { data_provider: 3, product_category: 0, partner_category: Some(1), problem: Some(2) };
        let category = |cells: [&'static str; 3]| layout.category(|at| cells[at], vocabulary());
        for (cells, expected) in [
            (["Vacuum", "Electrical ~ Henry", ""], Some("vacuum_cleaner")),
            (["Large home electrical", "Electrical ~ microwave", ""], Some("microwave_oven")),
            (["Large home electrical", "Electrical Item ~ Large Home Electrical", "Tumble dryer not heating"], Some("tumble_dryer")),
            (["Large home electrical", "", "fridge or freezer"], Some("other:Large home electrical")),
            (["Watch/clock", "", "oven"], Some("other:Watch/clock")),
            (["", "oven", ""], None),
        ] {
            assert_eq!(category(cells).as_deref(), expected, "{cells:?}");
        }
    }
}
