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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_roots_and_maxima() {
        assert!((root(|x| x * x - 2.0, 0.0, 2.0).unwrap() - 2f64.sqrt()).abs() < 1e-11);
        assert!((arg_max(|x| -(x - 0.3).powi(2), -5.0, 5.0).unwrap() - 0.3).abs() < 1e-7);
        assert_eq!(root(|x| x * x + 1.0, 0.0, 2.0), Err(CannotEstimate::NoConvergence));
    }
}
