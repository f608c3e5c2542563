//! What all figures share: scales, axes, text.

use crate::StudyWords;
use crate::forecast::escape;
use std::fmt::Write;

/// Size of a plot (px).
pub(super) const SIZE: (f64, f64) = (640.0, 420.0);
/// Borders: left, right, top, bottom (px).
pub(super) const BORDERS: (f64, f64, f64, f64) = (70.0, 120.0, 56.0, 52.0);
/// Linear scale from values to pixels.
pub(super) struct Scale {
    from: f64,
    to: f64,
    low_px: f64,
    high_px: f64,
}

impl Scale {
    pub(super) fn around(values: impl Iterator<Item = f64>, low_px: f64, high_px: f64) -> Self {
        let (low, high) = values
            .filter(|v| v.is_finite())
            .fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
        let (low, high) = if low > high { (-1.0, 1.0) } else { (low, high) };
        let room = 0.06 * (high - low).max(1e-9 + 1e-6 * high.abs());
        Self {
            from: low - room,
            to: high + room,
            low_px,
            high_px,
        }
    }

    pub(super) fn at(&self, value: f64) -> f64 {
        self.low_px + (value - self.from) / (self.to - self.from) * (self.high_px - self.low_px)
    }

    /// Round numbers within the scale.
    fn ticks(&self) -> Vec<f64> {
        let rough = (self.to - self.from) / 6.0;
        let power = 10f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .iter()
            .map(|factor| factor * power)
            .find(|step| *step >= rough)
            .unwrap_or(10.0 * power);
        let first = (self.from / step).ceil();
        let mut ticks = Vec::new();
        let mut k = 0.0;
        while (first + k) * step <= self.to {
            ticks.push((first + k) * step);
            k += 1.0;
        }
        ticks
    }
}

/// A number without needless digits; −0 is 0.
pub(super) fn short(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0 + 0.0;
    format!("{rounded}")
}

pub(super) fn open(width: f64, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" width=\"{width:.0}\" height=\"{height:.0}\" font-family=\"sans-serif\" font-size=\"12\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    )
}

pub(super) fn text(svg: &mut String, (x, y): (f64, f64), anchor: &str, words: &str) {
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" fill=\"#222\">{}</text>",
        escape(words)
    );
}

/// Grid, numbers and names of the axes of a difference plot.
pub(super) fn axes(svg: &mut String, x: &Scale, y: &Scale, (words, unit): (&StudyWords, &str)) {
    let (left, right, top, bottom) = BORDERS;
    let (last, foot) = (SIZE.0 - right, SIZE.1 - bottom);
    for tick in x.ticks() {
        let at = x.at(tick);
        let _ = write!(
            svg,
            "<line x1=\"{at:.1}\" y1=\"{top:.1}\" x2=\"{at:.1}\" y2=\"{foot:.1}\" stroke=\"#eee\"/>"
        );
        text(svg, (at, foot + 16.0), "middle", &short(tick));
    }
    for tick in y.ticks() {
        let at = y.at(tick);
        let colour = if tick.abs() < 1e-12 { "#999" } else { "#eee" };
        let _ = write!(
            svg,
            "<line x1=\"{left:.1}\" y1=\"{at:.1}\" x2=\"{last:.1}\" y2=\"{at:.1}\" stroke=\"{colour}\"/>"
        );
        text(svg, (left - 6.0, at + 4.0), "end", &short(tick));
    }
    text(
        svg,
        (0.5 * (left + last), SIZE.1 - 14.0),
        "middle",
        &words.say("mean_axis", &[("unit", unit)]),
    );
    let middle = 0.5 * (top + foot);
    let _ = write!(
        svg,
        "<text x=\"18\" y=\"{middle:.1}\" text-anchor=\"middle\" fill=\"#222\" transform=\"rotate(-90 18 {middle:.1})\">{}</text>",
        escape(&words.say("difference_axis", &[("unit", unit)]))
    );
}
