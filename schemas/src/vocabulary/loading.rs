//! Reading vocabulary files, merging them and checking that they fit together.

use std::collections::{BTreeMap, BTreeSet};

use serde::Deserialize;
use toml::{Spanned, Table, Value};

use super::{List, ModelTrait, Spelling, Vocabulary};
use crate::terms::{Collision, Term, TermIndex};

/// What is wrong with a vocabulary file, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}, line {line}: {message}")]
pub struct VocabularyError {
    /// Name of the file.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// What is wrong and what to do.
    pub message: String,
}

macro_rules! embed {
    ($($file:literal),+ $(,)?) => { [$(($file, include_str!(concat!("../../vocabularies/", $file)))),+] };
}

/// The embedded files, in the order of their entries.
const EMBEDDED: [(&str, &str); 17] = embed![
    "statutory_classes.toml",
    "categories.toml",
    "subunits.toml",
    "failure_modes.toml",
    "cautions.toml",
    "codes.toml",
    "components_general.toml",
    "components_laundry.toml",
    "components_dishwasher.toml",
    "components_refrigeration.toml",
    "components_cooking.toml",
    "components_vacuum_cleaner.toml",
    "symptoms.toml",
    "first_looks.toml",
    "closing_tests.toml",
    "outcomes.toml",
    "reasons.toml",
];

/// Repair statuses of the Open Repair Data Standard v0.3 (standard.openrepair.org).
const ORDS_STATUSES: [&str; 4] = ["Fixed", "Repairable", "End of life", "Unknown"];

/// Repair barriers of the Open Repair Data Standard v0.3 (standard.openrepair.org).
const ORDS_BARRIERS: [&str; 6] = [
    "Spare parts not available",
    "Spare parts too expensive",
    "No way to open product",
    "Repair information not available",
    "Lack of equipment",
    "Item too worn out",
];

/// A fault of one entry of the merged lists, or of several that do not go together.
struct Fault {
    entries: Vec<EntryId>,
    message: String,
}

impl Fault {
    fn in_list(list: List, key: &str, message: String) -> Self {
        Self { entries: vec![EntryId::of_list(list, key)], message }
    }
}

/// The name of the list in the file, and what identifies the entry in it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct EntryId {
    array: String,
    key: String,
    /// The code list or the law, within which keys are unique.
    within: Option<String>,
}

impl EntryId {
    /// `within` counts only where keys are unique within a code list or a law.
    fn new(array: &str, key: &str, within: Option<&str>) -> Self {
        let scoped = matches!(array, "code" | "statutory_class");
        Self { array: array.to_owned(), key: key.to_owned(), within: within.filter(|_| scoped).map(str::to_owned) }
    }

    fn of_list(list: List, key: &str) -> Self {
        Self::new(list.array(), key, Some(list.name()))
    }

    fn of_table(array: &str, entry: &Table) -> Self {
        let text = |name| entry.get(name).and_then(Value::as_str);
        Self::new(array, text("key").unwrap_or_default(), text("list").or(text("law")))
    }

    fn fault(&self, message: String) -> Fault {
        Fault { entries: vec![self.clone()], message }
    }

    fn filled(&self, name: &str, value: &str) -> Result<(), Fault> {
        if value.is_empty() { Err(self.fault(format!("`{}` is new and needs `{name}`", self.key))) } else { Ok(()) }
    }

    fn known<'a>(&self, what: &str, keys: impl IntoIterator<Item = &'a String>, is_known: impl Fn(&str) -> bool) -> Result<(), Fault> {
        match keys.into_iter().find(|key| !is_known(key)) {
            Some(key) => Err(self.fault(format!("`{}` refers to the {what} `{key}`, which does not exist; check its spelling", self.key))),
            None => Ok(()),
        }
    }
}

impl Vocabulary {
    pub(super) fn embedded() -> Result<Self, VocabularyError> {
        Self::default().with_files(&EMBEDDED)
    }

    /// This vocabulary and a TOML file of the same form as the built-in ones; `file` is its name, for messages.
    ///
    /// An entry with a new key is added; an entry with a known key adds to the lists of that entry and replaces its single values.
    ///
    /// # Errors
    /// If the text is not TOML of that form, refers to a key that does not exist, leaves a new entry without a needed value, adds a
    /// key to a list on which calculations depend (outcomes, codes), or gives a spelling that already means something else in the
    /// same category. The message names the line.
    pub fn with_extension(&self, text: &str, file: &str) -> Result<Self, VocabularyError> {
        self.with_files(&[(file, text)])
    }

    /// This vocabulary and the files, given as name and text.
    fn with_files(&self, files: &[(&str, &str)]) -> Result<Self, VocabularyError> {
        let mut merged = self.merged.clone();
        let mut places = BTreeMap::new();
        for (file, text) in files {
            let toml_error = |error: toml::de::Error| {
                let start = error.span().map_or(0, |span| span.start);
                VocabularyError { file: (*file).to_owned(), line: line_of(text, start), message: error.message().to_owned() }
            };
            toml::from_str::<Self>(text).map_err(toml_error)?;
            let lines = entry_lines(text).map_err(toml_error)?;
            places.extend(lines.into_iter().map(|(entry, line)| (entry, (*file, line))));
            merge_lists(&mut merged, toml::from_str(text).map_err(toml_error)?);
        }

        let first_file = files.first().map_or("", |(file, _)| file);
        let error_at = |(file, line): (&str, usize), message| VocabularyError { file: file.to_owned(), line, message };
        let locate = |fault: Fault| {
            let place = fault.entries.iter().find_map(|entry| places.get(entry)).copied();
            error_at(place.unwrap_or((first_file, 1)), fault.message)
        };
        let mut extended: Self =
            merged.clone().try_into().map_err(|error: toml::de::Error| error_at((first_file, 1), error.message().to_owned()))?;
        self.check_closed_lists(&extended).map_err(locate)?;
        extended.check().map_err(locate)?;
        extended.indexes = extended.build_indexes().map_err(locate)?;
        extended.merged = merged;
        Ok(extended)
    }

    fn build_indexes(&self) -> Result<BTreeMap<List, TermIndex>, Fault> {
        let index = |list| match TermIndex::new(self.spellings(list).iter().flat_map(Spelling::terms).collect()) {
            Ok(index) => Ok((list, index)),
            Err(Collision { term, first_key, second_key }) => Err(Fault {
                entries: vec![EntryId::of_list(list, &second_key), EntryId::of_list(list, &first_key)],
                message: format!("`{term}` would mean both `{first_key}` and `{second_key}`; remove it from one of them"),
            }),
        };
        List::ALL.into_iter().map(index).collect()
    }

    /// Calculations depend on the outcomes and codes, so an extension may add spellings to them but not keys.
    fn check_closed_lists(&self, extended: &Self) -> Result<(), Fault> {
        for list in List::ALL {
            let open = matches!(list, List::Category | List::Component | List::FailureMode | List::Symptom | List::Reason);
            let known: Vec<&str> = self.spellings(list).iter().map(|entry| entry.key).collect();
            if open || known.is_empty() {
                continue;
            }
            if let Some(new) = extended.spellings(list).iter().find(|entry| !known.contains(&entry.key)) {
                let message = format!("`{}` cannot be added to this list; give it as a synonym of one of: {}", new.key, known.join(", "));
                return Err(Fault::in_list(list, new.key, message));
            }
        }
        Ok(())
    }

    fn check(&self) -> Result<(), Fault> {
        for list in List::ALL {
            for entry in self.spellings(list) {
                let fault = |message| Err(Fault::in_list(list, entry.key, message));
                if !is_key(entry.key) {
                    return fault(format!("the key `{}` must consist of small letters, digits, _ and -", entry.key));
                }
                if entry.name.is_empty() {
                    return fault(format!("`{}` is new and needs a `name`", entry.key));
                }
            }
        }
        for category in &self.categories {
            let laws: BTreeSet<&str> = self.statutory_classes.iter().map(|class| class.law.as_str()).collect();
            let id = EntryId::new("category", &category.key, None);
            id.known("law", category.law.iter(), |law| laws.contains(law))?;
            id.filled("plural", &category.plural)?;
            // No defaults: who adds a kind of machine says what can hurt somebody at it.
            id.filled("cautions", category.cautions.first().map_or("", String::as_str))?;
            id.known("caution", &category.cautions, |key| self.caution(key).is_some())?;
        }
        for known in &self.traits {
            let id = EntryId::new("trait", &known.key, None);
            id.filled("name", &known.name)?;
            id.filled("categories", known.categories.first().map_or("", String::as_str))?;
            id.filled("cautions", known.cautions.first().map_or("", String::as_str))?;
            id.known("category", &known.categories, |key| self.category(key).is_some())?;
            id.known("caution", &known.cautions, |key| self.caution(key).is_some())?;
            if let Some(absent) = &known.absent_if {
                id.known("trait", [&String::from(absent.clone())], |_| self.has_trait(absent))?;
            }
        }
        for component in &self.components {
            self.check_component(component)?;
        }
        for symptom in &self.symptoms {
            let id = EntryId::new("symptom", &symptom.key, None);
            id.known("category", symptom.categories.iter().chain(symptom.synonyms_in.keys()), |key| self.category(key).is_some())?;
            id.known("caution", &symptom.cautions, |key| self.caution(key).is_some())?;
        }
        for look in &self.first_looks {
            let id = EntryId::new("first_look", &look.key, None);
            id.filled("text", &look.text)?;
            id.known("category", &look.categories, |key| self.category(key).is_some())?;
        }
        for test in &self.closing_tests {
            let id = EntryId::new("closing_test", &test.key, None);
            id.filled("text", &test.text)?;
            id.filled("source", &test.source)?;
            id.known("category", test.categories.iter().chain(&test.heating), |key| self.category(key).is_some())?;
        }
        for outcome in &self.outcomes {
            EntryId::new("outcome", &outcome.key, None)
                .known("ords_status", [&outcome.ords_status], |status| ORDS_STATUSES.contains(&status))?;
        }
        for reason in &self.reasons {
            EntryId::new("reason", &reason.key, None)
                .known("ords_barrier", &reason.ords_barrier, |barrier| ORDS_BARRIERS.contains(&barrier))?;
        }
        for subunit in &self.subunits {
            let id = EntryId::new("subunit", &subunit.key, None);
            id.filled("name", &subunit.name)?;
            id.filled("meaning", &subunit.meaning)?;
        }
        for caution in &self.cautions {
            let id = EntryId::new("caution", &caution.key, None);
            id.filled("text", &caution.text)?;
            id.filled("source", &caution.source)?;
        }
        Ok(())
    }

    fn check_component(&self, component: &super::Component) -> Result<(), Fault> {
        let id = EntryId::new("component", &component.key, None);
        id.filled("subunit", &component.subunit)?;
        id.filled("categories", component.categories.first().map_or("", String::as_str))?;
        id.filled("failure_modes", component.failure_modes.first().map_or("", String::as_str))?;
        id.known("subunit", [&component.subunit], |key| self.subunit(key).is_some())?;
        id.known("category", &component.categories, |key| self.category(key).is_some())?;
        id.known("category of synonyms_in", component.synonyms_in.keys(), |key| component.categories.iter().any(|known| known == key))?;
        id.known("failure mode", &component.failure_modes, |key| self.failure_mode(key).is_some())?;
        id.known("caution", &component.cautions, |key| self.caution(key).is_some())?;
        id.known("assembly", &component.assembly, |key| self.component(key).is_some())?;
        for (law, class) in &component.statutory_class {
            id.known("statutory class", [class], |class| self.statutory_class(law, class).is_some())?;
        }
        for model_trait in component.model_trait.iter().chain(&component.sealed_inside) {
            id.known("trait", [&String::from(model_trait.clone())], |_| self.has_trait(model_trait))?;
        }
        if component.sealed_inside.is_some() != component.assembly.is_some() {
            return Err(id.fault("`sealed_inside` and `assembly` belong together; give both or neither".to_owned()));
        }
        if component.check_minutes <= 0.0 || !component.check_minutes.is_finite() {
            return Err(id.fault("needs `check_minutes`, the minutes that a check usually takes, above 0".to_owned()));
        }
        id.filled("check", if component.check.is_some() { "known" } else { "" })?;
        Ok(())
    }

    fn has_trait(&self, model_trait: &ModelTrait) -> bool {
        self.codes.iter().any(|code| code.list.name() == model_trait.column && code.key == model_trait.value)
    }
}

impl Spelling<'_> {
    fn terms(&self) -> Vec<Term> {
        let term =
            |text: &str, categories: &[String]| Term { text: text.to_owned(), key: self.key.to_owned(), categories: categories.to_vec() };
        let general =
            [self.key, self.name].into_iter().chain(self.synonyms.iter().map(String::as_str)).map(|text| term(text, self.categories));
        let by_category = self.synonyms_in.into_iter().flatten();
        let special = by_category.flat_map(|(category, texts)| texts.iter().map(|text| term(text, std::slice::from_ref(category))));
        general.chain(special).collect()
    }
}

fn is_key(key: &str) -> bool {
    !key.is_empty() && key.chars().all(|character| character.is_ascii_lowercase() || character.is_ascii_digit() || "_-".contains(character))
}

/// Adds the entries of `addition` to those of `merged`, entry by entry.
fn merge_lists(merged: &mut Table, addition: Table) {
    for (array, entries) in addition {
        let known = merged.entry(array.clone()).or_insert_with(|| Value::Array(Vec::new()));
        let (Value::Array(known), Value::Array(entries)) = (known, entries) else { continue };
        for entry in entries {
            let Value::Table(entry) = entry else { continue };
            let id = EntryId::of_table(&array, &entry);
            match known.iter_mut().filter_map(Value::as_table_mut).find(|old| EntryId::of_table(&array, old) == id) {
                Some(old) => merge_tables(old, entry),
                None => known.push(Value::Table(entry)),
            }
        }
    }
}

/// Lists grow, tables merge, single values are replaced.
fn merge_tables(old: &mut Table, new: Table) {
    for (name, value) in new {
        match (old.get_mut(&name), value) {
            (Some(Value::Array(old)), Value::Array(new)) => {
                let added: Vec<Value> = new.into_iter().filter(|value| !old.contains(value)).collect();
                old.extend(added);
            }
            (Some(Value::Table(old)), Value::Table(new)) => merge_tables(old, new),
            (_, value) => {
                old.insert(name, value);
            }
        }
    }
}

/// The line on which each entry's key stands.
fn entry_lines(text: &str) -> Result<BTreeMap<EntryId, usize>, toml::de::Error> {
    #[derive(Deserialize)]
    struct Located {
        key: Spanned<String>,
        list: Option<String>,
        law: Option<String>,
    }
    let arrays: BTreeMap<String, Vec<Located>> = toml::from_str(text)?;
    let located = arrays.iter().flat_map(|(array, entries)| entries.iter().map(move |entry| (array, entry)));
    Ok(located
        .map(|(array, Located { key, list, law })| {
            (EntryId::new(array, key.get_ref(), list.as_deref().or(law.as_deref())), line_of(text, key.span().start))
        })
        .collect())
}

fn line_of(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|&byte| byte == b'\n').count()
}
