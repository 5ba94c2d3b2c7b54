//! One-dimensional root finding and optimisation: Brent's methods from `argmin`.

use argmin::core::{CostFunction, Error, Executor, State};
use argmin::solver::brent::{BrentOpt, BrentRoot};

use crate::CannotEstimate;

const MAX_ITERATIONS: u64 = 200;

struct Scalar<F>(F);

impl<F: Fn(f64) -> f64> CostFunction for Scalar<F> {
    type Param = f64;
    type Output = f64;

    fn cost(&self, x: &f64) -> Result<f64, Error> {
        Ok((self.0)(*x))
    }
}

/// The root of `f` between `low` and `high`, where it must change sign; [`CannotEstimate::NoConvergence`] otherwise.
pub(crate) fn root(f: impl Fn(f64) -> f64, low: f64, high: f64) -> Result<f64, CannotEstimate> {
    let run = Executor::new(Scalar(f), BrentRoot::new(low, high, 1e-12)).configure(|s| s.max_iters(MAX_ITERATIONS)).timer(false).run();
    best(run.ok().and_then(|r| r.state().get_best_param().copied()))
}

/// The place of the maximum of a unimodal `f` between `low` and `high`.
pub(crate) fn arg_max(f: impl Fn(f64) -> f64, low: f64, high: f64) -> Result<f64, CannotEstimate> {
    let solver = BrentOpt::new(low, high).set_tolerance(f64::EPSILON.sqrt(), 1e-9);
    let run = Executor::new(Scalar(|x| -f(x)), solver).configure(|s| s.max_iters(MAX_ITERATIONS)).timer(false).run();
    best(run.ok().and_then(|r| r.state().get_best_param().copied()))
}

fn best(parameter: Option<f64>) -> Result<f64, CannotEstimate> {
    parameter.filter(|x| x.is_finite()).ok_or(CannotEstimate::NoConvergence)
}

/// A smooth function on an interval, from its values at Chebyshev points of the second kind, by the barycentric formula
/// (Berrut & Trefethen 2004, SIAM Review 46:501, sections 4 and 5, from memory). For a function that is dear and asked for often.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Interpolant {
    points: Vec<f64>,
    values: Vec<f64>,
}

impl Interpolant {
    const PIECES: usize = 24;
    const TOLERANCE: f64 = 1e-11;

    /// None if the function is not smooth enough: if it is not met, relative to one and its own size, at some places between the points.
    pub fn new(f: impl Fn(f64) -> f64, low: f64, high: f64) -> Option<Self> {
        let place = |share: f64| (low + high) / 2.0 + (high - low) / 2.0 * (std::f64::consts::PI * share).cos();
        let points: Vec<f64> = (0..=Self::PIECES).map(|i| place(i as f64 / Self::PIECES as f64)).collect();
        let values = points.iter().map(|&x| f(x)).collect();
        let interpolant = Self { points, values };
        let is_met = |i: usize| {
            let x = place((i as f64 + 0.5) / Self::PIECES as f64);
            let value = f(x);
            (interpolant.at(x) - value).abs() <= Self::TOLERANCE * (1.0 + value.abs())
        };
        [0, Self::PIECES / 4, Self::PIECES / 2, Self::PIECES - 1].into_iter().all(is_met).then_some(interpolant)
    }

    pub fn at(&self, x: f64) -> f64 {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (i, (&point, &value)) in self.points.iter().zip(&self.values).enumerate() {
            if x == point {
                return value;
            }
            let is_end = i == 0 || i == Self::PIECES;
            let weight = if is_end { 0.5 } else { 1.0 } * if i % 2 == 0 { 1.0 } else { -1.0 } / (x - point);
            sum += weight * value;
            weights += weight;
        }
        sum / weights
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn smooth_functions_are_met_and_others_refused() {
        let interpolant = Interpolant::new(f64::exp, -1.0, 2.0).unwrap();
        for x in [-1.0, -0.3, 0.0, 1.234, 2.0] {
            assert!((interpolant.at(x) - x.exp()).abs() < 1e-12);
        }
        assert_eq!(Interpolant::new(f64::abs, -1.0, 2.0), None);
        assert_eq!(Interpolant::new(f64::ln, -1.0, 2.0), None);
    }

    #[test]
    fn finds_roots_and_maxima() {
        assert!((root(|x| x * x - 2.0, 0.0, 2.0).unwrap() - 2f64.sqrt()).abs() < 1e-11);
        assert!((arg_max(|x| -(x - 0.3).powi(2), -5.0, 5.0).unwrap() - 0.3).abs() < 1e-7);
        assert_eq!(root(|x| x * x + 1.0, 0.0, 2.0), Err(CannotEstimate::NoConvergence));
    }
}
