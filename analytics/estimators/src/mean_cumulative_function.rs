//! Mean cumulative number of repairs per machine by age (Nelson's estimate) with its robust variance.
//!
//! With n(t) machines under observation and d(t) repairs at age t:
//!
//! - M(t) = sum over ages u <= t of d(u)/n(u).
//! - Var M(t) = sum over machines i of R_i(t)^2, where R_i(t) adds up, over the ages u <= t at which machine i is under
//!   observation, (d_i(u) - d(u)/n(u)) / n(u): Lawless & Nadeau's robust variance. It lets the repairs of one machine depend on
//!   each other and machines differ (no Poisson process is assumed), and it is biased low when machines are few.
//! - Its interval is symmetric on the scale of log M.
//!
//! The cost grows with machines + repairs after sorting: the sums of R_i and R_i^2 over the machines under observation are
//! updated at each age, since all their R_i shift by the same amount there.
//!
//! Ties: a repair at the age of exit still counts; a machine is under observation only after its entry age.
//! Source: Nelson, Recurrent Events Data Analysis, 2003; Lawless & Nadeau, Technometrics 37 (1995) 158-168; the interval as in
//! Meeker & Escobar, Statistical Methods for Reliability Data, 1998, chapter 16 (all from memory); agreement with the written-out
//! sum is tested, and of M with the `reliability` package.
//! Assumes that entry and exit tell nothing about the number of repairs. M is counted from the first entry on.

use crate::distributions::two_sided_z;
use crate::kaplan_meier::check_observed;
use crate::observation::{check_window, invalid};
use crate::{CannotEstimate, Interval};

/// The ages between which one machine is under observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ObservedMachine {
    pub entry: f64,
    pub exit: f64,
}

/// One repair: the position of its machine in the list of machines, and the machine's age.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repair {
    pub machine: usize,
    pub age: f64,
}

/// The mean cumulative function from one age with repairs until the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanCumulativeStep {
    pub age: f64,
    /// Machines under observation.
    pub at_risk: u64,
    pub repairs: u64,
    pub mean: f64,
    /// Lawless & Nadeau's.
    pub variance: f64,
    /// On the log scale; `None` where the variance is zero because no machine under observation differs from another.
    pub interval: Option<Interval>,
}

/// Mean number of repairs per machine since age `observed_from`, up to age `observed_to`.
#[derive(Debug, Clone, PartialEq)]
pub struct MeanCumulativeFunction {
    pub steps: Vec<MeanCumulativeStep>,
    pub observed_from: f64,
    pub observed_to: f64,
    pub confidence: f64,
}

/// Machines and repairs in any order. Needs two machines and one repair; refuses a repair outside its machine's window.
pub fn mean_cumulative_function(
    machines: &[ObservedMachine],
    repairs: &[Repair],
    confidence: f64,
) -> Result<MeanCumulativeFunction, CannotEstimate> {
    let z = two_sided_z(confidence)?;
    check(machines, repairs)?;
    let mut by_entry: Vec<usize> = (0..machines.len()).collect();
    let mut by_exit = by_entry.clone();
    by_entry.sort_by(|&a, &b| machines[a].entry.total_cmp(&machines[b].entry));
    by_exit.sort_by(|&a, &b| machines[a].exit.total_cmp(&machines[b].exit));
    let mut by_age = repairs.to_vec();
    by_age.sort_by(|a, b| a.age.total_cmp(&b.age).then(a.machine.cmp(&b.machine)));

    let mut residuals = Residuals::new(machines.len());
    let mut entering = by_entry.iter().copied().peekable();
    let mut leaving = by_exit.iter().copied().peekable();
    let mut mean = 0.0;
    let mut steps = Vec::new();
    for tied in by_age.chunk_by(|a, b| a.age == b.age) {
        let age = tied[0].age;
        while let Some(machine) = entering.next_if(|&m| machines[m].entry < age) {
            residuals.enter(machine);
        }
        while let Some(machine) = leaving.next_if(|&m| machines[m].exit < age) {
            residuals.leave(machine);
        }
        let at_risk = residuals.at_risk as f64;
        let increment = tied.len() as f64 / at_risk;
        mean += increment;
        residuals.lower_all(increment / at_risk);
        for same_machine in tied.chunk_by(|a, b| a.machine == b.machine) {
            residuals.raise(same_machine[0].machine, same_machine.len() as f64 / at_risk);
        }
        let variance = residuals.sum_of_squares();
        // What should be exactly zero is zero but for rounding.
        let interval = (variance > 1e-12 * mean * mean)
            .then(|| (z * variance.sqrt() / mean).exp())
            .and_then(|factor| Interval::new(mean, mean / factor, mean * factor, confidence).ok());
        steps.push(MeanCumulativeStep { age, at_risk: residuals.at_risk, repairs: tied.len() as u64, mean, variance, interval });
    }
    let observed_from = by_entry.first().map_or(0.0, |&m| machines[m].entry);
    let observed_to = by_exit.last().map_or(observed_from, |&m| machines[m].exit);
    Ok(MeanCumulativeFunction { steps, observed_from, observed_to, confidence })
}

fn check(machines: &[ObservedMachine], repairs: &[Repair]) -> Result<(), CannotEstimate> {
    match machines.len() {
        0 => return Err(CannotEstimate::NoObservations),
        1 => return Err(CannotEstimate::TooFewObservations { found: 1, needed: 2 }),
        _ => {}
    }
    machines.iter().try_for_each(|m| check_window(m.entry, m.exit))?;
    for &Repair { machine, age } in repairs {
        let window =
            machines.get(machine).ok_or_else(|| invalid(format!("a repair at age {age} names machine {machine} of {}", machines.len())))?;
        if !(window.entry < age && age <= window.exit) {
            let ObservedMachine { entry, exit } = window;
            return Err(invalid(format!("the repair of machine {machine} at age {age} is outside its observation from {entry} to {exit}")));
        }
    }
    if repairs.is_empty() { Err(CannotEstimate::NoEvents) } else { Ok(()) }
}

/// The R_i of all machines. For those under observation the list holds R_i plus the common fall up to now, so that lowering them
/// all together costs nothing.
struct Residuals {
    raised: Vec<f64>,
    fall: f64,
    at_risk: u64,
    sum: f64,
    squares: f64,
    squares_of_left: f64,
}

impl Residuals {
    fn new(machines: usize) -> Self {
        Self { raised: vec![0.0; machines], fall: 0.0, at_risk: 0, sum: 0.0, squares: 0.0, squares_of_left: 0.0 }
    }

    fn enter(&mut self, machine: usize) {
        self.raised[machine] = self.fall;
        self.at_risk += 1;
    }

    fn leave(&mut self, machine: usize) {
        let residual = self.raised[machine] - self.fall;
        self.at_risk -= 1;
        self.sum -= residual;
        self.squares -= residual * residual;
        self.squares_of_left += residual * residual;
    }

    fn lower_all(&mut self, by: f64) {
        let at_risk = self.at_risk as f64;
        self.squares += by * (at_risk * by - 2.0 * self.sum);
        self.sum -= at_risk * by;
        self.fall += by;
    }

    fn raise(&mut self, machine: usize, by: f64) {
        self.squares += by * (by + 2.0 * (self.raised[machine] - self.fall));
        self.sum += by;
        self.raised[machine] += by;
    }

    fn sum_of_squares(&self) -> f64 {
        (self.squares + self.squares_of_left).max(0.0)
    }
}

impl MeanCumulativeFunction {
    /// Mean number of repairs up to `age`. Before the first repair there is no interval ([`CannotEstimate::NoEvents`], the
    /// estimate is 0), nor where machines do not differ ([`CannotEstimate::NoVariation`]); outside the observed ages there is no
    /// estimate.
    pub fn at(&self, age: f64) -> Result<Interval, CannotEstimate> {
        check_observed(age, self.observed_from, self.observed_to)?;
        let passed = self.steps.partition_point(|step| step.age <= age);
        let last = passed.checked_sub(1).and_then(|i| self.steps.get(i)).ok_or(CannotEstimate::NoEvents)?;
        last.interval.ok_or(CannotEstimate::NoVariation)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn machine(entry: f64, exit: f64) -> ObservedMachine {
        ObservedMachine { entry, exit }
    }

    fn repair(machine: usize, age: f64) -> Repair {
        Repair { machine, age }
    }

    /// Four machines: one enters at 2, one leaves at 3 on the day of a repair, two repairs of different machines tie at 3, one
    /// machine has two repairs at 5.
    fn example() -> (Vec<ObservedMachine>, Vec<Repair>) {
        let machines = vec![machine(0.0, 6.0), machine(0.0, 3.0), machine(2.0, 6.0), machine(0.0, 4.0)];
        let repairs = vec![repair(2, 5.0), repair(0, 1.0), repair(1, 3.0), repair(0, 3.0), repair(2, 5.0)];
        (machines, repairs)
    }

    fn variance_by_definition(machines: &[ObservedMachine], repairs: &[Repair], age: f64) -> f64 {
        let mut ages: Vec<f64> = repairs.iter().map(|r| r.age).filter(|&a| a <= age).collect();
        ages.sort_by(f64::total_cmp);
        ages.dedup();
        let residual = |i: usize| -> f64 {
            let observed = |m: &ObservedMachine, u: f64| m.entry < u && u <= m.exit;
            let term = |&u: &f64| {
                let n = machines.iter().filter(|m| observed(m, u)).count() as f64;
                let d = repairs.iter().filter(|r| r.age == u).count() as f64;
                let own = repairs.iter().filter(|r| r.age == u && r.machine == i).count() as f64;
                if observed(&machines[i], u) { (own - d / n) / n } else { 0.0 }
            };
            ages.iter().map(term).sum()
        };
        (0..machines.len()).map(|i| residual(i).powi(2)).sum()
    }

    #[test]
    fn worked_example() {
        // n = 3, 4, 2 at ages 1, 3, 5; d = 1, 2, 2.
        let (machines, repairs) = example();
        let curve = mean_cumulative_function(&machines, &repairs, 0.95).unwrap();
        let expected = [(1.0, 3, 1, 1.0 / 3.0), (3.0, 4, 2, 5.0 / 6.0), (5.0, 2, 2, 11.0 / 6.0)];
        for (step, (age, at_risk, repairs, mean)) in curve.steps.iter().zip(expected) {
            assert_eq!((step.age, step.at_risk, step.repairs), (age, at_risk, repairs));
            assert!((step.mean - mean).abs() < 1e-14);
        }
        // At age 1 the residuals are 2/9, -1/9, -1/9; at age 3 they change by 1/8, 1/8, -1/8, -1/8 (machine 2 starts there).
        let at_one = 4.0 / 81.0 + 1.0 / 81.0 + 1.0 / 81.0;
        let at_three = [25.0 / 72.0, 1.0 / 72.0, -9.0 / 72.0, -17.0 / 72.0f64].iter().map(|r| r * r).sum::<f64>();
        assert!((curve.steps[0].variance - at_one).abs() < 1e-14);
        assert!((curve.steps[1].variance - at_three).abs() < 1e-14);
        let interval = curve.at(4.9).unwrap();
        assert!((interval.lower * interval.upper - interval.estimate.powi(2)).abs() < 1e-12);
        let half_width = 1.959963984540054 * at_three.sqrt() / (5.0 / 6.0);
        assert!(((interval.upper / interval.estimate).ln() - half_width).abs() < 1e-9);
    }

    #[test]
    fn one_sweep_equals_the_written_out_variance() {
        let (machines, repairs) = example();
        for step in mean_cumulative_function(&machines, &repairs, 0.95).unwrap().steps {
            assert!((step.variance - variance_by_definition(&machines, &repairs, step.age)).abs() < 1e-14);
        }
    }

    #[test]
    fn one_event_each_at_most_and_equal_windows_is_the_binomial_variance() {
        let machines = vec![machine(0.0, 9.0); 10];
        let repairs: Vec<_> = (0..4).map(|i| repair(i, 1.0 + i as f64)).collect();
        let curve = mean_cumulative_function(&machines, &repairs, 0.95).unwrap();
        let share: f64 = 4.0 / 10.0;
        assert!((curve.steps[3].mean - share).abs() < 1e-14 && (curve.steps[3].variance - share * (1.0 - share) / 10.0).abs() < 1e-14);
    }

    #[test]
    fn order_does_not_matter() {
        let (machines, mut repairs) = example();
        let curve = mean_cumulative_function(&machines, &repairs, 0.95).unwrap();
        repairs.reverse();
        assert_eq!(curve, mean_cumulative_function(&machines, &repairs, 0.95).unwrap());
    }

    #[test]
    fn says_why_it_cannot() {
        let two = [machine(0.0, 2.0), machine(1.0, 3.0)];
        let of = |machines: &[ObservedMachine], repairs: &[Repair]| mean_cumulative_function(machines, repairs, 0.95);
        assert_eq!(of(&[], &[]), Err(CannotEstimate::NoObservations));
        assert_eq!(of(&two[..1], &[repair(0, 1.0)]), Err(CannotEstimate::TooFewObservations { found: 1, needed: 2 }));
        assert_eq!(of(&two, &[]), Err(CannotEstimate::NoEvents));
        for outside in [repair(1, 1.0), repair(0, 2.5), repair(2, 1.0), repair(0, f64::NAN)] {
            assert!(matches!(of(&two, &[outside]), Err(CannotEstimate::InvalidInput(_))), "{outside:?}");
        }
        assert!(of(&[machine(0.0, 0.0), machine(0.0, 1.0)], &[repair(1, 1.0)]).is_err());
        let alike = of(&two, &[repair(0, 1.5), repair(1, 1.5)]).unwrap();
        assert_eq!((alike.steps[0].mean, alike.steps[0].interval), (1.0, None));
        assert_eq!(alike.at(1.5), Err(CannotEstimate::NoVariation));
        assert_eq!(alike.at(0.5), Err(CannotEstimate::NoEvents));
        assert!(matches!(alike.at(9.0), Err(CannotEstimate::InvalidInput(_))));
    }
}
