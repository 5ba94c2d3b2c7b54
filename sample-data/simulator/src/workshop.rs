//! What the workshop does about a fault: condemn, decline, repair, order parts, charge.

use crate::calendar::{add_days, add_working_days, open_day, years_between};
use crate::records::{Outcome, Part, PartSource, Term};
use crate::world::{ModelInfo, World};
use chrono::NaiveDate;
use rand::{Rng, RngExt, distr::weighted::WeightedIndex};
use rand_distr::{Exp1, StandardNormal};
use std::collections::VecDeque;

const DONORS_KEPT_PER_PLATFORM: usize = 16;

/// Condemned roster machines whose parts can still be had, by platform.
#[derive(Default)]
pub(crate) struct Donors(Vec<VecDeque<(NaiveDate, String)>>);

impl Donors {
    pub fn add(&mut self, platform: usize, day: NaiveDate, machine_id: String) {
        if self.0.len() <= platform {
            self.0.resize_with(platform + 1, VecDeque::new);
        }
        let shelf = &mut self.0[platform];
        shelf.push_back((day, machine_id));
        if shelf.len() > DONORS_KEPT_PER_PLATFORM {
            shelf.pop_front();
        }
    }

    fn one_before(&self, platform: usize, day: NaiveDate) -> Option<String> {
        self.0.get(platform)?.iter().rev().find(|(condemned, _)| *condemned <= day).map(|(_, id)| id.clone())
    }
}

/// A machine as the workshop meets it.
pub(crate) struct Case<'a> {
    pub model: &'a ModelInfo,
    pub age_years: f64,
    pub booked_on: NaiveDate,
    pub on_roster: bool,
    pub at_home: bool,
}

/// What is wrong with it.
pub(crate) struct Fault {
    pub primary: usize,
    /// What the primary fault damaged.
    pub damaged: Vec<usize>,
}

/// What was done.
pub(crate) struct Work {
    pub outcome: Outcome,
    pub reason: Option<Term>,
    pub closed_on: NaiveDate,
    pub visits: u32,
    pub labour_minutes: f64,
    pub parts: Vec<Part>,
    /// Components put right, with the source of the part.
    pub cured: Vec<(usize, PartSource)>,
    pub cause_left: bool,
    pub damage_left: bool,
}

enum Supply {
    Fitted(Vec<Part>, PartSource),
    Unavailable(Part),
}

impl World {
    pub(crate) fn attend<R: Rng>(&self, case: &Case, fault: &Fault, donors: &Donors, rng: &mut R) -> Work {
        let rules = &self.scenario.outcome;
        let spec = &self.scenario.components[fault.primary];
        let needs_assembly = case.model.sealed && self.components[fault.primary].inside_sealed_drum;
        let condemned = if needs_assembly {
            self.scenario.sealed.condemn_probability
        } else {
            let growth = (rules.condemn_growth_per_year * (case.age_years - 7.0)).exp();
            (spec.condemn_at_7_years * growth * self.scenario.categories[case.model.category].condemn_factor).min(0.95)
        };
        if rng.random_bool(condemned) {
            let reasons = if needs_assembly { &self.sealed_reasons } else { &self.condemned_reasons };
            return self.unrepaired(case, Outcome::Condemned, Some(reasons.draw(rng).clone()), Vec::new(), rng);
        }
        let declined = if case.on_roster { rules.declined_on_roster } else { rules.declined_in_town };
        if rng.random_bool(declined) {
            return self.unrepaired(case, Outcome::Declined, Some(self.declined_reasons.draw(rng).clone()), Vec::new(), rng);
        }
        if rng.random_bool(rules.repairable_only) {
            return self.unrepaired(case, Outcome::Repairable, Some(self.repairable_reasons.draw(rng).clone()), Vec::new(), rng);
        }
        self.repair(case, fault, needs_assembly, donors, rng)
    }

    fn repair<R: Rng>(&self, case: &Case, fault: &Fault, needs_assembly: bool, donors: &Donors, rng: &mut R) -> Work {
        let spec = &self.scenario.components[fault.primary];
        let cost = &self.scenario.cost;
        let mut parts = Vec::new();
        let mut cured = Vec::new();
        let (mut cause_left, mut damage_left) = (false, false);
        let mut minutes;
        if needs_assembly {
            let price = self.scenario.sealed.assembly_price_share * case.model.price_new;
            match self.supply(case, None, price, PartSource::NewOriginal, donors, rng) {
                Supply::Unavailable(order) => return self.without_part(case, order, rng),
                Supply::Fitted(lines, source) => {
                    parts.extend(lines);
                    cured.extend(std::iter::once(&fault.primary).chain(&fault.damaged).map(|&c| (c, source)));
                }
            }
            minutes = self.scenario.sealed.labour_minutes;
        } else {
            if !fault.damaged.is_empty() {
                let scope: f64 = rng.random();
                let rules = &self.scenario.consequential;
                cause_left = scope < rules.only_consequential_replaced;
                damage_left = !cause_left && scope < rules.only_consequential_replaced + rules.only_primary_replaced;
            }
            minutes = 0.0;
            let mut to_cure: Vec<usize> = Vec::new();
            if !cause_left {
                to_cure.push(fault.primary);
            }
            if !damage_left {
                to_cure.extend(&fault.damaged);
            }
            for (place, &component) in to_cure.iter().enumerate() {
                let info = &self.scenario.components[component];
                minutes += if place == 0 { info.labour_minutes } else { info.labour_minutes / 2.0 };
                if fault.damaged.is_empty() && rng.random_bool(spec.cured_without_part) {
                    cured.push((component, PartSource::NewOriginal));
                    continue;
                }
                let wanted = self.draw_source(component, case.age_years, rng);
                match self.supply(case, Some(component), info.part_price * case.model.price_factor, wanted, donors, rng) {
                    Supply::Unavailable(order) => return self.without_part(case, order, rng),
                    Supply::Fitted(lines, source) => {
                        parts.extend(lines);
                        cured.push((component, source));
                    }
                }
            }
        }
        let last_arrival = parts.iter().filter_map(|p| p.received_on).max();
        let closed_on = match last_arrival {
            Some(day) => open_day(add_days(day, rng.random_range(1..=4))),
            None => self.closed_without_waiting(case, rng),
        };
        let spread: f64 = rng.sample(StandardNormal);
        let visits = if case.at_home && last_arrival.is_some() { 2 } else { 1 } + u32::from(rng.random_bool(0.04));
        Work {
            outcome: Outcome::Repaired,
            reason: None,
            closed_on,
            visits,
            labour_minutes: (cost.diagnosis_minutes + minutes) * (cost.labour_sigma * spread).exp(),
            parts,
            cured,
            cause_left,
            damage_left,
        }
    }

    /// Another fault came up while the job was open: put right along with it, from stock.
    pub(crate) fn also_repair<R: Rng>(&self, case: &Case, component: usize, work: &mut Work, rng: &mut R) {
        let spec = &self.scenario.components[component];
        work.labour_minutes += spec.labour_minutes / 2.0;
        let price = spec.part_price * case.model.price_factor;
        work.parts.push(self.line(case, Some(component), PartSource::NewOriginal, price, rng));
        work.cured.push((component, PartSource::NewOriginal));
    }

    pub(crate) fn no_fault_found<R: Rng>(&self, case: &Case, rng: &mut R) -> Work {
        let spread: f64 = rng.sample(StandardNormal);
        let minutes = self.scenario.cost.no_fault_minutes * (self.scenario.cost.labour_sigma * spread).exp();
        Work { labour_minutes: minutes, ..self.unrepaired(case, Outcome::NoFaultFound, None, Vec::new(), rng) }
    }

    /// The machine was looked at, and no more.
    fn unrepaired<R: Rng>(&self, case: &Case, outcome: Outcome, reason: Option<Term>, parts: Vec<Part>, rng: &mut R) -> Work {
        let spread: f64 = rng.sample(StandardNormal);
        let cost = &self.scenario.cost;
        Work {
            outcome,
            reason,
            closed_on: self.closed_without_waiting(case, rng),
            visits: 1,
            labour_minutes: (2.0 * cost.diagnosis_minutes) * (cost.labour_sigma * spread).exp(),
            parts,
            cured: Vec::new(),
            cause_left: false,
            damage_left: false,
        }
    }

    fn without_part<R: Rng>(&self, case: &Case, order: Part, rng: &mut R) -> Work {
        let condemned = rng.random_bool(self.scenario.parts.unavailable_condemned);
        let outcome = if condemned { Outcome::Condemned } else { Outcome::Repairable };
        let mut work = self.unrepaired(case, outcome, Some(self.part_unavailable.clone()), vec![order], rng);
        work.closed_on = open_day(add_days(work.closed_on, rng.random_range(5..=25)));
        work
    }

    fn closed_without_waiting<R: Rng>(&self, case: &Case, rng: &mut R) -> NaiveDate {
        open_day(add_days(case.booked_on, if case.at_home { rng.random_range(0..=4) } else { rng.random_range(2..=9) }))
    }

    fn draw_source<R: Rng>(&self, component: usize, age_years: f64, rng: &mut R) -> PartSource {
        let sources = &self.components[component].sources;
        let growth = (1.0 + self.scenario.parts.used_growth_per_year * (age_years - 6.0)).max(0.2);
        let weights = sources.iter().map(|(s, w)| if *s == PartSource::Used { w * growth } else { *w });
        WeightedIndex::new(weights).map_or(PartSource::NewOriginal, |index| sources[rng.sample(index)].0)
    }

    /// One part for the job: from the shelf, from a donor, or ordered. `component` is `None` for the drum assembly.
    fn supply<R: Rng>(
        &self,
        case: &Case,
        component: Option<usize>,
        price: f64,
        wanted: PartSource,
        donors: &Donors,
        rng: &mut R,
    ) -> Supply {
        let parts = &self.scenario.parts;
        if matches!(wanted, PartSource::Used | PartSource::Repaired) {
            return Supply::Fitted(vec![self.second_hand(case, component, wanted, price, donors, rng)], wanted);
        }
        let mut line = self.line(case, component, wanted, price, rng);
        if component.is_some() && rng.random_bool(parts.from_stock) {
            return Supply::Fitted(vec![line], wanted);
        }
        let ordered_on = add_days(case.booked_on, rng.random_range(0..=3));
        let discontinued_years = case.model.last_sold_on.map_or(0.0, |last| years_between(last, ordered_on).max(0.0));
        line.ordered_on = Some(ordered_on);
        if rng.random_bool((parts.unavailable + parts.unavailable_per_year * discontinued_years).min(1.0)) {
            line.unavailable = true;
            line.unit_cost_pence = None;
            let offered = component.is_some_and(|c| self.scenario.components[c].used_price.is_some());
            if offered && rng.random_bool(parts.used_instead) {
                let used = self.second_hand(case, component, PartSource::Used, price, donors, rng);
                return Supply::Fitted(vec![line, used], PartSource::Used);
            }
            return Supply::Unavailable(line);
        }
        let median = if discontinued_years > 0.0 { parts.lead_median_discontinued } else { parts.lead_median_working_days };
        let spread: f64 = rng.sample(StandardNormal);
        let working_days = (median * (parts.lead_sigma * spread).exp()).round().clamp(1.0, 120.0);
        line.received_on = Some(add_working_days(ordered_on, working_days as u64));
        Supply::Fitted(vec![line], wanted)
    }

    fn second_hand<R: Rng>(
        &self,
        case: &Case,
        component: Option<usize>,
        source: PartSource,
        price_new: f64,
        donors: &Donors,
        rng: &mut R,
    ) -> Part {
        let mut line = self.line(case, component, source, price_new, rng);
        if source == PartSource::Used {
            if let Some([low, high]) = component.and_then(|c| self.scenario.components[c].used_price) {
                line.unit_cost_pence = Some(pence(rng.random_range(low..=high).round()));
            }
            if rng.random_bool(self.scenario.parts.donor_recorded) {
                line.donor_machine = donors.one_before(case.model.platform, case.booked_on);
            }
            line.part_number = None;
        }
        line
    }

    fn line<R: Rng>(&self, case: &Case, component: Option<usize>, source: PartSource, price: f64, rng: &mut R) -> Part {
        let parts = &self.scenario.parts;
        let factor = match source {
            PartSource::NewPattern => parts.pattern_price,
            PartSource::Repaired => parts.repaired_price,
            PartSource::NewOriginal | PartSource::Used => 1.0,
        };
        let haggle = rng.random_range(0.93..1.07);
        let number = self.part_number(component, case.model);
        Part {
            component: component.map_or_else(|| self.assembly.clone(), |c| self.components[c].key.clone()),
            part_number: Some(if source == PartSource::NewPattern { number + "P" } else { number }),
            source,
            quantity: component.map_or(1, |c| self.scenario.components[c].quantity),
            unit_cost_pence: Some(pence(price * factor * haggle * self.price_level(case.booked_on))),
            ordered_on: None,
            received_on: None,
            unavailable: false,
            donor_machine: None,
        }
    }

    /// (labour, parts, charged) in pence.
    pub(crate) fn bill<R: Rng>(&self, case: &Case, minutes: u32, parts: &[Part], rng: &mut R) -> (i64, i64, Option<i64>) {
        let cost = &self.scenario.cost;
        let labour = pence(f64::from(minutes) / 60.0 * cost.labour_rate_per_hour * self.price_level(case.booked_on));
        let parts: i64 = parts.iter().map(|p| p.unit_cost_pence.unwrap_or(0) * i64::from(p.quantity)).sum();
        let call_out = if case.at_home { pence(cost.call_out * self.price_level(case.booked_on)) } else { 0 };
        let charged = ((labour + parts) as f64 * cost.charge_factor).round() as i64 + call_out;
        (labour, parts, (!rng.random_bool(cost.charge_missing)).then_some(charged))
    }

    /// Years until a fault that a repair brought about shows itself.
    pub(crate) fn return_delay_years<R: Rng>(&self, mean_days: f64, rng: &mut R) -> f64 {
        let exponential: f64 = rng.sample(Exp1);
        exponential * mean_days / 365.25
    }
}

fn pence(pounds: f64) -> i64 {
    (pounds * 100.0).round() as i64
}
