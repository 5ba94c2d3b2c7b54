//! What the repair business decides by, and the verdicts that follow from it.

mod settings;
mod verdict;

pub use settings::{BusinessSettings, DEFAULT_FILE};
pub use verdict::Verdict;
pub(crate) use verdict::verdict;
