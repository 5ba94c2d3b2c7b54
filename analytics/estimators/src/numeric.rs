//! One-dimensional root finding and optimisation: Brent's methods from `argmin`; smooth functions of many variables.

use std::collections::VecDeque;

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

/// Moves `x` towards the minimum of a smooth convex function by limited-memory BFGS with backtracking (Nocedal & Wright 2006, Numerical
/// Optimization, algorithms 7.4, 7.5 and 3.1, from memory), in at most so many steps. `f` gives the value and fills in the gradient.
/// By hand, because `argmin` wants its vectors in a linear algebra crate that nothing else here needs.
pub(crate) fn minimise(mut f: impl FnMut(&[f64], &mut [f64]) -> f64, x: &mut Vec<f64>, most_steps: usize) {
    const MEMORY: usize = 8;
    const LEAST_GAIN: f64 = 1e-8;
    const MOST_HALVINGS: usize = 30;
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let mut gradient = vec![0.0; x.len()];
    let mut value = f(x, &mut gradient);
    let mut past: VecDeque<(Vec<f64>, Vec<f64>)> = VecDeque::new();
    let (mut next, mut next_gradient) = (x.clone(), gradient.clone());
    for _ in 0..most_steps {
        let mut direction = gradient.clone();
        let mut shares = Vec::with_capacity(past.len());
        for (step, change) in past.iter().rev() {
            let share = dot(step, &direction) / dot(step, change);
            direction.iter_mut().zip(change).for_each(|(d, c)| *d -= share * c);
            shares.push(share);
        }
        if let Some((step, change)) = past.back() {
            let scale = dot(step, change) / dot(change, change);
            direction.iter_mut().for_each(|d| *d *= scale);
        }
        for ((step, change), share) in past.iter().zip(shares.into_iter().rev()) {
            let back = share - dot(change, &direction) / dot(step, change);
            direction.iter_mut().zip(step).for_each(|(d, s)| *d += back * s);
        }
        let slope = -dot(&gradient, &direction);
        if slope >= 0.0 || slope.is_nan() {
            return;
        }
        let mut length = if past.is_empty() { 1.0 / dot(&gradient, &gradient).sqrt().max(1.0) } else { 1.0 };
        let mut next_value = f64::INFINITY;
        for _ in 0..MOST_HALVINGS {
            next.iter_mut().zip(&*x).zip(&direction).for_each(|((next, x), d)| *next = x - length * d);
            next_value = f(&next, &mut next_gradient);
            if next_value <= value + 1e-4 * length * slope {
                break;
            }
            length /= 2.0;
        }
        if next_value.is_nan() || next_value >= value {
            return;
        }
        let step: Vec<f64> = next.iter().zip(&*x).map(|(a, b)| a - b).collect();
        let change: Vec<f64> = next_gradient.iter().zip(&gradient).map(|(a, b)| a - b).collect();
        if dot(&step, &change) > 0.0 {
            if past.len() == MEMORY {
                past.pop_front();
            }
            past.push_back((step, change));
        }
        let gain = value - next_value;
        std::mem::swap(x, &mut next);
        std::mem::swap(&mut gradient, &mut next_gradient);
        value = next_value;
        if gain <= LEAST_GAIN * value.abs().max(1.0) {
            return;
        }
    }
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
    fn minimises_functions_of_several_variables() {
        // A long bent valley: (a - 1)^2 + 10 (b - a)^2 + exp(c) - 2 c.
        let f = |x: &[f64], slope: &mut [f64]| {
            slope[0] = 2.0 * (x[0] - 1.0) - 20.0 * (x[1] - x[0]);
            slope[1] = 20.0 * (x[1] - x[0]);
            slope[2] = x[2].exp() - 2.0;
            (x[0] - 1.0).powi(2) + 10.0 * (x[1] - x[0]).powi(2) + x[2].exp() - 2.0 * x[2]
        };
        let mut x = vec![-3.0, 4.0, 5.0];
        minimise(f, &mut x, 200);
        let expected = [1.0, 1.0, 2f64.ln()];
        assert!(x.iter().zip(expected).all(|(x, expected)| (x - expected).abs() < 1e-3), "{x:?}");
    }

    #[test]
    fn finds_roots_and_maxima() {
        assert!((root(|x| x * x - 2.0, 0.0, 2.0).unwrap() - 2f64.sqrt()).abs() < 1e-11);
        assert!((arg_max(|x| -(x - 0.3).powi(2), -5.0, 5.0).unwrap() - 0.3).abs() < 1e-7);
        assert_eq!(root(|x| x * x + 1.0, 0.0, 2.0), Err(CannotEstimate::NoConvergence));
    }
}
