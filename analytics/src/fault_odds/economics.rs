//! What the money side of an answer is worked out from: costs of repair, write-offs and their reasons, prices and numbers of parts.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::Category;
use super::donor::{Donor, Donors};
use crate::engine::{AGE_BAND_EDGES_YEARS, Engine};
use crate::error::AnalyticsError;
use crate::evidence_rows::EvidenceRows;
use crate::tables::evidence_sql;

/// How many jobs the share of all ages is worth against that of an age band (a choice, no source).
pub const WRITE_OFF_AGE_STRENGTH: f64 = 20.0;

/// Counts and prices of one category; lists are by the position of the component.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Economics {
    /// What mending each component costs on average, where repairs of it are on record.
    pub costs: Vec<Option<RepairCost>>,
    /// Jobs that ended as a write-off by component and age band; one more column at the end for jobs of unknown age.
    pub write_offs: Vec<Vec<u32>>,
    /// Keys of the reasons for write-offs.
    pub reasons: Vec<String>,
    /// Write-offs by component and reason.
    pub write_off_reasons: Vec<Vec<u32>>,
    /// By platform: component, write-offs, and write-offs that the category's shares at the same ages would give.
    pub platform_write_offs: BTreeMap<String, Vec<(usize, f64, f64)>>,
    /// Median price of a piece by component and origin.
    pub prices: Vec<BTreeMap<String, PartPrice>>,
    pub part_numbers: Vec<PartNumber>,
    /// By platform: what a condemned machine yields.
    pub donors: BTreeMap<String, Donor>,
}

/// Mean of labour and parts over the repairs of one component.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RepairCost {
    pub mean: f64,
    /// Standard error of the mean, from its interval.
    pub standard_error: f64,
    pub jobs: i64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PartPrice {
    pub median: f64,
    pub parts: i64,
}

/// A part number that was fitted in more than one job, and the models it was fitted to (positions in the category's models).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartNumber {
    pub number: String,
    pub component: usize,
    pub models: Vec<usize>,
}

/// What is taken from evidence tables: mean costs of repairs by category and component, and donor machines.
#[derive(Debug, Default)]
pub(crate) struct FromEvidence {
    costs: Vec<(String, String, RepairCost)>,
    donors: Donors,
}

impl FromEvidence {
    pub fn take(&mut self, table: &str, rows: &EvidenceRows) {
        match table {
            "repair_cost" => self.take_costs(rows),
            "donor_value" => self.donors.take(rows),
            _ => {}
        }
    }

    fn take_costs(&mut self, rows: &EvidenceRows) {
        self.costs.extend((0..rows.len()).filter_map(|row| {
            let wanted = rows.text("scope_level", row) == Some("category")
                && rows.text("cost", row) == Some("total")
                && rows.text("statistic", row) == Some("mean");
            let mean = rows.interval(row).filter(|_| wanted)?;
            // The mean's interval is normal, or nearly so.
            let cost =
                RepairCost { mean: mean.estimate, standard_error: mean.normal_standard_error().ok()?, jobs: rows.count("jobs", row)? };
            Some((rows.text("scope", row)?.to_owned(), rows.text("component", row)?.to_owned(), cost))
        }));
    }
}

impl Economics {
    /// Share of jobs with this component at fault that end as a write-off, and the variance of that share.
    ///
    /// `w_kb = (c_kb + s w_k) / (n_kb + s)` with `w_k = (c_k + 1/2) / (n_k + 1)`: an age band borrows from all ages; variance of a beta
    /// distribution.
    #[must_use]
    pub fn write_off_share(&self, faults_by_age: &[Vec<u32>], component: usize, band: Option<usize>) -> (f64, f64) {
        let total = |rows: &[Vec<u32>]| rows[component].iter().sum::<u32>();
        let (ended, jobs) = (f64::from(total(&self.write_offs)), f64::from(total(faults_by_age)));
        let all_ages = (ended + 0.5) / (jobs + 1.0);
        let (share, weight) = match band {
            None => (all_ages, jobs + 1.0),
            Some(band) => {
                let (ended, jobs) = (f64::from(self.write_offs[component][band]), f64::from(faults_by_age[component][band]));
                ((ended + WRITE_OFF_AGE_STRENGTH * all_ages) / (jobs + WRITE_OFF_AGE_STRENGTH), jobs + WRITE_OFF_AGE_STRENGTH)
            }
        };
        (share, share * (1.0 - share) / (weight + 1.0))
    }
}

/// Reads what the store holds and adds it to the categories.
pub(crate) fn add(engine: &Engine, categories: &mut [Category], known: FromEvidence) -> Result<(), AnalyticsError> {
    for category in categories.iter_mut() {
        let empty_row = vec![0; AGE_BAND_EDGES_YEARS.len() + 1];
        category.economics.costs = vec![None; category.components.len()];
        category.economics.write_offs = vec![empty_row; category.components.len()];
        category.economics.prices = vec![BTreeMap::new(); category.components.len()];
    }
    let mut positions = Positions::of(categories);
    for (category, component, cost) in known.costs {
        if let Some((at, k)) = positions.find(&category, &component) {
            categories[at].economics.costs[k] = Some(cost);
        }
    }
    known.donors.add_to(categories);
    add_write_offs(engine, categories, &mut positions)?;
    engine.rows("fault_odds", evidence_sql!("fault_odds_part_prices"), |row| {
        let price = PartPrice { median: row.get("median_price")?, parts: row.get("parts")? };
        if let Some((at, k)) = positions.find(&row.get::<_, String>("category")?, &row.get::<_, String>("component")?) {
            categories[at].economics.prices[k].insert(row.get("part_source")?, price);
        }
        Ok(())
    })?;
    let models: Vec<BTreeMap<String, usize>> =
        categories.iter().map(|category| category.models.keys().cloned().enumerate().map(|(at, key)| (key, at)).collect()).collect();
    engine.rows("fault_odds", evidence_sql!("fault_odds_part_numbers"), |row| {
        let (number, model): (String, String) = (row.get("part_number")?, row.get("model_key")?);
        let Some((at, component)) = positions.find(&row.get::<_, String>("category")?, &row.get::<_, String>("component")?) else {
            return Ok(());
        };
        let Some(model) = models[at].get(&model).copied() else { return Ok(()) };
        let numbers = &mut categories[at].economics.part_numbers;
        match numbers.last_mut() {
            Some(last) if last.number == number && last.component == component => last.models.push(model),
            _ => numbers.push(PartNumber { number, component, models: vec![model] }),
        }
        Ok(())
    })?;
    Ok(())
}

/// Positions of categories and their components by key.
struct Positions(BTreeMap<String, (usize, BTreeMap<String, usize>)>);

impl Positions {
    fn of(categories: &[Category]) -> Self {
        let components =
            |category: &Category| category.components.iter().enumerate().map(|(at, key)| (key.clone(), at)).collect::<BTreeMap<_, _>>();
        Self(categories.iter().enumerate().map(|(at, category)| (category.key.clone(), (at, components(category)))).collect())
    }

    fn find(&self, category: &str, component: &str) -> Option<(usize, usize)> {
        let (at, components) = self.0.get(category)?;
        Some((*at, *components.get(component)?))
    }
}

/// Jobs of one platform with one component at fault: age band, jobs, write-offs.
type PlatformJobs = BTreeMap<(usize, String, usize), Vec<(usize, u32, u32)>>;

fn add_write_offs(engine: &Engine, categories: &mut [Category], positions: &mut Positions) -> Result<(), AnalyticsError> {
    let mut of_platform = PlatformJobs::new();
    let mut reasons: BTreeMap<usize, BTreeMap<String, BTreeMap<usize, u32>>> = BTreeMap::new();
    engine.rows("fault_odds", evidence_sql!("fault_odds_outcomes"), |row| {
        let found = positions.find(&row.get::<_, String>("category")?, &row.get::<_, String>("component")?);
        let Some((at, k)) = found else { return Ok(()) };
        let from: Option<f64> = row.get("age_from_years")?;
        let band = from.and_then(|from| AGE_BAND_EDGES_YEARS.iter().position(|edge| *edge == from)).unwrap_or(AGE_BAND_EDGES_YEARS.len());
        let jobs = row.get::<_, i64>("jobs")? as u32;
        let reason: Option<String> = row.get("reason")?;
        let ended = if reason.is_some() { jobs } else { 0 };
        categories[at].economics.write_offs[k][band] += ended;
        if let Some(reason) = reason {
            *reasons.entry(at).or_default().entry(reason).or_default().entry(k).or_default() += jobs;
        }
        if let Some(platform) = row.get::<_, Option<String>>("platform")? {
            of_platform.entry((at, platform, k)).or_default().push((band, jobs, ended));
        }
        Ok(())
    })?;
    for (at, of_reason) in reasons {
        let Category { economics, components, .. } = &mut categories[at];
        economics.write_off_reasons = vec![vec![0; of_reason.len()]; components.len()];
        for (position, (reason, by_component)) in of_reason.into_iter().enumerate() {
            economics.reasons.push(reason);
            for (k, jobs) in by_component {
                economics.write_off_reasons[k][position] = jobs;
            }
        }
    }
    for ((at, platform, k), rows) in of_platform {
        let Category { economics, counts, .. } = &mut categories[at];
        let share = |band: usize| {
            let band = Some(band).filter(|band| *band < AGE_BAND_EDGES_YEARS.len());
            economics.write_off_share(&counts.faults_by_age, k, band).0
        };
        let expected: f64 = rows.iter().map(|(band, jobs, _)| f64::from(*jobs) * share(*band)).sum();
        let ended: u32 = rows.iter().map(|(.., ended)| ended).sum();
        economics.platform_write_offs.entry(platform).or_default().push((k, f64::from(ended), expected));
    }
    Ok(())
}
