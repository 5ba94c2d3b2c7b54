//! The whole way from files to a new snapshot.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;

use fixodds_schemas::StoreLayout;

use crate::brands::Brands;
use crate::context::{Context, JobCategories};
use crate::error::IngestError;
use crate::identity::{HashKeyed, IdentityKey};
use crate::inputs::{Input, expand};
use crate::inspect::{TablePlan, inspect, list_titles};
use crate::normalise::is_blank;
use crate::normalise::model::{Catalogue, Spellings};
use crate::options::IngestOptions;
use crate::privacy;
use crate::quarantine::Reason;
use crate::quarantine_writer::{Place, QuarantineWriter};
use crate::readers::{self, Record, TableSource};
use crate::report::{CheckReport, Doubt, FileCheck, IngestReport, Progress, TableAccount, TableCheck};
use crate::review::Reviews;
use crate::row::Row;
use crate::row_completer::RowCompleter;
use crate::rules::{Rejection, position, schema_of};
use crate::stays::Stays;
use crate::store::{
    RecordIndex, Replacement, Replacements, Seen, Store, TableWriter, move_out_superseded, quarantine_hashes, read_brands, read_catalogue,
    read_job_categories, read_known_files, read_superseded_contents,
};
use crate::table_reader::{ReadRow, Refused, TableReader};
use crate::words::{BRAND, Misspelt, Words};

/// Rows between two reports of progress.
const ROWS_PER_REPORT: u64 = 10_000;
/// Models come first, because they give the spelling of brands; jobs before what belongs to them.
const TABLE_ORDER: [&str; 5] = ["models", "machines", "jobs", "findings", "parts"];

/// Says what would be read as what; writes nothing.
///
/// # Errors
/// If a file cannot be read or is no table, or if a column is missing without which no row can be used.
pub fn check(files: &[PathBuf], options: &IngestOptions) -> Result<CheckReport, IngestError> {
    let (mut files, work, doubts) = look_into(files, options)?;
    let catalogue = catalogue(&[], &BTreeMap::new(), &Brands::of_mapping(&options.mapping), &work)?;
    for work in &work {
        let mut words = Words::default();
        for (written, rows) in &work.plan.brands {
            let brand = catalogue.brand(&privacy::mask(written));
            if let Some(like) = &brand.like {
                words.misspelt(BRAND, written, like, *rows);
            }
        }
        let is_of_work = |table: &&mut TableCheck| table.table == work.plan.table.name;
        if let Some(table) =
            files.iter_mut().filter(|file| file.file == work.input.label).flat_map(|file| &mut file.tables).find(is_of_work)
        {
            table.doubts.extend(words.doubts(&work.plan.table.name));
        }
    }
    Ok(CheckReport { files, doubts })
}

/// Reads files into the next snapshot of a store, all or nothing.
///
/// Tables are read in the order models, machines, jobs, findings, parts, and files of one table in the order given. `progress` is
/// called from time to time.
///
/// # Errors
/// As [`check`], and if the store cannot be written; the store is then as it was before.
pub fn ingest(files: &[PathBuf], options: &IngestOptions, progress: &mut dyn FnMut(Progress)) -> Result<IngestReport, IngestError> {
    let (checks, mut work, mut doubts) = look_into(files, options)?;
    doubts.extend(checks.into_iter().flat_map(|file| file.tables).flat_map(|table| table.doubts));
    work.sort_by_key(|work| TABLE_ORDER.iter().position(|table| *table == work.plan.table.name));

    let store = Store::create_or_open(&options.store)?;
    let identity_key = IdentityKey::load_or_create(&store.layout().identity_key_path(), options.identity_key.as_ref())?;
    let brands = Brands::read(&options.store, &options.mapping)?;
    let known = read_catalogue(&store.current_files("models")?)?;
    let settled = read_brands(&store.current_files("jobs")?)?;
    let context = Context { options, identity_key: &identity_key, catalogue: catalogue(&known, &settled, &brands, &work)? };
    let mut run = Run::new(&store, &context, &work, brands)?;
    for table in TABLE_ORDER {
        run.read_table(table, &work, progress)?;
    }
    let reviews = std::mem::take(&mut run.reviews);
    let brands = std::mem::take(&mut run.brands);
    let (accounts, found, tables) = run.finish(progress)?;
    doubts.extend(found);
    progress(Progress::Committing);
    let snapshot = store.commit(&tables)?;
    reviews.write(&options.store)?;
    brands.write(&options.store)?;
    Ok(IngestReport { snapshot, tables: accounts, doubts, texts_to_review: reviews.open_questions() })
}

/// A table of a file that is to be read.
struct Work {
    input: Input,
    source: Box<dyn TableSource>,
    plan: TablePlan,
}

type LookedInto = (Vec<FileCheck>, Vec<Work>, Vec<Doubt>);

fn look_into(files: &[PathBuf], options: &IngestOptions) -> Result<LookedInto, IngestError> {
    let mut doubts = Vec::new();
    let mut checks = Vec::new();
    let mut work = Vec::new();
    for input in expand(files, &mut doubts)? {
        let opened = readers::open(&input.path, &input.label)?;
        let mut tables: Vec<TableCheck> = Vec::new();
        let mut unknown = None;
        for source in opened.tables {
            match inspect(&input, &*source, options)? {
                Some((plan, check)) => {
                    tables.push(check);
                    work.push(Work { input: input.clone(), source, plan });
                }
                None => {
                    let columns = list_titles(source.headers());
                    unknown.get_or_insert(IngestError::UnknownTable { file: input.label.clone(), line: source.header_line(), columns });
                    if let Some(name) = source.name() {
                        doubts.push(Doubt::TableSkipped { file: input.label.clone(), table: name.to_owned() });
                    }
                }
            }
        }
        if let Some(error) = unknown.filter(|_| tables.is_empty()) {
            return Err(error);
        }
        if opened.encoding_assumed
            && !tables.iter().any(|table| table.doubts.iter().any(|doubt| matches!(doubt, Doubt::EncodingAssumed { .. })))
        {
            doubts.push(Doubt::EncodingAssumed { file: input.label.clone(), line: None });
        }
        checks.push(FileCheck { file: input.label, format: opened.format, encoding: opened.encoding.to_owned(), tables });
    }
    Ok((checks, work, doubts))
}

/// The spellings of brands and models: those of the store (`known`) stay, those of new catalogue files are added; and how often brands
/// are written, in the jobs of the store (`settled`) and at the beginning of the files.
fn catalogue(
    known: &[(String, String)],
    settled: &BTreeMap<String, u64>,
    brands: &Brands,
    work: &[Work],
) -> Result<Catalogue, IngestError> {
    let mut catalogue = Catalogue::default();
    for (brand, model) in known {
        catalogue.add(brand, model);
    }
    brands.apply(&mut catalogue);
    settled.iter().for_each(|(brand, &rows)| catalogue.settle_brand(brand, rows));
    let written = work.iter().flat_map(|work| &work.plan.brands).filter(|(brand, _)| !is_blank(brand));
    written.for_each(|(brand, rows)| catalogue.count_brand(&privacy::mask(brand), *rows));
    let mut spellings = Spellings::default();
    for work in work.iter().filter(|work| work.plan.table.name == "models") {
        let column = |field: &str| work.plan.columns.iter().find(|column| column.field.name == field).map(|column| column.index);
        let (Some(brand), Some(model)) = (column("brand"), column("model")) else { continue };
        let mut reader = work.source.records()?;
        let mut record = Record::default();
        while reader.read(&mut record)? {
            if record.fault.is_none() {
                spellings.count(record.field(brand), record.field(model));
            }
        }
    }
    spellings.add_to(&mut catalogue);
    Ok(catalogue)
}

/// The state of one ingest.
struct Run<'a> {
    store: &'a Store,
    context: &'a Context<'a>,
    /// Categories of all jobs, if findings or parts are read.
    jobs: Option<JobCategories>,
    /// Hash, table and source of files that were read in earlier ingests.
    known_files: BTreeSet<[String; 3]>,
    accounts: Vec<TableAccount>,
    doubts: Vec<Doubt>,
    reviews: Reviews,
    brands: Brands,
    quarantine: QuarantineWriter,
    ledger: TableWriter,
    findings: TableWriter,
    /// Of the roster, once a file of it is read.
    stays: Stays,
    /// Files written so far, by table.
    written: BTreeMap<&'static str, Vec<PathBuf>>,
    replaced: BTreeMap<&'static str, Replacements>,
}

type Finished = (Vec<TableAccount>, Vec<Doubt>, Vec<(&'static str, Vec<PathBuf>)>);

impl<'a> Run<'a> {
    fn new(store: &'a Store, context: &'a Context<'a>, work: &[Work], brands: Brands) -> Result<Self, IngestError> {
        let known = quarantine_hashes(&store.current_files("quarantine")?)?;
        let has_dependents = work.iter().any(|work| matches!(work.plan.table.name.as_str(), "findings" | "parts"));
        let jobs = if has_dependents { Some(read_job_categories(&store.current_files("jobs")?, &store.building_dir())?) } else { None };
        Ok(Self {
            store,
            context,
            jobs,
            known_files: read_known_files(&store.current_files("ledger")?)?,
            accounts: Vec::new(),
            doubts: Vec::new(),
            reviews: Reviews::read(store.layout().root(), context.options.review.as_deref(), &context.options.vocabulary)?,
            brands,
            quarantine: QuarantineWriter::new(table_writer(store, "quarantine"), known),
            ledger: table_writer(store, "ledger"),
            findings: table_writer(store, "findings"),
            stays: Stays::default(),
            written: BTreeMap::new(),
            replaced: BTreeMap::new(),
        })
    }

    fn read_table(&mut self, table: &'static str, work: &[Work], progress: &mut dyn FnMut(Progress)) -> Result<(), IngestError> {
        let mut work = work.iter().filter(|work| work.plan.table.name == table).peekable();
        if work.peek().is_none() {
            return Ok(());
        }
        if table == "machines" {
            self.stays = Stays::read(&self.store.current_files(table)?)?;
        }
        let mut index = RecordIndex::read(schema_of(table), &self.store.current_files(table)?, &self.store.building_dir())?;
        let mut replaced = Replacements::default();
        let mut writer = table_writer(self.store, table);
        for work in work {
            // findings also come from the rows of jobs, so their writer outlives this table
            let own_writer = if table == "findings" { None } else { Some(&mut writer) };
            let hash = hash_of_file(&work.input)?;
            let identity = [hash.clone(), table.to_owned(), self.context.options.source.clone()];
            // in a file that was read before, versions that were superseded since are no news
            let outdated = if self.known_files.contains(&identity) {
                read_superseded_contents(&self.store.current_files("superseded")?)?
            } else {
                HashKeyed::default()
            };
            let account = self.read_file(work, &mut index, &outdated, &mut replaced, own_writer, progress)?;
            self.note(account, &hash)?;
        }
        self.written.insert(table, writer.finish()?);
        self.replaced.insert(table, replaced);
        Ok(())
    }

    fn read_file(
        &mut self,
        work: &Work,
        index: &mut RecordIndex,
        outdated: &HashKeyed<()>,
        replaced: &mut Replacements,
        mut own_writer: Option<&mut TableWriter>,
        progress: &mut dyn FnMut(Progress),
    ) -> Result<TableAccount, IngestError> {
        let table = work.plan.table.name.as_str();
        let file: Arc<str> = work.input.label.as_str().into();
        let total_bytes = std::fs::metadata(&work.input.path).map_or(0, |metadata| metadata.len());
        let mut account = TableAccount { file: file.to_string(), table: table.to_owned(), ..TableAccount::default() };
        let mut words = Words::default();
        let (mut rows_without_job, mut jobs_from_text) = (0, 0);
        let schema = schema_of(table);
        let mut finding = Row::new(schema_of("findings"));
        let mut completer = RowCompleter::new(schema, &self.context.options.source);
        // the jobs themselves have their category in their own row
        let (jobs_before, mut new_jobs) = if table == "jobs" { (None, self.jobs.as_mut()) } else { (self.jobs.as_ref(), None) };
        let (answers, questions, stays) = (&self.reviews.answers, &mut self.reviews.questions, &mut self.stays);
        let titles = work.plan.title_line();
        let reader = || {
            let mut reader = TableReader::new(&work.plan, self.context, jobs_before, answers);
            move |record: &Record, into: &mut ReadRow| reader.read(record, into)
        };
        let take = |read: &mut ReadRow, bytes: u64| {
            if let Some(error) = read.failure.take() {
                return Err(error);
            }
            account.rows_in += 1;
            if account.rows_in % ROWS_PER_REPORT == 1 {
                progress(Progress::Reading { file: file.to_string(), table: table.to_owned(), rows: account.rows_in, bytes, total_bytes });
            }
            read.findings.misspelt.iter().for_each(|Misspelt { column, value, meaning }| words.misspelt(column, value, meaning, 1));
            read.questions.iter().for_each(|question| questions.ask(question));
            jobs_from_text += u64::from(read.components_from_text);
            let place = Place { table, file: &file, line: read.line };
            let identity = match &read.outcome {
                Ok(identity) => *identity,
                Err(Refused { rejection, raw }) => {
                    account.quarantined += 1;
                    if let Some(column) = &rejection.column {
                        words.not_used(column, rejection.value.as_deref().unwrap_or_default(), rejection.reason);
                    }
                    return self.quarantine.row(place, rejection, raw, titles.as_deref());
                }
            };
            if table == "machines"
                && let Some(overlapped) = stays.take(&read.row, &file, read.line)
            {
                account.quarantined += 1;
                let rejection = Rejection::of_value("entered_on", &overlapped, Reason::OverlappingStay);
                words.not_used("entered_on", &overlapped, Reason::OverlappingStay);
                return self.quarantine.row(place, &rejection, &read.raw, titles.as_deref());
            }
            match index.see(identity, outdated)? {
                Seen::Repeat => {
                    account.repeats += 1;
                    return Ok(());
                }
                Seen::New => account.accepted += 1,
                Seen::Changed => {
                    account.superseded += 1;
                    let first_finding = self.findings.rows_appended();
                    let first_row = own_writer.as_deref().map_or(first_finding, TableWriter::rows_appended);
                    let version = Replacement { file: Arc::clone(&file), line: read.line, first_row, first_finding };
                    replaced.insert(identity.key, version);
                }
            }
            account.values_set_aside += read.findings.set_aside.len() as u64;
            for set_aside in &read.findings.set_aside {
                words.not_used(&set_aside.column, &set_aside.value, set_aside.reason);
                self.quarantine.value(place, set_aside)?;
            }
            completer.set_origin(&mut read.row, &file, read.line, identity);
            match own_writer.as_deref_mut() {
                Some(writer) => writer.append(&read.row)?,
                None => {
                    completer.number_step(read);
                    self.findings.append(&read.row)?;
                    for at in 0..read.findings.components.len() {
                        completer.set_further_component(read, at);
                        self.findings.append(&read.row)?;
                    }
                }
            }
            if table == "jobs" {
                for at in 0..read.findings.components.len() {
                    completer.fill_finding(read, at, &mut finding);
                    self.findings.append(&finding)?;
                }
                if let Some(jobs) = &mut new_jobs {
                    jobs.insert(identity.key, completer.category(&read.row))?;
                }
            } else {
                rows_without_job += u64::from(read.is_without_job);
            }
            Ok(())
        };
        readers::for_each_record(&*work.source, reader, || ReadRow::new(schema), take)?;
        if rows_without_job > 0 {
            self.doubts.push(Doubt::JobsUnknown { table: table.to_owned(), rows: rows_without_job });
        }
        if jobs_from_text > 0 {
            self.doubts.push(Doubt::ComponentsFromText { table: table.to_owned(), rows: jobs_from_text });
        }
        words.near_brands().for_each(|(written, like, rows)| self.brands.propose(&privacy::mask(written), like, rows));
        self.doubts.extend(words.doubts(table));
        Ok(account)
    }

    /// Enters an account into the ledger.
    fn note(&mut self, account: TableAccount, file_hash: &str) -> Result<(), IngestError> {
        let schema = schema_of("ledger");
        let mut row = Row::new(schema);
        let at = |name| position(schema, name);
        row.set_integer(at("ingest_number"), i64::from(self.store.next_number()));
        row.set_text(at("source_file"), &account.file);
        row.set_text(at("table"), &account.table);
        row.set_text(at("source"), &self.context.options.source);
        for (name, count) in [
            ("rows_in", account.rows_in),
            ("accepted", account.accepted),
            ("repeats", account.repeats),
            ("superseded", account.superseded),
            ("quarantined", account.quarantined),
            ("values_set_aside", account.values_set_aside),
        ] {
            row.set_integer(at(name), count.cast_signed());
        }
        let mapping = &self.context.options.mapping;
        for (name, day) in [("records_from_on", mapping.records_from), ("records_to_on", mapping.records_to)] {
            if let Some(day) = day {
                row.set_day(at(name), day);
            }
        }
        row.set_text(at("file_hash"), file_hash);
        self.ledger.append(&row)?;
        self.accounts.push(account);
        Ok(())
    }

    /// Moves out what was superseded, and gives the files of each table of the next snapshot.
    fn finish(mut self, progress: &mut dyn FnMut(Progress)) -> Result<Finished, IngestError> {
        self.written.entry("findings").or_default().extend(self.findings.finish()?);
        self.written.insert("quarantine", self.quarantine.finish()?);
        self.written.insert("ledger", self.ledger.finish()?);
        let mut superseded = ["", "-second-half"].map(|suffix| table_writer_with(self.store, "superseded", suffix));
        let none = Replacements::default();
        let of = |table: &str| self.replaced.get(table).unwrap_or(&none);
        let mut tables = Vec::new();
        for table in TABLE_ORDER {
            progress(Progress::Superseding { table: table.to_owned() });
            let old = self.store.current_files(table)?;
            let new = self.written.remove(table).unwrap_or_default();
            let folder = self.store.building_dir().join(table);
            let replaced_jobs = if table == "findings" { of("jobs") } else { &none };
            tables.push((table, move_out_superseded(schema_of(table), old, new, &folder, of(table), replaced_jobs, &mut superseded)?));
        }
        for superseded in superseded {
            self.written.entry("superseded").or_default().extend(superseded.finish()?);
        }
        for table in ["superseded", "quarantine", "ledger"] {
            let mut files = self.store.current_files(table)?;
            files.extend(self.written.remove(table).unwrap_or_default());
            tables.push((table, files));
        }
        Ok((self.accounts, self.doubts, tables))
    }
}

fn table_writer(store: &Store, table: &str) -> TableWriter {
    table_writer_with(store, table, "")
}

fn table_writer_with(store: &Store, table: &str, suffix: &str) -> TableWriter {
    let prefix = format!("{}{suffix}", StoreLayout::snapshot_name(store.next_number()));
    TableWriter::new(schema_of(table), store.building_dir().join(table), prefix)
}

fn hash_of_file(input: &Input) -> Result<String, IngestError> {
    let unreadable = |source| IngestError::io("read", &input.path, source);
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(&input.path).map_err(unreadable)?).map_err(unreadable)?;
    Ok(hasher.finalize().to_hex().to_string())
}
