//! Lognormal life distribution by maximum likelihood, with right censoring and left truncation. Here to be held against Weibull.
//!
//! With z = b ln t - a (a = mean/sd and b = 1/sd of the logarithm of life) and the standard normal density f and survival S, the
//! log-likelihood is the sum of ln(b/t) + ln f(z) over events, plus ln S(z) at censorings, minus ln S(z) at entries.
//! In (a, b) it is concave without truncation (Olsen, Econometrica 46 (1978) 1211-1215, from memory); Newton's method, damped
//! wherever a full step would not climb, finds its maximum. Agreement with lifelines is tested.

use statrs::function::erf::erfc;

use crate::CannotEstimate;
use crate::observation::{LifeTally, TimeTally};

const MAX_STEPS: usize = 200;

/// The logarithm of life has this mean and standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LognormalFit {
    pub mean_log: f64,
    pub sd_log: f64,
    pub log_likelihood: f64,
}

impl LognormalFit {
    /// Akaike's information criterion; the lower fits better.
    #[must_use]
    pub fn aic(&self) -> f64 {
        4.0 - 2.0 * self.log_likelihood
    }
}

/// Needs two events, not all of them at the last time observed. Under strong truncation the likelihood may have no maximum even so, or
/// none that is found ([`CannotEstimate::NoConvergence`]).
pub fn fit_lognormal(tally: &LifeTally) -> Result<LognormalFit, CannotEstimate> {
    check_two_parameters(tally)?;
    let counts = Counts::of(tally);
    climb(&counts, exponential_start(tally)).or_else(|_| climb(&counts, start_of_exits(tally)))
}

fn climb(counts: &[Counts], (mut a, mut b): (f64, f64)) -> Result<LognormalFit, CannotEstimate> {
    let mut here = Derivatives::at(counts, a, b);
    let mut damping = 0.0;
    for _ in 0..MAX_STEPS {
        let [haa, hab, hbb] = here.negative_hessian;
        let (haa, hbb) = (haa + damping, hbb + damping);
        let determinant = haa * hbb - hab * hab;
        if !(haa > 0.0 && determinant > 0.0) {
            damping = f64::max(2.0 * damping, 1e-3 * (haa.abs() + hbb.abs()));
            continue;
        }
        let [ga, gb] = here.gradient;
        let step_a = (hbb * ga - hab * gb) / determinant;
        let step_b = (haa * gb - hab * ga) / determinant;
        // A step that gains less than the likelihood's own rounding gains nothing,
        let least_gain = f64::max(1e-12, 1e-14 * here.log_likelihood.abs());
        if ga * step_a + gb * step_b < least_gain && damping == 0.0 {
            // but brings the place nearer still
            let (a, b, log_likelihood) = (a + step_a, b + step_b, here.log_likelihood);
            let fit = LognormalFit { mean_log: a / b, sd_log: 1.0 / b, log_likelihood };
            return if b > 0.0 && (a / b + 1.0 / b + log_likelihood).is_finite() { Ok(fit) } else { Err(CannotEstimate::NotFinite) };
        }
        let there = Derivatives::at(counts, a + step_a, b + step_b);
        if there.log_likelihood >= here.log_likelihood {
            (a, b, here) = (a + step_a, b + step_b, there);
            damping = if damping < 1e-6 { 0.0 } else { damping / 10.0 };
        } else {
            damping = f64::max(10.0 * damping, 1e-3 * (haa + hbb));
        }
    }
    Err(CannotEstimate::NoConvergence)
}

/// Two parameters need two events; where all events happen at the very end of observation, the likelihood has no maximum.
pub(crate) fn check_two_parameters(tally: &LifeTally) -> Result<(), CannotEstimate> {
    match tally.events() {
        0 => return Err(CannotEstimate::NoEvents),
        found @ 1 => return Err(CannotEstimate::TooFewEvents { found: found as usize, needed: 2 }),
        _ => {}
    }
    let last_exit = tally.rows().iter().rfind(|r| r.exits > 0).map(|r| r.time);
    let first_event = tally.rows().iter().find(|r| r.events > 0).map(|r| r.time);
    if first_event == last_exit { Err(CannotEstimate::NoVariation) } else { Ok(()) }
}

/// What the likelihood needs of each time.
struct Counts {
    log_time: f64,
    events: f64,
    /// Survivors to this time less those who enter at it, both already alive then.
    censored: f64,
}

impl Counts {
    fn of(tally: &LifeTally) -> Vec<Self> {
        let rows = tally.rows().iter().filter(|row| row.time > 0.0);
        rows.map(|&TimeTally { time, entries, exits, events }| Self {
            log_time: time.ln(),
            events: events as f64,
            censored: exits as f64 - events as f64 - entries as f64,
        })
        .collect()
    }
}

/// From the mean and standard deviation of the logarithm of an exponential life: ln(mean life) - 0.5772 and pi / sqrt(6).
fn exponential_start(tally: &LifeTally) -> (f64, f64) {
    const EULER: f64 = 0.577_215_664_901_532_9;
    let time_at_risk: f64 = tally.rows().iter().map(|row| row.time * (row.exits as f64 - row.entries as f64)).sum();
    let mean_life = time_at_risk / tally.events() as f64;
    let b = 6f64.sqrt() / std::f64::consts::PI;
    ((mean_life.ln() - EULER) * b, b)
}

/// From the mean and standard deviation of the logarithms of the exit times.
fn start_of_exits(tally: &LifeTally) -> (f64, f64) {
    let exits = || tally.rows().iter().filter(|r| r.exits > 0).map(|r| (r.exits as f64, r.time.ln()));
    let count: f64 = exits().map(|(n, _)| n).sum();
    let mean = exits().map(|(n, x)| n * x).sum::<f64>() / count;
    let variance = exits().map(|(n, x)| n * (x - mean).powi(2)).sum::<f64>() / count;
    let b = 1.0 / variance.sqrt().clamp(0.05, 5.0);
    (mean * b, b)
}

struct Derivatives {
    log_likelihood: f64,
    gradient: [f64; 2],
    /// Negative second derivatives: aa, ab, bb.
    negative_hessian: [f64; 3],
}

impl Derivatives {
    fn at(counts: &[Counts], a: f64, b: f64) -> Self {
        if b <= 0.0 {
            return Self { log_likelihood: f64::NEG_INFINITY, gradient: [0.0; 2], negative_hessian: [0.0; 3] };
        }
        let (mut value, [mut ga, mut gb], [mut haa, mut hab, mut hbb]) = (0.0, [0.0; 2], [0.0; 3]);
        for &Counts { log_time, events, censored } in counts {
            let z = b * log_time - a;
            let log_survival = log_normal_survival(z);
            let log_density = -0.5 * z * z - 0.5 * (2.0 * std::f64::consts::PI).ln();
            let hazard = (log_density - log_survival).exp();
            value += events * (b.ln() - log_time + log_density) + censored * log_survival;
            // z falls by one per unit of a and grows by ln t per unit of b.
            let slope = -events * z - censored * hazard;
            let bend = events + censored * hazard * (hazard - z);
            ga -= slope;
            gb += slope * log_time + events / b;
            haa += bend;
            hab -= bend * log_time;
            hbb += bend * log_time * log_time + events / (b * b);
        }
        Self { log_likelihood: value, gradient: [ga, gb], negative_hessian: [haa, hab, hbb] }
    }
}

/// Logarithm of the standard normal survival function, also where the function itself underflows.
fn log_normal_survival(z: f64) -> f64 {
    if z < 30.0 {
        (0.5 * erfc(z / std::f64::consts::SQRT_2)).ln()
    } else {
        let inverse_square = 1.0 / (z * z);
        -0.5 * z * z - z.ln() - 0.5 * (2.0 * std::f64::consts::PI).ln() + (-inverse_square * (1.0 - 3.0 * inverse_square)).ln_1p()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::observation::Lifetime;

    fn tally(units: &[(f64, f64, bool)]) -> LifeTally {
        let units: Vec<_> = units.iter().map(|&(entry, exit, event)| Lifetime::new(entry, exit, event).unwrap()).collect();
        LifeTally::from_lifetimes(&units).unwrap()
    }

    #[test]
    fn without_censoring_it_is_the_mean_and_deviation_of_the_logarithms() {
        let e = std::f64::consts::E;
        let fit = fit_lognormal(&tally(&[(0.0, e, true), (0.0, e * e, true), (0.0, e.powi(6), true)])).unwrap();
        assert!((fit.mean_log - 3.0).abs() < 1e-9);
        assert!((fit.sd_log - (14.0f64 / 3.0).sqrt()).abs() < 1e-9);
        // Sum of ln f: -(1 + 2 + 6) - 3 ln(sd sqrt(2 pi)) - 3/2.
        let expected = -9.0 - 3.0 * (fit.sd_log * (2.0 * std::f64::consts::PI).sqrt()).ln() - 1.5;
        assert!((fit.log_likelihood - expected).abs() < 1e-9);
    }

    #[test]
    fn no_likelihood_nearby_is_higher() {
        let data = tally(&[(0.0, 2.0, true), (1.0, 3.0, false), (0.5, 4.0, true), (2.0, 5.0, true), (0.0, 6.0, false)]);
        let fit = fit_lognormal(&data).unwrap();
        let (a, b) = (fit.mean_log / fit.sd_log, 1.0 / fit.sd_log);
        for (da, db) in [(1e-3, 0.0), (-1e-3, 0.0), (0.0, 1e-3), (0.0, -1e-3)] {
            assert!(Derivatives::at(&Counts::of(&data), a + da, b + db).log_likelihood < fit.log_likelihood);
        }
    }

    #[test]
    fn normal_tail_is_continuous_where_the_expansion_takes_over() {
        // Both sides of 30 differ by the hazard there, about 30 + 1/30, times the distance.
        let [left, right] = [29.999999, 30.000001].map(log_normal_survival);
        assert!((left - right - 2e-6 * (30.0 + 1.0 / 30.0)).abs() < 1e-6);
        assert!((log_normal_survival(0.0) - 0.5f64.ln()).abs() < 1e-15);
    }

    #[test]
    fn says_why_it_cannot() {
        assert_eq!(fit_lognormal(&tally(&[(0.0, 1.0, false)])), Err(CannotEstimate::NoEvents));
        let one = tally(&[(0.0, 1.0, true), (0.0, 2.0, false)]);
        assert_eq!(fit_lognormal(&one), Err(CannotEstimate::TooFewEvents { found: 1, needed: 2 }));
        assert_eq!(fit_lognormal(&tally(&[(0.0, 1.0, true), (0.0, 1.0, true)])), Err(CannotEstimate::NoVariation));
    }
}
