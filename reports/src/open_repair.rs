//! Records in the Open Repair Data Standard v0.3 (standard.openrepair.org): one CSV file, the standard's columns in its order.
//!
//! Free text is masked whole: the problem is told in the vocabulary's own words for the faults found and the symptoms reported, with a mark
//! where the record says more. Job numbers become running numbers.

use fixodds_analytics::open_repair::OpenRepairJob;
use fixodds_schemas::vocabulary::{List, Vocabulary};

use crate::exporters::ExportError;

pub const COLUMNS: [&str; 14] = [
    "id",
    "data_provider",
    "country",
    "partner_product_category",
    "product_category",
    "product_category_id",
    "brand",
    "year_of_manufacture",
    "product_age",
    "repair_status",
    "repair_barrier_if_end_of_life",
    "group_identifier",
    "event_date",
    "problem",
];

/// Stands where free text was.
pub const MASK: &str = "[free text withheld]";

/// The standard's product categories in the order of their numbers, which start at 1 (as in the data published under v0.3).
pub const CATEGORIES: [&str; 40] = [
    "Aircon/dehumidifier",
    "Battery/charger/adapter",
    "Decorative or safety lights",
    "Desktop computer",
    "Digital compact camera",
    "DSLR/video camera",
    "Fan",
    "Flat screen",
    "Hair & beauty item",
    "Handheld entertainment device",
    "Headphones",
    "Hi-Fi integrated",
    "Hi-Fi separates",
    "Kettle",
    "Lamp",
    "Laptop",
    "Large home electrical",
    "Misc",
    "Mobile",
    "Musical instrument",
    "Paper shredder",
    "PC accessory",
    "Portable radio",
    "Power tool",
    "Printer/scanner",
    "Projector",
    "Sewing machine",
    "Small home electrical",
    "Small kitchen item",
    "Tablet",
    "Toaster",
    "Toy",
    "TV and gaming-related accessories",
    "Vacuum",
    "Watch/clock",
    "Coffee maker",
    "Food processor",
    "Games console",
    "Hair dryer",
    "Iron",
];

/// For what the standard has no category of its own.
const MISCELLANEOUS: &str = "Misc";
/// The standard's word for a brand that is not known.
const UNKNOWN_BRAND: &str = "Unknown";
const OTHER: &str = "other:";
const END_OF_LIFE: &str = "End of life";

/// The CSV file; `country` is the ISO 3166 code of three letters, empty where it is not known.
///
/// # Errors
/// [`ExportError::Table`] if the file cannot be put together.
pub fn csv(jobs: &[OpenRepairJob], country: &str, vocabulary: &Vocabulary) -> Result<Vec<u8>, ExportError> {
    let fault = |cause: &dyn std::fmt::Display| ExportError::Table { table: "jobs".to_owned(), message: cause.to_string() };
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(COLUMNS).map_err(|cause| fault(&cause))?;
    for job in jobs {
        writer.write_record(record(job, country, vocabulary)).map_err(|cause| fault(&cause))?;
    }
    writer.into_inner().map_err(|cause| fault(&cause))
}

fn record(job: &OpenRepairJob, country: &str, vocabulary: &Vocabulary) -> [String; 14] {
    let category = product_category(job, vocabulary);
    let number = CATEGORIES.iter().position(|name| *name == category).map_or(String::new(), |place| (place + 1).to_string());
    let status =
        vocabulary.outcomes.iter().find(|outcome| outcome.key == job.outcome).map_or("Unknown", |outcome| outcome.ords_status.as_str());
    let barrier = vocabulary
        .reasons
        .iter()
        .find(|reason| status == END_OF_LIFE && Some(&reason.key) == job.not_repaired_reason.as_ref())
        .and_then(|reason| reason.ords_barrier.clone());
    let own_words = job.category.as_deref().and_then(|key| vocabulary.category(key)).map_or("", |category| category.name.as_str());
    let whole = |number: Option<i64>| number.map_or_else(String::new, |number| number.to_string());
    [
        format!("{}_{:06}", job.source, job.number),
        job.source.clone(),
        country.to_owned(),
        if own_words.is_empty() { category.to_owned() } else { format!("{category} ~ {own_words}") },
        category.to_owned(),
        number,
        job.brand.clone().unwrap_or_else(|| UNKNOWN_BRAND.to_owned()),
        whole(job.made_year),
        whole(job.age_years),
        status.to_owned(),
        barrier.unwrap_or_default(),
        job.source.clone(),
        job.closed_on.clone(),
        problem(job, vocabulary),
    ]
}

fn product_category<'c>(job: &'c OpenRepairJob, vocabulary: &'c Vocabulary) -> &'c str {
    let Some(key) = job.category.as_deref() else { return MISCELLANEOUS };
    if let Some(name) = key.strip_prefix(OTHER) {
        return name;
    }
    vocabulary.category(key).and_then(|category| category.ords.first()).map_or(MISCELLANEOUS, String::as_str)
}

fn problem(job: &OpenRepairJob, vocabulary: &Vocabulary) -> String {
    let names = |list: List, keys: &[String]| keys.iter().map(|key| vocabulary.name(list, key).to_owned()).collect::<Vec<_>>().join(", ");
    let mut parts = Vec::new();
    if !job.components.is_empty() {
        parts.push(format!("Faulty: {}.", names(List::Component, &job.components)));
    }
    if !job.symptoms.is_empty() {
        parts.push(format!("Reported: {}.", names(List::Symptom, &job.symptoms)));
    }
    if job.has_free_text {
        parts.push(MASK.to_owned());
    }
    parts.join(" ")
}
