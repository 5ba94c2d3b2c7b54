//! What a condemned machine of a platform would yield in wanted used parts, taken from the evidence table `donor_value`.

use std::collections::BTreeMap;

use fixodds_estimators::Interval;
use serde::{Deserialize, Serialize};

use super::Category;
use crate::evidence_rows::EvidenceRows;

/// One condemned machine of a platform, taken apart for its parts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Donor {
    /// Machines of the platform condemned in the last three years, which all yield the same parts.
    pub machines: i64,
    /// Its paying parts less the time to bring it in, in the store's currency.
    pub worth: Interval,
    /// strip, leave or not_shown.
    pub verdict: String,
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

/// Machines whose worth can be estimated, and the parts that pay, by category and platform.
#[derive(Debug, Default)]
pub(super) struct Donors {
    machines: BTreeMap<(String, String), Donor>,
    parts: BTreeMap<(String, String), Vec<DonorPart>>,
}

impl Donors {
    pub fn take(&mut self, rows: &EvidenceRows) {
        for row in 0..rows.len() {
            let (Some(category), Some(platform)) = (rows.text("category", row), rows.text("scope", row)) else { continue };
            let key = (category.to_owned(), platform.to_owned());
            match rows.text("component", row) {
                None => self.machines.extend(machine(rows, row).map(|donor| (key, donor))),
                Some(component) => self.parts.entry(key).or_default().extend(part(rows, row, component)),
            }
        }
    }

    pub fn add_to(mut self, categories: &mut [Category]) {
        for (key, mut donor) in self.machines {
            donor.parts = self.parts.remove(&key).unwrap_or_default();
            donor.parts.sort_by(|a, b| b.worth.estimate.total_cmp(&a.worth.estimate));
            let (category, platform) = key;
            if let Some(category) = categories.iter_mut().find(|known| known.key == category) {
                category.economics.donors.insert(platform, donor);
            }
        }
    }
}

fn machine(rows: &EvidenceRows, row: usize) -> Option<Donor> {
    Some(Donor {
        machines: rows.count("donors", row)?,
        worth: rows.interval(row)?,
        verdict: rows.text("verdict", row)?.to_owned(),
        parts: Vec::new(),
    })
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
