//! Which table a file holds and which field each column holds: by title and by content, in one scored assignment.
//!
//! Every pair of a column and a field gets a score, the likeness of the title times how well the values can be read as the field's;
//! of all ways to give each column at most one field and each field at most one column, the one with the largest sum is taken. The
//! weights are ours: an exact title goes before a similar one, and that before content alone.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::OnceLock;

use fixodds_schemas::terms::match_key;
use fixodds_schemas::{Field, FieldKind, InputTable, List, input_tables, normalise};

use crate::assignment::best_assignment;
use crate::mapping::{EXTRA, Mapping};
use crate::report::{Doubt, RecognisedBy};

/// A field that a column may hold.
#[derive(Debug, Clone, Copy)]
struct Candidate {
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
    /// The title may mean other fields too.
    AmbiguousTitle,
    /// This share of the values can be read as the field's.
    Content(f64),
}

/// From this share of readable values on, content speaks for a field of which the title says nothing, or not enough.
const TELLING_SHARE: f64 = 0.8;
/// The same for days, of which any column may hold some.
const TELLING_SHARE_OF_DAYS: f64 = 0.95;
const LONGEST_TITLE: usize = 100;
/// Scores that differ by less say nothing.
const NO_DIFFERENCE: f64 = 0.02;
/// Lists whose terms tell a column of which the title says nothing.
const TELLING_LISTS: [List; 6] = [List::Category, List::Component, List::Symptom, List::Outcome, List::Reason, List::Site];

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
    /// Titles that may mean a field among others.
    ambiguous: BTreeMap<String, Vec<&'static Field>>,
}

fn title_indexes() -> &'static [TitleIndex] {
    static INDEXES: OnceLock<Vec<TitleIndex>> = OnceLock::new();
    INDEXES.get_or_init(|| {
        let index = |table: &'static InputTable| {
            let mut by_key = BTreeMap::new();
            let mut ambiguous: BTreeMap<String, Vec<&'static Field>> = BTreeMap::new();
            for field in &table.fields {
                for title in field.headers() {
                    by_key.entry(match_key(title)).or_insert(field);
                }
                for title in &field.ambiguous_synonyms {
                    ambiguous.entry(match_key(title)).or_default().push(field);
                }
            }
            TitleIndex { table, by_key, ambiguous }
        };
        input_tables().iter().map(index).collect()
    })
}

/// How many fields of one table the titles name, for the table that fits best.
pub fn known_titles<'a>(titles: impl Iterator<Item = &'a str>) -> usize {
    let keys: Vec<String> = titles.filter(|title| title.len() <= LONGEST_TITLE).map(match_key).collect();
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
        // what content alone says of the columns of another table says nothing of the table
        let by_title = columns.iter().flatten().filter(|assignment| assignment.by != RecognisedBy::Content);
        let found: BTreeSet<&str> = by_title.map(|assignment| assignment.field.name.as_str()).collect();
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

/// Gives each field at most one column and each column at most one field, so that the sum of the scores is largest.
fn assign(
    file: &str,
    titles: &[String],
    index: &TitleIndex,
    mapping: &Mapping,
    readable_share: &dyn Fn(usize, &Field) -> Option<f64>,
) -> Assignments {
    let mut columns: Vec<Option<Assignment>> = vec![None; titles.len()];
    let mut holder: BTreeMap<&str, usize> = BTreeMap::new();
    let mut closed = vec![false; titles.len()];
    for (column, title) in titles.iter().enumerate() {
        let Some(name) = mapping.field_of(&index.table.name, title) else { continue };
        closed[column] = true;
        if name != EXTRA
            && let Some(field) = index.table.field(name)
            && !holder.contains_key(field.name.as_str())
        {
            holder.insert(&field.name, column);
            columns[column] = Some(Assignment { field, by: RecognisedBy::Given });
        }
    }
    let candidates: Vec<Vec<Candidate>> = (0..titles.len())
        .map(|column| if closed[column] { Vec::new() } else { candidates(column, &titles[column], index, readable_share) })
        .collect();
    let fields = &index.table.fields;
    let mut scores = vec![vec![0.0_f64; titles.len()]; fields.len()];
    for (column, candidates) in candidates.iter().enumerate() {
        for candidate in candidates {
            let Some(at) = fields.iter().position(|field| field.name == candidate.field.name) else { continue };
            if !holder.contains_key(candidate.field.name.as_str()) {
                // of equals, the first column is taken
                let score = score(candidate, readable_share(column, candidate.field)) - column as f64 * 1e-7;
                scores[at][column] = scores[at][column].max(score);
            }
        }
    }
    let assigned = best_assignment(&scores);
    for (at, column) in assigned.iter().enumerate().filter_map(|(at, column)| Some((at, (*column)?))) {
        holder.insert(&fields[at].name, column);
    }
    let mut doubts = Vec::new();
    for (column, candidates) in candidates.iter().enumerate() {
        let (file, title) = (file.to_owned(), titles[column].clone());
        let held = assigned.iter().position(|held| *held == Some(column));
        let chosen = held.and_then(|at| {
            let of_field = candidates.iter().filter(|candidate| candidate.field.name == fields[at].name);
            of_field.max_by(|first, second| first.likeness.total_cmp(&second.likeness)).map(|candidate| (at, *candidate))
        });
        let Some((at, Candidate { field, how, .. })) = chosen else {
            let named = candidates.iter().find(|candidate| candidate.how == Likeness::Title);
            if let Some((candidate, &other)) = named.and_then(|candidate| Some((candidate, holder.get(candidate.field.name.as_str())?))) {
                let (field, taken) = (candidate.field.name.clone(), titles[other].clone());
                doubts.push(Doubt::TwoColumnsForField { file, field, taken, other: title });
            }
            continue;
        };
        let by = match how {
            Likeness::Title => RecognisedBy::Title,
            Likeness::SimilarTitle(known) => {
                doubts.push(Doubt::SimilarTitle { file, column: title, field: field.name.clone(), known: known.to_owned() });
                RecognisedBy::SimilarTitle(known.to_owned())
            }
            Likeness::Content(readable_share) => {
                doubts.push(Doubt::ReadByContent { file, column: title, field: field.name.clone(), readable_share });
                RecognisedBy::Content
            }
            Likeness::AmbiguousTitle => {
                let others: Vec<usize> = (0..fields.len())
                    .filter(|&other| other != at && candidates.iter().any(|other_one| other_one.field.name == fields[other].name))
                    .collect();
                let is_open = |other: &usize| assigned[*other].is_none() && scores[*other][column] > scores[at][column] - NO_DIFFERENCE;
                let could_as_well = others.iter().any(is_open);
                let others = others.into_iter().map(|other| fields[other].name.clone()).collect();
                let field = field.name.clone();
                doubts.push(Doubt::AmbiguousTitle { file, column: title, field, others, is_read: !could_as_well });
                if could_as_well {
                    holder.remove(fields[at].name.as_str());
                    continue;
                }
                RecognisedBy::AmbiguousTitle
            }
        };
        columns[column] = Some(Assignment { field, by });
    }
    (columns, doubts)
}

/// Likeness, halved where no value can be read, and by a quarter where that says nothing.
fn score(candidate: &Candidate, readable_share: Option<f64>) -> f64 {
    let says_nothing = matches!(candidate.field.kind, FieldKind::Text | FieldKind::Identifier);
    candidate.likeness * (0.5 + 0.5 * readable_share.filter(|_| !says_nothing).unwrap_or(0.5))
}

/// The fields that a column may hold.
fn candidates(column: usize, title: &str, index: &TitleIndex, readable_share: &dyn Fn(usize, &Field) -> Option<f64>) -> Vec<Candidate> {
    let mut found = by_title(title, index);
    let means_text = found.iter().any(|candidate| candidate.field.kind == FieldKind::Text);
    let key = match_key(without_number(title));
    // where values can tell, they must
    let is_confirmed = |field: &Field| {
        matches!(field.kind, FieldKind::Text | FieldKind::Identifier)
            || readable_share(column, field).is_some_and(|share| share >= TELLING_SHARE)
    };
    for &field in index.ambiguous.get(&key).into_iter().flatten().filter(|field| is_confirmed(field)) {
        let says_nothing = matches!(field.kind, FieldKind::Text | FieldKind::Identifier);
        found.push(Candidate { field, likeness: if says_nothing { 0.7 } else { 0.75 }, how: Likeness::AmbiguousTitle });
    }
    if found.is_empty() {
        found.extend(by_words_within(title, index).filter(|candidate| is_confirmed(candidate.field)));
    }
    if means_text || found.is_empty() {
        let likeness = if means_text { 0.8 } else { 0.5 };
        found.extend(by_content(column, index, readable_share, means_text).map(|(field, share)| Candidate {
            field,
            likeness,
            how: Likeness::Content(share),
        }));
    }
    found
}

/// Fields to which nearly all values of a column belong.
fn by_content<'i>(
    column: usize,
    index: &'i TitleIndex,
    readable_share: &'i dyn Fn(usize, &Field) -> Option<f64>,
    means_text: bool,
) -> impl Iterator<Item = (&'static Field, f64)> + 'i {
    let tells = move |field: &&'static Field| match field.kind {
        FieldKind::Terms if means_text => true,
        FieldKind::Term | FieldKind::Terms => !means_text && field.list.is_some_and(|list| TELLING_LISTS.contains(&list)),
        FieldKind::Date => !means_text && field.required,
        _ => false,
    };
    index.table.fields.iter().filter(tells).filter_map(move |field| {
        let share = readable_share(column, field)?;
        match field.kind {
            // numbers can be read as days too
            FieldKind::Date => {
                let is_number =
                    index.table.fields.iter().find(|field| field.kind == FieldKind::Money).and_then(|field| readable_share(column, field));
                (share >= TELLING_SHARE_OF_DAYS && is_number.is_none_or(|share| share < 1.0 - TELLING_SHARE_OF_DAYS))
                    .then_some((field, share))
            }
            _ => (share >= TELLING_SHARE).then_some((field, share)),
        }
    })
}

/// The fields a title may name: a known title, the same without a currency sign, or a title that differs from it by a letter or two.
fn by_title(title: &str, index: &TitleIndex) -> Vec<Candidate> {
    if title.len() > LONGEST_TITLE {
        return Vec::new();
    }
    let title = without_number(title);
    let key = match_key(title);
    let candidate = |field: &'static Field, likeness: f64, how: Likeness| vec![Candidate { field, likeness, how }];
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
    if index.ambiguous.contains_key(&key) {
        return Vec::new();
    }
    let title = normalise(title);
    let length = title.chars().count();
    let allowed = match length {
        0..=5 => return Vec::new(),
        6..=9 => 1,
        _ => 2,
    };
    let mut nearest: BTreeMap<&str, Candidate> = BTreeMap::new();
    for field in &index.table.fields {
        for known in field.headers() {
            let known_normalised = normalise(known);
            if known_normalised.chars().count().abs_diff(length) <= allowed {
                let distance = strsim::osa_distance(&title, &known_normalised);
                let likeness = if distance <= 1 { 0.7 } else { 0.65 };
                if distance <= allowed && nearest.get(field.name.as_str()).is_none_or(|best| likeness > best.likeness) {
                    nearest.insert(&field.name, Candidate { field, likeness, how: Likeness::SimilarTitle(known) });
                }
            }
        }
    }
    nearest.into_values().collect()
}

/// The fields of which a known title of several words stands within a longer one: "Date completed by engineer".
fn by_words_within(title: &str, index: &TitleIndex) -> impl Iterator<Item = Candidate> {
    let words = if title.len() > LONGEST_TITLE { String::new() } else { format!(" {} ", normalise(title)) };
    index.table.fields.iter().filter_map(move |field| {
        let known = field.headers().filter(|known| known.contains(' ')).find(|known| words.contains(&format!(" {} ", normalise(known))))?;
        Some(Candidate { field, likeness: 0.6, how: Likeness::SimilarTitle(known) })
    })
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
    fn content_tells_what_an_ambiguous_title_means() {
        let titles = ["Job No", "Date done", "Outcome", "Type", "Cost", "Visit date"].map(str::to_owned);
        let recognise_type = |is_category: bool| {
            let readable = move |column: usize, field: &Field| match (column, field.kind) {
                (3, FieldKind::Term) => Some(f64::from(u8::from(is_category && field.name == "category"))),
                _ => Some(1.0),
            };
            recognise("test.csv", &titles, &[], None, &Mapping::default(), &readable).unwrap()
        };
        assert_eq!(fields(&recognise_type(true))[3], Some("category"));
        let as_model = recognise_type(false);
        assert_eq!(fields(&as_model)[3..], [Some("model"), None, Some("booked_on")], "a cost of what, nobody knows");
        let ambiguous: Vec<(&str, bool)> = as_model
            .doubts
            .iter()
            .filter_map(
                |doubt| if let Doubt::AmbiguousTitle { column, is_read, .. } = doubt { Some((column.as_str(), *is_read)) } else { None },
            )
            .collect();
        assert_eq!(ambiguous, [("Type", true), ("Cost", false)]);
    }

    #[test]
    fn a_title_that_says_nothing_leaves_it_to_the_values() {
        let titles = ["Job No", "Erledigt am", "Outcome", "Gerät", "Preis"].map(str::to_owned);
        let readable = |column: usize, field: &Field| match (column, field.name.as_str()) {
            (1, "closed_on") | (3, "category") | (4, "closed_on") => Some(1.0),
            (4, _) if field.kind == FieldKind::Money => Some(1.0),
            (0 | 2, _) => Some(1.0),
            _ => Some(0.0),
        };
        let recognition = recognise("test.csv", &titles, &[], None, &Mapping::default(), &readable).unwrap();
        assert_eq!(fields(&recognition), [Some("job_id"), Some("closed_on"), Some("outcome"), Some("category"), None]);
        assert_eq!(recognition.doubts.len(), 2);
    }

    #[test]
    fn known_words_within_a_longer_title_are_doubted() {
        let recognition =
            recognise_titles(&["Job No", "Date completed", "Outcome", "Model number on the plate"], &[], &Mapping::default()).unwrap();
        assert_eq!(fields(&recognition)[3], Some("model"));
        assert!(matches!(&recognition.doubts[..], [Doubt::SimilarTitle { .. }]));
    }

    #[test]
    fn the_mapping_overrides_titles() {
        let mapping = Mapping::parse("[jobs.columns]\n\"Zeug\" = \"component\"\nresult = \"extra\"\n", "m", vocabulary()).unwrap();
        let recognition = recognise_titles(&["job_id", "closed_on", "outcome", "Result", "ZEUG"], &[], &mapping).unwrap();
        assert_eq!(fields(&recognition), [Some("job_id"), Some("closed_on"), Some("outcome"), None, Some("component")]);
    }
}
