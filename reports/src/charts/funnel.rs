//! Many groups at once: each group's figure against how much it rests on, inside the limits of chance.

use super::canvas::{Anchor, Canvas, Drawn, Ink, Lettering, MARGIN, Marker, SMALL_SIZE, WIDTH, fitted, text_width};
use super::scale::Scale;
use crate::document::{Standing, Unit};
use crate::wording;

const TOP: i32 = 48;
const LEGEND_COLUMN: i32 = 150;
const PLOT_HEIGHT: i32 = 230;
const AXIS_HEIGHT: i32 = 38;
const LEFT: i32 = 40;
const RIGHT: i32 = WIDTH - MARGIN - 6;
const LONGEST_NAME: i32 = 130;
/// Points and limits higher than this many times what is expected are drawn at the upper edge.
const HIGHEST: f64 = 4.0;

/// A funnel plot; who stands out is decided by the analysis, not by the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Funnel {
    pub unit: Unit,
    /// What the horizontal axis counts, for example "failures expected at its ages".
    pub x_label: String,
    pub mean: Option<f64>,
    pub points: Vec<FunnelPoint>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct FunnelPoint {
    pub label: String,
    /// Size of the evidence: events expected.
    pub x: f64,
    pub y: f64,
    /// The limits of chance at this size.
    pub limits: Option<(f64, f64)>,
    pub standing: Standing,
}

impl Funnel {
    pub(super) fn height(&self) -> i32 {
        TOP + PLOT_HEIGHT + AXIS_HEIGHT
    }

    pub(super) fn alternative(&self) -> String {
        let named = |standing: Standing| {
            let names: Vec<String> =
                self.points.iter().filter(|point| point.standing == standing).map(|point| point.label.clone()).collect();
            if names.is_empty() { "none".to_owned() } else { wording::enumeration(&names) }
        };
        format!("{} groups. Worse than their kind: {}. Better: {}.", self.points.len(), named(Standing::Worse), named(Standing::Better))
    }

    pub(super) fn draw(&self, canvas: &Canvas<'_>) -> Drawn {
        let sizes = || self.points.iter().map(|point| point.x).filter(|x| *x > 0.0);
        let highest = self.points.iter().map(|point| point.y).fold(self.mean.unwrap_or(0.0), f64::max);
        let ceiling = self.mean.filter(|mean| *mean > 0.0).map_or(highest, |mean| highest.min(mean * HIGHEST));
        let x = Scale::logarithmic(sizes().fold(f64::INFINITY, f64::min) * 0.85, sizes().fold(0.0, f64::max) * 1.15, (LEFT, RIGHT));
        let y = Scale::linear(0.0, ceiling * 1.08, (TOP + PLOT_HEIGHT, TOP));
        self.draw_axes(canvas, &x, &y)?;
        self.draw_limits(canvas, &x, &y)?;
        for point in self.points.iter().filter(|point| point.x > 0.0) {
            let (marker, ink) = marker(point.standing);
            canvas.marker(marker, (x.at(point.x), y.at(point.y)), 4, ink)?;
        }
        self.draw_names(canvas, &x, &y)?;
        self.draw_legend(canvas)
    }

    fn draw_axes(&self, canvas: &Canvas<'_>, x: &Scale, y: &Scale) -> Drawn {
        for tick in y.ticks(5) {
            canvas.line(vec![(LEFT, y.at(tick)), (RIGHT, y.at(tick))], Ink::Grid, 1)?;
            canvas.text(&wording::on_axis(tick, &self.unit), LEFT - 5, y.at(tick) + 4, Lettering::SMALL.anchored(Anchor::End))?;
        }
        for tick in x.ticks(6) {
            canvas.line(vec![(x.at(tick), TOP + PLOT_HEIGHT), (x.at(tick), TOP + PLOT_HEIGHT + 4)], Ink::Muted, 1)?;
            canvas.centred(&wording::on_axis(tick, &Unit::Number), x.at(tick), TOP + PLOT_HEIGHT + 17, Lettering::SMALL)?;
        }
        canvas.text(&self.x_label, (LEFT + RIGHT) / 2, TOP + PLOT_HEIGHT + 33, Lettering::SMALL)
    }

    fn draw_limits(&self, canvas: &Canvas<'_>, x: &Scale, y: &Scale) -> Drawn {
        let mut limits: Vec<(f64, (f64, f64))> =
            self.points.iter().filter(|point| point.x > 0.0).filter_map(|point| Some((point.x, point.limits?))).collect();
        limits.sort_by(|a, b| a.0.total_cmp(&b.0));
        if limits.len() >= 2 {
            let upper: Vec<(i32, i32)> = limits.iter().map(|(size, (_, upper))| (x.at(*size), y.at(*upper))).collect();
            let lower: Vec<(i32, i32)> = limits.iter().map(|(size, (lower, _))| (x.at(*size), y.at(*lower))).collect();
            let outline: Vec<(i32, i32)> = upper.iter().copied().chain(lower.iter().rev().copied()).collect();
            canvas.polygon(outline, Ink::Muted, 0.1)?;
            canvas.line(upper, Ink::Muted, 1)?;
            canvas.line(lower, Ink::Muted, 1)?;
        }
        let Some(mean) = self.mean else { return Ok(()) };
        canvas.line(vec![(LEFT, y.at(mean)), (RIGHT, y.at(mean))], Ink::Text, 1)?;
        canvas.text("as expected", RIGHT, y.at(mean) - 4, Lettering::SMALL.anchored(Anchor::End))
    }

    /// Names of the groups that stand out, largest first, where they have room beside their mark; the others are in the numbers.
    fn draw_names(&self, canvas: &Canvas<'_>, x: &Scale, y: &Scale) -> Drawn {
        let drawn = || self.points.iter().filter(|point| point.x > 0.0);
        let mut outstanding: Vec<&FunnelPoint> =
            drawn().filter(|point| matches!(point.standing, Standing::Worse | Standing::Better)).collect();
        outstanding.sort_by(|a, b| b.x.total_cmp(&a.x).then_with(|| a.label.cmp(&b.label)));
        let at = |point: &FunnelPoint| (x.at(point.x), y.at(point.y));
        let mut taken: Vec<[i32; 4]> = drawn().map(at).map(|(px, py)| [px - 5, px + 5, py - 5, py + 5]).collect();
        for point in outstanding {
            let name = fitted(&point.label, LONGEST_NAME, SMALL_SIZE);
            let width = text_width(&name, SMALL_SIZE);
            let (px, py) = at(point);
            let free = |left: &i32| {
                let right = left + width;
                let clear = |[from, to, top, bottom]: &[i32; 4]| right <= *from || *to <= *left || py + 6 <= *top || *bottom <= py - 6;
                *left >= LEFT && right <= RIGHT && taken.iter().all(clear)
            };
            if let Some(left) = [px + 8, px - 8 - width].into_iter().find(free) {
                taken.push([left, left + width, py - 6, py + 6]);
                canvas.text(&name, left, py + 4, Lettering::SMALL.anchored(Anchor::Start).in_ink(Ink::Text))?;
            }
        }
        Ok(())
    }

    fn draw_legend(&self, canvas: &Canvas<'_>) -> Drawn {
        for (standing, words, column, line) in [
            (Standing::Worse, "worse", 0, 0),
            (Standing::Better, "better", 0, 1),
            (Standing::NotDistinguishable, "no clear difference", 1, 0),
            (Standing::NotEnoughEvidence, "not enough evidence", 1, 1),
        ] {
            let (marker, ink) = marker(standing);
            let (left, baseline) = (MARGIN + LEGEND_COLUMN * column, 12 + 17 * line);
            canvas.marker(marker, (left + 5, baseline - 4), 4, ink)?;
            canvas.text(words, left + 14, baseline, Lettering::SMALL.anchored(Anchor::Start))?;
        }
        Ok(())
    }
}

fn marker(standing: Standing) -> (Marker, Ink) {
    match standing {
        Standing::Worse => (Marker::Up, Ink::Worse),
        Standing::Better => (Marker::Down, Ink::Better),
        Standing::NotDistinguishable => (Marker::Ring, Ink::Series(0)),
        Standing::NotEnoughEvidence => (Marker::Square, Ink::Muted),
    }
}
