//! The figures of the business, from one TOML file in which every key must stand.

use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};
use toml::de::{DeTable, DeValue};

use crate::error::AnalyticsError;

/// The commented file with the defaults.
pub const DEFAULT_FILE: &str = include_str!("../../business.toml");

/// What the business decides by. Money is in the currency of the records.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BusinessSettings {
    /// Whether these are the defaults of the program, because none were given.
    pub is_default: bool,
    pub labour_per_hour: f64,
    pub travel_per_visit: f64,
    pub call_out_charge: f64,
    pub recall_days: f64,
    pub returns_are_free: bool,
    pub least_contribution_per_job: f64,
    pub most_loss_probability: f64,
    pub fewest_jobs: f64,
    pub service_level: f64,
    pub van_budget: f64,
    pub van_restock_days: f64,
    pub stripping_minutes_per_machine: f64,
    pub stripping_minutes_per_part: f64,
    pub parts_kept_years: f64,
}

/// A number: its section and key, and the range in which it makes sense, ends included.
type Number = (&'static str, &'static str, f64, f64);

const MOST_MONEY: f64 = 1e6;
const NUMBERS: [Number; 13] = [
    ("costs", "labour_per_hour", 0.0, MOST_MONEY),
    ("costs", "travel_per_visit", 0.0, MOST_MONEY),
    ("costs", "call_out_charge", 0.0, MOST_MONEY),
    ("costs", "recall_days", 1.0, 365.0),
    ("verdict", "least_contribution_per_job", -MOST_MONEY, MOST_MONEY),
    ("verdict", "most_loss_probability", 0.001, 0.999),
    ("verdict", "fewest_jobs", 1.0, 1e6),
    ("stock", "service_level", 0.5, 0.999),
    ("stock", "van_budget", 0.0, MOST_MONEY),
    ("stock", "van_restock_days", 1.0, 365.0),
    ("donors", "stripping_minutes_per_machine", 0.0, 1e4),
    ("donors", "stripping_minutes_per_part", 0.0, 1e4),
    ("donors", "parts_kept_years", 0.1, 30.0),
];
const FLAG: (&str, &str) = ("costs", "returns_are_free");

impl Default for BusinessSettings {
    fn default() -> Self {
        let read = Self::from_toml(DEFAULT_FILE).expect("the embedded file is sound, as a test of this module shows");
        Self { is_default: true, ..read }
    }
}

/// A mistake in the file, and the line it stands in.
#[derive(Debug, PartialEq)]
struct Mistake {
    line: usize,
    message: String,
}

impl BusinessSettings {
    /// Reads a file of the user.
    ///
    /// # Errors
    /// The file cannot be read, is no TOML, lacks a key, has one too many, or a value that makes no sense; the message names the line.
    pub fn open(path: &Path) -> Result<Self, AnalyticsError> {
        let text = fs::read_to_string(path).map_err(AnalyticsError::file(path))?;
        Self::from_toml(&text).map_err(|mistake| AnalyticsError::Settings {
            path: path.to_owned(),
            line: mistake.line,
            message: mistake.message,
        })
    }

    fn from_toml(text: &str) -> Result<Self, Mistake> {
        let line_at = |offset: usize| 1 + text.bytes().take(offset).filter(|byte| *byte == b'\n').count();
        let parsed = DeTable::parse(text).map_err(|error| Mistake {
            line: error.span().map_or(1, |span| line_at(span.start)),
            message: format!("this is not TOML: {}", error.message()),
        })?;
        let file = parsed.get_ref();
        reject_unknown(file, &line_at)?;
        let value = |section: &str, key: &str| {
            let missing =
                |line, what: String| Mistake { line, message: format!("{what}; `fixodds business` prints a file with all of them") };
            let last_line = text.lines().count().max(1);
            let table = file.get(section).ok_or_else(|| missing(last_line, format!("the section [{section}] is missing")))?;
            let line = line_at(table.span().start);
            let inside = table.get_ref().as_table().ok_or_else(|| missing(line, format!("[{section}] must be a section")))?;
            let found = inside.get(key).ok_or_else(|| missing(line, format!("the section [{section}] does not set {key}")))?;
            Ok::<_, Mistake>((line_at(found.span().start), found.get_ref()))
        };
        let number = |section, key| {
            let (line, found) = value(section, key)?;
            let wrong = |why: String| Mistake { line, message: format!("{key} {why}") };
            let number = match found {
                DeValue::Integer(whole) => whole.as_str().replace('_', "").parse::<f64>().ok(),
                DeValue::Float(real) => real.as_str().replace('_', "").parse::<f64>().ok(),
                _ => None,
            };
            let number =
                number.ok_or_else(|| wrong("must be a number, such as 30 or 12.5, without quotation marks or units".to_owned()))?;
            let range = NUMBERS.iter().find(|known| known.1 == key).map_or((0.0, 0.0), |known| (known.2, known.3));
            if (range.0..=range.1).contains(&number) {
                Ok(number)
            } else {
                Err(wrong(format!("must lie between {} and {}, not {number}", range.0, range.1)))
            }
        };
        let mut numbers = [0.0; NUMBERS.len()];
        for (read, (section, key, ..)) in numbers.iter_mut().zip(NUMBERS) {
            *read = number(section, key)?;
        }
        let returns_are_free = match value(FLAG.0, FLAG.1)? {
            (_, DeValue::Boolean(flag)) => *flag,
            (line, _) => return Err(Mistake { line, message: format!("{} must be true or false", FLAG.1) }),
        };
        let [labour_per_hour, travel_per_visit, call_out_charge, recall_days, rest @ ..] = numbers;
        let [least_contribution_per_job, most_loss_probability, fewest_jobs, service_level, van_budget, van_restock_days, rest @ ..] = rest;
        let [stripping_minutes_per_machine, stripping_minutes_per_part, parts_kept_years] = rest;
        Ok(Self {
            is_default: false,
            labour_per_hour,
            travel_per_visit,
            call_out_charge,
            recall_days,
            returns_are_free,
            least_contribution_per_job,
            most_loss_probability,
            fewest_jobs,
            service_level,
            van_budget,
            van_restock_days,
            stripping_minutes_per_machine,
            stripping_minutes_per_part,
            parts_kept_years,
        })
    }
}

fn reject_unknown(file: &DeTable<'_>, line_at: &dyn Fn(usize) -> usize) -> Result<(), Mistake> {
    let known: Vec<(&str, &str)> = NUMBERS.iter().map(|known| (known.0, known.1)).chain([FLAG]).collect();
    for (section, table) in file {
        let name = section.get_ref().as_ref();
        if !known.iter().any(|known| known.0 == name) {
            return Err(Mistake { line: line_at(section.span().start), message: format!("`{name}` is no section of this file") });
        }
        for key in table.get_ref().as_table().into_iter().flat_map(|table| table.keys()) {
            let stated = key.get_ref().as_ref();
            if !known.contains(&(name, stated)) {
                let keys: Vec<&str> = known.iter().filter(|known| known.0 == name).map(|known| known.1).collect();
                let message = format!("`{stated}` is no setting of [{name}]; it has {}", keys.join(", "));
                return Err(Mistake { line: line_at(key.span().start), message });
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mistake(from: &str, to: &str) -> Mistake {
        assert!(DEFAULT_FILE.contains(from), "{from}");
        BusinessSettings::from_toml(&DEFAULT_FILE.replacen(from, to, 1)).unwrap_err()
    }

    #[test]
    fn the_embedded_file_is_sound() {
        let settings = BusinessSettings::default();
        assert!(settings.is_default && settings.returns_are_free);
        assert_eq!((settings.labour_per_hour, settings.fewest_jobs, settings.parts_kept_years), (40.0, 10.0, 2.0));
    }

    #[test]
    fn a_mistake_is_told_with_its_line() {
        let line = |text: &str| 1 + DEFAULT_FILE.lines().position(|line| line.starts_with(text)).unwrap();
        for (from, to, at, says) in [
            ("travel_per_visit = 15.0", "travel_per_visit = -3", "travel_per_visit", "must lie between 0 and 1000000, not -3"),
            ("travel_per_visit = 15.0", "travel_per_visit = nan", "travel_per_visit", "must lie between"),
            ("labour_per_hour = 40.0", "labour_per_hour = \"£30\"", "labour_per_hour", "must be a number"),
            ("labour_per_hour = 40.0", "labour_per_hour = ", "labour_per_hour", "this is not TOML"),
            ("returns_are_free = true", "returns_are_free = 1", "returns_are_free", "must be true or false"),
            ("fewest_jobs = 10", "fewest_job = 10", "fewest_jobs", "is no setting of [verdict]"),
            ("fewest_jobs = 10", "", "[verdict]", "does not set fewest_jobs"),
            ("[donors]", "[donor]", "[donors]", "is no section"),
        ] {
            let found = mistake(from, to);
            assert_eq!(found.line, line(at), "{found:?}");
            assert!(found.message.contains(says), "{found:?}");
        }
        assert!(BusinessSettings::from_toml("").unwrap_err().message.contains("[costs] is missing"));
    }
}
