//! Weibull life distribution by maximum likelihood, with right censoring and left truncation.
//!
//! Survival is S(t) = exp(-(t/scale)^shape). With D events, the log-likelihood is
//!
//!   D ln(shape) - D shape ln(scale) + (shape - 1) sum of ln(t) over events - A(shape) / scale^shape,
//!   A(shape) = sum over units of (exit^shape - entry^shape).
//!
//! For a given shape the best scale is (A/D)^(1/shape), so the shape alone is searched: the root of
//! D/shape + sum of ln(t) over events - D A'(shape)/A(shape).
//!
//! Intervals are by profile likelihood: the values of a quantity (shape, scale, quantile, mean, survival) for which some pair of
//! shape and scale has a log-likelihood within chi-square(1)/2 of the maximum. That is the extent of the quantity over the region
//! of such pairs, and for each shape the region is an interval of scales with a closed form but for the root of
//! e^u - 1 - u = (profile log-likelihood - cut)/D.
//!
//! The sums run over distinct times, weighted by exits less entries ([`LifeTally`]), so the cost does not grow with the units.
//!
//! Source: Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed. 2003, sections 2.4 and 5.2; Meeker & Escobar,
//! Statistical Methods for Reliability Data, 1998, chapters 8 and 11 (from memory). Agreement with the NIST/SEMATECH e-Handbook
//! 8.4.1.3 example and with lifelines is tested.
//! Assumes that life is Weibull, and that neither entry nor censoring tells anything about the remaining life.

use statrs::function::gamma::{checked_gamma_ur, ln_gamma};

use crate::distributions::two_sided_z;
use crate::lognormal::check_two_parameters;
use crate::numeric::{Interpolant, arg_max, root};
use crate::observation::{LifeTally, invalid};
use crate::{CannotEstimate, Interval};

/// Shapes outside this range are not looked for; a life distribution met in practice lies well inside it.
const SHAPES: (f64, f64) = (0.01, 100.0);
const GRID: usize = 40;
/// A shape whose whole interval lies between these counts as random failure, though its hazard may change a little with age:
/// from age 1 to age 10 it changes at most by a factor of 10^0.25 = 1.8. Our choice.
const PRACTICALLY_CONSTANT_HAZARD: (f64, f64) = (0.8, 1.25);

/// What the shape's interval says of the failure rate with age.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HazardPattern {
    /// Falling with age: the interval lies below 1.
    EarlyLife,
    /// Nearly constant: the interval contains 1 and lies within 0.8 to 1.25.
    Random,
    /// Rising with age: the interval lies above 1.
    WearOut,
    /// The interval contains 1 and is too wide to call the hazard constant.
    Undecided,
}

impl HazardPattern {
    pub fn from_shape(shape: &Interval) -> Self {
        let (low, high) = PRACTICALLY_CONSTANT_HAZARD;
        match shape {
            s if s.upper < 1.0 => Self::EarlyLife,
            s if s.lower > 1.0 => Self::WearOut,
            s if s.lower >= low && s.upper <= high => Self::Random,
            _ => Self::Undecided,
        }
    }

    /// What may be said in words of a shape fitted to all machines together and of the shape that groups of one design share ([`common_shape`]): only
    /// what both say. A mixture of designs falls by itself, and so does one of machines: where their hazards have a relative variance of 1 and
    /// half of them have failed, a constant hazard has a shape of 0.7 to 0.9. So early life is worded only where the shape within designs lies wholly
    /// below 0.8.
    pub fn worded(together: &Interval, within: &Interval) -> Self {
        match (Self::from_shape(together), Self::from_shape(within)) {
            (Self::EarlyLife, _) if within.upper < PRACTICALLY_CONSTANT_HAZARD.0 => Self::EarlyLife,
            (Self::EarlyLife, _) => Self::Undecided,
            (a, b) if a == b => a,
            _ => Self::Undecided,
        }
    }
}

/// The fit, and what can be asked of it.
#[derive(Debug, Clone, PartialEq)]
pub struct WeibullFit {
    pub shape: f64,
    /// In the data's unit of time: the age by which 63.2 % have failed.
    pub scale: f64,
    pub events: u64,
    pub units: u64,
    pub log_likelihood: f64,
    /// Inverse of the observed information, in the order shape, scale.
    pub covariance: [[f64; 2]; 2],
    pub aic: f64,
    /// Akaike's criterion of an exponential life, fitted to the same data under the same truncation; the lower fits better.
    pub aic_exponential: f64,
    confidence: f64,
    likelihood: Likelihood,
    region: Option<Region>,
}

/// The shapes (as logarithms) whose profile log-likelihood is not below the cut. `lower` is `None` where shapes down to the
/// smallest looked for are in.
#[derive(Debug, Clone, PartialEq)]
struct Region {
    cut: f64,
    /// Logarithm of A(shape) over them; none where it must be summed each time.
    log_power_sum: Option<Interpolant>,
    lower: Option<f64>,
    upper: f64,
}

/// Fits the Weibull distribution. Needs two events, not all of them at the last time observed; under strong truncation the
/// likelihood may have no maximum even so ([`CannotEstimate::NoConvergence`]).
pub fn fit_weibull(tally: &LifeTally, confidence: f64) -> Result<WeibullFit, CannotEstimate> {
    // The square of a standard normal variable is chi-square with one degree of freedom.
    let chi_square = two_sided_z(confidence)?.powi(2);
    check_two_parameters(tally)?;
    let likelihood = Likelihood::new(tally);
    let grid: Vec<f64> = (0..=GRID).map(|i| SHAPES.0.ln() + (SHAPES.1.ln() - SHAPES.0.ln()) * i as f64 / GRID as f64).collect();
    let profile: Vec<f64> = grid.iter().map(|&x| likelihood.profile(x)).collect();
    let best = (0..=GRID).max_by(|&i, &j| profile[i].total_cmp(&profile[j])).unwrap_or(0);
    if best == 0 || best == GRID || !profile[best].is_finite() {
        return Err(CannotEstimate::NoConvergence);
    }
    let log_shape = root(|x| likelihood.score(x), grid[best - 1], grid[best + 1])?;
    let shape = log_shape.exp();
    let scale = likelihood.best_log_scale(log_shape).exp();
    let log_likelihood = likelihood.profile(log_shape);

    let cut = log_likelihood - chi_square / 2.0;
    let crossing = |outside: usize| root(|x| likelihood.profile(x) - cut, grid[outside].min(log_shape), grid[outside].max(log_shape));
    let below = (0..best).rev().find(|&i| profile[i] < cut).map(crossing).transpose()?;
    let above = (best + 1..=GRID).find(|&i| profile[i] < cut).map(crossing).transpose()?;

    let log_rate = (likelihood.events / likelihood.power_sums(1.0).0).ln() - likelihood.unit.ln();
    Ok(WeibullFit {
        shape,
        scale,
        events: tally.events(),
        units: tally.units(),
        log_likelihood,
        covariance: likelihood.covariance(shape, scale)?,
        aic: 4.0 - 2.0 * log_likelihood,
        aic_exponential: 2.0 - 2.0 * likelihood.events * (log_rate - 1.0),
        confidence,
        region: above.map(|upper| Region {
            cut,
            log_power_sum: below.and_then(|lower| Interpolant::new(|x| likelihood.power_sums(x.exp()).0.ln(), lower, upper)),
            lower: below,
            upper,
        }),
        likelihood,
    })
}

impl WeibullFit {
    /// The shape with its interval; the lower bound is 0 where the data do not bound the shape from below.
    pub fn shape_interval(&self) -> Result<Interval, CannotEstimate> {
        let region = self.region.as_ref().ok_or(CannotEstimate::NotFinite)?;
        Interval::new(self.shape, region.lower.map_or(0.0, f64::exp), region.upper.exp(), self.confidence)
    }

    pub fn scale_interval(&self) -> Result<Interval, CannotEstimate> {
        self.log_interval(|_, log_scale| log_scale)
    }

    /// The time by which a share `probability` has failed.
    pub fn quantile(&self, probability: f64) -> Result<Interval, CannotEstimate> {
        if !(probability > 0.0 && probability < 1.0) {
            return Err(invalid(format!("a quantile's probability must lie between 0 and 1, it is {probability}")));
        }
        let log_hazard = (-(-probability).ln_1p()).ln();
        self.log_interval(|shape, log_scale| log_scale + log_hazard / shape)
    }

    /// The time by which a tenth has failed.
    pub fn b10(&self) -> Result<Interval, CannotEstimate> {
        self.quantile(0.1)
    }

    pub fn mean_life(&self) -> Result<Interval, CannotEstimate> {
        self.log_interval(|shape, log_scale| log_scale + ln_gamma(1.0 + 1.0 / shape))
    }

    /// The mean further life of those that have come to `age`: `scale/shape e^u Gamma(1/shape, u)`, `u = (age/scale)^shape`, with the upper
    /// incomplete gamma function. At age 0 it is the mean life; far beyond the observed ages it is extrapolated.
    pub fn mean_residual_life(&self, age: f64) -> Result<Interval, CannotEstimate> {
        if !(age >= 0.0 && age.is_finite()) {
            return Err(invalid(format!("the age must not be negative, it is {age}")));
        }
        if age == 0.0 {
            return self.mean_life();
        }
        self.log_interval(|shape, log_scale| {
            let u = (shape * (age.ln() - log_scale)).exp();
            log_scale - shape.ln() + u + ln_gamma(1.0 / shape) + checked_gamma_ur(1.0 / shape, u).map_or(f64::NAN, f64::ln)
        })
    }

    /// The share that survives to `time`, from new: extrapolated where `time` lies outside the observed ages.
    pub fn survival(&self, time: f64) -> Result<Interval, CannotEstimate> {
        if !(time > 0.0 && time.is_finite()) {
            return Err(invalid(format!("the time must be positive, it is {time}")));
        }
        let log_hazard = |shape: f64, log_scale: f64| shape * (time.ln() - log_scale);
        let (low, high) = self.extent(log_hazard)?;
        let survival = |log_hazard: f64| (-log_hazard.exp()).exp();
        Interval::new(survival(log_hazard(self.shape, self.scale.ln())), survival(high), survival(low), self.confidence)
    }

    pub fn hazard_pattern(&self) -> Result<HazardPattern, CannotEstimate> {
        self.shape_interval().map(|shape| HazardPattern::from_shape(&shape))
    }

    fn log_interval(&self, quantity: impl Fn(f64, f64) -> f64) -> Result<Interval, CannotEstimate> {
        let (low, high) = self.extent(&quantity)?;
        Interval::new(quantity(self.shape, self.scale.ln()).exp(), low.exp(), high.exp(), self.confidence)
    }

    /// The least and the greatest value over the likelihood region of a quantity that is monotone in the scale.
    fn extent(&self, quantity: impl Fn(f64, f64) -> f64) -> Result<(f64, f64), CannotEstimate> {
        let region = self.region.as_ref().ok_or(CannotEstimate::NotFinite)?;
        let lower = region.lower.ok_or(CannotEstimate::NotFinite)?;
        let at_edge = |log_shape: f64, sign: f64| {
            let sum = match &region.log_power_sum {
                Some(log_power_sum) => log_power_sum.at(log_shape).exp(),
                None => self.likelihood.power_sums(log_shape.exp()).0,
            };
            let [a, b] = self.likelihood.log_scales_at(log_shape, sum, region.cut).map(|s| sign * quantity(log_shape.exp(), s));
            a.max(b)
        };
        let pieces = 8;
        let point = |i: usize| lower + (region.upper - lower) * i as f64 / pieces as f64;
        let greatest = |sign: f64| {
            let heights: Vec<f64> = (0..=pieces).map(|i| at_edge(point(i), sign)).collect();
            let top = (0..=pieces).max_by(|i, j| heights[*i].total_cmp(&heights[*j])).unwrap_or(0);
            let x = arg_max(|x| at_edge(x, sign), point(top.saturating_sub(1)), point((top + 1).min(pieces)))?;
            Ok(at_edge(x, sign))
        };
        Ok((-greatest(-1.0)?, greatest(1.0)?))
    }
}

/// Groups with fewer events than this say too little of the shape they share, and their scales would lift it.
pub const FEWEST_EVENTS_OF_A_GROUP: u64 = 5;

/// The shape common to groups that each have their own scale, with its profile-likelihood interval: the sum over groups of the log-likelihoods at each
/// group's best scale for the shape (Lawless 2003, 5.3, from memory). Groups that fail at different rates, each at a constant one, have shape 1,
/// where their mixture has less. Groups with fewer than [`FEWEST_EVENTS_OF_A_GROUP`] events are passed over.
///
/// # Errors
/// No group with enough events, no maximum, an interval without bounds.
pub fn common_shape(groups: &[LifeTally], confidence: f64) -> Result<Interval, CannotEstimate> {
    let chi_square = two_sided_z(confidence)?.powi(2);
    let enough = |tally: &&LifeTally| tally.events() >= FEWEST_EVENTS_OF_A_GROUP && check_two_parameters(tally).is_ok();
    let groups: Vec<Likelihood> = groups.iter().filter(enough).map(Likelihood::new).collect();
    if groups.is_empty() {
        return Err(CannotEstimate::TooFewEvents { found: 0, needed: FEWEST_EVENTS_OF_A_GROUP as usize });
    }
    let profile = |log_shape: f64| groups.iter().map(|group| group.profile(log_shape)).sum::<f64>();
    let grid: Vec<f64> = (0..=GRID).map(|i| SHAPES.0.ln() + (SHAPES.1.ln() - SHAPES.0.ln()) * i as f64 / GRID as f64).collect();
    let heights: Vec<f64> = grid.iter().map(|&x| profile(x)).collect();
    let best = (0..=GRID).max_by(|&i, &j| heights[i].total_cmp(&heights[j])).unwrap_or(0);
    if best == 0 || best == GRID || !heights[best].is_finite() {
        return Err(CannotEstimate::NoConvergence);
    }
    let log_shape = root(|x| groups.iter().map(|group| group.score(x)).sum(), grid[best - 1], grid[best + 1])?;
    let cut = profile(log_shape) - chi_square / 2.0;
    let crossing = |outside: usize| root(|x| profile(x) - cut, grid[outside].min(log_shape), grid[outside].max(log_shape));
    let below = (0..best).rev().find(|&i| heights[i] < cut).map(crossing).transpose()?;
    let above = (best + 1..=GRID).find(|&i| heights[i] < cut).map(crossing).transpose()?.ok_or(CannotEstimate::NotFinite)?;
    Interval::new(log_shape.exp(), below.map_or(0.0, f64::exp), above.exp(), confidence)
}

/// The data as the log-likelihood needs them, with time in units of the last time, so that no power overflows.
#[derive(Debug, Clone, PartialEq)]
struct Likelihood {
    /// Logarithm of time, and exits less entries at it.
    weights: Vec<(f64, f64)>,
    events: f64,
    sum_of_event_log_times: f64,
    unit: f64,
}

impl Likelihood {
    fn new(tally: &LifeTally) -> Self {
        let unit = tally.rows().iter().rfind(|r| r.exits > 0).map_or(1.0, |r| r.time);
        let rows = || tally.rows().iter().filter(|r| r.time > 0.0);
        Self {
            weights: rows().map(|r| ((r.time / unit).ln(), r.exits as f64 - r.entries as f64)).collect(),
            events: tally.events() as f64,
            sum_of_event_log_times: rows().map(|r| r.events as f64 * (r.time / unit).ln()).sum(),
            unit,
        }
    }

    /// A(shape) and its derivative.
    fn power_sums(&self, shape: f64) -> (f64, f64) {
        self.weights.iter().fold((0.0, 0.0), |(sum, derivative), &(log_time, weight)| {
            let term = weight * (shape * log_time).exp();
            (sum + term, derivative + term * log_time)
        })
    }

    /// Log-likelihood at the best scale for this shape; negative infinity where rounding leaves no exposure.
    fn profile(&self, log_shape: f64) -> f64 {
        self.profile_from_sum(log_shape, self.power_sums(log_shape.exp()).0)
    }

    fn profile_from_sum(&self, log_shape: f64, sum: f64) -> f64 {
        let shape = log_shape.exp();
        if sum <= 0.0 {
            return f64::NEG_INFINITY;
        }
        let d = self.events;
        d * (log_shape + (d / sum).ln() - 1.0 - self.unit.ln()) + (shape - 1.0) * self.sum_of_event_log_times
    }

    fn score(&self, log_shape: f64) -> f64 {
        let shape = log_shape.exp();
        let (sum, derivative) = self.power_sums(shape);
        self.events / shape + self.sum_of_event_log_times - self.events * derivative / sum
    }

    fn best_log_scale(&self, log_shape: f64) -> f64 {
        self.best_log_scale_from_sum(log_shape, self.power_sums(log_shape.exp()).0)
    }

    fn best_log_scale_from_sum(&self, log_shape: f64, sum: f64) -> f64 {
        (sum / self.events).ln() / log_shape.exp() + self.unit.ln()
    }

    /// The two scales, as logarithms, at which the log-likelihood equals `cut` for this shape, with `sum` = A(shape).
    fn log_scales_at(&self, log_shape: f64, sum: f64, cut: f64) -> [f64; 2] {
        let excess = ((self.profile_from_sum(log_shape, sum) - cut) / self.events).max(0.0);
        [(2.0 * excess).sqrt(), -excess - 1.0]
            .map(|outside| root_of_excess(excess, outside))
            .map(|u| self.best_log_scale_from_sum(log_shape, sum) - u / log_shape.exp())
    }

    fn covariance(&self, shape: f64, scale: f64) -> Result<[[f64; 2]; 2], CannotEstimate> {
        let log_scale = (scale / self.unit).ln();
        let (mut first, mut second) = (0.0, 0.0);
        for &(log_time, weight) in &self.weights {
            let z = log_time - log_scale;
            let term = weight * (shape * z).exp() * z;
            first += term;
            second += term * z;
        }
        let information_shape = self.events / (shape * shape) + second;
        let information_both = -first * shape / scale;
        let information_scale = self.events * (shape / scale).powi(2);
        let determinant = information_shape * information_scale - information_both * information_both;
        let covariance =
            [[information_scale, -information_both], [-information_both, information_shape]].map(|row| row.map(|x| x / determinant));
        if determinant > 0.0 && covariance.iter().flatten().all(|x| x.is_finite()) {
            Ok(covariance)
        } else {
            Err(CannotEstimate::NoConvergence)
        }
    }
}

/// The root of e^u - 1 - u = excess on the side of 0 on which `outside` lies beyond it. The left side is convex, so that Newton's
/// steps come towards the root from there and pass it by rounding only.
fn root_of_excess(excess: f64, outside: f64) -> f64 {
    let mut u = outside;
    for _ in 0..100 {
        let slope = u.exp_m1();
        let step = (slope - u - excess) / slope;
        if step.is_nan() || step.abs() <= f64::max(1e-14 * u.abs(), 4.0 * f64::EPSILON) {
            break;
        }
        u -= step;
    }
    u
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lognormal::fit_lognormal;
    use crate::observation::Lifetime;

    fn tally(units: &[(f64, f64, bool)]) -> LifeTally {
        let units: Vec<_> = units.iter().map(|&(entry, exit, event)| Lifetime::new(entry, exit, event).unwrap()).collect();
        LifeTally::from_lifetimes(&units).unwrap()
    }

    fn fit(units: &[(f64, f64, bool)]) -> Result<WeibullFit, CannotEstimate> {
        fit_weibull(&tally(units), 0.95)
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-8 * b.abs()
    }

    /// Unit by unit, in the plainest way.
    fn log_likelihood(units: &[(f64, f64, bool)], shape: f64, scale: f64) -> f64 {
        let unit = |&(entry, exit, event): &(f64, f64, bool)| {
            let hazard = (shape / scale) * (exit / scale).powf(shape - 1.0);
            let exposure = (exit / scale).powf(shape) - (entry / scale).powf(shape);
            if event { hazard.ln() - exposure } else { -exposure }
        };
        units.iter().map(unit).sum()
    }

    const UNITS: [(f64, f64, bool); 8] = [
        (0.0, 3.0, true),
        (1.0, 5.0, true),
        (2.0, 6.5, false),
        (0.0, 8.0, true),
        (4.0, 9.0, true),
        (0.5, 9.5, false),
        (3.0, 11.0, true),
        (0.0, 12.0, false),
    ];

    #[test]
    fn scales_of_a_given_excess_solve_their_equation() {
        for excess in [0.0, 1e-12, 1e-8, 0.01, 1.0, 50.0] {
            let [high, low] = [(2.0f64 * excess).sqrt(), -excess - 1.0].map(|outside| root_of_excess(excess, outside));
            assert!(low <= 0.0 && 0.0 <= high, "{excess}: {low} {high}");
            for u in [high, low] {
                assert!((u.exp_m1() - u - excess).abs() <= 1e-12 * (1.0 + excess), "{excess}: {u}");
            }
        }
    }

    /// Quantiles of an exponential life with this mean, all failed.
    fn constant(mean: f64, units: u32) -> Vec<(f64, f64, bool)> {
        (0..units).map(|i| (0.0, -mean * (-(f64::from(i) + 0.5) / f64::from(units)).ln_1p(), true)).collect()
    }

    /// Two designs with a constant hazard each, tenfold apart: together they fall, within them they do not.
    #[test]
    fn a_mixture_of_constant_hazards_is_no_early_life() {
        let (bad, good) = (constant(2.0, 150), constant(20.0, 150));
        let both: Vec<_> = bad.iter().chain(&good).copied().collect();
        let together = fit(&both).unwrap().shape_interval().unwrap();
        assert_eq!(HazardPattern::from_shape(&together), HazardPattern::EarlyLife);
        let within = common_shape(&[tally(&bad), tally(&good)], 0.95).unwrap();
        assert!((within.estimate - 1.0).abs() < 0.05 && within.lower < 1.0 && 1.0 < within.upper, "{within:?}");
        assert_eq!(HazardPattern::worded(&together, &within), HazardPattern::Undecided);
    }

    /// One group has the shape of its own fit; the same group in another unit of time beside it has the same shape, surer by a factor of sqrt(2).
    #[test]
    fn the_shape_of_one_group_is_that_of_its_fit() {
        let units: Vec<_> = (1..40).map(|i| (0.0, f64::from(i * i), i % 3 != 0)).collect();
        let alone = fit(&units).unwrap().shape_interval().unwrap();
        let found = common_shape(&[tally(&units)], 0.95).unwrap();
        assert!((found.estimate / alone.estimate - 1.0).abs() < 1e-8 && (found.upper / alone.upper - 1.0).abs() < 1e-8);
        let slower: Vec<_> = units.iter().map(|&(entry, exit, event)| (entry, exit * 7.0, event)).collect();
        let twice = common_shape(&[tally(&units), tally(&slower)], 0.95).unwrap();
        assert!((twice.estimate / alone.estimate - 1.0).abs() < 1e-8 && twice.upper < alone.upper);
        assert_eq!(common_shape(&[], 0.95), Err(CannotEstimate::TooFewEvents { found: 0, needed: 5 }));
        let few = tally(&[(0.0, 1.0, true), (0.0, 2.0, true)]);
        assert!(common_shape(&[few], 0.95).is_err());
    }

    #[test]
    fn only_what_both_shapes_say_is_worded() {
        let of = |lower, upper| Interval::new((lower + upper) / 2.0, lower, upper, 0.95).unwrap();
        let worded = |together, within| HazardPattern::worded(&together, &within);
        assert_eq!(worded(of(1.2, 1.8), of(1.1, 2.0)), HazardPattern::WearOut);
        assert_eq!(worded(of(1.2, 1.8), of(0.9, 2.0)), HazardPattern::Undecided);
        assert_eq!(worded(of(0.5, 0.7), of(0.5, 0.75)), HazardPattern::EarlyLife);
        assert_eq!(worded(of(0.5, 0.7), of(0.7, 0.95)), HazardPattern::Undecided);
        assert_eq!(worded(of(0.9, 1.1), of(0.85, 1.2)), HazardPattern::Random);
        assert_eq!(worded(of(0.9, 1.1), of(1.1, 1.4)), HazardPattern::Undecided);
    }

    #[test]
    fn two_events_by_hand() {
        // Events at 1 and e, nothing censored. The score with x = e^shape is 2/shape + 1 - 2 x/(1 + x), zero where
        // tanh(shape/2) = 2/shape, and then scale^shape = (1 + x)/2.
        let e = std::f64::consts::E;
        let fit = fit(&[(0.0, 1.0, true), (0.0, e, true)]).unwrap();
        assert!(close((fit.shape / 2.0).tanh(), 2.0 / fit.shape));
        assert!(close(fit.scale.powf(fit.shape), (1.0 + fit.shape.exp()) / 2.0));
        assert!(close(fit.log_likelihood, log_likelihood(&[(0.0, 1.0, true), (0.0, e, true)], fit.shape, fit.scale)));
    }

    #[test]
    fn exponential_criterion_is_events_over_exposure() {
        // 5 events over 3 + 4 + 4.5 + 8 + 5 + 9 + 8 + 12 = 53.5 units of time.
        let expected = 2.0 - 2.0 * (5.0 * (5.0f64 / 53.5).ln() - 5.0);
        assert!(close(fit(&UNITS).unwrap().aic_exponential, expected));
    }

    #[test]
    fn the_fit_is_the_maximum_of_the_plain_likelihood() {
        let fit = fit(&UNITS).unwrap();
        let top = log_likelihood(&UNITS, fit.shape, fit.scale);
        assert!(close(fit.log_likelihood, top));
        for (shape, scale) in [(1.001, 1.0), (0.999, 1.0), (1.0, 1.001), (1.0, 0.999)] {
            assert!(log_likelihood(&UNITS, fit.shape * shape, fit.scale * scale) < top);
        }
    }

    #[test]
    fn covariance_is_the_inverse_of_the_numerical_curvature() {
        let fit = fit(&UNITS).unwrap();
        let h = 1e-3;
        let at = |i: f64, j: f64| log_likelihood(&UNITS, fit.shape + i * h, fit.scale + j * h);
        let shape = -(at(1.0, 0.0) - 2.0 * at(0.0, 0.0) + at(-1.0, 0.0)) / (h * h);
        let scale = -(at(0.0, 1.0) - 2.0 * at(0.0, 0.0) + at(0.0, -1.0)) / (h * h);
        let both = -(at(1.0, 1.0) - at(1.0, -1.0) - at(-1.0, 1.0) + at(-1.0, -1.0)) / (4.0 * h * h);
        let determinant = shape * scale - both * both;
        for (i, j, expected) in [(0, 0, scale), (0, 1, -both), (1, 0, -both), (1, 1, shape)] {
            assert!((fit.covariance[i][j] / (expected / determinant) - 1.0).abs() < 1e-4);
        }
    }

    /// The greatest plain log-likelihood along the curve on which a quantity keeps its value, by scanning the shape.
    fn profile_at(scale_for: impl Fn(f64) -> f64) -> f64 {
        let shapes = (1..200_000).map(|i| i as f64 * 5e-5);
        shapes.map(|shape| log_likelihood(&UNITS, shape, scale_for(shape))).filter(|l| !l.is_nan()).fold(f64::MIN, f64::max)
    }

    #[test]
    fn at_each_bound_the_profile_likelihood_is_down_by_half_the_chi_square_quantile() {
        let fit = fit(&UNITS).unwrap();
        let drop = |level: f64| (fit.log_likelihood - level - 3.841458820694124 / 2.0).abs() < 1e-5;
        let scale = fit.scale_interval().unwrap();
        let b10 = fit.b10().unwrap();
        let mean = fit.mean_life().unwrap();
        for bound in [|i: &Interval| i.lower, |i: &Interval| i.upper] {
            assert!(drop(profile_at(|_| bound(&scale))));
            assert!(drop(profile_at(|shape| bound(&b10) / (-(0.9f64.ln())).powf(1.0 / shape))));
            assert!(drop(profile_at(|shape| bound(&mean) / ln_gamma(1.0 + 1.0 / shape).exp())));
            let shape = bound(&fit.shape_interval().unwrap());
            let best = (1..400_000).map(|i| log_likelihood(&UNITS, shape, i as f64 * 1e-3)).fold(f64::MIN, f64::max);
            assert!(drop(best));
        }
    }

    #[test]
    fn survival_and_quantile_bounds_are_each_other_turned_over() {
        let fit = fit(&UNITS).unwrap();
        let b10 = fit.b10().unwrap();
        assert!(close(fit.survival(b10.estimate).unwrap().estimate, 0.9));
        assert!(close(fit.survival(b10.lower).unwrap().lower, 0.9));
        assert!(close(fit.survival(b10.upper).unwrap().upper, 0.9));
        assert!(fit.survival(0.0).is_err() && fit.quantile(0.0).is_err());
    }

    #[test]
    fn days_and_years_give_the_same_answer() {
        let days = UNITS.map(|(entry, exit, event)| (entry * 365.25, exit * 365.25, event));
        let (years, days) = (fit(&UNITS).unwrap(), fit(&days).unwrap());
        assert!(close(days.shape, years.shape));
        assert!(close(days.b10().unwrap().upper, 365.25 * years.b10().unwrap().upper));
        assert!(close(days.aic - days.aic_exponential, years.aic - years.aic_exponential));
        // The difference from a lognormal fit of the same data does not depend on the unit either.
        let lognormal = |scale: f64| {
            let scaled: Vec<_> = UNITS.iter().map(|&(a, b, e)| (a * scale, b * scale, e)).collect();
            fit_lognormal(&tally(&scaled)).unwrap().aic()
        };
        assert!(close(days.aic - lognormal(365.25), years.aic - lognormal(1.0)));
    }

    #[test]
    fn pattern_needs_the_whole_interval() {
        let pattern = |lower, upper| HazardPattern::from_shape(&Interval::new((lower + upper) / 2.0, lower, upper, 0.95).unwrap());
        assert_eq!(pattern(0.4, 0.9), HazardPattern::EarlyLife);
        assert_eq!(pattern(1.1, 3.0), HazardPattern::WearOut);
        assert_eq!(pattern(0.85, 1.2), HazardPattern::Random);
        assert_eq!(pattern(0.7, 1.2), HazardPattern::Undecided);
        assert_eq!(fit(&UNITS).unwrap().hazard_pattern(), Ok(HazardPattern::Undecided));
    }

    #[test]
    fn says_why_it_cannot() {
        assert_eq!(fit(&[(0.0, 1.0, false)]).unwrap_err(), CannotEstimate::NoEvents);
        let too_few = CannotEstimate::TooFewEvents { found: 1, needed: 2 };
        assert_eq!(fit(&[(0.0, 1.0, true)]).unwrap_err(), too_few);
        assert_eq!(fit(&[(0.0, 1.0, true), (0.0, 2.0, false)]).unwrap_err(), too_few);
        assert_eq!(fit(&[(0.0, 2.0, true), (0.0, 2.0, true), (0.0, 1.0, false)]).unwrap_err(), CannotEstimate::NoVariation);
        assert!(fit_weibull(&tally(&UNITS), 1.0).is_err());
    }

    #[test]
    fn truncation_can_leave_no_maximum() {
        // All are old when they enter; most fail at once and one lasts: a hazard falling faster than 1/age, which no shape above
        // zero gives. At small shapes the score tends to L - D Q/(2P) with L, P, Q sums of log-times and of their squares, < 0.
        let mut units: Vec<_> = [5.1, 5.2, 5.3, 5.4].map(|exit| (5.0, exit, true)).to_vec();
        units.push((5.0, 100.0, false));
        assert_eq!(fit(&units).unwrap_err(), CannotEstimate::NoConvergence);
    }

    #[test]
    fn tied_failures_before_the_end_of_observation_can_be_fitted() {
        let fit = fit(&[(0.0, 2.0, true), (0.0, 2.0, true), (0.0, 3.0, false)]).unwrap();
        assert!(fit.shape > 1.0 && fit.mean_life().unwrap().upper.is_finite());
    }
}
