//! Cumulative incidence by cause (Aalen-Johansen) with delayed entry and right censoring.
//!
//! With n_j at risk, d_j events of any cause and d_kj of cause k at the distinct event times t_j, and S the Kaplan-Meier curve for
//! events of any cause:
//!
//! - F_k(t) = sum over t_j <= t of S(t_j-) d_kj/n_j. The F_k and S always add up to 1.
//! - Variance by the delta method (Greenwood type), as in Marubini & Valsecchi 1995, eq. 10.12 (cited by other software; from
//!   memory). With g_j = F_k(t) - F_k(t_j) it is the sum over t_j <= t of g_j^2 d_j/(n_j (n_j - d_j)), plus that of
//!   S(t_j-)^2 d_kj (n_j - d_kj)/n_j^3, less twice that of g_j S(t_j-) d_kj/n_j^2.
//!   Here an equivalent recursion visits each row once: with f = S(t_j-) d_kj/n_j, G Greenwood's sum and c = Cov(S, F_k)/S, both
//!   before t_j, Var grows by 2 f c + f^2 G + S(t_j-) f (1 - d_kj/n_j)/n_j, and then c by f (G - 1/n_j).
//! - Its interval is symmetric on the scale of log(-log(1 - F_k)).
//!
//! A sum of incidences with weights, `sum c_k F_k(t)` ([`weighted_incidence`]), follows from the same recursion with m_j = sum over k of c_k d_kj/n_j for
//! d_kj/n_j: f = S(t_j-) m_j, and S(t_j-)^2 (sum over k of c_k^2 d_kj/n_j - m_j^2)/n_j for the last term. It gives covariances of causes, and with the
//! derivatives of a function of the incidences for weights, that function's variance by the delta method.
//!
//! Source: Aalen & Johansen 1978; Klein & Moeschberger, Survival Analysis, 2nd ed. 2003, section 4.7 (from memory); agreement with
//! lifelines and with the written-out sum is tested.
//! Assumes independent entry and censoring. Incidence is conditional on having failed of nothing before the first entry.

use std::collections::BTreeMap;

use crate::distributions::two_sided_z;
use crate::kaplan_meier::check_observed;
use crate::observation::CompetingRiskTable;
use crate::{CannotEstimate, Interval};

/// Cumulative incidence from one event time of the cause until its next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IncidenceStep {
    pub time: f64,
    pub at_risk: u64,
    /// Events of this cause.
    pub events: u64,
    pub incidence: f64,
    /// By the delta method.
    pub variance: f64,
    /// On the complementary log-log scale; `None` where every unit has failed of this cause.
    pub interval: Option<Interval>,
}

/// The share of units that have failed first of `cause`, by time.
#[derive(Debug, Clone, PartialEq)]
pub struct CumulativeIncidence {
    pub cause: u32,
    pub steps: Vec<IncidenceStep>,
    pub observed_from: f64,
    pub observed_to: f64,
    pub confidence: f64,
}

/// A weighted sum of incidences at one time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct WeightedIncidence {
    pub value: f64,
    /// By the delta method.
    pub variance: f64,
}

struct Running {
    incidence: f64,
    variance: f64,
    /// Covariance of survival and incidence over survival.
    covariance_ratio: f64,
    steps: Vec<IncidenceStep>,
}

/// One curve for each cause that has events, by increasing cause. [`CannotEstimate::NoEvents`] where nothing failed.
pub fn aalen_johansen(table: &CompetingRiskTable, confidence: f64) -> Result<Vec<CumulativeIncidence>, CannotEstimate> {
    let z = two_sided_z(confidence)?;
    if table.rows().is_empty() {
        return Err(CannotEstimate::NoEvents);
    }
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut causes: BTreeMap<u32, Running> = BTreeMap::new();
    for tied in table.rows().chunk_by(|a, b| a.time == b.time) {
        if survival <= 0.0 {
            break;
        }
        let at_risk = tied[0].at_risk as f64;
        for row in tied {
            let cause =
                causes.entry(row.cause).or_insert(Running { incidence: 0.0, variance: 0.0, covariance_ratio: 0.0, steps: Vec::new() });
            let share = row.events as f64 / at_risk;
            let failing = survival * share;
            cause.variance +=
                2.0 * failing * cause.covariance_ratio + failing * failing * greenwood + survival * failing * (1.0 - share) / at_risk;
            cause.covariance_ratio += failing * (greenwood - 1.0 / at_risk);
            cause.incidence += failing;
            cause.steps.push(IncidenceStep {
                time: row.time,
                at_risk: row.at_risk,
                events: row.events,
                incidence: cause.incidence,
                variance: cause.variance,
                interval: complementary_log_log_interval(cause.incidence, cause.variance, z, confidence),
            });
        }
        let events: u64 = tied.iter().map(|r| r.events).sum();
        let survivors = (tied[0].at_risk - events) as f64;
        survival *= survivors / at_risk;
        greenwood += events as f64 / (at_risk * survivors);
    }
    let (observed_from, observed_to) = (table.observed_from(), table.observed_to());
    Ok(causes
        .into_iter()
        .map(|(cause, running)| CumulativeIncidence { cause, steps: running.steps, observed_from, observed_to, confidence })
        .collect())
}

/// The sum of the causes' incidences at `time`, each times its weight; 0 before the first event.
pub fn weighted_incidence(table: &CompetingRiskTable, time: f64, weight: impl Fn(u32) -> f64) -> WeightedIncidence {
    let (mut survival, mut greenwood, mut covariance_ratio) = (1.0, 0.0, 0.0);
    let mut sum = WeightedIncidence::default();
    for tied in table.rows().chunk_by(|a, b| a.time == b.time).take_while(|tied| tied[0].time <= time) {
        let at_risk = tied[0].at_risk as f64;
        let moment = |power: i32| tied.iter().map(|row| weight(row.cause).powi(power) * row.events as f64 / at_risk).sum::<f64>();
        let (mean, square) = (moment(1), moment(2));
        let failing = survival * mean;
        sum.value += failing;
        sum.variance += 2.0 * failing * covariance_ratio + failing * failing * greenwood;
        sum.variance += survival * survival * (square - mean * mean) / at_risk;
        covariance_ratio += failing * (greenwood - 1.0 / at_risk);
        let events: u64 = tied.iter().map(|row| row.events).sum();
        let survivors = (tied[0].at_risk - events) as f64;
        if survivors == 0.0 {
            break;
        }
        survival *= survivors / at_risk;
        greenwood += events as f64 / (at_risk * survivors);
    }
    sum.variance = sum.variance.max(0.0);
    sum
}

/// An interval symmetric on the scale of log(-log(1 - F)); `None` where everything has failed.
pub(crate) fn complementary_log_log_interval(incidence: f64, variance: f64, z: f64, confidence: f64) -> Option<Interval> {
    let survival = 1.0 - incidence;
    // A share that should be exactly 1 may miss it by rounding.
    if survival <= 1e-10 {
        return None;
    }
    let hazard = -survival.ln();
    let factor = (z * variance.max(0.0).sqrt() / (survival * hazard)).exp();
    Interval::new(incidence, -(-hazard / factor).exp_m1(), -(-hazard * factor).exp_m1(), confidence).ok()
}

impl CumulativeIncidence {
    /// Incidence at `time`. Before the cause's first event there is no interval ([`CannotEstimate::NoEvents`], the estimate is
    /// 0), nor where all have failed of it ([`CannotEstimate::NotFinite`]); outside the observed time there is no estimate.
    pub fn at(&self, time: f64) -> Result<Interval, CannotEstimate> {
        check_observed(time, self.observed_from, self.observed_to)?;
        let passed = self.steps.partition_point(|step| step.time <= time);
        let last = passed.checked_sub(1).and_then(|i| self.steps.get(i)).ok_or(CannotEstimate::NoEvents)?;
        last.interval.ok_or(CannotEstimate::NotFinite)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kaplan_meier::kaplan_meier;
    use crate::observation::tests::nine_units;
    use crate::observation::{CauseRow, CompetingLifetime};

    fn units() -> Vec<CompetingLifetime> {
        let unit = |(entry, exit, cause)| CompetingLifetime::new(entry, exit, cause).unwrap();
        let early = [(0.0, 1.0, Some(1)), (0.0, 2.0, Some(2)), (0.0, 2.0, Some(1)), (0.0, 2.0, None), (0.0, 3.0, Some(2))];
        let late = [(1.0, 4.0, Some(1)), (2.0, 5.0, Some(2)), (0.0, 6.0, None)];
        early.into_iter().chain(late).map(unit).collect()
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-12 * b.abs().max(1e-3)
    }

    #[test]
    fn worked_example() {
        // Risk sets 6 at 1, 6 at 2 (one enters at 1), 4 at 3 (one enters at 2), 3 at 4, 2 at 5.
        // S before: 1, 5/6, 5/9, 5/12, 5/18.
        let table = CompetingRiskTable::from_lifetimes(&units()).unwrap();
        let curves = aalen_johansen(&table, 0.95).unwrap();
        let expected = [
            (1, vec![(1.0, 1.0 / 6.0), (2.0, 11.0 / 36.0), (4.0, 11.0 / 36.0 + 5.0 / 36.0)]),
            (2, vec![(2.0, 5.0 / 36.0), (3.0, 5.0 / 36.0 + 5.0 / 36.0), (5.0, 10.0 / 36.0 + 5.0 / 36.0)]),
        ];
        for (curve, (cause, steps)) in curves.iter().zip(expected) {
            assert_eq!((curve.cause, curve.steps.len()), (cause, steps.len()));
            for (step, (time, incidence)) in curve.steps.iter().zip(steps) {
                assert!(step.time == time && close(step.incidence, incidence), "{step:?}");
            }
        }
        assert!(close(curves[0].steps[0].variance, 5.0 / 216.0));
    }

    /// The variance as the formula in the header writes it, summing anew for each step.
    fn variance_by_definition(table: &CompetingRiskTable, cause: u32, time: f64) -> f64 {
        let mut terms = Vec::new();
        let (mut survival, mut incidence) = (1.0, 0.0);
        for tied in table.rows().chunk_by(|a, b| a.time == b.time).filter(|tied| tied[0].time <= time) {
            let n = tied[0].at_risk as f64;
            let d = tied.iter().map(|r| r.events).sum::<u64>() as f64;
            let dk = tied.iter().filter(|r| r.cause == cause).map(|r| r.events).sum::<u64>() as f64;
            incidence += survival * dk / n;
            terms.push((n, d, dk, survival, incidence));
            survival *= 1.0 - d / n;
        }
        let sum = terms.iter().map(|&(n, d, dk, s, f)| {
            let gap = incidence - f;
            let first = if gap > 0.0 { gap * gap * d / (n * (n - d)) } else { 0.0 };
            first + s * s * dk * (n - dk) / n.powi(3) - 2.0 * gap * s * dk / (n * n)
        });
        sum.sum()
    }

    #[test]
    fn recursion_equals_the_written_out_variance() {
        let table = CompetingRiskTable::from_lifetimes(&units()).unwrap();
        for curve in aalen_johansen(&table, 0.95).unwrap() {
            for step in &curve.steps {
                assert!(close(step.variance, variance_by_definition(&table, curve.cause, step.time)));
            }
        }
    }

    #[test]
    fn weighted_incidences_are_sums_of_incidences() {
        let table = CompetingRiskTable::from_lifetimes(&units()).unwrap();
        let alone = |cause: u32| weighted_incidence(&table, 4.0, |of| if of == cause { 1.0 } else { 0.0 });
        for cause in [1, 2] {
            let found = alone(cause);
            assert!(close(found.variance, variance_by_definition(&table, cause, 4.0)));
        }
        // Both causes together are one cause; their covariance is what that leaves.
        let together = weighted_incidence(&table, 4.0, |_| 1.0);
        let survival = kaplan_meier(&table.any_cause(), 0.95).unwrap();
        let step = survival.steps.iter().rfind(|step| step.time <= 4.0).unwrap();
        assert!(close(together.value, 1.0 - step.survival) && close(together.variance, step.survival_variance.unwrap()));
        let covariance = (together.variance - alone(1).variance - alone(2).variance) / 2.0;
        let weighted = weighted_incidence(&table, 4.0, |cause| if cause == 1 { 1.0 } else { -0.3 });
        assert!(close(weighted.value, alone(1).value - 0.3 * alone(2).value));
        assert!(close(weighted.variance, alone(1).variance + 0.09 * alone(2).variance - 0.6 * covariance));
        assert_eq!(weighted_incidence(&table, 0.5, |_| 1.0), WeightedIncidence::default());
    }

    #[test]
    fn causes_and_survival_add_up_to_one() {
        let table = CompetingRiskTable::from_lifetimes(&units()).unwrap();
        let survival = kaplan_meier(&table.any_cause(), 0.95).unwrap();
        let curves = aalen_johansen(&table, 0.95).unwrap();
        for time in [2.0, 2.5, 3.0, 4.0, 5.0, 5.5] {
            let failed: f64 = curves.iter().map(|c| c.at(time).unwrap().estimate).sum();
            assert!(close(failed + survival.at(time).unwrap().estimate, 1.0));
        }
    }

    #[test]
    fn one_cause_alone_is_kaplan_meier_turned_over() {
        let alone: Vec<_> =
            nine_units().iter().map(|u| CompetingLifetime::new(u.entry(), u.exit(), u.event().then_some(9)).unwrap()).collect();
        let table = CompetingRiskTable::from_lifetimes(&alone).unwrap();
        let survival = kaplan_meier(&table.any_cause(), 0.95).unwrap();
        let curve = &aalen_johansen(&table, 0.95).unwrap()[0];
        for (incidence, survival) in curve.steps.iter().zip(&survival.steps).take(3) {
            assert!(close(incidence.incidence, 1.0 - survival.survival));
            assert!(close(incidence.variance, survival.survival_variance.unwrap()));
            let (i, s) = (incidence.interval.unwrap(), survival.survival_interval.unwrap());
            assert!(close(i.lower, 1.0 - s.upper) && close(i.upper, 1.0 - s.lower));
        }
        assert_eq!(curve.steps[3].interval, None);
    }

    #[test]
    fn says_why_it_cannot() {
        let censored = [CompetingLifetime::new(0.0, 1.0, None).unwrap()];
        let table = CompetingRiskTable::from_lifetimes(&censored).unwrap();
        assert_eq!(aalen_johansen(&table, 0.95), Err(CannotEstimate::NoEvents));
        let one = CompetingRiskTable::from_lifetimes(&[CompetingLifetime::new(0.0, 1.0, Some(1)).unwrap()]).unwrap();
        assert_eq!(aalen_johansen(&one, 0.95).unwrap()[0].at(1.0), Err(CannotEstimate::NotFinite));
        let row = CauseRow { time: 3.0, at_risk: 9, cause: 1, events: 1 };
        let late = CompetingRiskTable::new(vec![row], 1.0, 4.0).unwrap();
        let curve = aalen_johansen(&late, 0.95).unwrap().remove(0);
        assert_eq!(curve.at(2.0), Err(CannotEstimate::NoEvents));
        assert!(matches!(curve.at(0.5), Err(CannotEstimate::InvalidInput(_))));
        assert!(curve.at(4.0).unwrap().lower > 0.0);
        assert!(aalen_johansen(&late, 0.0).is_err());
    }
}
