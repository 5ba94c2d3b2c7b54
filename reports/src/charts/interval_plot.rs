//! One row an estimate: its name and figure on one line, dot and whisker (or a bar) beneath, over the full width.

use super::canvas::{Anchor, Canvas, Drawn, Ink, LABEL_SIZE, Lettering, MARGIN, Marker, WIDTH, fitted, text_width};
use super::scale::Scale;
use crate::document::{Quantity, Standing, Unit};
use crate::wording;

const TOP: i32 = 4;
const ROW_HEIGHT: i32 = 38;
const LEFT: i32 = MARGIN + 4;
const RIGHT: i32 = WIDTH - MARGIN - 10;
/// An interval reaching further than this many times the largest estimate is cut, with an arrow.
const LONGEST_REACH: f64 = 2.5;

/// Estimates with intervals on a common scale.
#[derive(Clone, Debug, PartialEq)]
pub struct IntervalPlot {
    pub unit: Unit,
    pub rows: Vec<IntervalRow>,
    pub look: Look,
    /// A value to compare with, drawn as a line down the rows.
    pub reference: Option<Reference>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// A dot and whisker on a scale from zero.
    Dots,
    /// A bar from zero with a whisker.
    Bars,
    /// A dot and whisker on a logarithmic scale, for ratios.
    Ratios,
}

#[derive(Clone, Debug, PartialEq)]
pub struct IntervalRow {
    pub label: String,
    /// `None` is drawn as "not estimated".
    pub quantity: Option<Quantity>,
    /// Shown by mark and colour where the analysis has decided one.
    pub standing: Option<Standing>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    pub value: f64,
    pub label: String,
}

impl IntervalPlot {
    pub(super) fn height(&self) -> i32 {
        TOP + self.reference_height() + ROW_HEIGHT * self.rows.len() as i32 + axis_height(&self.unit)
    }

    fn reference_height(&self) -> i32 {
        if self.reference.is_some() { 18 } else { 0 }
    }

    pub(super) fn alternative(&self) -> String {
        let rows: Vec<String> = self.rows.iter().map(|row| format!("{}: {}", row.label, figure(row.quantity.as_ref()))).collect();
        rows.join("; ")
    }

    pub(super) fn draw(&self, canvas: &Canvas<'_>) -> Drawn {
        let scale = self.scale();
        let top = TOP + self.reference_height();
        let bottom = top + ROW_HEIGHT * self.rows.len() as i32;
        for tick in scale.ticks(5) {
            let x = scale.at(tick);
            canvas.line(vec![(x, top + 20), (x, bottom + 2)], Ink::Grid, 1)?;
            canvas.centred(&wording::on_axis(tick, &self.unit), x, bottom + 15, Lettering::SMALL)?;
        }
        if let Some(unit) = wording::unit_words(&self.unit) {
            canvas.text(&unit, RIGHT + 10, bottom + 29, Lettering::SMALL.anchored(Anchor::End))?;
        }
        if let Some(reference) = &self.reference {
            let x = scale.at(reference.value);
            canvas.line(vec![(x, top), (x, bottom + 2)], Ink::Muted, 1)?;
            canvas.centred(&reference.label, x, top - 5, Lettering::SMALL)?;
        }
        for (place, row) in self.rows.iter().enumerate() {
            self.draw_row(canvas, &scale, row, top + ROW_HEIGHT * place as i32)?;
        }
        Ok(())
    }

    fn draw_row(&self, canvas: &Canvas<'_>, scale: &Scale, row: &IntervalRow, top: i32) -> Drawn {
        let figure = figure(row.quantity.as_ref());
        let label_width = RIGHT + 10 - LEFT - text_width(&figure, LABEL_SIZE) - 8;
        // Labels lie on paper, so that grid and reference lines do not run through them.
        canvas.rectangle([(MARGIN, top + 3), (WIDTH - MARGIN, top + 18)], Ink::Paper, 0.85)?;
        canvas.text(&fitted(&row.label, label_width, LABEL_SIZE), MARGIN, top + 15, Lettering::LABEL)?;
        canvas.text(&figure, WIDTH - MARGIN, top + 15, Lettering::FIGURE)?;
        let Some(quantity) = &row.quantity else { return Ok(()) };
        let (ink, marker) = match row.standing {
            Some(Standing::Worse) => (Ink::Worse, Marker::Up),
            Some(Standing::Better) => (Ink::Better, Marker::Down),
            Some(Standing::NotDistinguishable | Standing::NotEnoughEvidence) => (Ink::Muted, Marker::Ring),
            None => (Ink::Series(0), Marker::Dot),
        };
        let (x, y) = (scale.at(quantity.value), top + 27);
        if self.look == Look::Bars {
            let zero = scale.at(0.0);
            canvas.rectangle([(zero.min(x), y - 5), (zero.max(x), y + 5)], ink, 0.45)?;
        }
        if let Some((lower, upper)) = quantity.interval {
            whisker(canvas, scale, (lower, upper), y, ink)?;
        }
        if self.look == Look::Bars { canvas.line(vec![(x, y - 5), (x, y + 5)], ink, 2) } else { canvas.marker(marker, (x, y), 4, ink) }
    }

    fn scale(&self) -> Scale {
        let quantities = || self.rows.iter().filter_map(|row| row.quantity.as_ref());
        let reference = self.reference.as_ref().map(|reference| reference.value);
        let largest = quantities().map(|quantity| quantity.value).chain(reference).fold(0.0, f64::max);
        let furthest = quantities().filter_map(|quantity| quantity.interval).map(|(_, upper)| upper).fold(largest, f64::max);
        if self.look == Look::Ratios {
            let least = quantities().filter_map(|q| q.interval.map(|(lower, _)| lower)).filter(|lower| *lower > 0.0).fold(1.0, f64::min);
            return Scale::logarithmic((least * 0.9).max(0.05), (furthest * 1.1).clamp(1.25, 50.0), (LEFT, RIGHT));
        }
        let least = quantities().map(|quantity| quantity.value).chain(reference).fold(0.0, f64::min);
        let nearest = quantities().filter_map(|quantity| quantity.interval).map(|(lower, _)| lower).fold(least, f64::min);
        let reach = LONGEST_REACH * largest.max(-least);
        Scale::linear(nearest.max(-reach), furthest.min(reach).max(f64::MIN_POSITIVE), (LEFT, RIGHT))
    }
}

/// Room for tick labels, and for the unit where it has words.
pub(super) fn axis_height(unit: &Unit) -> i32 {
    if wording::unit_words(unit).is_some() { 34 } else { 20 }
}

/// An interval as a line with end caps; an end beyond the scale becomes an arrow.
pub(super) fn whisker(canvas: &Canvas<'_>, scale: &Scale, (lower, upper): (f64, f64), y: i32, ink: Ink) -> Drawn {
    let (left, right) = (scale.at(lower), scale.at(upper));
    canvas.line(vec![(left, y), (right, y)], ink, 2)?;
    for (end, value, outward) in [(left, lower, -1), (right, upper, 1)] {
        if scale.holds(value) {
            canvas.line(vec![(end, y - 3), (end, y + 3)], ink, 2)?;
        } else {
            canvas.polygon(vec![(end + 6 * outward, y), (end, y - 4), (end, y + 4)], ink, 1.0)?;
        }
    }
    Ok(())
}

fn figure(quantity: Option<&Quantity>) -> String {
    quantity.map_or_else(|| "not estimated".to_owned(), |quantity| wording::in_cell(&Quantity { n: None, ..quantity.clone() }).joined())
}
