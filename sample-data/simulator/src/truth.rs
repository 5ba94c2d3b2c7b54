//! What is true of the simulated workshop: the scenario itself, and what the seed made of it.

use crate::records::{Outcome, PartSource};
use crate::scenario::Scenario;
use crate::weibull::Weibull;
use crate::world::World;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::Write;

/// Lower edges of the age bands in years; the last is open.
pub const AGE_BANDS: [f64; 13] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0];

/// Index of the band that holds an age; ages below 0 count as 0.
pub fn age_band(age_years: f64) -> usize {
    AGE_BANDS.iter().rposition(|&from| from <= age_years).unwrap_or(0)
}

#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    pub scenario: Scenario,
    pub realised: Realised,
}

/// Counts and exposures of the run. "On the roster" is what evidence about rates can see.
#[derive(Debug, Clone, Serialize)]
pub struct Realised {
    pub roster_machines: u64,
    pub jobs: u64,
    pub jobs_on_roster: u64,
    pub roster_machine_years: f64,
    /// Jobs booked in the period and not closed by its last day: not in the records.
    pub open_at_end: u64,
    pub outcomes: BTreeMap<&'static str, u64>,
    pub faults_by_age: Vec<FaultsByAge>,
    pub faults_by_platform: Vec<FaultsByPlatform>,
    pub repairs: Vec<Repairs>,
    pub damage: Vec<Damage>,
    /// Jobs whose first fault lay inside a sealed drum.
    pub sealed_faults: u64,
    pub sealed_condemned: u64,
}

/// Roster machines of one category, one component, one band of the machine's age.
#[derive(Debug, Clone, Serialize)]
pub struct FaultsByAge {
    pub category: String,
    pub component: String,
    pub age_from_years: f64,
    pub age_to_years: Option<f64>,
    /// Of all machines of the category, whether or not the component is fitted.
    pub machine_years: f64,
    #[serde(flatten)]
    pub faults: Faults,
}

#[derive(Debug, Clone, Serialize)]
pub struct FaultsByPlatform {
    pub platform: String,
    pub component: String,
    pub machine_years: f64,
    #[serde(flatten)]
    pub faults: Faults,
}

#[derive(Debug, Clone, Copy, Default, Serialize)]
pub struct Faults {
    /// Sum of the true hazards over the components as they aged and were renewed: `natural_events` is Poisson-like about it.
    pub expected_natural_events: f64,
    pub natural_events: u64,
    /// Faults brought about by an earlier repair.
    pub recall_events: u64,
}

/// Components put right, and how many of these failed again because of it (whenever that was, seen or not).
#[derive(Debug, Clone, Serialize)]
pub struct Repairs {
    pub component: String,
    pub part_source: &'static str,
    pub repaired: u64,
    pub will_return: u64,
}

#[derive(Debug, Clone, Serialize)]
pub struct Damage {
    pub primary: String,
    pub consequential: String,
    /// Jobs that began with the primary, on machines that have both.
    pub jobs: u64,
    pub damaged: u64,
}

impl Truth {
    pub fn write_json(&self, mut writer: impl Write) -> std::io::Result<()> {
        serde_json::to_writer_pretty(&mut writer, self)?;
        writeln!(writer)
    }
}

/// Running counts of a simulation.
pub(crate) struct Tally {
    components: usize,
    categories: usize,
    by_age: Vec<Faults>,
    years_by_age: Vec<f64>,
    by_platform: Vec<Faults>,
    years_by_platform: Vec<f64>,
    repairs: Vec<(u64, u64)>,
    damage: BTreeMap<(usize, usize), (u64, u64)>,
    outcomes: BTreeMap<Outcome, u64>,
    pub roster_machines: u64,
    pub jobs_on_roster: u64,
    pub open_at_end: u64,
    pub sealed_faults: u64,
    pub sealed_condemned: u64,
}

impl Tally {
    pub fn new(world: &World) -> Self {
        let (components, categories, platforms) = (world.components.len(), world.categories.len(), world.scenario.platforms.len());
        Self {
            components,
            categories,
            by_age: vec![Faults::default(); components * categories * AGE_BANDS.len()],
            years_by_age: vec![0.0; categories * AGE_BANDS.len()],
            by_platform: vec![Faults::default(); components * platforms],
            years_by_platform: vec![0.0; platforms],
            repairs: vec![(0, 0); components * PartSource::ALL.len()],
            damage: BTreeMap::new(),
            outcomes: BTreeMap::new(),
            roster_machines: 0,
            jobs_on_roster: 0,
            open_at_end: 0,
            sealed_faults: 0,
            sealed_condemned: 0,
        }
    }

    fn age_cell(&self, category: usize, component: usize, band: usize) -> usize {
        (category * self.components + component) * AGE_BANDS.len() + band
    }

    pub fn machine_observed(&mut self, category: usize, platform: usize, from_years: f64, to_years: f64) {
        self.years_by_platform[platform] += (to_years - from_years).max(0.0);
        for_each_band(from_years, to_years, |band, from, to| self.years_by_age[category * AGE_BANDS.len() + band] += to - from);
    }

    /// A component renewed at a machine age was at risk between two machine ages.
    pub fn component_at_risk(
        &mut self,
        place: (usize, usize, usize),
        hazard: &Weibull,
        renewed_at_years: f64,
        from_years: f64,
        to_years: f64,
    ) {
        let (category, platform, component) = place;
        let mut before = hazard.cumulative_hazard(from_years - renewed_at_years);
        for_each_band(from_years, to_years, |band, _, to| {
            let after = hazard.cumulative_hazard(to - renewed_at_years);
            let cell = self.age_cell(category, component, band);
            self.by_age[cell].expected_natural_events += after - before;
            self.by_platform[platform * self.components + component].expected_natural_events += after - before;
            before = after;
        });
    }

    pub fn fault(&mut self, place: (usize, usize, usize), age_years: f64, natural: bool) {
        let (category, platform, component) = place;
        let cell = self.age_cell(category, component, age_band(age_years));
        for faults in [&mut self.by_age[cell], &mut self.by_platform[platform * self.components + component]] {
            if natural {
                faults.natural_events += 1;
            } else {
                faults.recall_events += 1;
            }
        }
    }

    pub fn repaired(&mut self, component: usize, source: PartSource, will_return: bool) {
        let cell = &mut self.repairs[component * PartSource::ALL.len() + source as usize];
        cell.0 += 1;
        cell.1 += u64::from(will_return);
    }

    pub fn damage(&mut self, primary: usize, consequential: usize, damaged: bool) {
        let cell = self.damage.entry((primary, consequential)).or_default();
        cell.0 += 1;
        cell.1 += u64::from(damaged);
    }

    pub fn outcome(&mut self, outcome: Outcome) {
        *self.outcomes.entry(outcome).or_default() += 1;
    }

    pub fn realised(&self, world: &World) -> Realised {
        let key = |component: usize| world.components[component].key.to_string();
        let mut faults_by_age = Vec::new();
        for category in 0..self.categories {
            for component in 0..self.components {
                let fitted = world.scenario.components[component].hazard.contains_key(&*world.categories[category].key);
                for band in (0..AGE_BANDS.len()).filter(|_| fitted) {
                    faults_by_age.push(FaultsByAge {
                        category: world.categories[category].key.to_string(),
                        component: key(component),
                        age_from_years: AGE_BANDS[band],
                        age_to_years: AGE_BANDS.get(band + 1).copied(),
                        machine_years: self.years_by_age[category * AGE_BANDS.len() + band],
                        faults: self.by_age[self.age_cell(category, component, band)],
                    });
                }
            }
        }
        let mut faults_by_platform = Vec::new();
        for (platform, spec) in world.scenario.platforms.iter().enumerate() {
            for component in (0..self.components).filter(|&c| world.scenario.components[c].weibull_on(spec).is_some()) {
                faults_by_platform.push(FaultsByPlatform {
                    platform: spec.name.clone(),
                    component: key(component),
                    machine_years: self.years_by_platform[platform],
                    faults: self.by_platform[platform * self.components + component],
                });
            }
        }
        let repairs = self.repairs.iter().enumerate().filter(|(_, counts)| counts.0 > 0).map(|(cell, &(repaired, will_return))| Repairs {
            component: key(cell / PartSource::ALL.len()),
            part_source: PartSource::ALL[cell % PartSource::ALL.len()].key(),
            repaired,
            will_return,
        });
        let damage = self.damage.iter().map(|(&(primary, consequential), &(jobs, damaged))| Damage {
            primary: key(primary),
            consequential: key(consequential),
            jobs,
            damaged,
        });
        Realised {
            roster_machines: self.roster_machines,
            jobs: self.outcomes.values().sum(),
            jobs_on_roster: self.jobs_on_roster,
            roster_machine_years: self.years_by_platform.iter().sum(),
            open_at_end: self.open_at_end,
            outcomes: self.outcomes.iter().map(|(outcome, &jobs)| (outcome.key(), jobs)).collect(),
            faults_by_age,
            faults_by_platform,
            repairs: repairs.collect(),
            damage: damage.collect(),
            sealed_faults: self.sealed_faults,
            sealed_condemned: self.sealed_condemned,
        }
    }
}

/// Calls `visit(band, from, to)` for each age band that the interval touches.
fn for_each_band(from_years: f64, to_years: f64, mut visit: impl FnMut(usize, f64, f64)) {
    let mut from = from_years.max(0.0);
    let mut band = age_band(from);
    while from < to_years {
        let to = AGE_BANDS.get(band + 1).map_or(to_years, |&edge| edge.min(to_years));
        visit(band, from, to);
        from = to;
        band += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_include_their_lower_edge_and_share_out_the_whole_interval() {
        assert_eq!((age_band(0.0), age_band(9.99), age_band(10.0), age_band(40.0)), (0, 9, 10, 12));
        let mut pieces = Vec::new();
        for_each_band(0.5, 16.0, |band, from, to| pieces.push((band, to - from)));
        assert_eq!(pieces.first(), Some(&(0, 0.5)));
        assert_eq!(pieces.last(), Some(&(12, 1.0)));
        assert!((pieces.iter().map(|p| p.1).sum::<f64>() - 15.5).abs() < 1e-12);
    }
}
