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

    /// Draws the panel with its upper left corner at a place, `height_px` high.
    pub(crate) fn draw(
        &self,
        canvas: &mut Canvas,
        mask: &mut Mask,
        ((left, top), height_px): ((usize, usize), usize),
        moment: &Moment<'_>,
    ) {
        let line = self.letters.line_px();
        let right = left + self.width_px;
        canvas.fill((left, top), (self.width_px, height_px), DARK);
        let corner = (
            left as f64 + 0.5 * line as f64,
            top as f64 + 0.5 * line as f64,
        );
        emblem::draw(canvas, mask, self.mark, corner, 2.0 * line as f64);
        for (row, text) in self.lines.iter().enumerate() {
            let at = (left + 3 * line, top + line / 2 + row * line);
            self.letters.regular().write(canvas, mask, text, at, LIGHT);
        }
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
        self.time_line(canvas, mask, ((left, top), height_px), moment.time_s);
    }

    /// The shot from left to right: phases in two shades, faults hatched under their mark, a hand for now.
    fn time_line(
        &self,
        canvas: &mut Canvas,
        mask: &mut Mask,
        ((left, top), height_px): ((usize, usize), usize),
        time_s: f64,
    ) {
        let line = self.letters.line_px();
        let (bar_top, bar_height) = (top + height_px - line - line / 2, line);
        let (from, to) = (
            (left + line / 2) as f64,
            (left + self.width_px - line / 2) as f64,
        );
        let place = |time_s: f64| {
            let share = (time_s - self.span_s.0) / (self.span_s.1 - self.span_s.0);
            from + share.clamp(0.0, 1.0) * (to - from)
        };
        for (order, (_, _, start_s, end_s)) in self.phases.iter().enumerate() {
            let (start, end) = (whole(place(*start_s)), whole(place(*end_s)));
            let shade = if order % 2 == 0 { SHADE_BESIDE } else { SHADE };
            canvas.fill(
                (start, bar_top),
                (end.saturating_sub(start), bar_height),
                shade,
            );
        }
        mask.clear();
        let (low, high) = (bar_top as f64, (bar_top + bar_height) as f64);
        for (_, start_s, end_s) in &self.faults {
            let (start, end) = (place(*start_s), place(*end_s).max(place(*start_s) + 3.0));
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
        canvas.lay(mask, ACCENT);
        for (mark, start_s, end_s) in &self.faults {
            let size = line as f64 - 4.0;
            let middle = 0.5 * (place(*start_s) + place(*end_s));
            emblem::draw(canvas, mask, *mark, (middle - size / 2.0, low + 2.0), size);
        }
        mask.clear();
        let now = place(time_s);
        mask.line((now, low - 5.0), (now, high + 5.0), 1.6);
        mask.disc((now, low - 5.0), 4.5);
        canvas.lay(mask, LIGHT);
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
