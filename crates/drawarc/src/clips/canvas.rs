//! The picture that a clip shows, and colours laid on it.

use crate::clips::ink::{Mask, around};
use drawarc_footage::{Picture, PictureView};

/// A colour in video range, BT.709.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Ink {
    luma: u8,
    cb: u8,
    cr: u8,
}

/// Dark: halos, the panel.
pub(crate) const DARK: Ink = Ink::new([0x14, 0x18, 0x1d]);
/// A shade that stands out from [`DARK`].
pub(crate) const SHADE: Ink = Ink::new([0x2c, 0x34, 0x3d]);
/// A second shade beside it.
pub(crate) const SHADE_BESIDE: Ink = Ink::new([0x40, 0x4a, 0x55]);
/// Light: the trace, letters.
pub(crate) const LIGHT: Ink = Ink::new([0xf4, 0xf0, 0xe4]);
/// Letters that may stand back.
pub(crate) const SOFT: Ink = Ink::new([0xa7, 0xab, 0xa3]);
/// Faults alone.
pub(crate) const ACCENT: Ink = Ink::new([0xff, 0x8f, 0x63]);
/// The paper of a drawn clip.
pub(crate) const PAPER: Ink = Ink::new([0x20, 0x26, 0x2d]);
/// Ink of the drawn figure.
pub(crate) const FIGURE: Ink = Ink::new([0x7a, 0x84, 0x90]);

impl Ink {
    /// From red, green, blue (0 to 255). Source: ITU-R BT.709-6, items 3.2 to 3.5.
    const fn new([red, green, blue]: [u8; 3]) -> Self {
        // Whole thousandths, so that the compiler can do it.
        let (r, g, b) = (red as i64, green as i64, blue as i64);
        let luma = 2126 * r + 7152 * g + 722 * b;
        let cb = (b * 10_000 - luma) * 100_000 / 185_560;
        let cr = (r * 10_000 - luma) * 100_000 / 157_480;
        Self {
            luma: level(16 * 2_550_000 + luma * 219, 2_550_000),
            cb: level(128 * 2_550_000 + cb * 224, 2_550_000),
            cr: level(128 * 2_550_000 + cr * 224, 2_550_000),
        }
    }

    /// Its brightness as stored.
    #[cfg(test)]
    pub(crate) fn luma(self) -> u8 {
        self.luma
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a level of video range is a byte"
)]
const fn level(sum: i64, scale: i64) -> u8 {
    ((sum + scale / 2) / scale) as u8
}

/// An 8-bit picture to draw on. Width and height are even.
#[derive(Debug, Clone)]
pub(crate) struct Canvas {
    picture: Picture,
}

impl Canvas {
    /// A canvas of one colour.
    pub(crate) fn new(width_px: u32, height_px: u32, ink: Ink) -> Self {
        let mut canvas = Self {
            picture: Picture::new(width_px, height_px, 8),
        };
        let (width, height) = (canvas.width(), canvas.height());
        canvas.fill((0, 0), (width, height), ink);
        canvas
    }

    pub(crate) fn width(&self) -> usize {
        self.picture.width()
    }

    pub(crate) fn height(&self) -> usize {
        self.picture.height()
    }

    /// The picture itself, to lay others on.
    pub(crate) fn picture_mut(&mut self) -> &mut Picture {
        &mut self.picture
    }

    /// Copies another canvas to a place (even numbers).
    pub(crate) fn paste_canvas(&mut self, other: &Self, place: (usize, usize)) {
        self.paste(&other.picture, place);
    }

    /// What was drawn.
    pub(crate) fn view(&self) -> PictureView<'_> {
        self.picture.view()
    }

    /// The planes for writing: luma with its stride, both chroma planes with theirs.
    fn planes(&mut self) -> [(&mut [u8], usize); 3] {
        let (width, half) = (self.picture.width(), self.picture.cb.width());
        let picture = &mut self.picture;
        [
            (picture.luma.as_u8_mut().unwrap_or_default(), width),
            (picture.cb.as_u8_mut().unwrap_or_default(), half),
            (picture.cr.as_u8_mut().unwrap_or_default(), half),
        ]
    }

    /// Fills a rectangle; place and size are taken as even numbers.
    pub(crate) fn fill(
        &mut self,
        (left, top): (usize, usize),
        (width, height): (usize, usize),
        ink: Ink,
    ) {
        let right = (left + width).min(self.width());
        let bottom = (top + height).min(self.height());
        let levels = [ink.luma, ink.cb, ink.cr];
        for (plane, ((samples, stride), level)) in self.planes().into_iter().zip(levels).enumerate()
        {
            let shift = usize::from(plane > 0);
            for y in top >> shift..bottom >> shift {
                let row = &mut samples[y * stride..(y + 1) * stride];
                let (from, to) = (left >> shift, right >> shift);
                if from < to {
                    row[from..to].fill(level);
                }
            }
        }
    }

    /// Copies an 8-bit picture to a place (even numbers); what reaches over the border is left out.
    pub(crate) fn paste(&mut self, picture: &Picture, (left, top): (usize, usize)) {
        let views = [picture.luma.view(), picture.cb.view(), picture.cr.view()];
        for (plane, ((samples, stride), view)) in self.planes().into_iter().zip(views).enumerate() {
            let shift = usize::from(plane > 0);
            let (left, top) = (left >> shift, top >> shift);
            let width = view.width().min(stride.saturating_sub(left));
            for y in 0..view.height() {
                let from = (top + y) * stride + left;
                let (Some(target), Some(source)) =
                    (samples.get_mut(from..from + width), view.row(y).as_u8())
                else {
                    break;
                };
                target.copy_from_slice(&source[..width]);
            }
        }
    }

    /// Lays a colour where a mask of the canvas's size covers it.
    pub(crate) fn lay(&mut self, mask: &Mask, ink: Ink) {
        let [(luma, stride), (cb, half), (cr, _)] = self.planes();
        for y in mask.rows() {
            let span = mask.touched(y);
            let covered = &mask.row(y)[span.clone()];
            let row = &mut luma[y * stride..][span];
            for (sample, covered) in row.iter_mut().zip(covered) {
                if *covered > 0 {
                    *sample = mixed(*sample, ink.luma, u32::from(*covered));
                }
            }
        }
        let rows = mask.rows();
        for y in rows.start / 2..rows.end.div_ceil(2).min(cb.len() / half.max(1)) {
            let (upper, lower) = (mask.row(2 * y), mask.row(2 * y + 1));
            let span = around(&mask.touched(2 * y), &mask.touched(2 * y + 1));
            for x in span.start / 2..span.end.div_ceil(2).min(half) {
                let sum = [
                    upper[2 * x],
                    upper[2 * x + 1],
                    lower[2 * x],
                    lower[2 * x + 1],
                ]
                .map(u32::from)
                .iter()
                .sum::<u32>();
                if sum > 0 {
                    let at = y * half + x;
                    cb[at] = mixed(cb[at], ink.cb, sum / 4);
                    cr[at] = mixed(cr[at], ink.cr, sum / 4);
                }
            }
        }
    }
}

/// `covered` of 255 parts of `over`, the rest of `under`.
fn mixed(under: u8, over: u8, covered: u32) -> u8 {
    let sum = u32::from(under) * (255 - covered) + u32::from(over) * covered;
    u8::try_from((sum + 127) / 255).unwrap_or(u8::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colours_are_those_of_the_standard() {
        // Worked by hand from BT.709-6: white, black, red.
        assert_eq!(
            Ink::new([255, 255, 255]),
            Ink {
                luma: 235,
                cb: 128,
                cr: 128
            }
        );
        assert_eq!(
            Ink::new([0, 0, 0]),
            Ink {
                luma: 16,
                cb: 128,
                cr: 128
            }
        );
        assert_eq!(
            Ink::new([255, 0, 0]),
            Ink {
                luma: 63,
                cb: 102,
                cr: 240
            }
        );
        let shown = Canvas::new(4, 4, ACCENT).view().to_rgb(0).get(1, 1);
        for (seen, meant) in shown.into_iter().zip([0xff_u8, 0x8f, 0x63]) {
            assert!(seen.abs_diff(meant) <= 3, "{shown:?}");
        }
    }

    #[test]
    fn a_mask_colours_what_it_covers_and_nothing_else() {
        let mut canvas = Canvas::new(40, 30, DARK);
        let mut mask = Mask::new(40, 30);
        mask.disc((20.0, 15.0), 6.0);
        canvas.lay(&mask, LIGHT);
        let view = canvas.view();
        assert_eq!(view.luma.get(20, 15), u16::from(LIGHT.luma()));
        assert_eq!(view.cb.get(10, 7), u16::from(LIGHT.cb));
        assert_eq!(view.luma.get(2, 2), u16::from(DARK.luma()));
    }

    #[test]
    fn a_pasted_picture_is_cut_at_the_border() {
        let mut canvas = Canvas::new(20, 20, DARK);
        canvas.paste(&Canvas::new(12, 12, LIGHT).picture, (12, 14));
        let view = canvas.view();
        assert_eq!(view.luma.get(19, 19), u16::from(LIGHT.luma()));
        assert_eq!(view.luma.get(11, 19), u16::from(DARK.luma()));
    }
}
