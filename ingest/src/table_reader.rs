//! From a record of text to a row of the store.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use fixodds_schemas::{Field, TableSchema};

use crate::cells::{ColumnReader, Findings, Named, ORIGIN_DIAGNOSIS, SetAside, set_complaint};
use crate::context::{Context, JobCategories, KnownJob};
use crate::error::IngestError;
use crate::free_text::Reached;
use crate::identity::{IdentityKind, RecordKey, hash_bytes, hash_texts};
use crate::inspect::{ExtraColumn, TablePlan};
use crate::job_text::JobText;
use crate::mapping::Blank;
use crate::open_repair::OpenRepair;
use crate::privacy;
use crate::quarantine::{LONGEST_RAW, Reason, head};
use crate::readers::Record;
use crate::review::{Answers, Question};
use crate::row::Row;
use crate::rules::{Rejection, Rules, position, schema_of};

/// By what a row is recognised again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// Equal for versions of the same record.
    pub key: u64,
    /// Equal for records that are equal in every value.
    pub content: u64,
}

/// The columns of a job that free text can fill, and those it is read from.
struct TextColumns<'a> {
    text: JobText<'a>,
    from: [usize; 2],
    outcome: usize,
    symptoms: usize,
    complaint_words: usize,
    symptoms_origin: usize,
    /// Symptoms and reasons are not read out of a diagnosis if the file has a column of its own for them.
    diagnosis_tells_symptoms: bool,
    reason: Option<usize>,
}

impl<'a> TextColumns<'a> {
    fn new(plan: &TablePlan, schema: &'static TableSchema, context: &'a Context<'a>) -> Self {
        let unless_held = |field: &str| {
            let is_held = plan.columns.iter().any(|column| column.field.name == field);
            (!is_held).then(|| position(schema, field))
        };
        Self {
            text: JobText::new(context),
            from: ["fault_text", "cause"].map(|field| position(schema, field)),
            outcome: position(schema, "outcome"),
            symptoms: position(schema, "symptoms"),
            complaint_words: position(schema, "complaint_words"),
            symptoms_origin: position(schema, "symptoms_origin"),
            diagnosis_tells_symptoms: unless_held("symptoms").is_some(),
            reason: unless_held("not_repaired_reason"),
        }
    }

    /// Reads the texts of a row: a component cell that is no list of terms, the fault and its cause.
    /// Says whether they name components where the columns do not.
    fn add(
        &mut self,
        row: &mut Row,
        findings: &mut Findings,
        category: Option<&Arc<str>>,
        reviews: (&Answers, &mut Vec<Question>),
    ) -> bool {
        let (answers, questions) = reviews;
        // the vocabulary knows nothing of the parts of other appliances
        if category.is_some_and(|category| category.starts_with(crate::open_repair::OTHER)) {
            return false;
        }
        let reads_components = findings.components.is_empty();
        let cell = findings.set_aside.iter().position(|cell| cell.column == "component").filter(|_| reads_components);
        let cell_text = cell.map(|at| findings.set_aside[at].value.clone());
        let texts = self.from.map(|column| row.text(column).map(str::to_owned));
        // What is named where no fault was found is what the customer complained of, unless a person has said otherwise.
        let fault_was_found = row.text(self.outcome) != Some("no_fault_found");
        let column_text = |at: usize| at > 0;
        for (at, text) in [cell_text].into_iter().chain(texts).enumerate() {
            let Some(text) = text else { continue };
            // What such a text says the customer reported names no component: it was not looked at yet.
            let (complaint, text) = if column_text(at) { self.text.split(&text) } else { (None, text.as_str()) };
            if let Some(complaint) = complaint.filter(|_| row.is_missing(self.symptoms_origin)) {
                let complaint = self.text.complaint(complaint, category);
                set_complaint(row, &complaint, self.symptoms, self.complaint_words, self.symptoms_origin);
            }
            if text.trim().is_empty() {
                continue;
            }
            let reading = self.text.read(text, category, answers, questions);
            if reads_components {
                let start = findings.components.len();
                if at == 0 && !reading.findings.is_empty() && fault_was_found {
                    findings.set_aside.retain(|cell| cell.column != "component");
                }
                let used = reading.findings.iter().filter(|finding| fault_was_found || finding.reached == Reached::Review);
                for finding in used {
                    if !findings.components.iter().any(|known| *known.key == *finding.component) {
                        findings.components.push(Named {
                            key: Arc::from(finding.component.as_str()),
                            consequential: finding.consequential,
                            incidental: false,
                            caused_by: finding.caused_by.map(|cause| start + cause),
                            reached: finding.reached,
                            confidence: finding.confidence,
                        });
                    }
                }
            }
            if row.is_missing(self.outcome)
                && let Some(outcome) = &reading.reviewed_outcome
            {
                row.set_text(self.outcome, outcome);
            }
            if self.diagnosis_tells_symptoms && row.is_missing(self.symptoms_origin) && !reading.symptoms.is_empty() {
                row.set_text(self.symptoms, &reading.symptoms.join(";"));
                row.set_text(self.symptoms_origin, ORIGIN_DIAGNOSIS);
            }
            let is_unrepaired = matches!(row.text(self.outcome), Some("condemned" | "declined" | "repairable"));
            if let (Some(column), Some(reason)) = (self.reason.filter(|&column| is_unrepaired && row.is_missing(column)), &reading.reason) {
                row.set_text(column, reason);
            }
        }
        let count = findings.components.len();
        findings.components.iter_mut().for_each(|named| named.caused_by = named.caused_by.filter(|&cause| cause < count));
        reads_components && count > 0
    }
}

/// What a record became.
pub struct ReadRow {
    pub line: u64,
    pub row: Row,
    pub findings: Findings,
    /// What people are to be asked.
    pub questions: Vec<Question>,
    pub components_from_text: bool,
    /// The hash of the job to which a finding or part belongs.
    pub job: Option<u64>,
    /// Whether that job is not known.
    pub is_without_job: bool,
    /// Why the row could not be made, though nothing is wrong with the record.
    pub failure: Option<IngestError>,
    /// The text of a row of the roster, for when it overlaps another.
    pub raw: String,
    /// By what the row is recognised again, or why the record cannot be used.
    pub outcome: Result<Identity, Refused>,
}

/// Why a record cannot be used, and its text as quarantine keeps it: without serial and machine numbers and without personal data.
pub struct Refused {
    pub rejection: Rejection,
    pub raw: String,
}

impl ReadRow {
    pub fn new(schema: &TableSchema) -> Self {
        Self {
            line: 0,
            row: Row::new(schema),
            findings: Findings::default(),
            questions: Vec::new(),
            components_from_text: false,
            job: None,
            is_without_job: false,
            failure: None,
            raw: String::new(),
            outcome: Ok(Identity { key: 0, content: 0 }),
        }
    }
}

/// Reads the records of one table of one file.
pub struct TableReader<'a> {
    schema: &'static TableSchema,
    context: &'a Context<'a>,
    /// Categories of the jobs to which the records belong.
    jobs: Option<&'a JobCategories>,
    answers: &'a Answers,
    columns: Vec<ColumnReader<'a>>,
    /// How many of the columns must be read before the category of the row is known.
    before_category: usize,
    extra: Vec<ExtraColumn>,
    width: usize,
    titles: Vec<String>,
    delimiter: Option<u8>,
    rules: Rules,
    record_key: RecordKey,
    /// The values up to this column are the record's content.
    content_columns: usize,
    source: Option<usize>,
    job_id: Option<usize>,
    category: Option<usize>,
    extra_column: Option<usize>,
    /// Amounts of which the mapping says what an empty cell means: column, name, meaning.
    blanks: Vec<(usize, &'static str, Blank)>,
    blank_unknown: Option<usize>,
    open_repair: Option<OpenRepair>,
    text: Option<TextColumns<'a>>,
    content: Vec<u8>,
    last_category: Option<Arc<str>>,
}

impl<'a> TableReader<'a> {
    pub fn new(plan: &TablePlan, context: &'a Context<'a>, jobs: Option<&'a JobCategories>, answers: &'a Answers) -> Self {
        let schema = schema_of(&plan.table.name);
        let optional = |name: &str| schema.columns.iter().position(|column| column.name == name);
        let mut columns: Vec<_> =
            plan.columns.iter().map(|column| ColumnReader::new(column.clone(), &plan.table.name, schema, context)).collect();
        columns.sort_by_key(|column| (column.rank(), column.plan.index));
        Self {
            schema,
            context,
            jobs,
            answers,
            before_category: columns.iter().filter(|column| column.tells_category()).count(),
            columns,
            extra: plan.extra.clone(),
            width: plan.titles.len(),
            titles: plan.titles.clone(),
            delimiter: plan.delimiter,
            rules: Rules::new(schema, plan.currency.clone()),
            record_key: RecordKey::new(schema),
            content_columns: position(schema, "source_file"),
            source: optional("source"),
            job_id: optional("job_id"),
            category: optional("category"),
            extra_column: optional("extra"),
            blanks: blanks(plan, schema, context),
            blank_unknown: optional("blank_unknown"),
            open_repair: plan.open_repair.clone(),
            text: (plan.table.name == "jobs").then(|| TextColumns::new(plan, schema, context)),
            content: Vec::new(),
            last_category: None,
        }
    }

    /// Reads a record. What the row holds depends on the record alone, so that several readers can share a table.
    pub fn read(&mut self, record: &Record, into: &mut ReadRow) {
        into.line = record.line;
        into.row.clear();
        into.findings.clear();
        into.questions.clear();
        into.components_from_text = false;
        into.job = None;
        into.is_without_job = false;
        into.failure = None;
        into.outcome = match self.read_values(record, into) {
            Ok(()) => Ok(self.identity(&into.row, &into.findings)),
            Err(rejection) => Err(Refused { rejection, raw: self.raw(record) }),
        };
        if self.schema.name == "machines" {
            into.raw = self.raw(record);
        }
    }

    fn read_values(&mut self, record: &Record, into: &mut ReadRow) -> Result<(), Rejection> {
        if let Some(fault) = &record.fault {
            let length = fault.length.map(|length| format!("{length} bytes"));
            return Err(Rejection { column: None, value: length, reason: fault.reason });
        }
        if record.is_blank() {
            return Err(Rejection { column: None, value: None, reason: Reason::BlankRow });
        }
        let surplus = record.fields().skip(self.width).position(|field| !field.trim().is_empty());
        if surplus.is_some() {
            return Err(Rejection {
                column: None,
                value: Some(format!("{} values in {} columns", record.fields().len(), self.width)),
                reason: Reason::TooManyFields,
            });
        }
        if let Some(source) = self.source {
            let provider =
                self.open_repair.as_ref().map(|layout| record.field(layout.data_provider).trim()).filter(|name| !name.is_empty());
            into.row.set_text(source, provider.unwrap_or(&self.context.options.source));
        }
        if let (Some(layout), Some(category)) = (&self.open_repair, self.category)
            && let Some(key) = layout.category(|at| record.field(at), &self.context.options.vocabulary)
        {
            into.row.set_text(category, &key);
        }
        self.read_columns(record, 0, self.before_category, into)?;
        self.find_category(into);
        self.read_columns(record, self.before_category, self.columns.len(), into)?;
        if let Some(text) = &mut self.text {
            let reviews = (self.answers, &mut into.questions);
            into.components_from_text = text.add(&mut into.row, &mut into.findings, self.last_category.as_ref(), reviews);
        }
        // A job that says nothing of how it ended is a job all the same.
        if let Some(text) = self.text.as_ref().filter(|text| into.row.is_missing(text.outcome)) {
            into.row.set_text(text.outcome, "unknown");
        }
        for column in &self.columns {
            if column.plan.field.required && column.target.is_some_and(|target| into.row.is_missing(target)) {
                return Err(Rejection::missing(&column.plan.field.name));
            }
        }
        self.fill_blanks(into);
        self.rules.apply(&mut into.row, &mut into.findings, self.context)?;
        if self.schema.name == "parts" && !into.findings.components.is_empty() {
            self.part_for_several_components(into);
        }
        self.keep_extra(record, into);
        Ok(())
    }

    /// Empty amounts as the mapping says: nothing is 0, unknown stays empty and is noted. What could not be read is not empty.
    fn fill_blanks(&self, into: &mut ReadRow) {
        let ReadRow { row, findings, .. } = into;
        let mut unknown = Vec::new();
        for &(column, name, blank) in &self.blanks {
            if row.is_missing(column) && !findings.set_aside.iter().any(|cell| cell.column == name) {
                match blank {
                    Blank::Nothing => row.set_real(column, 0.0),
                    Blank::Unknown => unknown.push(name),
                }
            }
        }
        if let Some(column) = self.blank_unknown.filter(|_| !unknown.is_empty()) {
            row.set_text(column, &unknown.join(";"));
        }
    }

    fn read_columns(&mut self, record: &Record, from: usize, to: usize, into: &mut ReadRow) -> Result<(), Rejection> {
        for column in &mut self.columns[from..to] {
            let cell = record.field(column.plan.index);
            let result = column.read(cell, self.last_category.as_ref(), self.context, &mut into.row, &mut into.findings);
            if let Err(reason) = result {
                let field = column.plan.field;
                if field.required {
                    return Err(Rejection::of_value(&field.name, cell.trim(), reason));
                }
                into.findings.set_aside.push(SetAside { column: field.name.clone(), value: cell.trim().to_owned(), reason });
            }
        }
        Ok(())
    }

    /// The job to which the row belongs, and the category that its words refer to: its own, or that of its job.
    fn find_category(&mut self, into: &mut ReadRow) {
        let category = match self.category {
            Some(category) => into.row.text(category),
            None => {
                into.job = self.job_key(&into.row);
                match self.jobs.zip(into.job).map(|(jobs, job)| jobs.get(job)) {
                    Some(Ok(KnownJob::Known { category })) => category.map(AsRef::as_ref),
                    Some(Ok(KnownJob::Unknown)) => {
                        into.is_without_job = true;
                        None
                    }
                    Some(Err(error)) => {
                        into.failure = Some(error);
                        None
                    }
                    None => None,
                }
            }
        };
        if self.last_category.as_deref() != category {
            self.last_category = category.map(Arc::from);
        }
    }

    fn part_for_several_components(&self, into: &mut ReadRow) {
        let component = position(self.schema, "component");
        let mut keys: Vec<String> = into.row.text(component).map(str::to_owned).into_iter().collect();
        keys.extend(into.findings.components.drain(..).map(|named| named.key.to_string()));
        into.row.unset(component);
        into.findings.set_aside.push(SetAside { column: "component".to_owned(), value: keys.join("; "), reason: Reason::SeveralTerms });
    }

    /// Unread columns as one JSON object, personal data masked.
    fn keep_extra(&self, record: &Record, into: &mut ReadRow) {
        let Some(target) = self.extra_column else { return };
        if self.extra.is_empty() && into.findings.converted.is_empty() {
            return;
        }
        let mut object: BTreeMap<&str, Cow<'_, str>> =
            into.findings.converted.iter().map(|(title, amount)| (title.as_str(), amount.as_str().into())).collect();
        for column in &self.extra {
            let cell = record.field(column.index).trim();
            if !cell.is_empty() {
                let cell = if column.is_personal { privacy::PERSONAL.into() } else { privacy::mask(cell) };
                object.insert(column.title.as_str(), cell);
            }
        }
        if !object.is_empty() {
            into.row.set_text(target, &json_object(&object));
        }
    }

    /// The hash of the job to which a row belongs.
    fn job_key(&self, row: &Row) -> Option<u64> {
        let source = row.text(self.source?)?;
        let job_id = row.text(self.job_id?)?;
        Some(hash_texts([source, job_id]))
    }

    fn identity(&mut self, row: &Row, findings: &Findings) -> Identity {
        self.content.clear();
        row.content(self.content_columns, &mut self.content);
        for component in &findings.components {
            self.content.extend_from_slice(component.key.as_bytes());
            self.content.push(u8::from(component.consequential));
        }
        let content = hash_bytes(&self.content);
        let key = self.record_key.hash(|column| row.text(column), |column| row.integer(column));
        Identity { key: key.unwrap_or(content), content }
    }

    /// The text of a record as quarantine keeps it: without serial and machine numbers and without personal data.
    fn raw(&self, record: &Record) -> String {
        let raw = match (&record.fault, self.delimiter) {
            (None, Some(delimiter)) => self.masked_line(&record.fields().collect::<Vec<_>>(), delimiter),
            (Some(fault), Some(delimiter)) => self.masked_line(&fault.raw.split(delimiter as char).collect::<Vec<_>>(), delimiter),
            (None, None) => self.masked_object(record),
            (Some(fault), None) => privacy::mask(&self.masked_json(&fault.raw)).into_owned(),
        };
        head(&raw, LONGEST_RAW).to_owned()
    }

    /// A cell as it may be shown.
    fn masked_cell<'c>(&self, cell: &'c str, number: Option<IdentityKind>, is_personal: bool) -> Cow<'c, str> {
        match (cell.trim(), number) {
            ("", _) => "".into(),
            _ if is_personal => privacy::PERSONAL.into(),
            (number, Some(kind)) => self.context.hidden_number(kind, number).into(),
            (text, None) => privacy::mask(head(text, LONGEST_RAW)),
        }
    }

    /// A record that has no line of its own, as a JSON object.
    fn masked_object(&self, record: &Record) -> String {
        let cells = record.fields().enumerate().filter(|(_, cell)| !cell.is_empty()).map(|(at, cell)| {
            let number = self.columns.iter().filter(|column| column.plan.index == at).find_map(ColumnReader::private_number);
            let is_personal = self.extra.iter().any(|column| column.is_personal && column.index == at);
            (self.titles[at].as_str(), self.masked_cell(cell, number, is_personal))
        });
        json_object(&cells.collect())
    }

    /// In a record with too many cells, a private one may have moved by as many places, so all of these are masked.
    fn masked_line(&self, cells: &[&str], delimiter: u8) -> String {
        let surplus = cells.len().saturating_sub(self.width);
        let covers = |index: usize, at: usize| (index..=index + surplus).contains(&at);
        let mut line = String::new();
        for (at, cell) in cells.iter().enumerate() {
            let number = self.columns.iter().filter(|column| covers(column.plan.index, at)).find_map(ColumnReader::private_number);
            let is_personal = self.extra.iter().any(|column| column.is_personal && covers(column.index, at));
            let masked = self.masked_cell(cell, number, is_personal);
            if at > 0 {
                line.push(delimiter as char);
            }
            if masked.contains([delimiter as char, '"', '\n', '\r']) {
                line.push('"');
                line.push_str(&masked.replace('"', "\"\""));
                line.push('"');
            } else {
                line.push_str(&masked);
            }
        }
        line
    }

    /// Leaves out the values of private keys in JSON that may be damaged.
    fn masked_json(&self, raw: &str) -> String {
        let private_titles = self
            .columns
            .iter()
            .filter(|column| column.private_number().is_some())
            .map(|column| column.plan.index)
            .chain(self.extra.iter().filter(|column| column.is_personal).map(|column| column.index));
        let titles: Vec<String> = private_titles.filter_map(|index| self.titles.get(index)).map(|title| format!("\"{title}\"")).collect();
        let mask_piece = |piece: &str| match titles.iter().find_map(|title| piece.find(title.as_str()).map(|at| at + title.len())) {
            Some(end) => format!("{}: \"{}\"", &piece[..end], privacy::PERSONAL),
            None => piece.to_owned(),
        };
        raw.split(',').map(mask_piece).collect::<Vec<_>>().join(",")
    }
}

/// Amounts that the file has a column for and of which the mapping says what an empty cell means.
fn blanks(plan: &TablePlan, schema: &'static TableSchema, context: &Context<'_>) -> Vec<(usize, &'static str, Blank)> {
    let said: BTreeMap<&str, Blank> = context.options.mapping.blanks_of(&plan.table.name).collect();
    let of = |field: &'static Field| {
        let blank = *said.get(field.name.as_str())?;
        Some((position(schema, field.store_column()), field.name.as_str(), blank))
    };
    plan.columns.iter().filter_map(|column| of(column.field)).collect()
}

/// Texts by key, sorted, so that equal contents give equal bytes.
fn json_object(texts: &BTreeMap<&str, Cow<'_, str>>) -> String {
    serde_json::to_string(texts).unwrap_or_default()
}
