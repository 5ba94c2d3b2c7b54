//! What a repair costs: per row the median with its interval, the mean, and what one job in ten exceeds.

use super::canvas::{Anchor, Canvas, Drawn, Ink, LABEL_SIZE, Lettering, MARGIN, Marker, WIDTH, fitted, text_width};
use super::interval_plot::{axis_height, whisker};
use super::scale::Scale;
use crate::document::{Quantity, Unit};
use crate::wording;

const LEGEND_HEIGHT: i32 = 24;
const ROW_HEIGHT: i32 = 40;
const LEFT: i32 = MARGIN + 4;
const RIGHT: i32 = WIDTH - MARGIN - 14;

/// Costs by row, for example by component.
#[derive(Clone, Debug, PartialEq)]
pub struct CostSpread {
    pub unit: Unit,
    pub rows: Vec<CostRow>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct CostRow {
    pub label: String,
    pub median: Option<Quantity>,
    pub mean: Option<Quantity>,
    /// The 90th percentile.
    pub p90: Option<Quantity>,
}

impl CostSpread {
    pub(super) fn height(&self) -> i32 {
        LEGEND_HEIGHT + ROW_HEIGHT * self.rows.len() as i32 + axis_height(&self.unit)
    }

    pub(super) fn alternative(&self) -> String {
        let words = |quantity: &Option<Quantity>| quantity.as_ref().map_or_else(|| "not estimated".to_owned(), wording::in_sentence);
        let rows: Vec<String> = self
            .rows
            .iter()
            .map(|row| {
                format!("{}: median {}, mean {}, one in ten above {}", row.label, words(&row.median), words(&row.mean), words(&row.p90))
            })
            .collect();
        rows.join("; ")
    }

    pub(super) fn draw(&self, canvas: &Canvas<'_>) -> Drawn {
        self.draw_legend(canvas)?;
        let scale = Scale::linear(0.0, self.largest() * 1.03, (LEFT, RIGHT));
        let bottom = LEGEND_HEIGHT + ROW_HEIGHT * self.rows.len() as i32;
        for tick in scale.ticks(5) {
            let x = scale.at(tick);
            canvas.line(vec![(x, LEGEND_HEIGHT + 20), (x, bottom + 2)], Ink::Grid, 1)?;
            canvas.centred(&wording::on_axis(tick, &self.unit), x, bottom + 15, Lettering::SMALL)?;
        }
        if let Some(unit) = wording::unit_words(&self.unit) {
            canvas.text(&unit, WIDTH - MARGIN, bottom + 29, Lettering::SMALL.anchored(Anchor::End))?;
        }
        for (place, row) in self.rows.iter().enumerate() {
            draw_row(canvas, &scale, row, LEGEND_HEIGHT + ROW_HEIGHT * place as i32)?;
        }
        Ok(())
    }

    fn draw_legend(&self, canvas: &Canvas<'_>) -> Drawn {
        let (small, y) = (Lettering::SMALL.anchored(Anchor::Start), 12);
        canvas.marker(Marker::Dot, (MARGIN + 5, y - 4), 4, Ink::Series(0))?;
        canvas.text("median", MARGIN + 14, y, small)?;
        canvas.marker(Marker::Diamond, (MARGIN + 79, y - 4), 4, Ink::Series(1))?;
        canvas.text("mean", MARGIN + 89, y, small)?;
        canvas.line(vec![(MARGIN + 144, y - 10), (MARGIN + 144, y + 2)], Ink::Text, 2)?;
        canvas.text("one job in ten costs more", MARGIN + 152, y, small)
    }

    fn largest(&self) -> f64 {
        let ends = |quantity: &Quantity| quantity.value;
        let tops = self.rows.iter().flat_map(|row| [&row.median, &row.mean, &row.p90]).flatten().map(ends);
        tops.fold(0.0, f64::max)
    }
}

fn draw_row(canvas: &Canvas<'_>, scale: &Scale, row: &CostRow, top: i32) -> Drawn {
    let figure = row
        .median
        .as_ref()
        .map_or_else(|| "not estimated".to_owned(), |median| wording::in_cell(&Quantity { n: None, ..median.clone() }).joined());
    let label_width = WIDTH - 2 * MARGIN - text_width(&figure, LABEL_SIZE) - 8;
    canvas.rectangle([(MARGIN, top + 3), (WIDTH - MARGIN, top + 18)], Ink::Paper, 0.85)?;
    canvas.text(&fitted(&row.label, label_width, LABEL_SIZE), MARGIN, top + 15, Lettering::LABEL)?;
    canvas.text(&figure, WIDTH - MARGIN, top + 15, Lettering::FIGURE)?;
    let y = top + 29;
    if let (Some(median), Some(p90)) = (&row.median, &row.p90) {
        canvas.line(vec![(scale.at(median.value), y), (scale.at(p90.value), y)], Ink::Muted, 1)?;
    }
    if let Some(p90) = &row.p90 {
        let x = scale.at(p90.value);
        canvas.line(vec![(x, y - 6), (x, y + 6)], Ink::Text, 2)?;
    }
    if let Some(median) = &row.median {
        if let Some(interval) = median.interval {
            whisker(canvas, scale, interval, y, Ink::Series(0))?;
        }
        canvas.marker(Marker::Dot, (scale.at(median.value), y), 4, Ink::Series(0))?;
    }
    match &row.mean {
        Some(mean) => canvas.marker(Marker::Diamond, (scale.at(mean.value), y), 4, Ink::Series(1)),
        None => Ok(()),
    }
}
