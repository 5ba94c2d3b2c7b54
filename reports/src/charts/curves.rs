//! Curves over age with their bands: survival, cumulative incidence, mean number of repairs.

use super::canvas::{Anchor, Canvas, Drawn, Ink, Lettering, MARGIN, MOST_SERIES, Marker, SMALL_SIZE, WIDTH, fitted};
use super::scale::Scale;
use crate::document::Unit;
use crate::wording;

const TOP: i32 = 12;
const PLOT_HEIGHT: i32 = 210;
const AXIS_HEIGHT: i32 = 38;
const LEFT: i32 = 38;
const LABELS_WIDTH: i32 = 96;
const LABEL_DISTANCE: i32 = 15;
/// Bands wider than this many times the highest curve are cut at the plot's edge.
const LONGEST_REACH: f64 = 1.8;

/// Up to four curves; further ones are not drawn and belong into the numbers beside the chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Curves {
    pub unit: Unit,
    pub x_label: String,
    pub series: Vec<Series>,
    /// Whether curves keep their value until the next point, as empirical ones do.
    pub stepped: bool,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    pub label: String,
    /// In order of `x`.
    pub points: Vec<CurvePoint>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    pub x: f64,
    pub y: f64,
    pub interval: Option<(f64, f64)>,
}

impl Curves {
    pub(super) fn height(&self) -> i32 {
        TOP + PLOT_HEIGHT + AXIS_HEIGHT
    }

    pub(super) fn alternative(&self) -> String {
        let ends: Vec<String> = self
            .drawn()
            .filter_map(|series| {
                let last = series.points.last()?;
                let end =
                    crate::document::Quantity { interval: last.interval, ..crate::document::Quantity::new(last.y, self.unit.clone()) };
                Some(format!("{} reaches {} at {}", series.label, wording::in_sentence(&end), wording::plain(last.x)))
            })
            .collect();
        ends.join("; ")
    }

    fn drawn(&self) -> impl Iterator<Item = &Series> {
        self.series.iter().filter(|series| !series.points.is_empty()).take(MOST_SERIES)
    }

    pub(super) fn draw(&self, canvas: &Canvas<'_>) -> Drawn {
        let points = || self.drawn().flat_map(|series| &series.points);
        let right = WIDTH - MARGIN - LABELS_WIDTH;
        let furthest = points().map(|point| point.x).fold(0.0, f64::max);
        let highest = points().map(|point| point.y).fold(0.0, f64::max);
        let band = points().filter_map(|point| point.interval).map(|(_, upper)| upper).fold(highest, f64::max);
        let x = Scale::linear(0.0, furthest, (LEFT, right));
        let y = Scale::linear(0.0, band.min(highest * LONGEST_REACH), (TOP + PLOT_HEIGHT, TOP));
        for tick in y.ticks(5) {
            canvas.line(vec![(LEFT, y.at(tick)), (right, y.at(tick))], Ink::Grid, 1)?;
            canvas.text(&wording::on_axis(tick, &self.unit), LEFT - 5, y.at(tick) + 4, Lettering::SMALL.anchored(Anchor::End))?;
        }
        for tick in x.ticks(6) {
            canvas.line(vec![(x.at(tick), TOP + PLOT_HEIGHT), (x.at(tick), TOP + PLOT_HEIGHT + 4)], Ink::Muted, 1)?;
            canvas.text(&wording::plain(tick), x.at(tick), TOP + PLOT_HEIGHT + 17, Lettering::SMALL)?;
        }
        canvas.line(vec![(LEFT, TOP + PLOT_HEIGHT), (right, TOP + PLOT_HEIGHT)], Ink::Muted, 1)?;
        canvas.text(&self.x_label, (LEFT + right) / 2, TOP + PLOT_HEIGHT + 33, Lettering::SMALL)?;
        for (place, series) in self.drawn().enumerate() {
            self.draw_band(canvas, &x, &y, series, place)?;
        }
        for (place, series) in self.drawn().enumerate() {
            let path = self.path(series.points.iter().map(|point| (x.at(point.x), y.at(point.y))));
            canvas.line(path, Ink::Series(place), 2)?;
        }
        self.draw_labels(canvas, &x, &y)
    }

    fn draw_band(&self, canvas: &Canvas<'_>, x: &Scale, y: &Scale, series: &Series, place: usize) -> Drawn {
        let bounds: Vec<(f64, (f64, f64))> = series.points.iter().filter_map(|point| Some((point.x, point.interval?))).collect();
        if bounds.len() < 2 {
            return Ok(());
        }
        let mut outline = self.path(bounds.iter().map(|(age, (_, upper))| (x.at(*age), y.at(*upper))));
        let mut lower = self.path(bounds.iter().map(|(age, (lower, _))| (x.at(*age), y.at(*lower))));
        lower.reverse();
        outline.append(&mut lower);
        canvas.polygon(outline, Ink::Series(place), 0.14)
    }

    /// Names at the ends of the curves, moved apart where they would touch.
    fn draw_labels(&self, canvas: &Canvas<'_>, x: &Scale, y: &Scale) -> Drawn {
        let mut ends: Vec<(i32, i32, usize, &str)> = self
            .drawn()
            .enumerate()
            .filter_map(|(place, series)| series.points.last().map(|last| (y.at(last.y), x.at(last.x), place, series.label.as_str())))
            .collect();
        ends.sort();
        let lowest = TOP + PLOT_HEIGHT - LABEL_DISTANCE * (ends.len() as i32 - 1).max(0);
        let mut free = TOP;
        for (order, (end_y, end_x, place, label)) in ends.into_iter().enumerate() {
            let label_y = end_y.max(free).min(lowest + LABEL_DISTANCE * order as i32);
            free = label_y + LABEL_DISTANCE;
            let left = WIDTH - MARGIN - LABELS_WIDTH + 8;
            canvas.line(vec![(end_x + 3, end_y), (left + 2, label_y)], Ink::Muted, 1)?;
            canvas.marker(Marker::of_series(place), (end_x, end_y), 3, Ink::Series(place))?;
            let name = fitted(label, LABELS_WIDTH - 8, SMALL_SIZE);
            canvas.text(&name, left + 5, label_y + 4, Lettering::SMALL.anchored(Anchor::Start).in_ink(Ink::Text))?;
        }
        Ok(())
    }

    fn path(&self, points: impl Iterator<Item = (i32, i32)>) -> Vec<(i32, i32)> {
        let mut path: Vec<(i32, i32)> = Vec::new();
        for point in points {
            if let Some(previous) = path.last().copied().filter(|_| self.stepped) {
                path.push((point.0, previous.1));
            }
            path.push(point);
        }
        path.dedup();
        path
    }
}
