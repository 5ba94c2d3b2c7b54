//! Statistical estimators as pure functions: no I/O, one family a file, each with its formula, its source and a worked example.
//!
//! Every function returns a [`Interval`] (or a table of them) or says why it cannot: [`CannotEstimate`].

pub mod aalen_johansen;
pub mod binomial;
pub mod budget_selection;
pub mod clustered_rate;
pub mod clustered_ratio;
pub mod contingency;
mod distributions;
pub mod empirical_bayes;
pub mod excess_fraction;
pub mod fault_odds;
pub mod funnel;
pub mod geometric_ratio;
pub mod hierarchical_means;
pub mod interval;
pub mod judgement;
pub mod kaplan_meier;
pub mod lognormal;
pub mod mean;
pub mod mean_cumulative_function;
pub mod multiplicity;
pub mod negative_binomial;
mod numeric;
pub mod observation;
pub mod partly_named_cause;
pub mod poisson;
pub mod priority;
pub mod quantile;
pub mod rank_correlation;
pub mod repairability_index;
pub mod search_order;
pub mod standardisation;
pub mod standing;
pub mod trend;
pub mod unnamed_parts;
pub mod weibull;

pub use distributions::two_sided_z;
pub use interval::{CannotEstimate, Interval};

/// Two-sided confidence level used throughout the evidence tables.
pub const CONFIDENCE: f64 = 0.95;
