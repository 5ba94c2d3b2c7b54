//! The evidence tables on disk: one Parquet file each, and what they rest on in `about.json`.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::path::Path;

use fixodds_schemas::checksums::{self, Checksums, Damage};
use fixodds_schemas::store_layout::{StoreLayout, read_link, swap_link};
use fixodds_schemas::tables::evidence_tables;
use polars::prelude::{DataFrame, ParquetReader, ParquetWriter, SerReader};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::business::BusinessSettings;
use crate::error::AnalyticsError;
use crate::fault_odds::{self, FaultOdds};
use crate::quote::{self, Quotes};

/// What the evidence rests on: the records, their dates and what could not be used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct About {
    pub program_version: String,
    /// Name of the snapshot that was analysed.
    pub snapshot: String,
    pub sources: Vec<String>,
    /// The cut-off: nothing after this day is known.
    pub as_of: String,
    /// First and last day on which a job was closed.
    pub first_closed_on: String,
    pub last_closed_on: String,
    pub currency: String,
    pub jobs: i64,
    pub jobs_with_primary_fault: i64,
    /// Jobs on which a fault was found and no part is named.
    #[serde(default)]
    pub jobs_fault_not_named: i64,
    pub jobs_with_several_primary_faults: i64,
    pub jobs_on_roster: i64,
    pub jobs_machine_unknown: i64,
    pub jobs_age_unknown: i64,
    pub jobs_other_currency: i64,
    /// Jobs by what their age rests on (in_service, made, bought, made_year, stated, unknown).
    pub age_basis: BTreeMap<String, i64>,
    /// Machines that can be told apart in the jobs.
    pub machines_in_jobs: i64,
    pub roster_machines: i64,
    #[serde(default)]
    pub roster_stays: i64,
    pub roster_machines_observed: i64,
    /// Watched machines of which the roster does not say when they were put into service: they count in rates over all ages alone.
    #[serde(default)]
    pub roster_machines_age_unknown: i64,
    pub machine_years: f64,
    pub models_in_catalogue: i64,
    /// For each source the first and last day from which its jobs are on record.
    #[serde(default)]
    pub source_spans: BTreeMap<String, [String; 2]>,
    pub files: Vec<FileAccount>,
    /// The files that were read into the snapshot, in the order in which they were.
    #[serde(default)]
    pub inputs: Vec<Input>,
    pub put_aside: Vec<PutAside>,
    /// Rows of each evidence table.
    pub table_rows: BTreeMap<String, i64>,
    /// Evidence that these records cannot give, in words, by table.
    pub missing: BTreeMap<String, String>,
    /// What the business decides by.
    #[serde(default)]
    pub business: BusinessSettings,
    /// Public holidays that were given and are left out of working days.
    #[serde(default)]
    pub holidays: usize,
    /// The fewest machines or jobs that a figure rests on, where this is evidence for publication.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_cell: Option<i64>,
}

impl About {
    /// Whether there is exposure, and with it true rates.
    pub fn has_exposure(&self) -> bool {
        self.machine_years > 0.0
    }
}

/// What became of the rows of one ingested file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FileAccount {
    pub file: String,
    pub table: String,
    pub rows_in: i64,
    pub accepted: i64,
    pub repeats: i64,
    pub superseded: i64,
    pub quarantined: i64,
    pub values_set_aside: i64,
}

/// A file that was read into the store.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    pub file: String,
    pub table: String,
    pub source: String,
    pub rows_in: i64,
    /// BLAKE3 of its bytes, as taken when it was read.
    pub blake3: String,
}

/// How often rows or values were put aside for one reason.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PutAside {
    pub table: String,
    /// `row` or `value`.
    pub kind: String,
    pub column: Option<String>,
    pub reason: String,
    pub remedy: String,
    pub count: i64,
}

/// All evidence tables of one analysis.
#[derive(Debug, Clone)]
pub struct Evidence {
    pub about: About,
    pub tables: BTreeMap<String, DataFrame>,
    /// The platform of each model of the catalogue, as the tables name both.
    pub platforms: BTreeMap<String, String>,
}

const PLATFORMS: &str = "platforms.json";
const ABOUT: &str = "about.json";

/// The current evidence and the one before it, for readers that have just opened it.
const EVIDENCE_KEPT: u32 = 2;

impl Evidence {
    /// Reads the store's current evidence.
    pub fn open(store: &StoreLayout) -> Result<Self, AnalyticsError> {
        let link = store.evidence_link();
        let Some(target) = read_link(&link).map_err(AnalyticsError::file(&link))? else {
            return Err(AnalyticsError::NotAnalysed(store.root().to_owned()));
        };
        let folder = store.evidence_dir().join(target);
        if let Some(damage) = checksums::verify(&folder).map_err(AnalyticsError::file(&folder))?.into_iter().next() {
            return Err(AnalyticsError::DamagedEvidence { folder, damage });
        }
        let about_path = folder.join(ABOUT);
        let text = fs::read_to_string(&about_path).map_err(AnalyticsError::file(&about_path))?;
        let unreadable = |path: &Path, message: String| AnalyticsError::Unreadable { path: path.to_owned(), message };
        let about: About = serde_json::from_str(&text).map_err(|cause| unreadable(&about_path, cause.to_string()))?;
        let mut tables = BTreeMap::new();
        for schema in evidence_tables() {
            let path = folder.join(format!("{}.parquet", schema.name));
            if path.is_file() {
                let file = File::open(&path).map_err(AnalyticsError::file(&path))?;
                let frame = ParquetReader::new(file).finish().map_err(|cause| unreadable(&path, cause.to_string()))?;
                tables.insert(schema.name.clone(), frame);
            }
        }
        Ok(Self { about, tables, platforms: read_json(store, PLATFORMS)? })
    }

    /// Makes this the store's current evidence: written whole into a folder of its own, with the odds of faults and the quotes beside the tables, then
    /// swapped in.
    pub(crate) fn make_current(&mut self, store: &StoreLayout, fault_odds: &FaultOdds, quotes: &Quotes) -> Result<(), AnalyticsError> {
        let parent = store.evidence_dir();
        fs::create_dir_all(&parent).map_err(AnalyticsError::file(&parent))?;
        let number = folder_numbers(&parent)?.into_iter().max().unwrap_or(0) + 1;
        let name = format!("{number:06}");
        let building = parent.join(format!("{name}.building"));
        if building.exists() {
            fs::remove_dir_all(&building).map_err(AnalyticsError::file(&building))?;
        }
        fs::create_dir(&building).map_err(AnalyticsError::file(&building))?;
        write_json(&building, fault_odds::FILE, fault_odds)?;
        write_json(&building, quote::FILE, quotes)?;
        write_json(&building, PLATFORMS, &self.platforms)?;
        self.write(&building)?;
        fs::rename(&building, parent.join(&name)).map_err(AnalyticsError::file(&building))?;
        swap_link(&store.evidence_link(), Path::new(&name)).map_err(AnalyticsError::file(&parent))?;
        for old in folder_numbers(&parent)?.into_iter().filter(|old| old + EVIDENCE_KEPT <= number) {
            let folder = parent.join(format!("{old:06}"));
            fs::remove_dir_all(&folder).map_err(AnalyticsError::file(&folder))?;
        }
        Ok(())
    }

    fn write(&mut self, folder: &Path) -> Result<(), AnalyticsError> {
        for (name, frame) in &mut self.tables {
            let path = folder.join(format!("{name}.parquet"));
            let file = File::create(&path).map_err(AnalyticsError::file(&path))?;
            let durable = file.try_clone().map_err(AnalyticsError::file(&path))?;
            ParquetWriter::new(file)
                .finish(frame)
                .map_err(|cause| AnalyticsError::Unreadable { path: path.clone(), message: cause.to_string() })?;
            durable.sync_all().map_err(AnalyticsError::file(&path))?;
        }
        let path = folder.join(ABOUT);
        let mut text = serde_json::to_string_pretty(&self.about)
            .map_err(|cause| AnalyticsError::Unreadable { path: path.clone(), message: cause.to_string() })?;
        text.push('\n');
        fs::write(&path, text).map_err(AnalyticsError::file(&path))?;
        checksums::write(folder, &Checksums::new()).map_err(AnalyticsError::file(folder))
    }
}

/// Reads one JSON file of the store's current evidence, held against its checksum.
pub(crate) fn read_json<T: DeserializeOwned>(store: &StoreLayout, name: &str) -> Result<T, AnalyticsError> {
    store.current_dir()?;
    let link = store.evidence_link();
    let target = read_link(&link).map_err(AnalyticsError::file(&link))?;
    let folder = target.map(|target| store.evidence_dir().join(target)).filter(|folder| folder.join(name).is_file());
    let folder = folder.ok_or_else(|| AnalyticsError::NotAnalysed(store.root().to_owned()))?;
    let path = folder.join(name);
    let bytes = fs::read(&path).map_err(AnalyticsError::file(&path))?;
    let listed = checksums::read(&folder).map_err(AnalyticsError::file(&folder))?.and_then(|mut listed| listed.remove(name));
    if listed != Some(checksums::of_bytes(&bytes)) {
        return Err(AnalyticsError::DamagedEvidence { folder, damage: Damage::Changed(name.to_owned()) });
    }
    serde_json::from_slice(&bytes).map_err(|cause| AnalyticsError::Unreadable { path, message: cause.to_string() })
}

/// Writes one JSON file of evidence in the making.
fn write_json(folder: &Path, name: &str, value: &impl Serialize) -> Result<(), AnalyticsError> {
    let path = folder.join(name);
    let unreadable = |cause: serde_json::Error| AnalyticsError::Unreadable { path: path.clone(), message: cause.to_string() };
    let mut text = serde_json::to_vec(value).map_err(unreadable)?;
    text.push(b'\n');
    fs::write(&path, text).map_err(AnalyticsError::file(&path))
}

/// Numbers of the finished evidence folders.
fn folder_numbers(parent: &Path) -> Result<Vec<u32>, AnalyticsError> {
    let entries = fs::read_dir(parent).map_err(AnalyticsError::file(parent))?;
    Ok(entries.filter_map(|entry| entry.ok()?.file_name().to_str()?.parse().ok()).collect())
}
