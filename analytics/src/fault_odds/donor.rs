//! What a condemned machine of a platform would yield in wanted used parts, taken from the evidence table `donor_value`.

use std::collections::BTreeMap;

use fixodds_estimators::Interval;
use serde::{Deserialize, Serialize};

use super::Category;
use crate::evidence_rows::EvidenceRows;

/// One condemned machine of a platform, taken apart for its parts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Donor {
    /// Machines of the platform condemned in the last three years, which all yield the same parts.
    pub machines: i64,
    /// Its paying parts less the time to bring it in, in the store's currency; none where it cannot be estimated.
    pub worth: Option<Interval>,
    /// Parts that pay the time to take them out, the most valuable first.
    pub parts: Vec<DonorPart>,
}

/// One part of a donor machine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DonorPart {
    pub component: String,
    /// Mean price of a used one.
    pub price: f64,
    /// Probability that it is good.
    pub prob_good: f64,
    /// Probability that it is asked for before it is thrown out.
    pub prob_sold: f64,
    /// The three multiplied, less the time to take it out.
    pub worth: Interval,
}

/// Donors by category and platform.
#[derive(Debug, Default)]
pub(super) struct Donors(BTreeMap<(String, String), Donor>);

impl Donors {
    pub fn take(&mut self, rows: &EvidenceRows) {
        for row in 0..rows.len() {
            let (Some(category), Some(platform)) = (rows.text("category", row), rows.text("scope", row)) else { continue };
            let donor = self.0.entry((category.to_owned(), platform.to_owned())).or_default();
            match rows.text("component", row) {
                None => {
                    donor.machines = rows.count("donors", row).unwrap_or_default();
                    donor.worth = rows.interval(row);
                }
                Some(component) => donor.parts.extend(part(rows, row, component)),
            }
        }
    }

    pub fn add_to(self, categories: &mut [Category]) {
        for ((category, platform), mut donor) in self.0 {
            donor.parts.sort_by(|a, b| b.worth.estimate.total_cmp(&a.worth.estimate));
            if let Some(category) = categories.iter_mut().find(|known| known.key == category) {
                category.economics.donors.insert(platform, donor);
            }
        }
    }
}

/// The part, if it pays.
fn part(rows: &EvidenceRows, row: usize, component: &str) -> Option<DonorPart> {
    let real = |column| rows.real(column, row);
    Some(DonorPart {
        component: component.to_owned(),
        price: real("price")?,
        prob_good: real("prob_good")?,
        prob_sold: real("prob_sold")?,
        worth: rows.interval(row).filter(|worth| worth.estimate > 0.0)?,
    })
}
