//! Counts the words that were understood as misspellings or not at all, so that people can correct the important ones.

use std::collections::BTreeMap;

use crate::normalise::terms::{How, RecognisedTerms};
use crate::privacy;
use crate::quarantine::{Reason, head};
use crate::report::{Doubt, Misspelling};

/// Different words that are counted in one table.
const MOST_WORDS: usize = 2_000;
/// Words that are shown of each kind, the most frequent first.
const MOST_EXAMPLES: usize = 5;
const LONGEST_WORD: usize = 60;
/// The column of brands that are near others, which are proposed and not merged.
pub const BRAND: &str = "brand";
/// Brands that the catalogue's model number tells.
pub const BRAND_BY_MODEL: &str = "brand (by the model number, which the catalogue lists for one brand)";

/// A word that was understood as a misspelling.
#[derive(Debug)]
pub struct Misspelt {
    pub column: &'static str,
    pub value: String,
    pub meaning: String,
}

impl Misspelt {
    /// A cell with several words, if one of them is misspelt.
    pub fn of_terms(column: &'static str, value: &str, found: &RecognisedTerms) -> Option<Self> {
        let misspelt: Vec<&str> =
            found.terms.iter().filter(|term| matches!(term.how, How::Misspelt { .. })).map(|term| term.key.as_str()).collect();
        (!misspelt.is_empty()).then(|| Self { column, value: value.to_owned(), meaning: misspelt.join(", ") })
    }
}

/// Words of one table of one file.
#[derive(Debug, Default)]
pub struct Words {
    misspelt: BTreeMap<(String, String), (String, u64)>,
    not_used: BTreeMap<(String, String, Reason), u64>,
}

impl Words {
    /// A word was understood as a misspelling of a term in some rows.
    pub fn misspelt(&mut self, column: &str, value: &str, meaning: &str, times: u64) {
        let key = (column.to_owned(), head(value, LONGEST_WORD).to_owned());
        if let Some((_, rows)) = self.misspelt.get_mut(&key) {
            *rows += times;
        } else if self.misspelt.len() < MOST_WORDS {
            self.misspelt.insert(key, (meaning.to_owned(), times));
        }
    }

    /// A value was set aside, or its row quarantined.
    pub fn not_used(&mut self, column: &str, value: &str, reason: Reason) {
        let key = (column.to_owned(), head(value, LONGEST_WORD).to_owned(), reason);
        if let Some(rows) = self.not_used.get_mut(&key) {
            *rows += 1;
        } else if self.not_used.len() < MOST_WORDS {
            self.not_used.insert(key, 1);
        } else {
            *self.not_used.entry((column.to_owned(), String::new(), reason)).or_default() += 1;
        }
    }

    /// Brands that are written nearly like others: as written, the other, and in how many rows.
    pub fn near_brands(&self) -> impl Iterator<Item = (&str, &str, u64)> {
        self.misspelt
            .iter()
            .filter(|((column, _), _)| column == BRAND)
            .map(|((_, value), (meaning, rows))| (value.as_str(), meaning.as_str(), *rows))
    }

    /// One doubt for each column and kind, with the most frequent words as examples.
    pub fn doubts(self, table: &str) -> Vec<Doubt> {
        let mut by_column: BTreeMap<String, Vec<(u64, Misspelling)>> = BTreeMap::new();
        for ((column, value), (meaning, rows)) in self.misspelt {
            by_column.entry(column).or_default().push((rows, Misspelling { value: privacy::mask(&value).into_owned(), meaning }));
        }
        let misspellings = by_column.into_iter().map(|(column, mut words)| {
            words.sort_by_key(|(rows, _)| std::cmp::Reverse(*rows));
            if column == BRAND {
                let rows = words.iter().map(|(rows, _)| rows).sum();
                return Doubt::BrandsNear { table: table.to_owned(), rows, brands: words.into_iter().map(|(_, brand)| brand).collect() };
            }
            Doubt::Misspellings {
                table: table.to_owned(),
                column,
                rows: words.iter().map(|(rows, _)| rows).sum(),
                spellings: words.len() as u64,
                examples: words.into_iter().take(MOST_EXAMPLES).map(|(_, example)| example).collect(),
            }
        });
        let mut by_reason: BTreeMap<(String, Reason), Vec<(u64, String)>> = BTreeMap::new();
        for ((column, value, reason), rows) in self.not_used {
            by_reason.entry((column, reason)).or_default().push((rows, privacy::mask(&value).into_owned()));
        }
        let not_used = by_reason.into_iter().map(|((column, reason), mut words)| {
            words.sort_by_key(|(rows, _)| std::cmp::Reverse(*rows));
            Doubt::NotUsed {
                table: table.to_owned(),
                column,
                reason,
                rows: words.iter().map(|(rows, _)| rows).sum(),
                examples: words.into_iter().map(|(_, example)| example).filter(|example| !example.is_empty()).take(MOST_EXAMPLES).collect(),
            }
        });
        misspellings.chain(not_used).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_most_frequent_words_come_first() {
        let mut words = Words::default();
        words.misspelt("component", "drane pump", "drain_pump", 1);
        for _ in 0..2 {
            words.not_used("outcome", "gone", Reason::UnknownOutcome);
        }
        words.not_used("outcome", "lost", Reason::UnknownOutcome);
        words.not_used("age_years", "old", Reason::UnreadableAge);
        let doubts = words.doubts("jobs");
        assert!(matches!(&doubts[0], Doubt::Misspellings { rows: 1, spellings: 1, .. }));
        assert!(matches!(&doubts[1], Doubt::NotUsed { rows: 1, reason: Reason::UnreadableAge, .. }));
        assert!(
            matches!(&doubts[2], Doubt::NotUsed { rows: 3, reason: Reason::UnknownOutcome, examples, .. } if examples == &["gone", "lost"])
        );
        assert_eq!(doubts.len(), 3);
    }
}
