//! Documents, formats and charts, on small invented evidence.

mod charts;
mod documents;
mod html;
mod markdown;
mod sample;
mod wording;
