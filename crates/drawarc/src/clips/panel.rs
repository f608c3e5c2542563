//! The band under a picture: verdict with its mark, phase, time, and the shot on a time line.

use crate::clips::canvas::{ACCENT, Canvas, DARK, LIGHT, SHADE, SHADE_BESIDE, SOFT};
use crate::clips::emblem;
use crate::clips::ink::Mask;
use crate::clips::letters::Letters;
use crate::clips::shot::ClipShot;
use drawarc_report::page::{Mark, PhaseKey, Words};

/// Most lines of the sentence.
const MOST_LINES: usize = 3;

/// What the panel says at one instant.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Moment<'a> {
    /// Range time (s).
    pub(crate) time_s: f64,
    /// The time in words.
    pub(crate) when: &'a str,
    /// Slower than real time?
    pub(crate) slow: bool,
}

/// The panel of one shot.
#[derive(Debug)]
pub(crate) struct Panel {
    lines: Vec<String>,
    mark: Mark,
    phases: Vec<(PhaseKey, String, f64, f64)>,
    faults: Vec<(Mark, f64, f64)>,
    span_s: (f64, f64),
    slow_word: String,
    letters: Letters,
    width_px: usize,
    /// What stays the same from frame to frame, drawn once.
    still: Option<Canvas>,
}

impl Panel {
    /// The panel of a shot under a picture of so many pixels; `span_s` is what the clip shows.
    pub(crate) fn new(
        shot: &ClipShot,
        (words, width_px): (&Words, usize),
        span_s: (f64, f64),
    ) -> Self {
        let letters = Letters::fitting(width_px, 40);
        let room = width_px.saturating_sub(4 * letters.line_px());
        let number = shot.number().to_string();
        let text = format!(
            "{}: {}",
            words.clip("shot_n", &[("n", &number)]),
            shot.sentence
        );
        let mut lines = letters.lines(&text, room);
        if lines.len() > MOST_LINES {
            lines.truncate(MOST_LINES);
            if let Some(last) = lines.last_mut() {
                last.pop();
                last.pop();
                last.push_str("...");
            }
        }
        Self {
            lines,
            mark: shot.mark(),
            phases: shot
                .phases()
                .into_iter()
                .map(|(key, from_s, to_s)| {
                    (key, words.phase_name(key.key()).to_owned(), from_s, to_s)
                })
                .collect(),
            faults: shot.faults(),
            span_s,
            slow_word: words.clip("slow", &[]),
            letters,
            width_px,
            still: None,
        }
    }

    /// Height with so many lines of the sentence (px, even).
    fn height_of(&self, lines: usize) -> usize {
        let line = self.letters.line_px();
        ((lines.max(2) + 4) * line).next_multiple_of(2)
    }

    /// Height that this panel needs (px, even).
    pub(crate) fn height_px(&self) -> usize {
        self.height_of(self.lines.len())
    }

    /// Draws the panel with its upper left corner at a place (even numbers), `height_px` high.
    pub(crate) fn draw(
        &mut self,
        canvas: &mut Canvas,
        mask: &mut Mask,
        ((left, top), height_px): ((usize, usize), usize),
        moment: &Moment<'_>,
    ) {
        let still = self
            .still
            .take_if(|still| still.height() == height_px)
            .unwrap_or_else(|| self.drawn_still(height_px));
        canvas.paste_canvas(&still, (left, top));
        self.still = Some(still);
        let line = self.letters.line_px();
        let right = left + self.width_px;
        let below = top + height_px - 3 * line - line / 4;
        let phase = self.phase_at(moment.time_s).unwrap_or_default();
        self.letters
            .write(canvas, mask, phase, (left + line / 2, below), LIGHT);
        let when_px = self.letters.regular().width_px(moment.when);
        let when_at = right.saturating_sub(when_px + line / 2);
        self.letters
            .regular()
            .write(canvas, mask, moment.when, (when_at, below), SOFT);
        if moment.slow {
            let slow_px = self.letters.width_px(&self.slow_word);
            let at = when_at.saturating_sub(slow_px + line);
            if at > left + line + self.letters.width_px(phase) {
                self.letters
                    .write(canvas, mask, &self.slow_word, (at, below), ACCENT);
            }
        }
        let bar = self.bar(height_px);
        let now = left as f64 + self.along(moment.time_s);
        let (low, high) = ((top + bar.start) as f64, (top + bar.end) as f64);
        mask.clear();
        mask.line((now, low - 5.0), (now, high + 5.0), 1.6);
        mask.disc((now, low - 5.0), 4.5);
        canvas.lay(mask, LIGHT);
    }

    /// What does not change: verdict with its mark, and the shot from left to right: phases in two shades, faults hatched
    /// under their mark.
    fn drawn_still(&self, height_px: usize) -> Canvas {
        let pixels = |size: usize| u32::try_from(size).unwrap_or(u32::MAX);
        let mut canvas = Canvas::new(pixels(self.width_px), pixels(height_px), DARK);
        let mut mask = Mask::new(self.width_px, height_px);
        let line = self.letters.line_px();
        let corner = (0.5 * line as f64, 0.5 * line as f64);
        emblem::draw(&mut canvas, &mut mask, self.mark, corner, 2.0 * line as f64);
        for (row, text) in self.lines.iter().enumerate() {
            let at = (3 * line, line / 2 + row * line);
            self.letters
                .regular()
                .write(&mut canvas, &mut mask, text, at, LIGHT);
        }
        let bar = self.bar(height_px);
        for (order, (_, _, start_s, end_s)) in self.phases.iter().enumerate() {
            let (start, end) = (whole(self.along(*start_s)), whole(self.along(*end_s)));
            let shade = if order % 2 == 0 { SHADE_BESIDE } else { SHADE };
            let size = (end.saturating_sub(start), bar.len());
            canvas.fill((start, bar.start), size, shade);
        }
        mask.clear();
        let (low, high) = (bar.start as f64, bar.end as f64);
        for (_, start_s, end_s) in &self.faults {
            let start = self.along(*start_s);
            let end = self.along(*end_s).max(start + 3.0);
            mask.polyline(
                &[
                    (start, low),
                    (start, high),
                    (end, high),
                    (end, low),
                    (start, low),
                ],
                1.0,
            );
            let mut at = start;
            while at < end {
                mask.line(
                    (at, high),
                    ((at + high - low).min(end), (high - (end - at)).max(low)),
                    0.8,
                );
                at += 8.0;
            }
        }
        canvas.lay(&mask, ACCENT);
        for (mark, start_s, end_s) in &self.faults {
            let size = line as f64 - 4.0;
            let middle = 0.5 * (self.along(*start_s) + self.along(*end_s));
            let corner = (middle - size / 2.0, low + 2.0);
            emblem::draw(&mut canvas, &mut mask, *mark, corner, size);
        }
        canvas
    }

    /// Rows of the time line.
    fn bar(&self, height_px: usize) -> std::ops::Range<usize> {
        let line = self.letters.line_px();
        let top = height_px - line - line / 2;
        top..top + line
    }

    /// Where a time lies on the time line (px from the panel's left).
    fn along(&self, time_s: f64) -> f64 {
        let margin = (self.letters.line_px() / 2) as f64;
        let share = (time_s - self.span_s.0) / (self.span_s.1 - self.span_s.0);
        margin + share.clamp(0.0, 1.0) * (self.width_px as f64 - 2.0 * margin)
    }

    fn phase_at(&self, time_s: f64) -> Option<&str> {
        self.phases
            .iter()
            .find(|(_, _, from_s, to_s)| (*from_s..*to_s).contains(&time_s))
            .map(|(_, name, _, _)| name.as_str())
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a place on the canvas"
)]
fn whole(at: f64) -> usize {
    at.max(0.0) as usize
}
