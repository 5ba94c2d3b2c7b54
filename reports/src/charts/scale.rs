//! From data to pixels, linear or logarithmic.

use plotters::coord::ranged1d::{BoldPoints, Ranged};
use plotters::coord::types::RangedCoordf64;

/// A mapping of values to pixels; values outside the range are drawn at its edge.
pub(super) struct Scale {
    axis: RangedCoordf64,
    pixels: (i32, i32),
    from: f64,
    to: f64,
    logarithmic: bool,
}

impl Scale {
    /// A linear scale over `from..to`; an empty or unusable range becomes `from..from + 1`.
    pub(super) fn linear(from: f64, to: f64, pixels: (i32, i32)) -> Scale {
        let from = if from.is_finite() { from } else { 0.0 };
        let to = if to.is_finite() && to > from { to } else { from + 1.0 };
        Scale { axis: (from..to).into(), pixels, from, to, logarithmic: false }
    }

    /// A logarithmic scale; both ends must be positive, else `0.1..10` is used.
    pub(super) fn logarithmic(from: f64, to: f64, pixels: (i32, i32)) -> Scale {
        let (from, to) = if from.is_finite() && to.is_finite() && from > 0.0 && to > from { (from, to) } else { (0.1, 10.0) };
        Scale { axis: (from.ln()..to.ln()).into(), pixels, from, to, logarithmic: true }
    }

    pub(super) fn at(&self, value: f64) -> i32 {
        let value = if value.is_finite() { value.clamp(self.from, self.to) } else { self.from };
        self.axis.map(&if self.logarithmic { value.ln() } else { value }, self.pixels)
    }

    pub(super) fn holds(&self, value: f64) -> bool {
        (self.from..=self.to).contains(&value)
    }

    /// Round values inside the range, about `wanted` of them.
    pub(super) fn ticks(&self, wanted: usize) -> Vec<f64> {
        if !self.logarithmic {
            return self.axis.key_points(BoldPoints(wanted));
        }
        let inside = |steps: &[f64]| -> Vec<f64> {
            (-6..7).flat_map(|power| steps.iter().map(move |step| step * 10f64.powi(power))).filter(|value| self.holds(*value)).collect()
        };
        let steps = inside(&[1.0, 2.0, 5.0]);
        if steps.len() < 3 {
            return inside(&[1.0, 1.5, 2.0, 3.0, 5.0, 7.0]);
        }
        if steps.len() <= wanted {
            return steps;
        }
        let decades: Vec<f64> = steps.iter().copied().filter(|v| (v.log10() - v.log10().round()).abs() < 1e-9).collect();
        if decades.len() >= 2 { decades } else { steps }
    }
}
