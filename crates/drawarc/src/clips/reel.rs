//! Writes one clip: one shot of one camera, or two shots side by side.

use crate::clips::canvas::{Canvas, DARK};
use crate::clips::ink::Mask;
use crate::clips::pace::Pace;
use crate::clips::panel::{self, Panel};
use crate::clips::scene::{BLOCK_PX, Laid, Scene, Shown};
use crate::clips::trace::Trace;
use crate::failure::{Failure, Outcome};
use drawarc_footage::{ClipSettings, ClipWriter, FootageError, TimeBase};
use drawarc_report::page::Words;
use std::path::Path;

/// Ticks a second of a clip's clock.
const TICKS_S: i32 = 90_000;
/// Width of what parts two shots (px, even).
pub(crate) const BETWEEN_PX: usize = 16;
/// Constant rate factor: a clip is to be looked at and sent on, not measured.
const CRF: u8 = 23;
/// Threads of the encoder; a fixed number, since what it makes depends on it.
const ENCODER_THREADS: usize = 2;

/// One shot in a clip.
#[derive(Debug)]
pub(crate) struct Side<'a> {
    /// What stands behind the trace.
    pub(crate) scene: Scene<'a>,
    /// The trace, on the clip's canvas.
    pub(crate) trace: Trace,
    /// The panel below.
    pub(crate) panel: Panel,
    /// Range time that counts as zero (s).
    pub(crate) zero_s: f64,
    /// First column on the canvas.
    pub(crate) left_px: usize,
}

/// What all sides of a clip share.
#[derive(Debug)]
pub(crate) struct Sheet<'a> {
    /// The words of the page.
    pub(crate) words: &'a Words,
    /// Key of the moment that counts as zero, as in the page's words.
    pub(crate) moment: &'static str,
    /// Speed over the time since zero.
    pub(crate) pace: Pace,
    /// Whole width (px, even).
    pub(crate) width_px: usize,
    /// Height of the pictures (px, even).
    pub(crate) picture_px: usize,
}

/// Writes a clip; the number of frames comes back. The first side's frames set the pace, the others show what they
/// have at that moment.
pub(crate) fn write(path: &Path, sheet: &Sheet<'_>, sides: &mut [Side<'_>]) -> Outcome<u64> {
    let panel_px = sides
        .iter()
        .map(|side| side.panel.height_px())
        .max()
        .unwrap_or(0);
    let whole_px = (sheet.picture_px + panel_px).next_multiple_of(BLOCK_PX as usize);
    let panel_px = whole_px - sheet.picture_px;
    let size = (sheet.width_px, whole_px);
    let pixels = |size: usize| u32::try_from(size).unwrap_or(u32::MAX);
    let rate_hz = sides.first().map_or(30.0, |side| side.scene.rate_hz());
    let mut writer = ClipWriter::create(path, &settings((pixels(size.0), pixels(size.1)), rate_hz))
        .map_err(|source| unwritten(&source))?;
    let mut canvas = Canvas::new(pixels(size.0), pixels(size.1), DARK);
    let mut mask = Mask::new(size.0, size.1);
    let Some((first, others)) = sides.split_first_mut() else {
        return Ok(0);
    };
    let mut followers: Vec<Follower<'_, '_>> = others.iter_mut().map(Follower::new).collect();
    let mut start_s = None;
    let mut last_ticks = -1;
    let mut frames = 0;
    while let Some(laid) = first.scene.lay_next(&mut canvas, (first.left_px, 0))? {
        let since_s = laid.time_s - first.zero_s;
        let start_s = *start_s.get_or_insert(since_s);
        let when = when(sheet, since_s);
        let slow = sheet.pace.speed_at(since_s) < 0.99;
        let mut draw = |side: &mut Side<'_>, canvas: &mut Canvas, laid: Laid| {
            // What the picture does not cover may still hold the trace of the frame before.
            let below_px = sheet.picture_px.saturating_sub(laid.size_px.1);
            if below_px > 0 {
                let place = (side.left_px, laid.size_px.1 & !1);
                canvas.fill(place, (laid.size_px.0, below_px + 1), DARK);
            }
            side.trace.draw(canvas, laid.time_s);
            let moment = panel::Moment {
                time_s: laid.time_s,
                when: &when,
                slow,
            };
            let place = ((side.left_px, sheet.picture_px), panel_px);
            side.panel.draw(canvas, &mut mask, place, &moment);
        };
        draw(first, &mut canvas, laid);
        for follower in &mut followers {
            follower.forward(since_s, 0.5 / rate_hz)?;
            if let Some(current) = &follower.current {
                canvas.paste(&current.picture, (follower.side.left_px, 0));
                let laid = Laid {
                    time_s: current.time_s,
                    size_px: (current.picture.width(), current.picture.height()),
                };
                draw(follower.side, &mut canvas, laid);
            }
        }
        let ticks = ticks(sheet.pace.shown_s(start_s, since_s)).max(last_ticks + 1);
        writer
            .push_view(ticks, &canvas.view())
            .map_err(|source| unwritten(&source))?;
        last_ticks = ticks;
        frames += 1;
    }
    if frames == 0 {
        return Err(Failure::not_measurable(format!(
            "{}: the camera has no frame of this shot",
            path.display()
        )));
    }
    writer.finish().map_err(|source| unwritten(&source))?;
    Ok(frames)
}

/// A side that shows its frame nearest to another's moment.
struct Follower<'side, 'scene> {
    side: &'side mut Side<'scene>,
    current: Option<Shown>,
    pending: Option<Shown>,
    begun: bool,
}

impl<'side, 'scene> Follower<'side, 'scene> {
    fn new(side: &'side mut Side<'scene>) -> Self {
        Self {
            side,
            current: None,
            pending: None,
            begun: false,
        }
    }

    /// Goes on to the last frame not later than a moment, by half a frame at most.
    fn forward(&mut self, since_s: f64, half_frame_s: f64) -> Outcome<()> {
        if !self.begun {
            self.begun = true;
            self.current = self.side.scene.next()?;
            self.pending = self.side.scene.next()?;
        }
        while let Some(next) = self
            .pending
            .take_if(|next| next.time_s - self.side.zero_s <= since_s + half_frame_s)
        {
            if let Some(shown) = self.current.replace(next) {
                self.side.scene.give_back(shown);
            }
            self.pending = self.side.scene.next()?;
        }
        Ok(())
    }
}

/// The time since the moment that counts, in words.
fn when(sheet: &Sheet<'_>, since_s: f64) -> String {
    let key = if since_s < 0.0 { "before" } else { "after" };
    let seconds = format!("{:.2}", since_s.abs());
    sheet
        .words
        .script_text(&format!("{key}_{}", sheet.moment), &[("s", &seconds)])
}

fn settings((width_px, height_px): (u32, u32), rate_hz: f64) -> ClipSettings {
    ClipSettings {
        width_px,
        height_px,
        time_base: TimeBase {
            numerator: 1,
            denominator: TICKS_S,
        },
        crf: CRF,
        nominal_rate_hz: rate_hz,
        key_frame_every: 30,
        threads: ENCODER_THREADS,
        faststart: true,
        ..ClipSettings::default()
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "minutes of 90 kHz ticks are far below 2⁶³"
)]
fn ticks(seconds: f64) -> i64 {
    (seconds * f64::from(TICKS_S)).round() as i64
}

fn unwritten(source: &FootageError) -> Failure {
    Failure::output(source).help("is the disk full, or the folder not writable?")
}
