//! The words for vocabulary keys, as sentences and table cells need them.

use fixodds_schemas::vocabulary::{List, Vocabulary};

/// Names by key. A key that the vocabulary lacks is read as words: `drain_pump` becomes "drain pump".
#[derive(Clone, Copy)]
pub struct Names<'a> {
    vocabulary: &'a Vocabulary,
}

impl<'a> Names<'a> {
    pub fn new(vocabulary: &'a Vocabulary) -> Names<'a> {
        Names { vocabulary }
    }

    /// Several machines of a category, for inside a sentence: "washing machines".
    pub fn categories(&self, key: &str) -> String {
        self.vocabulary.category(key).map_or_else(|| format!("{}s", as_words(key)), |category| inside_sentence(&category.plural))
    }

    /// A component, for inside a sentence: "drum bearings".
    pub fn component(&self, key: &str) -> String {
        self.term(List::Component, key)
    }

    /// Any other term of the vocabulary, for inside a sentence.
    pub fn term(&self, list: List, key: &str) -> String {
        let name = self.vocabulary.name(list, key);
        if name == key { as_words(key) } else { inside_sentence(name) }
    }

    /// Minutes that checking a component takes where nothing is recorded.
    pub fn check_minutes(&self, component: &str) -> Option<f64> {
        self.vocabulary.component(component).map(|component| component.check_minutes).filter(|minutes| *minutes > 0.0)
    }

    /// The cautions that concern the given components, each once, most urgent first.
    pub fn cautions(&self, components: &[String]) -> Vec<String> {
        let known = components.iter().filter_map(|key| self.vocabulary.component(key));
        self.vocabulary.cautions_for(known).into_iter().map(|caution| caution.text.clone()).collect()
    }
}

fn as_words(key: &str) -> String {
    key.replace(['_', '/'], " ")
}

/// The name with a small first letter, unless its first word is an abbreviation.
fn inside_sentence(name: &str) -> String {
    let mut letters = name.chars();
    let Some(first) = letters.next() else { return String::new() };
    if letters.clone().next().is_some_and(char::is_uppercase) {
        return name.to_owned();
    }
    first.to_lowercase().chain(letters).collect()
}
