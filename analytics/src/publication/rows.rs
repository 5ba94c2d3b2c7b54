//! A table as the rules of publication see it: dimensions as small numbers, counts, and which rows are withheld.

use polars::prelude::{AnyValue, Column, DataFrame, DataType, NamedFrom, PlHashMap, PolarsResult, Series};

/// Dimensions that are numbers.
const NUMBER_DIMENSIONS: [&str; 6] = ["age_from_years", "age_to_years", "age_years", "horizon_days", "probability_from", "probability_to"];
/// Texts and flags that say a result, not what a row is about.
const TEXT_RESULTS: [&str; 5] = ["reason", "finding", "standing", "hazard_pattern", "listed"];
/// Whole numbers that count neither jobs nor machines.
const NOT_COUNTS: [&str; 5] = ["rank", "strata", "models", "exposed_models", "reference_models"];
/// What a row's events are taken over: what they leave of it can be had by subtraction.
const BASES: [&str; 3] = ["jobs", "orders", "condemned"];
/// Statistics that are values of single records, with how many times the least cell they must rest on.
const ORDER_STATISTICS: [(&str, i64); 11] = [
    ("median", 2),
    ("p90", 10),
    ("wait_median", 2),
    ("wait_p90", 10),
    ("price", 2),
    ("line_cost", 2),
    ("to_price_new", 2),
    ("part_price", 2),
    ("assembly_price", 2),
    ("delivery", 2),
    ("disassembly", 2),
];

/// The null of a dimension: any.
pub const ANY: u32 = 0;

pub struct PublishedTable {
    pub name: String,
    pub dimensions: Vec<(String, Vec<u32>)>,
    pub counts: Vec<(String, Vec<Option<i64>>)>,
    pub withheld: Vec<bool>,
    pub words: Words,
}

impl PublishedTable {
    pub fn read(name: &str, frame: &DataFrame) -> PolarsResult<PublishedTable> {
        let mut words = Words::default();
        let (mut dimensions, mut counts) = (Vec::new(), Vec::new());
        for column in frame.columns() {
            let column_name = column.name().to_string();
            if is_dimension(column) {
                dimensions.push((column_name, words.numbered(column)?));
            } else if is_count(column) {
                counts.push((column_name, whole(column)?));
            }
        }
        Ok(PublishedTable { name: name.to_owned(), dimensions, counts, withheld: vec![false; frame.height()], words })
    }

    pub fn is_dimension(&self, name: &str) -> bool {
        self.dimensions.iter().any(|(dimension, _)| dimension == name)
    }

    pub fn dimension(&self, name: &str) -> Option<&Vec<u32>> {
        self.dimensions.iter().find(|(dimension, _)| dimension == name).map(|(_, values)| values)
    }

    pub fn count(&self, name: &str) -> Option<&Vec<Option<i64>>> {
        self.counts.iter().find(|(count, _)| count == name).map(|(_, values)| values)
    }

    pub fn word(&self, name: &str, row: usize) -> Option<&str> {
        self.dimension(name).map(|values| values[row]).filter(|word| *word != ANY).map(|word| self.words.text(word))
    }

    /// Withholds every row with a count, or a remainder of one, between 1 and `least - 1`.
    pub fn withhold_small(&mut self, least: i64) {
        for row in 0..self.withheld.len() {
            let counts = || self.counts.iter().filter_map(move |(name, values)| Some((name.as_str(), values[row]?)));
            let small = |count: i64| count > 0 && count < least;
            let events = counts().find(|(name, _)| *name == "events").map(|(_, events)| events);
            let remainder = |(name, base): (&str, i64)| BASES.contains(&name) && events.is_some_and(|events| small(base - events));
            let needed = self
                .word("statistic", row)
                .and_then(|statistic| ORDER_STATISTICS.iter().find(|(name, _)| *name == statistic))
                .map_or(0, |(_, times)| times * least);
            let records = counts().filter(|(name, _)| !matches!(*name, "condemned" | "machines")).map(|(_, count)| count).max();
            self.withheld[row] = counts().any(|(_, count)| small(count))
                || counts().any(remainder)
                || (needed > 0 && records.is_some_and(|records| records < needed));
        }
    }
}

fn is_dimension(column: &Column) -> bool {
    let name = column.name().as_str();
    NUMBER_DIMENSIONS.contains(&name) || (matches!(column.dtype(), DataType::String | DataType::Boolean) && !TEXT_RESULTS.contains(&name))
}

/// Totals of a contrast are real, because some are machine-years.
fn is_count(column: &Column) -> bool {
    let name = column.name().as_str();
    (*column.dtype() == DataType::Int64 && !NOT_COUNTS.contains(&name) && !super::LEFT_OUT.contains(&name)) || name.ends_with("_total")
}

fn whole(column: &Column) -> PolarsResult<Vec<Option<i64>>> {
    Ok(match column.dtype() {
        DataType::Int64 => column.i64()?.iter().collect(),
        _ => column.f64()?.iter().map(|total| total.filter(|total| total.fract() == 0.0).map(|total| total as i64)).collect(),
    })
}

/// Texts of the dimensions of a table by number, from 1.
#[derive(Default)]
pub struct Words {
    texts: Vec<String>,
    numbers: PlHashMap<String, u32>,
}

impl Words {
    /// The text of a number; nothing for [`ANY`].
    pub fn text(&self, number: u32) -> &str {
        (number as usize).checked_sub(1).map_or("", |at| self.texts[at].as_str())
    }

    /// The number of a text that stands in the table.
    pub fn number(&self, text: &str) -> Option<u32> {
        self.numbers.get(text).copied()
    }

    pub fn all(&self) -> impl Iterator<Item = &str> {
        self.texts.iter().map(String::as_str)
    }

    fn number_of(&mut self, text: &str) -> u32 {
        self.number(text).unwrap_or_else(|| {
            self.texts.push(text.to_owned());
            let number = self.texts.len() as u32;
            self.numbers.insert(text.to_owned(), number);
            number
        })
    }

    fn numbered(&mut self, column: &Column) -> PolarsResult<Vec<u32>> {
        if let Ok(texts) = column.str() {
            let mut last = ("", ANY);
            let mut number = |text| {
                if last.1 == ANY || last.0 != text {
                    last = (text, self.number_of(text));
                }
                last.1
            };
            return Ok(texts.iter().map(|text| text.map_or(ANY, &mut number)).collect());
        }
        // Writing a number as text takes far longer than finding it again.
        let mut known: PlHashMap<Option<u64>, u32> = PlHashMap::default();
        let values = column.as_materialized_series();
        let mut number = |value: AnyValue<'_>| {
            if value.is_null() {
                return ANY;
            }
            let bits = value.extract::<f64>().map(f64::to_bits);
            *known.entry(bits).or_insert_with(|| self.number_of(&value.to_string()))
        };
        Ok(values.iter().map(&mut number).collect())
    }
}

/// The column with nothing in the rows that are not kept.
pub fn keep_only(column: &Column, keep: &[bool]) -> PolarsResult<Column> {
    let name = column.name().clone();
    macro_rules! kept {
        ($values:expr, $kind:ty) => {{
            let values: Vec<Option<$kind>> = $values.iter().zip(keep).map(|(value, keep)| value.filter(|_| *keep)).collect();
            Series::new(name, values)
        }};
    }
    let series = match column.dtype() {
        DataType::Int32 => kept!(column.i32()?, i32),
        DataType::Int64 => kept!(column.i64()?, i64),
        DataType::Float64 => kept!(column.f64()?, f64),
        DataType::Boolean => kept!(column.bool()?, bool),
        _ => kept!(column.str()?, &str),
    };
    Ok(Column::from(series))
}
