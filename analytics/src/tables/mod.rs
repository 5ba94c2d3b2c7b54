//! One evidence table a file: its SQL's sufficient statistics, through the estimators, into rows.

use crate::engine::Engine;
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;

mod cascade;
mod closing_test;
mod declared_lived;
mod design_contrast;
mod donor_value;
mod failure_rate;
mod fault_share;
mod life;
mod model_standing;
mod named_parts;
mod outcome;
mod outcome_by_age;
mod part_price;
mod part_supply;
mod priority_part;
mod recall;
pub(crate) mod recalls;
mod recurrence;
mod repair_cost;
mod sealed_write_off;
mod shares;
mod stock_list;
mod take_on;
mod trend;
mod waits;
mod write_off_reason;

type Build = fn(&Engine) -> Result<EvidenceRows, AnalyticsError>;

/// Every evidence table by name, in the order in which they are built.
pub(crate) const ALL: &[(&str, Build)] = &[
    ("fault_share", fault_share::build),
    ("failure_rate", failure_rate::build),
    ("life", life::build),
    ("recurrence", recurrence::build),
    ("recall", recall::build),
    ("repair_cost", repair_cost::build),
    ("outcome", outcome::build),
    ("outcome_by_age", outcome_by_age::build),
    ("write_off_reason", write_off_reason::build),
    ("closing_test", closing_test::build),
    ("sealed_write_off", sealed_write_off::build),
    ("design_contrast", design_contrast::build),
    ("model_standing", model_standing::build),
    ("cascade", cascade::build),
    ("priority_part", priority_part::build),
    ("take_on", take_on::build),
    ("stock_list", stock_list::build),
    ("donor_value", donor_value::build),
    ("trend", trend::build),
    ("part_supply", part_supply::build),
    ("part_price", part_price::build),
    ("declared_lived", declared_lived::build),
];

/// The SQL of `sql/evidence/NAME.sql`.
macro_rules! evidence_sql {
    ($name:literal) => {
        include_str!(concat!("../../sql/evidence/", $name, ".sql"))
    };
}
pub(crate) use evidence_sql;
