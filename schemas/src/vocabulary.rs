//! The shared vocabulary: appliance categories, components, failure modes, symptoms, outcomes, reasons, codes, statutory part
//! classes and cautions, each with a key, a name and the ways people write it; and what is looked at first and tested last.
//!
//! The lists live in `schemas/vocabularies/*.toml`. A user's own file of the same form can extend them: an entry with a new key is
//! added; an entry with a known key adds to that entry's lists and replaces its single values.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

use crate::terms::{Match, TermIndex, match_key};

mod loading;
pub use loading::VocabularyError;

/// The lists of terms, as they are called in the dictionary of input fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum List {
    Category,
    Component,
    FailureMode,
    Symptom,
    Outcome,
    Reason,
    /// Role of a finding: primary, consequential, incidental.
    Role,
    /// Origin of a part: new-original, new-pattern, used, repaired.
    PartSource,
    /// Where the work was done: home, workshop.
    Site,
    /// sealed or bolted.
    DrumDesign,
    /// brushed or brushless.
    MotorType,
    /// Why a machine left the roster.
    LeftReason,
    /// yes or no.
    YesNo,
}

impl List {
    /// All lists, in a fixed order.
    pub const ALL: [Self; 13] = [
        Self::Category,
        Self::Component,
        Self::FailureMode,
        Self::Symptom,
        Self::Outcome,
        Self::Reason,
        Self::Role,
        Self::PartSource,
        Self::Site,
        Self::DrumDesign,
        Self::MotorType,
        Self::LeftReason,
        Self::YesNo,
    ];

    /// The list's name in data files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Category => "category",
            Self::Component => "component",
            Self::FailureMode => "failure_mode",
            Self::Symptom => "symptom",
            Self::Outcome => "outcome",
            Self::Reason => "reason",
            Self::Role => "role",
            Self::PartSource => "part_source",
            Self::Site => "site",
            Self::DrumDesign => "drum_design",
            Self::MotorType => "motor_type",
            Self::LeftReason => "left_reason",
            Self::YesNo => "yes_no",
        }
    }

    /// The name of the array of tables that holds it in a vocabulary file.
    fn array(self) -> &'static str {
        match self {
            Self::Category | Self::Component | Self::FailureMode | Self::Symptom | Self::Outcome | Self::Reason => self.name(),
            _ => "code",
        }
    }
}

/// A kind of appliance.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Category {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub plural: String,
    #[serde(default)]
    pub synonyms: Vec<String>,
    /// Names of the product category in the Open Repair Data Standard v0.3 under which such an appliance is recorded.
    #[serde(default)]
    pub ords: Vec<String>,
    /// Which statutory list of spare parts covers it (the `law` of [`StatutoryClass`]); none if no list does.
    pub law: Option<String>,
    /// Keys of the cautions for every such machine, whatever is wrong with it, beside those that always apply.
    #[serde(default)]
    pub cautions: Vec<String>,
}

/// What only some machines of a category have, and the cautions that it brings.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Trait {
    pub key: String,
    #[serde(default)]
    pub name: String,
    /// Keys of the categories in which machines may have it.
    #[serde(default)]
    pub categories: Vec<String>,
    /// A model of which the catalogue says this does not have it; every other machine counts as having it.
    pub absent_if: Option<ModelTrait>,
    #[serde(default)]
    pub cautions: Vec<String>,
}

/// The middle level of the hierarchy equipment unit > subunit > maintainable item of ISO 14224.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Subunit {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub meaning: String,
}

/// A property of the model on which something depends: the value of one column of the models table.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize, Serialize)]
#[serde(try_from = "String", into = "String")]
pub struct ModelTrait {
    /// Column of the models table, for example `motor_type`.
    pub column: String,
    /// Value it must have, for example `brushed`.
    pub value: String,
}

impl TryFrom<String> for ModelTrait {
    type Error = String;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        match text.split_once('=') {
            Some((column, value)) if !column.trim().is_empty() && !value.trim().is_empty() => {
                Ok(Self { column: column.trim().to_owned(), value: value.trim().to_owned() })
            }
            _ => Err(format!("`{text}` is not a trait; write column=value, for example motor_type=brushed")),
        }
    }
}

impl From<ModelTrait> for String {
    fn from(model_trait: ModelTrait) -> Self {
        format!("{}={}", model_trait.column, model_trait.value)
    }
}

/// A part that can be examined, repaired or replaced: a maintainable item of ISO 14224.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Component {
    pub key: String,
    #[serde(default)]
    pub name: String,
    /// Key of the [`Subunit`] it belongs to.
    #[serde(default)]
    pub subunit: String,
    /// Keys of the categories that have it.
    #[serde(default)]
    pub categories: Vec<String>,
    /// Only models with this trait have it.
    #[serde(rename = "trait")]
    pub model_trait: Option<ModelTrait>,
    /// In models with this trait it lies inside an assembly that cannot be opened.
    pub sealed_inside: Option<ModelTrait>,
    /// Key of the component that must be bought whole where it is sealed inside.
    pub assembly: Option<String>,
    /// Spellings that hold in all its categories.
    #[serde(default)]
    pub synonyms: Vec<String>,
    /// Further spellings by category key, where a word means different things in different appliances.
    #[serde(default)]
    pub synonyms_in: BTreeMap<String, Vec<String>>,
    /// Keys of the failure modes that are usual for it.
    #[serde(default)]
    pub failure_modes: Vec<String>,
    /// Key of its [`StatutoryClass`], by law.
    #[serde(default)]
    pub statutory_class: BTreeMap<String, String>,
    /// Keys of its own cautions; [`Vocabulary::cautions_for`] adds those of the machine.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Minutes it usually takes to check (common practice, no source).
    #[serde(default)]
    pub check_minutes: f64,
    /// Whether that check is done with the power off or on; every component says so.
    pub check: Option<Check>,
}

/// How a check is done. Live checks come after all dead ones, whatever the odds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Check {
    /// Isolated and proved dead.
    Dead,
    /// Under power, or with the gas on.
    Live,
}

/// The way in which an item failed, as observed (ISO 14224, IEC 60812).
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct FailureMode {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub meaning: String,
    #[serde(default)]
    pub synonyms: Vec<String>,
}

/// What the customer notices.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Symptom {
    pub key: String,
    #[serde(default)]
    pub name: String,
    /// Keys of the categories in which it occurs and its spellings hold; empty for all.
    #[serde(default)]
    pub categories: Vec<String>,
    #[serde(default)]
    pub synonyms: Vec<String>,
    /// Further spellings by category key.
    #[serde(default)]
    pub synonyms_in: BTreeMap<String, Vec<String>>,
    /// Keys of the cautions for every machine of which this is reported.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// It stops everything: what to do at once.
    pub emergency: Option<Advice>,
}

/// What to do in an emergency, in the customer's words.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Advice {
    /// At once, in this order.
    pub now: Vec<String>,
    /// Until when the machine may not be used.
    pub until: String,
    /// Who may look for the fault.
    pub qualified: String,
    pub source: String,
}

/// How a job ended.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Outcome {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub meaning: String,
    /// The repair status of the Open Repair Data Standard v0.3 that it is exported as.
    #[serde(default)]
    pub ords_status: String,
    #[serde(default)]
    pub synonyms: Vec<String>,
}

/// Why a machine was not repaired.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Reason {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub meaning: String,
    /// The repair barrier of the Open Repair Data Standard v0.3 that it is exported as; none where the standard has no such barrier.
    pub ords_barrier: Option<String>,
    #[serde(default)]
    pub synonyms: Vec<String>,
}

/// A value of one of the short code lists, such as the role of a finding.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Code {
    pub key: String,
    pub list: List,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub meaning: String,
    #[serde(default)]
    pub synonyms: Vec<String>,
}

/// Who must be able to buy a part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Audience {
    /// Professional repairers.
    Professional,
    /// Professional repairers and end-users.
    EndUser,
}

impl Audience {
    /// The key that data files use.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Professional => "professional",
            Self::EndUser => "end_user",
        }
    }
}

/// A class of spare parts that a law says must be available.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct StatutoryClass {
    pub key: String,
    /// The law's short key, as in [`Category::law`].
    pub law: String,
    pub name: String,
    pub audience: Audience,
    /// Years of availability after the last unit of the model is placed on the market.
    pub years_after_last_placed_on_market: f64,
    /// Longest delivery time in working days after the order.
    pub delivery_working_days: u32,
    /// Day (ISO date) from which machines placed on the market are bound by it.
    pub applies_from: String,
    pub source: String,
}

/// A warning that comes before any instruction to test or open something.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub text: String,
    /// Position in a list of cautions: the lowest is shown first.
    #[serde(default)]
    pub order: u32,
    /// It comes before any work, whatever the machine.
    #[serde(default)]
    pub always: bool,
    /// It concerns machines that may have been made before this year.
    pub made_before: Option<i32>,
    /// Where the fact comes from, or that it comes from memory or practice.
    #[serde(default)]
    pub source: String,
}

/// What is looked at before any check, because it costs nothing.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct FirstLook {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub text: String,
    /// Keys of the categories that have it; empty for all.
    #[serde(default)]
    pub categories: Vec<String>,
}

/// A test after any repair, before the machine goes back: a prompt with its usual limit.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct ClosingTest {
    pub key: String,
    #[serde(default)]
    pub name: String,
    #[serde(default)]
    pub text: String,
    /// Keys of the categories that need it; empty for all.
    #[serde(default)]
    pub categories: Vec<String>,
    /// Unit of its limits.
    pub unit: Option<String>,
    /// A recorded number above this is beyond the usual limit.
    pub most: Option<f64>,
    /// A recorded number below this is.
    pub least: Option<f64>,
    /// Keys of the categories to which the limits for heating apply instead.
    #[serde(default)]
    pub heating: Vec<String>,
    pub heating_most: Option<f64>,
    pub heating_least: Option<f64>,
    /// The limit of a current to which a person is exposed by touch.
    pub touch_most: Option<f64>,
    #[serde(default)]
    pub source: String,
}

impl ClosingTest {
    /// The lower and the upper limit in machines of a category.
    #[must_use]
    pub fn limits(&self, category: Option<&str>) -> (Option<f64>, Option<f64>) {
        let heats = category.is_some_and(|category| self.heating.iter().any(|key| key == category));
        let limit = |usual: Option<f64>, heating: Option<f64>| heating.filter(|_| heats).or(usual);
        (limit(self.least, self.heating_least), limit(self.most, self.heating_most))
    }
}

/// A machine to be worked on, and what is reported of it, as far as cautions go.
#[derive(Debug, Clone, Copy, Default)]
pub struct AtHand<'a> {
    /// Key of its category.
    pub category: &'a str,
    /// What the catalogue says of its model.
    pub settled: &'a [ModelTrait],
    /// Keys of the symptoms reported.
    pub symptoms: &'a [String],
    /// The year in which it was made at the earliest; none where its age is not known.
    pub made_from: Option<f64>,
}

/// All lists, with an index of spellings for each.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vocabulary {
    #[serde(default, rename = "category")]
    pub categories: Vec<Category>,
    #[serde(default, rename = "subunit")]
    pub subunits: Vec<Subunit>,
    #[serde(default, rename = "component")]
    pub components: Vec<Component>,
    #[serde(default, rename = "failure_mode")]
    pub failure_modes: Vec<FailureMode>,
    #[serde(default, rename = "symptom")]
    pub symptoms: Vec<Symptom>,
    #[serde(default, rename = "outcome")]
    pub outcomes: Vec<Outcome>,
    #[serde(default, rename = "reason")]
    pub reasons: Vec<Reason>,
    #[serde(default, rename = "code")]
    pub codes: Vec<Code>,
    #[serde(default, rename = "statutory_class")]
    pub statutory_classes: Vec<StatutoryClass>,
    #[serde(default, rename = "caution")]
    pub cautions: Vec<Caution>,
    #[serde(default, rename = "trait")]
    pub traits: Vec<Trait>,
    #[serde(default, rename = "first_look")]
    pub first_looks: Vec<FirstLook>,
    #[serde(default, rename = "closing_test")]
    pub closing_tests: Vec<ClosingTest>,
    #[serde(skip)]
    indexes: BTreeMap<List, TermIndex>,
    #[serde(skip)]
    merged: toml::Table,
}

/// What the entries of all lists of terms have in common.
struct Spelling<'a> {
    key: &'a str,
    name: &'a str,
    synonyms: &'a [String],
    /// Categories in which name and synonyms hold; empty for all.
    categories: &'a [String],
    synonyms_in: Option<&'a BTreeMap<String, Vec<String>>>,
}

macro_rules! spelling {
    ($entry:expr) => {
        Spelling { key: &$entry.key, name: &$entry.name, synonyms: &$entry.synonyms, categories: &[], synonyms_in: None }
    };
}

/// The built-in vocabulary.
///
/// # Panics
/// Never: the embedded files are part of the program, and the tests of this crate load them.
#[must_use]
pub fn vocabulary() -> &'static Vocabulary {
    static VOCABULARY: OnceLock<Vocabulary> = OnceLock::new();
    VOCABULARY.get_or_init(|| Vocabulary::embedded().expect("the embedded vocabulary is valid, as the tests of this crate show"))
}

impl Vocabulary {
    /// The spellings of one list.
    #[must_use]
    #[expect(clippy::should_implement_trait, reason = "a named method says more than an operator")]
    pub fn index(&self, list: List) -> &TermIndex {
        static EMPTY: OnceLock<TermIndex> = OnceLock::new();
        self.indexes.get(&list).unwrap_or_else(|| EMPTY.get_or_init(TermIndex::default))
    }

    /// What `text` means in `list`; `category` (a category key) decides between words with several meanings.
    #[must_use]
    pub fn find(&self, list: List, text: &str, category: Option<&str>) -> Match<'_> {
        self.index(list).find(text, category)
    }

    /// The name to show for a key of a list; the key itself if the list does not have it.
    #[must_use]
    pub fn name<'a>(&'a self, list: List, key: &'a str) -> &'a str {
        self.spellings(list).into_iter().find(|entry| entry.key == key).map_or(key, |entry| entry.name)
    }

    #[must_use]
    pub fn category(&self, key: &str) -> Option<&Category> {
        self.categories.iter().find(|entry| entry.key == key)
    }

    /// The category of a product category name of the Open Repair Data Standard, if only one category is recorded under that name.
    #[must_use]
    pub fn category_of_ords(&self, product_category: &str) -> Option<&Category> {
        let wanted = match_key(product_category);
        let mut matching = self.categories.iter().filter(|entry| entry.ords.iter().any(|name| match_key(name) == wanted));
        matching.next().filter(|_| matching.next().is_none())
    }

    #[must_use]
    pub fn subunit(&self, key: &str) -> Option<&Subunit> {
        self.subunits.iter().find(|entry| entry.key == key)
    }

    #[must_use]
    pub fn component(&self, key: &str) -> Option<&Component> {
        self.components.iter().find(|entry| entry.key == key)
    }

    /// The components that machines of a category have, in the order of the vocabulary.
    pub fn components_of<'a>(&'a self, category: &'a str) -> impl Iterator<Item = &'a Component> {
        self.components.iter().filter(move |entry| entry.categories.iter().any(|known| known == category))
    }

    #[must_use]
    pub fn failure_mode(&self, key: &str) -> Option<&FailureMode> {
        self.failure_modes.iter().find(|entry| entry.key == key)
    }

    #[must_use]
    pub fn symptom(&self, key: &str) -> Option<&Symptom> {
        self.symptoms.iter().find(|entry| entry.key == key)
    }

    #[must_use]
    pub fn outcome(&self, key: &str) -> Option<&Outcome> {
        self.outcomes.iter().find(|entry| entry.key == key)
    }

    #[must_use]
    pub fn reason(&self, key: &str) -> Option<&Reason> {
        self.reasons.iter().find(|entry| entry.key == key)
    }

    /// The codes of one of the short lists, in the order of the vocabulary.
    pub fn codes_of(&self, list: List) -> impl Iterator<Item = &Code> {
        self.codes.iter().filter(move |entry| entry.list == list)
    }

    #[must_use]
    pub fn statutory_class(&self, law: &str, key: &str) -> Option<&StatutoryClass> {
        self.statutory_classes.iter().find(|entry| entry.law == law && entry.key == key)
    }

    /// The statutory class of a component in machines of a category, if a law lists it.
    #[must_use]
    pub fn statutory_class_of(&self, component: &str, category: &str) -> Option<&StatutoryClass> {
        let law = self.category(category)?.law.as_deref()?;
        self.statutory_class(law, self.component(component)?.statutory_class.get(law)?)
    }

    #[must_use]
    pub fn caution(&self, key: &str) -> Option<&Caution> {
        self.cautions.iter().find(|entry| entry.key == key)
    }

    /// The cautions for work on a machine: those that always apply, those of its kind, its traits and what is reported of it, and those
    /// of the components to be worked on, each once, in the order in which they should be read.
    #[must_use]
    pub fn cautions_for<'a>(&'a self, machine: &AtHand<'_>, components: impl IntoIterator<Item = &'a Component>) -> Vec<&'a Caution> {
        let has = |known: &Trait| {
            known.categories.iter().any(|key| key == machine.category)
                && known.absent_if.as_ref().is_none_or(|absent| !machine.settled.contains(absent))
        };
        let of_kind = self.category(machine.category).into_iter().flat_map(|category| &category.cautions);
        let of_traits = self.traits.iter().filter(|known| has(known)).flat_map(|known| &known.cautions);
        let of_symptoms = machine.symptoms.iter().filter_map(|key| self.symptom(key)).flat_map(|symptom| &symptom.cautions);
        let of_components = components.into_iter().flat_map(|component| &component.cautions);
        let keys: BTreeSet<&str> = of_kind.chain(of_traits).chain(of_symptoms).chain(of_components).map(String::as_str).collect();
        let concerns = |caution: &&Caution| {
            let may_be_that_old = caution.made_before.is_none_or(|year| machine.made_from.is_none_or(|made| made < f64::from(year)));
            (caution.always || keys.contains(caution.key.as_str())) && may_be_that_old
        };
        let mut cautions: Vec<&Caution> = self.cautions.iter().filter(concerns).collect();
        cautions.sort_by_key(|caution| caution.order);
        cautions
    }

    /// What to do at once, if the symptom is an emergency.
    #[must_use]
    pub fn emergency(&self, symptom: &str) -> Option<&Advice> {
        self.symptom(symptom)?.emergency.as_ref()
    }

    /// What is looked at before any check on a machine of that category.
    pub fn first_looks_of<'a>(&'a self, category: &'a str) -> impl Iterator<Item = &'a FirstLook> {
        self.first_looks.iter().filter(move |look| in_category(&look.categories, category))
    }

    /// The tests after any repair on a machine of that category.
    pub fn closing_tests_of<'a>(&'a self, category: &'a str) -> impl Iterator<Item = &'a ClosingTest> {
        self.closing_tests.iter().filter(move |test| in_category(&test.categories, category))
    }

    /// What the entries of a list have in common: key, name and spellings.
    fn spellings(&self, list: List) -> Vec<Spelling<'_>> {
        match list {
            List::Category => self.categories.iter().map(|entry| spelling!(entry)).collect(),
            List::Component => self
                .components
                .iter()
                .map(|entry| Spelling { categories: &entry.categories, synonyms_in: Some(&entry.synonyms_in), ..spelling!(entry) })
                .collect(),
            List::Symptom => self
                .symptoms
                .iter()
                .map(|entry| Spelling { categories: &entry.categories, synonyms_in: Some(&entry.synonyms_in), ..spelling!(entry) })
                .collect(),
            List::FailureMode => self.failure_modes.iter().map(|entry| spelling!(entry)).collect(),
            List::Outcome => self.outcomes.iter().map(|entry| spelling!(entry)).collect(),
            List::Reason => self.reasons.iter().map(|entry| spelling!(entry)).collect(),
            _ => self.codes_of(list).map(|entry| spelling!(entry)).collect(),
        }
    }
}

/// Whether a list of categories, empty for all, holds one.
fn in_category(categories: &[String], category: &str) -> bool {
    categories.is_empty() || categories.iter().any(|key| key == category)
}
