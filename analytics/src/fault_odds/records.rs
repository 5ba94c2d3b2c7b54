//! The jobs that the odds are counted from, grouped by what they have in common.

use std::collections::{BTreeMap, BTreeSet};

use fixodds_schemas::vocabulary::vocabulary;
use fixodds_schemas::words::is_code;

use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::tables::evidence_sql;

/// Closed within twelve months before the cut-off, within the twelve before those, or earlier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Period {
    Earlier,
    LastYearButOne,
    LastYear,
}

/// Where the symptoms of a job come from. Only a complaint was known before the machine was opened; the odds rest on nothing else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    Complaint,
    Diagnosis,
    None,
}

impl Origin {
    /// As the store and the evidence name it.
    pub fn code(self) -> &'static str {
        match self {
            Self::Complaint => "complaint",
            Self::Diagnosis => "diagnosis",
            Self::None => "none",
        }
    }
}

/// A kind of machine, as far as it is known.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Kind {
    pub brand: Option<String>,
    pub platform: Option<String>,
    pub model: Option<String>,
}

/// Jobs alike in kind, age band, complaint, fault and period.
#[derive(Debug, Clone)]
pub struct Record {
    pub category: usize,
    /// Position among the kinds of the category.
    pub kind: usize,
    pub age_band: Option<usize>,
    /// Of the complaint.
    pub symptoms: Vec<usize>,
    pub words: Vec<usize>,
    pub origin: Origin,
    pub fault: usize,
    pub period: Period,
    pub jobs: u32,
    /// Every other record, to see what twice as many jobs teach.
    pub in_first_half: bool,
}

/// What the catalogue, or else the records, say of a model.
#[derive(Debug, Clone, Default)]
pub struct Described {
    pub brand: Option<String>,
    pub platform: Option<String>,
    pub price_new: Option<f64>,
}

/// What the jobs of one category name.
#[derive(Default)]
struct Named<'a> {
    components: BTreeSet<&'a str>,
    symptoms: BTreeSet<&'a str>,
    words: BTreeSet<&'a str>,
    kinds: BTreeSet<&'a Kind>,
}

/// The words that positions of one category stand for.
#[derive(Debug, Clone, Default)]
pub struct CategoryKeys {
    pub key: String,
    pub components: Vec<String>,
    pub symptoms: Vec<String>,
    /// All words of complaints, as [`counted_word`] writes them.
    pub words: Vec<String>,
    pub kinds: Vec<Kind>,
    /// Models with or without jobs.
    pub models: BTreeMap<String, Described>,
}

#[derive(Debug, Clone, Default)]
pub struct Records {
    pub categories: Vec<CategoryKeys>,
    pub records: Vec<Record>,
}

struct Raw {
    category: String,
    kind: Kind,
    age_band: Option<usize>,
    symptoms: Vec<String>,
    words: Vec<String>,
    origin: Origin,
    fault: String,
    period: Period,
    jobs: u32,
}

/// A word of a complaint as it is counted: an error code means what its brand says, so that it is counted within the brand, and not at all
/// where the brand is not known.
pub fn counted_word(word: &str, brand: Option<&str>) -> Option<String> {
    if is_code(word) { brand.map(|brand| format!("{brand} {word}")) } else { Some(word.to_owned()) }
}

pub fn read(engine: &Engine) -> Result<Records, AnalyticsError> {
    let raw = engine.rows("fault_odds", evidence_sql!("fault_odds_jobs"), |row| {
        let parts = |text: Option<String>, joint: char| -> Vec<String> {
            text.iter().flat_map(|text| text.split(joint)).filter(|part| !part.is_empty()).map(str::to_owned).collect()
        };
        let kind = Kind { brand: row.get("brand")?, platform: row.get("platform")?, model: row.get("model_key")? };
        let words = parts(row.get("complaint_words")?, ' ');
        let from: Option<f64> = row.get("age_from_years")?;
        Ok(Raw {
            category: row.get("category")?,
            age_band: from.and_then(|from| AGE_BAND_EDGES_YEARS.iter().position(|edge| *edge == from)),
            symptoms: parts(row.get("symptoms")?, ';'),
            words: words.iter().filter_map(|word| counted_word(word, kind.brand.as_deref())).collect(),
            kind,
            origin: match row.get::<_, Option<String>>("symptoms_origin")?.as_deref() {
                Some("complaint") => Origin::Complaint,
                Some(_) => Origin::Diagnosis,
                None => Origin::None,
            },
            fault: row.get("component")?,
            period: match row.get::<_, i32>("period")? {
                0 => Period::Earlier,
                1 => Period::LastYearButOne,
                _ => Period::LastYear,
            },
            jobs: row.get::<_, i64>("jobs")? as u32,
        })
    })?;
    let mut models: BTreeMap<String, BTreeMap<String, Described>> = BTreeMap::new();
    engine.rows("fault_odds", evidence_sql!("fault_odds_models"), |row| {
        let described = Described { brand: row.get("brand")?, platform: row.get("platform")?, price_new: row.get("price_new")? };
        models.entry(row.get("category")?).or_default().insert(row.get("model_key")?, described);
        Ok(())
    })?;
    Ok(index(&raw, models))
}

/// Replaces keys by positions: components in the order of the vocabulary, then those it does not have; the rest sorted.
fn index(raw: &[Raw], mut models: BTreeMap<String, BTreeMap<String, Described>>) -> Records {
    let mut found: BTreeMap<&str, Named<'_>> = BTreeMap::new();
    for job in raw {
        let named = found.entry(&job.category).or_default();
        named.components.insert(&job.fault);
        named.symptoms.extend(job.symptoms.iter().map(String::as_str));
        named.words.extend(job.words.iter().map(String::as_str));
        named.kinds.insert(&job.kind);
    }
    let mut all = Records::default();
    let mut positions = BTreeMap::new();
    for (key, named) in found {
        let known: Vec<&str> = vocabulary().components_of(key).map(|component| component.key.as_str()).collect();
        let unknown = named.components.iter().filter(|component| !known.contains(component));
        let components: Vec<String> = known.iter().chain(unknown).map(|component| (*component).to_owned()).collect();
        positions.insert(key, all.categories.len());
        all.categories.push(CategoryKeys {
            key: key.to_owned(),
            components,
            symptoms: named.symptoms.into_iter().map(str::to_owned).collect(),
            words: named.words.into_iter().map(str::to_owned).collect(),
            kinds: named.kinds.into_iter().cloned().collect(),
            models: models.remove(key).unwrap_or_default(),
        });
    }
    for job in raw {
        let category = positions[job.category.as_str()];
        let keys = &all.categories[category];
        let (Some(fault), Ok(kind)) = (keys.components.iter().position(|key| *key == job.fault), keys.kinds.binary_search(&job.kind))
        else {
            continue;
        };
        all.records.push(Record {
            category,
            kind,
            age_band: job.age_band,
            symptoms: job.symptoms.iter().filter_map(|key| keys.symptoms.binary_search(key).ok()).collect(),
            words: job.words.iter().filter_map(|word| keys.words.binary_search(word).ok()).collect(),
            origin: job.origin,
            fault,
            period: job.period,
            jobs: job.jobs,
            in_first_half: all.records.len().is_multiple_of(2),
        });
    }
    all
}
