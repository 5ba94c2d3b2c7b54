//! Progress on a terminal; nothing where there is none.

use std::io::IsTerminal;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

/// A line that says what is being done, wiped when finished.
pub struct Progress {
    bar: ProgressBar,
}

impl Progress {
    pub fn new() -> Self {
        let bar = if std::io::stderr().is_terminal() { ProgressBar::new_spinner() } else { ProgressBar::hidden() };
        bar.enable_steady_tick(Duration::from_millis(120));
        Self { bar }
    }

    /// Names the step under way.
    pub fn step(&self, what: &str) {
        self.bar.set_message(what.to_owned());
    }

    /// Shows how far a file of known size has been read.
    pub fn bytes(&self, what: &str, done: u64, total: u64) {
        if self.bar.length() != Some(total) {
            self.bar.set_length(total);
            if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {bytes}/{total_bytes} {bytes_per_sec}") {
                self.bar.set_style(style);
            }
        }
        self.bar.set_message(what.to_owned());
        self.bar.set_position(done);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
