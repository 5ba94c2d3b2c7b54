//! One machine from installation to the end: its faults, and the jobs they become.
//!
//! Each fitted component fails by its own Weibull hazard on its own age. A repair renews that component and
//! no other; a machine off the records (before the period, or mended by somebody else) is renewed in the same
//! way. A fault that comes up while the machine is in for another joins that job. Where a repair leaves the cause,
//! that component is not renewed and ages on. After `declined` and `repairable` the machine, if it is kept, is
//! mended by somebody else.

use crate::calendar::{add_days, day_at_age, days_before, years_between};
use crate::records::{History, Job, Machine, Origin, Outcome, PartSource, Role, Term};
use crate::truth::Tally;
use crate::weibull::Weibull;
use crate::workshop::{Case, Donors, Fault, Work};
use crate::world::{ModelInfo, World};
use chrono::{Datelike, NaiveDate};
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Exp1, Gamma};
use rand_pcg::Pcg64Mcg;

/// A fitted component, as far as its faults go. Ages are the machine's.
struct Slot {
    component: usize,
    original: Weibull,
    hazard: Weibull,
    renewed_at: f64,
    at_risk_from: f64,
    fails_at: f64,
}

enum Event {
    Natural(usize),
    /// Index into the returns.
    Return(usize),
    NoFault,
}

struct Return {
    slot: usize,
    at: f64,
}

struct Life<'w> {
    world: &'w World,
    tally: &'w mut Tally,
    rng: Pcg64Mcg,
    index: u64,
    model: &'w ModelInfo,
    installed_on: NaiveDate,
    on_roster: bool,
    machine_id: Option<String>,
    serial: Option<String>,
    known_to_us: bool,
    slots: Vec<Slot>,
    returns: Vec<Return>,
    no_fault_at: f64,
    jobs: Vec<Job>,
}

struct Arrival {
    index: u64,
    category: usize,
    installed_on: NaiveDate,
    on_roster: bool,
    /// Up to this age nothing failed.
    entry_age: f64,
}

/// How a machine's observation ended.
struct End {
    age: f64,
    condemned_on: Option<NaiveDate>,
}

fn random_of(seed: u64, stream: u64) -> Pcg64Mcg {
    Pcg64Mcg::seed_from_u64(seed ^ stream.wrapping_mul(0x9E37_79B9_7F4A_7C15))
}

/// A machine of the roster, number `index` of all machines.
pub(crate) fn roster_machine(world: &World, index: u64, tally: &mut Tally, donors: &mut Donors) -> History {
    let scenario = &world.scenario;
    let roster = &scenario.roster;
    let mut rng = random_of(scenario.seed, index + 1);
    let category = *world.category_shares.draw(&mut rng);
    let days = (scenario.last_day - scenario.first_day).num_days() as u64;
    let present_at_start = rng.random_bool(roster.present_at_start);
    let entered_on = if present_at_start { scenario.first_day } else { add_days(scenario.first_day, rng.random_range(0..days)) };
    let used = present_at_start || !rng.random_bool(roster.enters_new);
    let exponential: f64 = rng.sample(Exp1);
    // An exponential modulo a limit is the exponential truncated there.
    let entry_age = if used { exponential * roster.mean_entry_age_years % roster.max_entry_age_years } else { 0.0 };
    let installed_on = days_before(entered_on, (entry_age * 365.25) as u64);
    let entry_age = years_between(installed_on, entered_on);

    let leaving = [("moved", roster.moved_per_year), ("sold", roster.sold_per_year), ("plan_ended", roster.plan_ended_per_year)];
    let stays: [f64; 3] = std::array::from_fn(|i| rng.sample::<f64, _>(Exp1) / leaving[i].1);
    let first = (0..3).min_by(|&a, &b| stays[a].total_cmp(&stays[b])).unwrap_or(0);
    let leaves_at = entry_age + stays[first];
    let period_ends_at = years_between(installed_on, scenario.last_day);

    let mut life = Life::begin(world, tally, rng, Arrival { index, category, installed_on, on_roster: true, entry_age });
    let end = life.run(leaves_at.min(period_ends_at), donors);
    let left_on = end.condemned_on.or_else(|| (end.age < period_ends_at).then(|| day_at_age(installed_on, end.age)));
    let machine = Machine {
        machine_id: machine_id(index),
        serial: life.serial.clone(),
        category: world.categories[category].key.clone(),
        brand: life.model.brand.clone(),
        model: life.model.model.clone(),
        in_service_on: installed_on,
        entered_on,
        left_on,
        left_reason: left_on.map(|_| if end.condemned_on.is_some() { "condemned" } else { leaving[first].0 }),
    };
    let jobs = std::mem::take(&mut life.jobs);
    if let Some(day) = end.condemned_on {
        donors.add(life.model.platform, day, machine.machine_id.clone());
    }
    let observed = (life.model.category, life.model.platform);
    tally.machine_observed(observed.0, observed.1, entry_age, end.age);
    tally.roster_machines += 1;
    tally.jobs_on_roster += jobs.len() as u64;
    History { machine: Some(machine), jobs }
}

/// A machine of the town, off the roster.
pub(crate) fn town_machine(world: &World, index: u64, tally: &mut Tally, donors: &Donors) -> History {
    let scenario = &world.scenario;
    let town = &scenario.town;
    let mut rng = random_of(scenario.seed, index + 1);
    let category = *world.category_shares.draw(&mut rng);
    let days = (scenario.last_day - town.first_installation).num_days() as u64;
    let installed_on = add_days(town.first_installation, rng.random_range(0..days));
    let life_years = match Gamma::new(town.life_shape, town.mean_life_years / town.life_shape) {
        Ok(gamma) => gamma.sample(&mut rng),
        Err(_) => town.mean_life_years,
    };
    let mut life = Life::begin(world, tally, rng, Arrival { index, category, installed_on, on_roster: false, entry_age: 0.0 });
    life.run(life_years.min(years_between(installed_on, scenario.last_day)), donors);
    History { machine: None, jobs: life.jobs }
}

fn machine_id(index: u64) -> String {
    format!("PL-{:06}", index + 1)
}

impl<'w> Life<'w> {
    fn begin(world: &'w World, tally: &'w mut Tally, mut rng: Pcg64Mcg, arrival: Arrival) -> Self {
        let Arrival { index, category, installed_on, on_roster, entry_age } = arrival;
        let model = &world.models[world.draw_model(category, installed_on, &mut rng)];
        let slots = model
            .fitted
            .iter()
            .map(|&(component, hazard)| Slot {
                component,
                original: hazard,
                hazard,
                renewed_at: 0.0,
                at_risk_from: entry_age,
                fails_at: hazard.sample_failure_after(entry_age, &mut rng),
            })
            .collect();
        let lacks_serial = on_roster && rng.random_bool(world.scenario.roster.lacks_serial);
        let week = installed_on.ordinal0() / 7 + 1;
        let serial = format!("{}{:02}{:02}{:06}", model.serial_prefix, installed_on.year() % 100, week, index + 1);
        let mut life = Self {
            world,
            tally,
            rng,
            index,
            model,
            installed_on,
            on_roster,
            machine_id: on_roster.then(|| machine_id(index)),
            serial: (!lacks_serial).then_some(serial),
            known_to_us: on_roster,
            slots,
            returns: Vec::new(),
            no_fault_at: 0.0,
            jobs: Vec::new(),
        };
        life.no_fault_at = life.next_no_fault_call(entry_age);
        life
    }

    fn next_no_fault_call(&mut self, age: f64) -> f64 {
        let scenario = &self.world.scenario;
        let per_year = if self.on_roster { scenario.roster.no_fault_calls_per_year } else { scenario.town.no_fault_calls_per_year };
        age + self.rng.sample::<f64, _>(Exp1) / per_year
    }

    fn run(&mut self, mut end_age: f64, donors: &Donors) -> End {
        loop {
            let (age, event) = self.next_event();
            if age >= end_age {
                break;
            }
            if self.is_unseen(age, &event) {
                if self.mended_elsewhere(age, &event) {
                    continue;
                }
                end_age = age;
                break;
            }
            self.known_to_us = true;
            let (close_age, closed_on, outcome) = self.job(age, event, donors);
            let scrapped =
                outcome == Outcome::Declined && !self.on_roster && self.rng.random_bool(self.world.scenario.town.scrapped_after_declining);
            if outcome == Outcome::Condemned || scrapped {
                let seen = closed_on <= self.world.scenario.last_day;
                let end_age = close_age.min(years_between(self.installed_on, self.world.scenario.last_day));
                self.end_exposure(end_age);
                return End { age: end_age, condemned_on: (seen && self.on_roster).then_some(closed_on) };
            }
            // A machine does not leave in the middle of a job, and the period ends when it ends.
            end_age = end_age.max(close_age.min(years_between(self.installed_on, self.world.scenario.last_day)));
        }
        self.end_exposure(end_age);
        End { age: end_age, condemned_on: None }
    }

    fn next_event(&self) -> (f64, Event) {
        let mut next = (self.no_fault_at, Event::NoFault);
        for (i, slot) in self.slots.iter().enumerate() {
            if slot.fails_at < next.0 {
                next = (slot.fails_at, Event::Natural(i));
            }
        }
        for (i, coming) in self.returns.iter().enumerate() {
            if coming.at < next.0 {
                next = (coming.at, Event::Return(i));
            }
        }
        next
    }

    /// Whether this fault does not bring the machine to us.
    fn is_unseen(&mut self, age: f64, event: &Event) -> bool {
        if self.on_roster {
            return false;
        }
        let town = &self.world.scenario.town;
        let calls = match event {
            Event::Return(_) => town.returns_to_us,
            _ if self.known_to_us => town.calls_us_again,
            _ => town.calls_us,
        };
        let calls = self.rng.random_bool(calls);
        !calls || day_at_age(self.installed_on, age) < self.world.scenario.first_day
    }

    /// Renews what failed; false if the fault ends the machine.
    fn mended_elsewhere(&mut self, age: f64, event: &Event) -> bool {
        let failed = match *event {
            Event::NoFault => {
                self.no_fault_at = self.next_no_fault_call(age);
                return true;
            }
            Event::Natural(slot) => slot,
            Event::Return(index) => self.returns[index].slot,
        };
        if self.rng.random_bool(self.world.scenario.town.scrapped_elsewhere) {
            return false;
        }
        self.renew(failed, PartSource::NewOriginal, age);
        true
    }

    /// A new part from `age` on. What was still to come of its earlier repair no longer comes.
    fn renew(&mut self, slot: usize, source: PartSource, age: f64) {
        let factor = self.world.source_hazard(source);
        let renewed = &mut self.slots[slot];
        renewed.hazard = renewed.original.with_hazard_times(factor);
        renewed.renewed_at = age;
        renewed.at_risk_from = age;
        renewed.fails_at = age + renewed.hazard.sample_failure_after(0.0, &mut self.rng);
        self.returns.retain(|coming| coming.slot != slot);
    }

    /// Closes a component's time at risk; it is at risk again from `again_from`.
    fn expose(&mut self, slot: usize, until: f64, again_from: f64) {
        let slot = &mut self.slots[slot];
        if self.on_roster {
            let place = (self.model.category, self.model.platform, slot.component);
            self.tally.component_at_risk(place, &slot.hazard, slot.renewed_at, slot.at_risk_from, until);
        }
        slot.at_risk_from = again_from;
    }

    fn end_exposure(&mut self, end_age: f64) {
        for slot in 0..self.slots.len() {
            self.expose(slot, end_age, f64::INFINITY);
        }
    }

    fn count_fault(&mut self, slot: usize, age: f64, natural: bool) {
        if self.on_roster {
            let place = (self.model.category, self.model.platform, self.slots[slot].component);
            self.tally.fault(place, age, natural);
        }
    }

    /// Attends to one call; returns the machine's age when the job is closed, that day, and the outcome.
    fn job(&mut self, age: f64, event: Event, donors: &Donors) -> (f64, NaiveDate, Outcome) {
        let world = self.world;
        let booked_on = day_at_age(self.installed_on, age);
        let (slot, origin) = match event {
            Event::Natural(slot) => (Some(slot), Origin::Natural),
            Event::Return(index) => (Some(self.returns.remove(index).slot), Origin::Recall),
            Event::NoFault => (None, Origin::NoFault),
        };
        let at_home = self.rng.random_bool(world.scenario.categories[self.model.category].home_visit);
        let case = Case { model: self.model, age_years: age, booked_on, on_roster: self.on_roster, at_home };
        let fault = slot.map(|slot| {
            let primary = self.slots[slot].component;
            self.count_fault(slot, age, origin == Origin::Natural);
            self.expose(slot, age, f64::INFINITY);
            Fault { primary, damaged: self.draw_damage(primary) }
        });
        let mut primaries: Vec<usize> = slot.into_iter().collect();
        let mut work = match &fault {
            None => world.no_fault_found(&case, &mut self.rng),
            Some(fault) => world.attend(&case, fault, donors, &mut self.rng),
        };
        if fault.as_ref().is_some_and(|f| world.components[f.primary].inside_sealed_drum) && self.model.sealed {
            self.tally.sealed_faults += 1;
            self.tally.sealed_condemned += u64::from(work.outcome == Outcome::Condemned);
        }
        if slot.is_none() {
            // Should something really fail meanwhile, that is the next job.
            let next_failure = self.slots.iter().map(|s| s.fails_at).fold(f64::INFINITY, f64::min);
            work.closed_on = work.closed_on.min(day_at_age(self.installed_on, next_failure.min(age + 1.0)));
        }
        let close_age = years_between(self.installed_on, work.closed_on).max(age);
        // What is to be renewed as damaged is no longer at risk from the day of the fault.
        for &(component, _) in &work.cured {
            if let Some(slot) = self.slots.iter().position(|s| s.component == component)
                && !primaries.contains(&slot)
            {
                self.expose(slot, age, f64::INFINITY);
            }
        }
        for other in 0..self.slots.len() {
            let found = self.slots[other].fails_at < close_age && self.slots[other].at_risk_from.is_finite();
            if slot.is_some() && found {
                let fails_at = self.slots[other].fails_at;
                self.count_fault(other, fails_at, true);
                self.expose(other, fails_at, f64::INFINITY);
                if work.outcome == Outcome::Repaired {
                    world.also_repair(&case, self.slots[other].component, &mut work, &mut self.rng);
                }
                primaries.push(other);
            }
        }
        self.after_job(fault.as_ref(), &primaries, &work, close_age);
        let (closed_on, outcome) = (work.closed_on, work.outcome);
        if closed_on > world.scenario.last_day {
            self.tally.open_at_end += u64::from(self.on_roster);
        } else {
            self.tally.outcome(outcome);
            let primaries: Vec<usize> = primaries.iter().map(|&s| self.slots[s].component).collect();
            let damaged = fault.map_or_else(Vec::new, |fault| fault.damaged);
            let job = self.write_up(&case, origin, &primaries, &damaged, work);
            self.jobs.push(job);
        }
        (close_age, closed_on, outcome)
    }

    fn draw_damage(&mut self, primary: usize) -> Vec<usize> {
        let mut damaged = Vec::new();
        for &(component, probability) in &self.world.components[primary].damages {
            if self.slots.iter().any(|s| s.component == component && s.at_risk_from.is_finite()) {
                let hit = self.rng.random_bool(probability);
                self.tally.damage(primary, component, hit);
                if hit {
                    damaged.push(component);
                }
            }
        }
        damaged
    }

    /// Renews what was cured, and plans what will come back.
    fn after_job(&mut self, fault: Option<&Fault>, primaries: &[usize], work: &Work, close_age: f64) {
        let rules = &self.world.scenario;
        let slot_of = |slots: &[Slot], component: usize| slots.iter().position(|s| s.component == component);
        if work.outcome == Outcome::Condemned {
            return;
        }
        for coming in &mut self.returns {
            coming.at = coming.at.max(close_age);
        }
        if self.no_fault_at <= close_age {
            self.no_fault_at = self.next_no_fault_call(close_age);
        }
        for &slot in primaries {
            let component = self.slots[slot].component;
            if work.outcome == Outcome::Repaired && !work.cured.iter().any(|(c, _)| *c == component) {
                // The cause was left: it ages on.
                let left = &mut self.slots[slot];
                left.at_risk_from = close_age;
                left.fails_at = left.renewed_at + left.hazard.sample_failure_after(close_age - left.renewed_at, &mut self.rng);
            } else if work.outcome != Outcome::Repaired {
                self.renew(slot, PartSource::NewOriginal, close_age);
            }
        }
        for &(component, source) in &work.cured {
            let Some(slot) = slot_of(&self.slots, component) else { continue };
            self.renew(slot, source, close_age);
            let factor = rules.recall.source_factor.get(source.key()).copied().unwrap_or(1.0);
            let bad = self.rng.random_bool((rules.components[component].recall * factor).min(1.0));
            self.tally.repaired(component, source, bad);
            if bad {
                let at = close_age + self.world.return_delay_years(rules.recall.mean_delay_days, &mut self.rng);
                self.returns.push(Return { slot, at });
            }
        }
        let Some(fault) = fault else { return };
        let mut left = Vec::new();
        if work.cause_left && self.rng.random_bool(rules.consequential.cause_left_returns) {
            left.push(fault.primary);
        }
        if work.damage_left && self.rng.random_bool(rules.consequential.damage_left_returns) {
            left.extend(fault.damaged.first());
        }
        for component in left {
            if let Some(slot) = slot_of(&self.slots, component) {
                let at = close_age + self.world.return_delay_years(rules.consequential.mean_delay_days, &mut self.rng);
                self.returns.push(Return { slot, at });
            }
        }
    }

    /// The job as it stands in the records.
    fn write_up(&mut self, case: &Case, origin: Origin, primaries: &[usize], damaged: &[usize], work: Work) -> Job {
        let world = self.world;
        let rng = &mut self.rng;
        let recording = &world.scenario.recording;
        let minutes = ((work.labour_minutes / 5.0).round() as u32 * 5).max(5);
        let (labour, parts_cost, charged) = world.bill(case, minutes, &work.parts, rng);
        let roster = &world.scenario.roster;
        let town = &world.scenario.town;
        let lacks_serial = rng.random_bool(if self.on_roster { roster.lacks_serial } else { town.job_lacks_serial });
        let machine_id = self.machine_id.clone().filter(|_| !rng.random_bool(roster.job_lacks_machine_id));

        let mut made_year = None;
        let mut bought_on = None;
        let mut age_years = None;
        let known: f64 = rng.random();
        let age_known = &town.age_known;
        if self.on_roster || known < age_known.made_year {
            if !self.on_roster || known < 0.2 {
                made_year = Some(days_before(self.installed_on, rng.random_range(0..90)).year());
            }
        } else if known < age_known.made_year + age_known.bought_on {
            bought_on = Some(self.installed_on);
        } else if known < age_known.made_year + age_known.bought_on + age_known.age_years {
            age_years = Some(case.age_years as u32);
        }

        let washes = world.components.iter().position(|c| &*c.key == "drum_bearings");
        let counts_cycles = self.model.fitted.iter().any(|(c, _)| Some(*c) == washes);
        let usage_cycles = (counts_cycles && rng.random_bool(recording.has_usage_cycles))
            .then(|| (case.age_years * recording.cycles_per_year * rng.random_range(0.6..1.5)) as u32);

        let symptoms = if rng.random_bool(recording.lacks_symptoms) {
            Vec::new()
        } else {
            world.draw_symptoms(self.model.category, primaries.first().copied(), rng)
        };
        let components: Vec<Term> = primaries.iter().map(|&c| world.components[c].key.clone()).collect();
        let findings = if primaries.is_empty() || !rng.random_bool(recording.has_findings) {
            Vec::new()
        } else {
            let incidental = rng.random_bool(recording.incidental_finding).then(|| rng.random_range(0..self.slots.len()));
            let incidental = incidental.map(|s| self.slots[s].component).filter(|c| !primaries.contains(c) && !damaged.contains(c));
            let mut found = vec![(primaries[0], Role::Primary)];
            found.extend(damaged.iter().map(|&c| (c, Role::Consequential)));
            found.extend(primaries[1..].iter().map(|&c| (c, Role::Primary)));
            found.extend(incidental.map(|c| (c, Role::Incidental)));
            world.findings(&found, rng)
        };
        let price_new_pence = rng.random_bool(recording.has_price_new).then_some((self.model.price_new * 100.0).round() as i64);
        Job {
            job_number: 0,
            origin,
            booked_on: Some(case.booked_on).filter(|_| !rng.random_bool(recording.lacks_booked_on)),
            closed_on: work.closed_on,
            category: world.categories[self.model.category].key.clone(),
            brand: self.model.brand.clone(),
            model: self.model.model.clone(),
            serial: self.serial.clone().filter(|_| !lacks_serial),
            machine_id,
            made_year,
            bought_on,
            age_years,
            usage_cycles,
            at_home: case.at_home,
            visits: work.visits,
            fault_text: world.fault_text(&symptoms, &components, rng),
            symptoms,
            cause: world.cause(&findings, rng),
            components,
            outcome: work.outcome,
            not_repaired_reason: work.reason,
            labour_minutes: Some(minutes).filter(|_| !rng.random_bool(recording.lacks_labour_minutes)),
            labour_cost_pence: labour,
            parts_cost_pence: parts_cost,
            charged_pence: charged,
            price_new_pence,
            notes: world.note(self.index, rng),
            findings,
            parts: work.parts,
        }
    }
}
