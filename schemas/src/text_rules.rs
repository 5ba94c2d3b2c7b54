//! The rules for free text: phrases that say what happened to the components around them (`vocabularies/text_rules.toml`).

use std::sync::OnceLock;

use serde::Deserialize;

/// A key of the vocabulary and phrases that mean it in prose.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeyPhrases {
    pub key: String,
    pub phrases: Vec<String>,
    /// Categories in which the phrases hold; empty for all.
    #[serde(default)]
    pub categories: Vec<String>,
}

macro_rules! text_rules {
    ($($(#[$meaning:meta])* $list:ident: $entry:ty),+ $(,)?) => {
        /// Lists of phrases; what each means is said in `vocabularies/text_rules.toml`.
        #[derive(Debug, Clone, Default, PartialEq, Deserialize)]
        #[serde(default, deny_unknown_fields)]
        pub struct TextRules { $($(#[$meaning])* pub $list: Vec<$entry>),+ }

        impl TextRules {
            /// These rules and further phrases.
            #[must_use]
            pub fn with(mut self, further: Self) -> Self {
                $(self.$list.extend(further.$list);)+
                self
            }
        }
    };
}

text_rules! {
    /// The next component is sound, or not what was wrong.
    sound_before: String,
    /// The component before is sound.
    sound_after: String,
    unsure_before: String,
    unsure_after: String,
    /// What was done to a component that had failed.
    action: String,
    /// What should be done.
    needed: String,
    examined: String,
    failure: String,
    /// The next component is only where something was.
    place: String,
    /// The next component was damaged by the one before.
    damaged_next: String,
    damaged_after: String,
    therefore: String,
    /// The component before was damaged by the next one.
    because_of: String,
    after_failure: String,
    /// Ordinary words, although they name a component.
    not_in_prose: String,
    /// Of these, the words that name the component where it is said to have failed.
    if_failed: String,
    /// What says nothing of a component if the text names another that had failed.
    complaint: String,
    /// So described, a component was damaged by another.
    follows_if: String,
    /// Before what the customer reported, at the beginning of a text.
    customer_says: String,
    /// Before what the repairer found, after such a beginning.
    repairer_says: String,
    /// Keys of components that fail because another did.
    follows_from_others: String,
    /// Keys of symptoms that say nothing where they describe a component that had failed.
    vague_symptoms: String,
    component: KeyPhrases,
    symptom: KeyPhrases,
    outcome: KeyPhrases,
    reason: KeyPhrases,
}

/// The built-in rules.
///
/// # Panics
/// Never: the embedded file is part of the program, and the tests of this crate load it.
#[must_use]
pub fn text_rules() -> &'static TextRules {
    static RULES: OnceLock<TextRules> = OnceLock::new();
    RULES.get_or_init(|| {
        toml::from_str(include_str!("../vocabularies/text_rules.toml"))
            .expect("the embedded rules are valid, as the tests of this crate show")
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{List, vocabulary};

    #[test]
    fn every_key_is_one_of_the_vocabulary() {
        let rules = text_rules();
        let vocabulary = vocabulary();
        for (list, entries) in [
            (List::Component, &rules.component),
            (List::Symptom, &rules.symptom),
            (List::Outcome, &rules.outcome),
            (List::Reason, &rules.reason),
        ] {
            for entry in entries {
                let known = vocabulary.find(list, &entry.key, None).key() == Some(&entry.key) || vocabulary.component(&entry.key).is_some();
                assert!(known, "{}", entry.key);
                assert!(entry.categories.iter().all(|key| vocabulary.category(key).is_some()), "{}", entry.key);
            }
        }
        assert!(rules.follows_from_others.iter().all(|key| vocabulary.component(key).is_some()));
    }
}
