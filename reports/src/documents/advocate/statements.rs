//! What the advocate's findings close with: the limits of the records.

use crate::documents::brief::Brief;

pub(super) fn what_is_not_shown(brief: &Brief<'_>) -> String {
    let about = brief.evidence.about();
    let mut limits = Vec::new();
    limits.push(if about.has_exposure() {
        "how machines outside the roster fare"
    } else {
        "how often machines fail, since no roster says which machines were observed, and for how long"
    });
    limits.push(if about.models_in_catalogue > 0 {
        "whether makers who choose one design differ in other ways too"
    } else {
        "how designs compare, since no catalogue says how models are built"
    });
    limits.push("what became of machines that nobody brought to repair");
    format!("What these records cannot show: {}.", limits.join("; "))
}
