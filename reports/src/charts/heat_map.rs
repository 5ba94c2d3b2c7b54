//! Component by age: one strip of numbered cells a row, deeper where the value is higher.

use super::canvas::{Anchor, Canvas, Drawn, Ink, LABEL_SIZE, Lettering, MARGIN, SMALL_SIZE, WIDTH, fitted};
use crate::document::Unit;
use crate::wording;

const TOP: i32 = 34;
const ROW_HEIGHT: i32 = 44;
const CELL_HEIGHT: i32 = 22;
const BOTTOM: i32 = 6;
/// How deep the ink of the highest value is; text stays legible on it.
const DEEPEST: f64 = 0.55;

/// Values by row and age band.
#[derive(Clone, Debug, PartialEq)]
pub struct HeatMap {
    pub unit: Unit,
    pub bands: Vec<AgeBand>,
    pub rows: Vec<HeatRow>,
}

/// An age band in years; open above where `to_years` is `None`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AgeBand {
    pub from_years: f64,
    pub to_years: Option<f64>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct HeatRow {
    pub label: String,
    /// One a band; `None` where nothing can be said.
    pub values: Vec<Option<f64>>,
}

impl HeatMap {
    pub(super) fn height(&self) -> i32 {
        TOP + ROW_HEIGHT * self.rows.len() as i32 + BOTTOM
    }

    pub(super) fn alternative(&self) -> String {
        let unit = wording::unit_words(&self.unit).map_or_else(String::new, |unit| format!(" {unit}"));
        let peaks: Vec<String> = self
            .rows
            .iter()
            .filter_map(|row| {
                let known = row.values.iter().zip(&self.bands).filter_map(|(value, band)| Some(((*value)?, band)));
                let (value, band) = known.max_by(|a, b| a.0.total_cmp(&b.0))?;
                let age = wording::age_band(Some(band.from_years), band.to_years)?;
                Some(format!("{} is highest at {age}: {}{unit}", row.label, wording::in_heat_cell(value, &self.unit)))
            })
            .collect();
        peaks.join("; ")
    }

    pub(super) fn draw(&self, canvas: &Canvas<'_>) -> Drawn {
        let columns = self.bands.len().max(1) as i32;
        let left = |column: usize| MARGIN + (WIDTH - 2 * MARGIN) * column as i32 / columns;
        let deepest = self.rows.iter().flat_map(|row| row.values.iter().flatten()).copied().fold(0.0, f64::max);
        canvas.text("age in years", MARGIN, 12, Lettering::SMALL.anchored(Anchor::Start))?;
        if let Some(unit) = wording::unit_words(&self.unit) {
            canvas.text(&unit, WIDTH - MARGIN, 12, Lettering::SMALL.anchored(Anchor::End))?;
        }
        for (column, band) in self.bands.iter().enumerate() {
            let edge =
                if band.to_years.is_none() { format!("{}+", wording::plain(band.from_years)) } else { wording::plain(band.from_years) };
            canvas.text(&edge, left(column) + 1, 30, Lettering::SMALL.anchored(Anchor::Start))?;
        }
        for (place, row) in self.rows.iter().enumerate() {
            let top = TOP + ROW_HEIGHT * place as i32;
            canvas.text(&fitted(&row.label, WIDTH - 2 * MARGIN, LABEL_SIZE), MARGIN, top + 14, Lettering::LABEL)?;
            for (column, value) in row.values.iter().take(self.bands.len()).enumerate() {
                let corners = [(left(column), top + 19), (left(column + 1) - 1, top + 19 + CELL_HEIGHT)];
                self.draw_cell(canvas, corners, *value, deepest)?;
            }
        }
        Ok(())
    }

    fn draw_cell(&self, canvas: &Canvas<'_>, corners: [(i32, i32); 2], value: Option<f64>, deepest: f64) -> Drawn {
        let (text, ink) = match value {
            Some(value) => (wording::in_heat_cell(value, &self.unit), Ink::Text),
            None => ("–".to_owned(), Ink::Muted),
        };
        match value.filter(|value| *value > 0.0 && deepest > 0.0) {
            Some(value) => canvas.rectangle(corners, Ink::Heat, DEEPEST * (value / deepest).clamp(0.12, 1.0))?,
            None => canvas.rectangle(corners, Ink::Grid, 0.35)?,
        }
        let centre = (corners[0].0 + corners[1].0) / 2;
        canvas.text(&text, centre, corners[1].1 - 7, Lettering { size: SMALL_SIZE, ink, ..Lettering::SMALL })
    }
}
