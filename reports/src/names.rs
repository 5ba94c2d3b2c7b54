//! The words for vocabulary keys, as sentences and table cells need them.

use fixodds_schemas::vocabulary::{Advice, AtHand, Caution, Check, ClosingTest, FirstLook, List, StatutoryClass, Vocabulary};

/// Before names that records bring along and the vocabulary does not have, such as `other:Watch/clock`.
const OTHER: &str = "other:";

/// Names by key. A key that the vocabulary lacks is read as words: `drain_pump` becomes "drain pump", `other:Watch/clock` "watch/clock".
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
        self.vocabulary.category(key).map_or_else(|| plural(&as_words(key)), |category| inside_sentence(&category.plural))
    }

    /// A component, for inside a sentence: "drum bearings".
    pub fn component(&self, key: &str) -> String {
        if key == "not_named" { "part not named".to_owned() } else { self.term(List::Component, key) }
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

    /// The cautions for machines of a category, of whatever model and age, and for the given components, most urgent first.
    pub fn cautions(&self, category: &str, components: &[String]) -> Vec<&'a Caution> {
        let machine = AtHand { category, ..AtHand::default() };
        self.vocabulary.cautions_for(&machine, components.iter().filter_map(|key| self.vocabulary.component(key)))
    }

    /// The emergencies: what each is called, and what to do.
    pub fn emergencies(&self) -> impl Iterator<Item = (&'a str, &'a Advice)> {
        self.vocabulary.symptoms.iter().filter_map(|symptom| Some((symptom.name.as_str(), symptom.emergency.as_ref()?)))
    }

    /// What is looked at first on machines of a category.
    pub fn first_looks(&self, category: &str) -> Vec<&'a FirstLook> {
        let keys: Vec<&str> = self.vocabulary.first_looks_of(category).map(|look| look.key.as_str()).collect();
        self.vocabulary.first_looks.iter().filter(|look| keys.contains(&look.key.as_str())).collect()
    }

    /// The tests after any repair on machines of any of the categories.
    pub fn closing_tests(&self, categories: &[String]) -> Vec<&'a ClosingTest> {
        let holds = |test: &&ClosingTest| test.categories.is_empty() || test.categories.iter().any(|key| categories.contains(key));
        self.vocabulary.closing_tests.iter().filter(holds).collect()
    }

    /// Whether a component is checked under power.
    pub fn is_checked_live(&self, component: &str) -> bool {
        self.vocabulary.component(component).is_none_or(|component| component.check != Some(Check::Dead))
    }

    /// Those of the components whose own caution it is.
    pub fn concerned<'c>(&self, caution: &Caution, components: &'c [String]) -> Vec<&'c String> {
        let concerns = |key: &&String| self.vocabulary.component(key).is_some_and(|component| component.cautions.contains(&caution.key));
        components.iter().filter(concerns).collect()
    }

    /// All classes of parts that a law lists.
    pub fn statutory_classes(&self) -> impl Iterator<Item = &'a StatutoryClass> {
        self.vocabulary.statutory_classes.iter()
    }

    /// The classes of the law that covers a category, in the law's order; none where no law does.
    pub fn statutory_classes_of(&self, category: &str) -> Vec<&'a StatutoryClass> {
        let law = self.vocabulary.category(category).and_then(|category| category.law.as_deref());
        self.statutory_classes().filter(|class| law == Some(class.law.as_str())).collect()
    }

    /// The assembly that must be bought where a sealed design holds the component.
    pub fn assembly(&self, component: &str) -> Option<&'a str> {
        self.vocabulary.component(component)?.assembly.as_deref()
    }

    /// The components that a design encloses, in the vocabulary's order.
    pub fn enclosed(&self, property: &'static str, design: &'static str) -> impl Iterator<Item = &'a str> {
        let names = *self;
        let keys = self.vocabulary.components.iter().map(|component| component.key.as_str());
        keys.filter(move |key| names.encloses(property, design, key))
    }

    /// Whether a design, such as `drum_design` and `sealed`, encloses the component.
    pub fn encloses(&self, property: &str, design: &str, component: &str) -> bool {
        let sealed = self.vocabulary.component(component).and_then(|component| component.sealed_inside.as_ref());
        sealed.is_some_and(|model_trait| model_trait.column == property && model_trait.value == design)
    }
}

/// The verb that fits a component's name: "wears" a belt, "wear" brushes.
pub(crate) fn agreeing(component: &str, one: &'static str, many: &'static str) -> &'static str {
    let plural = component.ends_with('s') && !component.ends_with("ss") || component.contains(" and ");
    if plural { many } else { one }
}

fn as_words(key: &str) -> String {
    match key.strip_prefix(OTHER) {
        Some(name) => inside_sentence(name),
        None => key.replace(['_', '/'], " "),
    }
}

/// Several of what a name says: "hair dryers", "watches/clocks", "large home electrical appliances".
fn plural(name: &str) -> String {
    name.split('/').map(plural_of_one).collect::<Vec<_>>().join("/")
}

fn plural_of_one(name: &str) -> String {
    let ends = |endings: &[&str]| endings.iter().any(|ending| name.ends_with(ending));
    match name.strip_suffix('y') {
        _ if name == "misc" => "miscellaneous things".to_owned(),
        _ if ends(&["electrical", "integrated"]) => format!("{name} appliances"),
        Some(stem) if !stem.ends_with(['a', 'e', 'i', 'o', 'u']) => format!("{stem}ies"),
        _ if ends(&["ch", "sh", "x"]) => format!("{name}es"),
        _ if name.ends_with('s') => name.to_owned(),
        _ => format!("{name}s"),
    }
}

/// The name with a small first letter, unless its first word is an abbreviation.
fn inside_sentence(name: &str) -> String {
    let mut letters = name.chars();
    let Some(first) = letters.next() else { return String::new() };
    let first_word = letters.as_str().split(' ').next().unwrap_or_default();
    if first_word.chars().any(char::is_uppercase) {
        return name.to_owned();
    }
    first.to_lowercase().chain(letters).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::vocabulary;

    #[test]
    fn names_that_records_bring_along_are_read_as_words() {
        let names = Names::new(vocabulary());
        for (key, many) in [
            ("other:Watch/clock", "watches/clocks"),
            ("other:Large home electrical", "large home electrical appliances"),
            ("other:TV and gaming-related accessories", "TV and gaming-related accessories"),
            ("other:Battery/charger/adapter", "batteries/chargers/adapters"),
            ("other:Hi-Fi separates", "Hi-Fi separates"),
            ("other:Toy", "toys"),
            ("washing_machine", "washing machines"),
            ("bread_maker", "bread makers"),
        ] {
            assert_eq!(names.categories(key), many, "{key}");
        }
        assert_eq!(names.component("other:Drive cog"), "drive cog");
    }
}
