//! Which table a file holds and which field each column holds: by title, confirmed by content.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use fixodds_schemas::terms::match_key;
use fixodds_schemas::{Field, FieldKind, InputTable, input_tables, normalise};

use crate::mapping::{EXTRA, Mapping};
use crate::report::{Doubt, RecognisedBy};

/// A column title that matches a field.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    column: usize,
    field: &'static Field,
    /// 1 for the field's own name, less the less certain.
    likeness: f64,
    how: Likeness,
}

/// Why a column may hold a field.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Likeness {
    Title,
    SimilarTitle(&'static str),
    /// This share of the values are terms of the field's list.
    Content(f64),
}

/// From this share of readable values on, a column whose title means free text is read as a list of terms.
const TELLING_SHARE: f64 = 0.8;

/// A column and the field it holds.
#[derive(Debug, Clone)]
pub struct Assignment {
    pub field: &'static Field,
    pub by: RecognisedBy,
}

/// The table and the field of each column.
#[derive(Debug)]
pub struct Recognition {
    pub table: &'static InputTable,
    pub by: RecognisedBy,
    /// One for each column of the file.
    pub columns: Vec<Option<Assignment>>,
    pub doubts: Vec<Doubt>,
}

/// Fields by match key of their titles, for one table.
struct TitleIndex {
    table: &'static InputTable,
    by_key: BTreeMap<String, &'static Field>,
}

fn title_indexes() -> &'static [TitleIndex] {
    static INDEXES: OnceLock<Vec<TitleIndex>> = OnceLock::new();
    INDEXES.get_or_init(|| {
        let index = |table: &'static InputTable| {
            let mut by_key = BTreeMap::new();
            for field in &table.fields {
                for title in field.headers() {
                    by_key.entry(match_key(title)).or_insert(field);
                }
            }
            TitleIndex { table, by_key }
        };
        input_tables().iter().map(index).collect()
    })
}

/// How many fields of one table the titles name, for the table that fits best.
pub fn known_titles<'a>(titles: impl Iterator<Item = &'a str>) -> usize {
    let keys: Vec<String> = titles.filter(|title| title.len() <= 100).map(match_key).collect();
    let fields_named = |index: &TitleIndex| {
        keys.iter().filter_map(|key| index.by_key.get(key)).map(|field| field.name.as_str()).collect::<BTreeSet<_>>().len()
    };
    title_indexes().iter().map(fields_named).max().unwrap_or(0)
}

/// Whether a title names the field of that table.
pub fn names_field(table: &str, field: &str, title: &str) -> bool {
    title_indexes()
        .iter()
        .any(|index| index.table.name == table && index.by_key.get(&match_key(title)).is_some_and(|known| known.name == field))
}

/// Finds the table by its columns; its name decides between tables that fit equally well.
///
/// `readable_share` says which share of a column's values can be read as a field's; it decides between columns that fit equally well.
/// None if no table fits.
pub fn recognise(
    file: &str,
    titles: &[String],
    table_names: &[&str],
    given: Option<&str>,
    mapping: &Mapping,
    readable_share: &dyn Fn(usize, &Field) -> Option<f64>,
) -> Option<Recognition> {
    let name_keys: Vec<String> = table_names.iter().map(|name| match_key(name)).collect();
    let is_named =
        |table: &InputTable| std::iter::once(&table.name).chain(&table.synonyms).any(|name| name_keys.contains(&match_key(name)));
    let mut fitting: Vec<((usize, bool, bool), Recognition)> = Vec::new();
    for index in title_indexes().iter().filter(|index| given.is_none_or(|given| given == index.table.name)) {
        let (columns, doubts) = assign(file, titles, index, mapping, readable_share);
        let found: BTreeSet<&str> = columns.iter().flatten().map(|assignment| assignment.field.name.as_str()).collect();
        let has_required = index.table.fields.iter().filter(|field| field.required).all(|field| found.contains(field.name.as_str()));
        if given.is_some() || found.len() >= 2 {
            let by = if given.is_some() { RecognisedBy::Given } else { RecognisedBy::Title };
            fitting.push(((found.len(), has_required, is_named(index.table)), Recognition { table: index.table, by, columns, doubts }));
        }
    }
    // a stable sort: of tables that fit equally well and have no telling name, the first in the dictionary is taken
    fitting.sort_by_key(|(rank, _)| std::cmp::Reverse(*rank));
    let name_decided = matches!(&fitting[..], [(first, _), (second, _), ..] if (first.0, first.1) == (second.0, second.1) && first.2);
    let (_, mut recognition) = fitting.into_iter().next()?;
    if name_decided {
        recognition.by = RecognisedBy::Name;
    }
    Some(recognition)
}

type Assignments = (Vec<Option<Assignment>>, Vec<Doubt>);

/// Gives each field at most one column and each column at most one field, the surest pairs first.
fn assign(
    file: &str,
    titles: &[String],
    index: &TitleIndex,
    mapping: &Mapping,
    readable_share: &dyn Fn(usize, &Field) -> Option<f64>,
) -> Assignments {
    let mut columns: Vec<Option<Assignment>> = vec![None; titles.len()];
    let mut doubts = Vec::new();
    let mut taken: BTreeMap<&str, usize> = BTreeMap::new();
    let mut closed = vec![false; titles.len()];
    for (column, title) in titles.iter().enumerate() {
        let Some(name) = mapping.field_of(&index.table.name, title) else { continue };
        closed[column] = true;
        if name != EXTRA
            && let Some(field) = index.table.field(name)
            && !taken.contains_key(field.name.as_str())
        {
            taken.insert(&field.name, column);
            columns[column] = Some(Assignment { field, by: RecognisedBy::Given });
        }
    }
    let mut candidates: Vec<(f64, Candidate)> = Vec::new();
    for column in (0..titles.len()).filter(|&column| !closed[column]) {
        let by_title = candidates_by_title(column, &titles[column], index);
        let by_content = by_title
            .iter()
            .filter(|candidate| candidate.field.kind == FieldKind::Text)
            .flat_map(|_| candidates_by_content(column, index, readable_share));
        candidates.extend(by_content.chain(by_title.iter().copied()).map(|candidate| {
            let confirms = if candidate.field.kind == FieldKind::Text { None } else { readable_share(candidate.column, candidate.field) };
            (candidate.likeness * (0.5 + 0.5 * confirms.unwrap_or(0.5)), candidate)
        }));
    }
    candidates.sort_by(|(first_score, first), (second_score, second)| {
        second_score
            .total_cmp(first_score)
            .then_with(|| first.column.cmp(&second.column))
            .then_with(|| first.field.name.cmp(&second.field.name))
    });
    for (_, candidate) in candidates {
        let Candidate { column, field, how, .. } = candidate;
        if columns[column].is_some() {
            continue;
        }
        let file = file.to_owned();
        if let Some(&other) = taken.get(field.name.as_str()) {
            if how == Likeness::Title {
                doubts.push(Doubt::TwoColumnsForField {
                    file,
                    field: field.name.clone(),
                    taken: titles[other].clone(),
                    other: titles[column].clone(),
                });
            }
            continue;
        }
        taken.insert(&field.name, column);
        let (column_title, field_name) = (titles[column].clone(), field.name.clone());
        let by = match how {
            Likeness::Title => RecognisedBy::Title,
            Likeness::SimilarTitle(known) => {
                doubts.push(Doubt::SimilarTitle { file, column: column_title, field: field_name, known: known.to_owned() });
                RecognisedBy::SimilarTitle(known.to_owned())
            }
            Likeness::Content(readable_share) => {
                doubts.push(Doubt::ReadByContent { file, column: column_title, field: field_name, readable_share });
                RecognisedBy::Content
            }
        };
        columns[column] = Some(Assignment { field, by });
    }
    (columns, doubts)
}

/// Lists of terms that nearly all values of a column belong to.
fn candidates_by_content<'i>(
    column: usize,
    index: &'i TitleIndex,
    readable_share: &'i dyn Fn(usize, &Field) -> Option<f64>,
) -> impl Iterator<Item = Candidate> + 'i {
    index.table.fields.iter().filter(|field| field.kind == FieldKind::Terms).filter_map(move |field| {
        let share = readable_share(column, field).filter(|share| *share >= TELLING_SHARE)?;
        Some(Candidate { column, field, likeness: 0.8, how: Likeness::Content(share) })
    })
}

/// The fields a title may name: a known title, the same without a currency sign, or a title that differs from it by a letter or two.
fn candidates_by_title(column: usize, title: &str, index: &TitleIndex) -> Vec<Candidate> {
    if title.len() > 100 {
        return Vec::new();
    }
    let title = without_number(title);
    let key = match_key(title);
    let candidate = |field: &'static Field, likeness: f64, how: Likeness| vec![Candidate { column, field, likeness, how }];
    if let Some(&field) = index.by_key.get(&key) {
        let likeness = if match_key(&field.name) == key { 1.0 } else { 0.95 };
        return candidate(field, likeness, Likeness::Title);
    }
    let without_sign = key.trim_matches(['£', '€', '$']);
    if without_sign != key
        && let Some(&field) = index.by_key.get(without_sign).filter(|field| field.kind == FieldKind::Money)
    {
        return candidate(field, 0.9, Likeness::Title);
    }
    let title = normalise(title);
    let length = title.chars().count();
    let allowed = match length {
        0..=5 => return Vec::new(),
        6..=9 => 1,
        _ => 2,
    };
    let mut nearest: Option<(usize, &'static Field, &'static str)> = None;
    for field in &index.table.fields {
        for known in field.headers() {
            let known_normalised = normalise(known);
            if known_normalised.chars().count().abs_diff(length) <= allowed {
                let distance = strsim::osa_distance(&title, &known_normalised);
                if distance <= allowed && nearest.is_none_or(|(best, ..)| distance < best) {
                    nearest = Some((distance, field, known));
                }
            }
        }
    }
    nearest.map_or_else(Vec::new, |(_, field, known)| candidate(field, 0.7, Likeness::SimilarTitle(known)))
}

/// A title that occurs twice carries a number, which the reader has given it.
fn without_number(title: &str) -> &str {
    let number = title
        .strip_suffix(')')
        .and_then(|rest| rest.rsplit_once(" ("))
        .filter(|(_, number)| number.bytes().all(|byte| byte.is_ascii_digit()));
    number.map_or(title, |(title, _)| title)
}

#[cfg(test)]
mod tests {
    use super::*;
    use fixodds_schemas::vocabulary;

    fn recognise_titles(titles: &[&str], names: &[&str], mapping: &Mapping) -> Option<Recognition> {
        let titles: Vec<String> = titles.iter().map(|title| (*title).to_owned()).collect();
        recognise("test.csv", &titles, names, None, mapping, &|_, _| None)
    }

    fn fields(recognition: &Recognition) -> Vec<Option<&str>> {
        recognition.columns.iter().map(|column| column.as_ref().map(|assignment| assignment.field.name.as_str())).collect()
    }

    #[test]
    fn workshop_titles_are_recognised() {
        let recognition =
            recognise_titles(&["Job No.", "Date closed", "Make", "Model No", "Result", "Van"], &[], &Mapping::default()).unwrap();
        assert_eq!(recognition.table.name, "jobs");
        assert_eq!(fields(&recognition), [Some("job_id"), Some("closed_on"), Some("brand"), Some("model"), Some("outcome"), None]);
    }

    #[test]
    fn other_tables_are_recognised_by_their_columns() {
        for (titles, table) in [
            (&["job_id", "step", "component", "failure_mode", "role", "caused_by"][..], "findings"),
            (&["job_id", "component", "part_number", "quantity", "unit_cost"], "parts"),
            (&["machine_id", "brand", "model", "in_service_on", "entered_on", "left_on"], "machines"),
            (&["brand", "model", "platform", "drum_design", "motor_type", "price_new"], "models"),
        ] {
            assert_eq!(recognise_titles(titles, &[], &Mapping::default()).unwrap().table.name, table);
        }
        assert!(recognise_titles(&["a", "b"], &["jobs"], &Mapping::default()).is_none());
    }

    #[test]
    fn a_misspelt_title_is_recognised_with_a_doubt() {
        let recognition = recognise_titles(&["job_id", "closed_on", "outcome", "labuor minutes"], &[], &Mapping::default()).unwrap();
        assert_eq!(fields(&recognition)[3], Some("labour_minutes"));
        assert!(matches!(&recognition.doubts[..], [Doubt::SimilarTitle { .. }]));
    }

    #[test]
    fn two_columns_never_hold_one_field() {
        let recognition = recognise_titles(&["date", "job_id", "closed_on", "outcome"], &[], &Mapping::default()).unwrap();
        assert_eq!(fields(&recognition), [None, Some("job_id"), Some("closed_on"), Some("outcome")]);
        assert!(matches!(&recognition.doubts[..], [Doubt::TwoColumnsForField { field, .. }] if field == "closed_on"));
    }

    #[test]
    fn a_repeated_title_is_doubted() {
        let recognition = recognise_titles(&["Job No", "Job No (2)", "Date done", "Outcome"], &[], &Mapping::default()).unwrap();
        assert_eq!(fields(&recognition)[..2], [Some("job_id"), None]);
        assert!(matches!(&recognition.doubts[..], [Doubt::TwoColumnsForField { .. }]));
    }

    #[test]
    fn content_decides_between_columns_that_fit_equally_well() {
        let titles = ["date closed", "completed on", "job_id", "outcome"].map(str::to_owned);
        let readable = |column: usize, _: &Field| Some(if column == 1 { 1.0 } else { 0.0 });
        let recognition = recognise("test.csv", &titles, &[], None, &Mapping::default(), &readable).unwrap();
        assert_eq!(fields(&recognition)[..2], [None, Some("closed_on")]);
    }

    #[test]
    fn a_text_column_full_of_terms_is_read_as_terms() {
        let titles = ["Job No", "Date done", "Outcome", "Fault found", "Report"].map(str::to_owned);
        let readable = |column: usize, field: &Field| {
            (field.kind == FieldKind::Terms).then_some(if column == 3 && field.name == "component" { 0.95 } else { 0.0 })
        };
        let recognition = recognise("test.csv", &titles, &[], None, &Mapping::default(), &readable).unwrap();
        assert_eq!(fields(&recognition)[3..], [Some("component"), Some("fault_text")]);
        assert!(matches!(&recognition.doubts[..], [Doubt::ReadByContent { .. }]));
    }

    #[test]
    fn the_mapping_overrides_titles() {
        let mapping = Mapping::parse("[jobs.columns]\n\"Zeug\" = \"component\"\nresult = \"extra\"\n", "m", vocabulary()).unwrap();
        let recognition = recognise_titles(&["job_id", "closed_on", "outcome", "Result", "ZEUG"], &[], &mapping).unwrap();
        assert_eq!(fields(&recognition), [Some("job_id"), Some("closed_on"), Some("outcome"), None, Some("component")]);
    }
}
