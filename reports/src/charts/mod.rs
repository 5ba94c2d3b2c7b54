//! Drawings as SVG: one file a chart, one canvas under all of them.
//!
//! Drawn 360 units wide, so that text keeps its size on a phone, and scaled up where there is room. Colours are
//! CSS variables with a fallback, so a page can switch between light and dark; shape, dash and label carry the
//! same meaning as colour.

mod canvas;
mod cost_spread;
mod curves;
mod funnel;
mod heat_map;
mod interval_plot;
mod scale;

pub use canvas::ChartError;
pub use cost_spread::{CostRow, CostSpread};
pub use curves::{CurvePoint, Curves, Series};
pub use funnel::{Funnel, FunnelPoint};
pub use heat_map::{AgeBand, HeatMap, HeatRow};
pub use interval_plot::{IntervalPlot, IntervalRow, Look, Reference};

use crate::document::Chart;
use canvas::Canvas;

/// The kinds of drawing, each with its data.
#[derive(Clone, Debug, PartialEq)]
pub enum Plot {
    Intervals(IntervalPlot),
    Curves(Curves),
    HeatMap(HeatMap),
    Funnel(Funnel),
    Costs(CostSpread),
}

/// A chart as an SVG element with its title, a text alternative and `role="img"`.
///
/// `id` makes the references inside the element unique within its page.
///
/// # Errors
/// [`ChartError`] if the drawing library refuses an element.
pub fn svg(chart: &Chart, id: &str) -> Result<String, ChartError> {
    let alternative = format!("{} {}", chart.description, alternative(&chart.plot));
    Canvas::render(
        height(&chart.plot),
        |canvas| match &chart.plot {
            Plot::Intervals(plot) => plot.draw(canvas),
            Plot::Curves(plot) => plot.draw(canvas),
            Plot::HeatMap(plot) => plot.draw(canvas),
            Plot::Funnel(plot) => plot.draw(canvas),
            Plot::Costs(plot) => plot.draw(canvas),
        },
        canvas::Labels { id, title: &chart.title, alternative: alternative.trim() },
    )
}

fn height(plot: &Plot) -> i32 {
    match plot {
        Plot::Intervals(plot) => plot.height(),
        Plot::Curves(plot) => plot.height(),
        Plot::HeatMap(plot) => plot.height(),
        Plot::Funnel(plot) => plot.height(),
        Plot::Costs(plot) => plot.height(),
    }
}

/// What the drawing shows, in words.
fn alternative(plot: &Plot) -> String {
    match plot {
        Plot::Intervals(plot) => plot.alternative(),
        Plot::Curves(plot) => plot.alternative(),
        Plot::HeatMap(plot) => plot.alternative(),
        Plot::Funnel(plot) => plot.alternative(),
        Plot::Costs(plot) => plot.alternative(),
    }
}
