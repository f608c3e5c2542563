//! Bars with the time left, on a terminal only: quiet when piped.

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};

/// Parts of a bar: fine enough for any terminal.
const PARTS: u64 = 1000;

/// All bars of a run.
#[derive(Debug, Clone, Default)]
pub(crate) struct Progress {
    bars: MultiProgress,
}

impl Progress {
    /// A bar for work that reports a fraction from 0 to 1.
    pub(crate) fn bar(&self, what: &str) -> ProgressBar {
        let style = ProgressStyle::with_template("{msg:28} {bar:32} {percent:>3} %  {eta} left")
            .unwrap_or_else(|_template| ProgressStyle::default_bar())
            .progress_chars("━╸ ");
        self.bars.add(
            ProgressBar::new(PARTS)
                .with_style(style)
                .with_message(what.to_owned()),
        )
    }
}

/// Moves a bar to a fraction from 0 to 1.
pub(crate) fn set(bar: &ProgressBar, fraction: f64) {
    bar.set_position(parts(fraction));
}

/// A fraction from 0 to 1 in parts of a bar.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a fraction of a thousand parts, clamped"
)]
pub(crate) fn parts(fraction: f64) -> u64 {
    (fraction.clamp(0.0, 1.0) * PARTS as f64) as u64
}
