//! The surface all charts are drawn on: plotters' SVG backend with named inks instead of colours.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// The width all charts are drawn at, in units of the view box.
pub(super) const WIDTH: i32 = 360;
/// Text sizes in units of the view box; a phone shows about one pixel a unit.
pub(super) const LABEL_SIZE: f64 = 12.5;
pub(super) const SMALL_SIZE: f64 = 11.0;
/// Empty border left and right.
pub(super) const MARGIN: i32 = 4;
/// The plotters SVG backend divides font sizes by this number.
const BACKEND_FONT_DIVISOR: f64 = 1.24;
/// Mean width of a character as a part of the font size, for a common sans-serif face.
const CHARACTER_WIDTH: f64 = 0.52;

/// A chart could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("the chart \"{title}\" could not be drawn: {cause}; please report this with the evidence folder")]
pub struct ChartError {
    title: String,
    cause: String,
}

/// What went wrong on the backend.
#[derive(Debug)]
pub(super) struct DrawError(String);

pub(super) type Drawn = Result<(), DrawError>;

/// Title and text alternative of a chart, and the id that keeps them unique.
pub(super) struct Labels<'a> {
    pub id: &'a str,
    pub title: &'a str,
    pub alternative: &'a str,
}

/// What a mark means; the page decides its colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ink {
    Text,
    Muted,
    Grid,
    Paper,
    Worse,
    Better,
    Heat,
    /// One of four series; all but the first are dashed where they are lines.
    Series(usize),
}

/// Placeholder colour, CSS variable with fallback, and dash pattern of each ink.
const INKS: [(Ink, &str, &str); 11] = [
    (Ink::Text, "var(--ink, #1d2529)", ""),
    (Ink::Muted, "var(--ink-soft, #56616a)", ""),
    (Ink::Grid, "var(--rule, #d3cec2)", ""),
    (Ink::Paper, "var(--paper, #ffffff)", ""),
    (Ink::Worse, "var(--worse, #a3341f)", ""),
    (Ink::Better, "var(--better, #1c6650)", ""),
    (Ink::Heat, "var(--heat, #b8622b)", ""),
    (Ink::Series(0), "var(--series-1, #1b5e7d)", ""),
    (Ink::Series(1), "var(--series-2, #a34f14)", "7 3"),
    (Ink::Series(2), "var(--series-3, #4c6b1f)", "2 3"),
    (Ink::Series(3), "var(--series-4, #6b4a86)", "9 3 2 3"),
];

pub(super) const MOST_SERIES: usize = 4;

impl Ink {
    fn placeholder(self) -> RGBColor {
        let place = INKS.iter().position(|(ink, ..)| *ink == self).unwrap_or(0);
        RGBColor(1, 0xF1, place as u8)
    }
}

/// The shape of a point, so that colour is not needed to tell points apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Marker {
    Dot,
    Ring,
    Diamond,
    Up,
    Down,
    Square,
}

impl Marker {
    /// The marker of a series.
    pub(super) fn of_series(series: usize) -> Marker {
        [Marker::Dot, Marker::Diamond, Marker::Square, Marker::Up][series % MOST_SERIES]
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// Text of one size, ink and weight.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lettering {
    pub size: f64,
    pub ink: Ink,
    pub bold: bool,
    pub anchor: Anchor,
}

impl Lettering {
    pub(super) const LABEL: Lettering = Lettering { size: LABEL_SIZE, ink: Ink::Text, bold: false, anchor: Anchor::Start };
    pub(super) const FIGURE: Lettering = Lettering { anchor: Anchor::End, bold: true, ..Lettering::LABEL };
    pub(super) const SMALL: Lettering = Lettering { size: SMALL_SIZE, ink: Ink::Muted, bold: false, anchor: Anchor::Middle };

    pub(super) fn anchored(self, anchor: Anchor) -> Lettering {
        Lettering { anchor, ..self }
    }

    pub(super) fn in_ink(self, ink: Ink) -> Lettering {
        Lettering { ink, ..self }
    }
}

pub(super) struct Canvas<'a> {
    area: DrawingArea<SVGBackend<'a>, Shift>,
}

impl Canvas<'_> {
    /// Draws on a fresh canvas and returns the finished SVG element.
    pub(super) fn render(height: i32, draw: impl FnOnce(&Canvas<'_>) -> Drawn, labels: Labels<'_>) -> Result<String, ChartError> {
        let mut drawing = String::new();
        let canvas = Canvas { area: SVGBackend::with_string(&mut drawing, (WIDTH as u32, height.max(1) as u32)).into_drawing_area() };
        let drawn = draw(&canvas).and_then(|()| canvas.area.present().map_err(refused));
        drop(canvas);
        drawn.map_err(|DrawError(cause)| ChartError { title: labels.title.to_owned(), cause })?;
        Ok(dress(&drawing, height, &labels))
    }

    /// Text on the baseline `y`.
    pub(super) fn text(&self, text: &str, x: i32, y: i32, lettering: Lettering) -> Drawn {
        let anchor = match lettering.anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        let weight = if lettering.bold { FontStyle::Bold } else { FontStyle::Normal };
        let colour = lettering.ink.placeholder();
        let style = TextStyle::from(("inherit", lettering.size * BACKEND_FONT_DIVISOR, weight).into_font())
            .color(&colour)
            .pos(Pos::new(anchor, VPos::Center));
        // Centred text sits half an x-height above its point.
        let middle = y - (lettering.size * 0.26).round() as i32;
        self.area.draw(&Text::new(text.to_owned(), (x, middle), style)).map_err(refused)
    }

    /// Text centred on `x`, moved inwards where it would leave the canvas.
    pub(super) fn centred(&self, text: &str, x: i32, y: i32, lettering: Lettering) -> Drawn {
        let half = (text_width(text, lettering.size) / 2).min(WIDTH / 2);
        self.text(text, x.clamp(half, WIDTH - half), y, lettering.anchored(Anchor::Middle))
    }

    pub(super) fn line(&self, points: Vec<(i32, i32)>, ink: Ink, width: u32) -> Drawn {
        self.area.draw(&PathElement::new(points, ink.placeholder().stroke_width(width))).map_err(refused)
    }

    pub(super) fn rectangle(&self, corners: [(i32, i32); 2], ink: Ink, opacity: f64) -> Drawn {
        self.area.draw(&Rectangle::new(corners, ink.placeholder().mix(opacity).filled())).map_err(refused)
    }

    pub(super) fn polygon(&self, points: Vec<(i32, i32)>, ink: Ink, opacity: f64) -> Drawn {
        self.area.draw(&Polygon::new(points, ink.placeholder().mix(opacity).filled())).map_err(refused)
    }

    pub(super) fn marker(&self, marker: Marker, (x, y): (i32, i32), radius: i32, ink: Ink) -> Drawn {
        let r = radius;
        match marker {
            Marker::Dot => self.area.draw(&Circle::new((x, y), r, ink.placeholder().filled())).map_err(refused),
            Marker::Ring => {
                self.area.draw(&Circle::new((x, y), r, Ink::Paper.placeholder().filled())).map_err(refused)?;
                self.area.draw(&Circle::new((x, y), r, ink.placeholder().stroke_width(2))).map_err(refused)
            }
            Marker::Diamond => self.polygon(vec![(x, y - r - 1), (x + r + 1, y), (x, y + r + 1), (x - r - 1, y)], ink, 1.0),
            Marker::Up => self.polygon(vec![(x, y - r - 1), (x + r + 1, y + r), (x - r - 1, y + r)], ink, 1.0),
            Marker::Down => self.polygon(vec![(x, y + r + 1), (x + r + 1, y - r), (x - r - 1, y - r)], ink, 1.0),
            Marker::Square => self.rectangle([(x - r, y - r), (x + r, y + r)], ink, 1.0),
        }
    }
}

/// The text, shortened with an ellipsis where it would be wider than `width`.
pub(super) fn fitted(text: &str, width: i32, size: f64) -> String {
    let most = (f64::from(width.max(0)) / (size * CHARACTER_WIDTH)) as usize;
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept: String = text.chars().take(most.saturating_sub(1)).collect();
    format!("{}…", kept.trim_end())
}

pub(super) fn text_width(text: &str, size: f64) -> i32 {
    (text.chars().count() as f64 * size * CHARACTER_WIDTH).ceil() as i32
}

fn refused<E: std::error::Error + Send + Sync>(error: DrawingAreaErrorKind<E>) -> DrawError {
    DrawError(error.to_string())
}

/// Puts labels and a scaling view box in front, and inks in place of placeholders.
fn dress(drawing: &str, height: i32, labels: &Labels<'_>) -> String {
    let body = drawing.split_once('>').map_or("", |(_, body)| body);
    let id = labels.id;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" aria-labelledby=\"{id}-title {id}-text\">\n\
         <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-text\">{}</desc>{body}",
        escaped(labels.title),
        escaped(labels.alternative),
    );
    // What the backend writes on every element and what changes nothing: half of a large drawing.
    for idle in [" opacity=\"1\"", " font-family=\"inherit\""] {
        svg = svg.replace(idle, "");
    }
    for (ink, variable, dashes) in INKS {
        let RGBColor(red, green, blue) = ink.placeholder();
        let placeholder = format!("\"#{red:02X}{green:02X}{blue:02X}\"");
        if !dashes.is_empty() {
            svg = svg.replace(&format!("stroke={placeholder}"), &format!("stroke={placeholder} stroke-dasharray=\"{dashes}\""));
        }
        svg = svg.replace(&placeholder, &format!("\"{variable}\""));
    }
    svg
}

fn escaped(text: &str) -> String {
    minijinja::HtmlEscape(text).to_string()
}
