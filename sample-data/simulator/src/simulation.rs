//! Runs a scenario machine by machine.

use crate::life::{roster_machine, town_machine};
use crate::records::{History, Job, Machine};
use crate::scenario::{Scenario, ScenarioError};
use crate::truth::{Tally, Truth};
use crate::workshop::Donors;
use crate::world::World;

/// A scenario being simulated: yields one machine with its jobs at a time, in bounded memory. Roster machines come
/// first. Machines without jobs off the roster, which nobody knows of, are passed over.
pub struct Simulation {
    world: World,
    tally: Tally,
    donors: Donors,
    next_machine: u64,
    jobs: u64,
}

impl Simulation {
    pub fn new(scenario: &Scenario) -> Result<Self, ScenarioError> {
        let world = World::new(scenario.clone())?;
        let tally = Tally::new(&world);
        Ok(Self { world, tally, donors: Donors::default(), next_machine: 0, jobs: 0 })
    }

    pub fn scenario(&self) -> &Scenario {
        &self.world.scenario
    }

    /// The truth about everything yielded so far.
    pub fn truth(&self) -> Truth {
        Truth { scenario: self.world.scenario.clone(), realised: self.tally.realised(&self.world) }
    }
}

impl Iterator for Simulation {
    type Item = History;

    fn next(&mut self) -> Option<History> {
        let scale = &self.world.scenario.scale;
        let (roster, all) = (scale.roster_machines, scale.roster_machines + scale.town_machines);
        while self.next_machine < all {
            let index = self.next_machine;
            self.next_machine += 1;
            let mut history = if index < roster {
                roster_machine(&self.world, index, &mut self.tally, &mut self.donors)
            } else {
                town_machine(&self.world, index, &mut self.tally, &self.donors)
            };
            for job in &mut history.jobs {
                self.jobs += 1;
                job.job_number = self.jobs;
            }
            if index < roster || !history.jobs.is_empty() {
                return Some(history);
            }
        }
        None
    }
}

/// A whole simulated workshop in memory.
#[derive(Debug, Clone)]
pub struct Records {
    /// By closing day, numbered in order of booking.
    pub jobs: Vec<Job>,
    pub machines: Vec<Machine>,
    pub truth: Truth,
}

/// Simulates a scenario whole. For millions of jobs use [`crate::stream_csv`] or [`Simulation`] instead.
pub fn simulate(scenario: &Scenario) -> Result<Records, ScenarioError> {
    let mut simulation = Simulation::new(scenario)?;
    let mut jobs = Vec::new();
    let mut machines = Vec::new();
    for history in simulation.by_ref() {
        jobs.extend(history.jobs);
        machines.extend(history.machine);
    }
    jobs.sort_by_key(|job| (job.booked_on.unwrap_or(job.closed_on), job.job_number));
    for (number, job) in (1..).zip(&mut jobs) {
        job.job_number = number;
    }
    jobs.sort_by_key(|job| (job.closed_on, job.job_number));
    Ok(Records { jobs, machines, truth: simulation.truth() })
}
