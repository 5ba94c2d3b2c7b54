//! What goes with a fault, and what became of repairs that left part of it: taken over from the evidence of each category.

use fixodds_estimators::Interval;
use serde::{Deserialize, Serialize};

use super::Category;
use crate::evidence_rows::EvidenceRows;

/// How long after a repair a return counts here.
const HORIZON_DAYS: i64 = 365;

/// Damage found together with a primary fault.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Consequence {
    /// Key of the component at fault.
    pub component: String,
    /// Key of the component damaged with it.
    pub damaged: String,
    /// Jobs with that fault and findings recorded.
    pub jobs: i64,
    pub share: Interval,
    /// Lower end of how many times as frequent it is as with other faults; none where it cannot be said.
    pub lift_lower: Option<f64>,
}

/// Return of the same fault within a year, by what was replaced where one fault had damaged another part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RepairScope {
    pub component: String,
    /// both_replaced, consequential_only or primary_only.
    pub replaced: String,
    /// Repairs followed.
    pub jobs: i64,
    /// Machines of the roster only; otherwise a lower bound, because others may go elsewhere.
    pub roster_only: bool,
    pub returned: Interval,
}

/// What goes with faults, by category.
#[derive(Debug, Default)]
pub(crate) struct Consequences {
    damage: Vec<(String, Consequence)>,
    repairs: Vec<(String, RepairScope)>,
}

impl Consequences {
    /// Takes what an evidence table holds about whole categories, if it is one of the tables `cascade` and `recall`.
    pub fn take(&mut self, table: &str, rows: &EvidenceRows) {
        let of_category = |row: &usize| rows.text("scope_level", *row) == Some("category");
        let category = |row: usize| rows.text("scope", row).unwrap_or_default().to_owned();
        let own_rows = (0..rows.len()).filter(of_category);
        match table {
            "cascade" => self.damage.extend(own_rows.filter_map(|row| Some((category(row), consequence(rows, row)?)))),
            "recall" => self.repairs.extend(own_rows.filter_map(|row| Some((category(row), repair_scope(rows, row)?)))),
            _ => {}
        }
    }

    pub fn add_to(self, categories: &mut [Category]) {
        for (key, consequence) in self.damage {
            if let Some(category) = categories.iter_mut().find(|category| category.key == key) {
                category.consequences.push(consequence);
            }
        }
        for (key, repair) in self.repairs {
            if let Some(category) = categories.iter_mut().find(|category| category.key == key) {
                category.repair_scopes.push(repair);
            }
        }
    }
}

fn consequence(rows: &EvidenceRows, row: usize) -> Option<Consequence> {
    Some(Consequence {
        component: rows.text("component", row)?.to_owned(),
        damaged: rows.text("consequential_component", row)?.to_owned(),
        jobs: rows.count("jobs", row)?,
        share: rows.interval(row)?,
        lift_lower: rows.real("lift_lower", row),
    })
}

fn repair_scope(rows: &EvidenceRows, row: usize) -> Option<RepairScope> {
    let wanted = rows.count("horizon_days", row) == Some(HORIZON_DAYS) && rows.flag("same_fault", row) == Some(true);
    let any_part = rows.text("part_source", row).is_none();
    Some(RepairScope {
        component: rows.text("component", row).filter(|_| wanted && any_part)?.to_owned(),
        replaced: rows.text("repair_scope", row)?.to_owned(),
        jobs: rows.count("jobs", row)?,
        roster_only: rows.flag("roster_only", row)?,
        returned: rows.interval(row)?,
    })
}
