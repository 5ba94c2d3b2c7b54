//! What is added to a row once it is known to be kept: where it comes from, its step, and the findings that stand in it.

use fixodds_schemas::TableSchema;

use crate::cells::Named;
use crate::row::Row;
use crate::rules::{position, schema_of};
use crate::table_reader::{Identity, ReadRow};

/// Columns of the findings table. After `source_file` come `source_line` and `content_hash`, as in every table of records.
struct FindingColumns {
    source: usize,
    job_id: usize,
    step: usize,
    component: usize,
    role: usize,
    caused_by: usize,
    origin: usize,
    source_file: usize,
    reached: usize,
    confidence: usize,
}

impl FindingColumns {
    fn new() -> Self {
        let schema = schema_of("findings");
        let at = |name| position(schema, name);
        Self {
            source: at("source"),
            job_id: at("job_id"),
            step: at("step"),
            component: at("component"),
            role: at("role"),
            caused_by: at("caused_by"),
            origin: at("origin"),
            source_file: at("source_file"),
            reached: at("reached"),
            confidence: at("confidence"),
        }
    }
}

/// Completes the rows of one table of one file, in their order.
pub struct RowCompleter<'a> {
    /// Where rows come from that do not say.
    default_source: &'a str,
    /// From this column on the row says where it comes from.
    origin: usize,
    source: Option<usize>,
    job_id: Option<usize>,
    category: Option<usize>,
    findings: FindingColumns,
    /// Job and step of the finding before.
    last_step: (Option<u64>, i64),
}

impl<'a> RowCompleter<'a> {
    pub fn new(schema: &TableSchema, default_source: &'a str) -> Self {
        let optional = |name: &str| schema.columns.iter().position(|column| column.name == name);
        Self {
            default_source,
            origin: position(schema, "source_file"),
            source: optional("source"),
            job_id: optional("job_id"),
            category: optional("category"),
            findings: FindingColumns::new(),
            last_step: (None, 0),
        }
    }

    /// The category of a row.
    pub fn category<'r>(&self, row: &'r Row) -> Option<&'r str> {
        row.text(self.category?)
    }

    /// Says where the row comes from.
    pub fn set_origin(&self, row: &mut Row, file: &str, line: u64, identity: Identity) {
        row.set_text(self.origin, file);
        row.set_integer(self.origin + 1, line.cast_signed());
        row.set_integer(self.origin + 2, identity.content.cast_signed());
    }

    /// Gives a finding without step the one after the row before, if that belongs to the same job, else 1.
    pub fn number_step(&mut self, read: &mut ReadRow) {
        let ReadRow { row, job, .. } = read;
        let (last_job, last_step) = self.last_step;
        if row.is_missing(self.findings.step) {
            row.set_integer(self.findings.step, if *job == last_job { last_step + 1 } else { 1 });
        }
        self.last_step = (*job, row.integer(self.findings.step).unwrap_or(1));
        if let Some(named) = &read.findings.own_component {
            row.set_text(self.findings.reached, named.reached.code());
            row.set_real(self.findings.confidence, named.confidence);
        }
    }

    /// Makes the row the finding of another component that stands in the same cell.
    pub fn set_further_component(&self, read: &mut ReadRow, at: usize) {
        let ReadRow { row, findings, .. } = read;
        let named = &findings.components[at];
        row.set_text(self.findings.component, &named.key);
        row.set_text(self.findings.reached, named.reached.code());
        row.set_real(self.findings.confidence, named.confidence);
        if named.incidental {
            row.set_text(self.findings.role, "incidental");
        }
    }

    /// A component that a job's own row names, as a finding.
    pub fn fill_finding(&self, read: &ReadRow, at: usize, finding: &mut Row) {
        let to = &self.findings;
        let row = &read.row;
        let from = self.origin;
        finding.clear();
        let named = &read.findings.components[at];
        let source = self.source.and_then(|source| row.text(source));
        finding.set_text(to.source, source.unwrap_or(self.default_source));
        finding.set_text(to.job_id, self.job_id.and_then(|job_id| row.text(job_id)).unwrap_or_default());
        finding.set_integer(to.step, at as i64 + 1);
        finding.set_text(to.component, &named.key);
        let role = match named {
            Named { consequential: true, .. } => "consequential",
            Named { incidental: true, .. } => "incidental",
            _ => "primary",
        };
        finding.set_text(to.role, role);
        if let Some(cause) = named.caused_by {
            finding.set_integer(to.caused_by, cause as i64 + 1);
        }
        finding.set_text(to.reached, named.reached.code());
        finding.set_real(to.confidence, named.confidence);
        finding.set_text(to.origin, "job");
        finding.set_text(to.source_file, row.text(from).unwrap_or_default());
        finding.set_integer(to.source_file + 1, row.integer(from + 1).unwrap_or_default());
        finding.set_integer(to.source_file + 2, row.integer(from + 2).unwrap_or_default());
    }
}
