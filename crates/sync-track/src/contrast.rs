//! How much lighter a place is than the darkest ground around it: the candidates of a target without colour.
//!
//! A fixed level of light would be that of one room, and a white wall would be one patch with all that is before it. What stays of
//! a picture when an opening (the darkest in a window, then the lightest of those) is taken off is lighter than its ground and
//! smaller than the window, in any light and before any wall: a white top-hat (Serra 1982, from memory).

use drawarc_footage::{PictureView, RowView};

/// Contrast on the half-size grid, in 8-bit steps; keeps its memory between frames.
#[derive(Debug, Default)]
pub(crate) struct Contrast {
    width: usize,
    /// Means of two by two samples.
    light: Vec<u8>,
    ground: Vec<u8>,
}

impl Contrast {
    /// Looks at a picture; whatever is smaller than a square of `window` samples of the grid can stand out.
    pub(crate) fn look(&mut self, picture: &PictureView<'_>, window: usize) {
        let (width, height) = (picture.cb.width(), picture.cb.height());
        self.width = width;
        self.light.clear();
        let (last_x, last_y) = (picture.width() - 1, picture.height() - 1);
        let shift = picture.bit_depth.saturating_sub(8) + 2;
        for y in 0..height {
            let rows = [2 * y, 2 * y + 1].map(|row| picture.luma.row(row.min(last_y)));
            match rows {
                [RowView::Eight(upper), RowView::Eight(lower)] if last_x % 2 == 1 => {
                    let (upper, _) = upper.as_chunks::<2>();
                    let (lower, _) = lower.as_chunks::<2>();
                    let four = upper.iter().zip(lower);
                    self.light.extend(four.map(|([a, b], [c, d])| {
                        mean([a, b, c, d].map(|sample| u32::from(*sample)), 2)
                    }));
                }
                [upper, lower] => self.light.extend((0..width).map(|x| {
                    let (left, right) = ((2 * x).min(last_x), (2 * x + 1).min(last_x));
                    let four = [(upper, left), (upper, right), (lower, left), (lower, right)];
                    mean(four.map(|(row, x)| u32::from(row.get(x))), shift)
                })),
            }
        }
        self.ground.clone_from(&self.light);
        let size = (width, height);
        opened(&mut self.ground, size, window, u8::min, true);
        opened(&mut self.ground, size, window, u8::max, false);
    }

    /// How much lighter a sample of the grid is than its ground.
    #[inline]
    pub(crate) fn at(&self, x: usize, y: usize) -> f64 {
        let at = y * self.width + x;
        f64::from(self.light[at] - self.ground[at])
    }
}

/// Mean of four samples, in 8-bit steps; `shift` is two and what the depth has beyond eight bits.
fn mean(four: [u32; 4], shift: u8) -> u8 {
    let sum: u32 = four.into_iter().sum::<u32>() + (1 << (shift - 1));
    u8::try_from(sum >> shift).unwrap_or(u8::MAX)
}

/// The pick of every window of a plane, which begins at its sample (`ahead`) or ends there. Generic, so that each pick becomes
/// instructions for many samples at once: through a pointer to a function it took a third of a run's processor time.
fn opened(
    plane: &mut [u8],
    (width, height): (usize, usize),
    window: usize,
    pick: impl Fn(u8, u8) -> u8 + Copy,
    ahead: bool,
) {
    for shift in shifts(window) {
        for row in plane.chunks_exact_mut(width) {
            along(row, shift, pick, ahead);
        }
        across(plane, (width, height), shift, pick, ahead);
    }
}

/// Steps by which a window of one sample grows to `window`: each doubles it, the last to what is wanted.
fn shifts(window: usize) -> Vec<usize> {
    let mut shifts = Vec::new();
    let mut reached = 1;
    while reached < window {
        let shift = reached.min(window - reached);
        shifts.push(shift);
        reached += shift;
    }
    shifts
}

/// The pick of each sample and the one so far ahead of it, or behind it, in a row.
fn along(row: &mut [u8], shift: usize, pick: impl Fn(u8, u8) -> u8, ahead: bool) {
    if ahead {
        for x in shift..row.len() {
            row[x - shift] = pick(row[x - shift], row[x]);
        }
    } else {
        for x in (shift..row.len()).rev() {
            row[x] = pick(row[x - shift], row[x]);
        }
    }
}

/// The same from row to row.
fn across(
    plane: &mut [u8],
    (width, height): (usize, usize),
    shift: usize,
    pick: impl Fn(u8, u8) -> u8,
    ahead: bool,
) {
    let mut rows = |y: usize| {
        let (upper, lower) = plane.split_at_mut(y * width);
        let upper = &mut upper[(y - shift) * width..(y - shift + 1) * width];
        let lower = &mut lower[..width];
        let pairs = upper.iter_mut().zip(lower);
        if ahead {
            pairs.for_each(|(a, b)| *a = pick(*a, *b));
        } else {
            pairs.for_each(|(a, b)| *b = pick(*a, *b));
        }
    };
    if ahead {
        (shift..height).for_each(&mut rows);
    } else {
        (shift..height).rev().for_each(&mut rows);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_footage::Picture;

    fn looked_at(level: impl Fn(f64, f64) -> u8, window: usize) -> Contrast {
        let (width, height) = (200_u32, 120_u32);
        let luma = (0..width * height)
            .map(|i| level(f64::from(i % width), f64::from(i / width)))
            .collect();
        let picture = Picture::from_gray8(width, height, luma).unwrap();
        let mut contrast = Contrast::default();
        contrast.look(&picture.view(), window);
        contrast
    }

    #[test]
    fn a_disc_stands_out_of_its_ground_and_a_wall_does_not() {
        // A dim disc on black before what is lighter than the disc, and beside a white wall.
        let level = |x: f64, y: f64| match (x - 60.0).hypot(y - 60.0) {
            r if r < 6.0 => 92,
            r if r < 12.0 => 18,
            _ if x > 100.0 => 230,
            _ => 140,
        };
        let contrast = looked_at(level, 9);
        let at = |x: usize, y: usize| contrast.at(x / 2, y / 2);
        assert!((at(60, 60) - 74.0).abs() < 1e-9, "{}", at(60, 60));
        assert!(at(60, 51).abs() < 1e-9 && at(20, 60).abs() < 1e-9);
        assert!(at(160, 60).abs() < 1e-9 && at(199, 119).abs() < 1e-9);
    }

    #[test]
    fn an_opening_is_the_lightest_of_the_darkest_in_the_window() {
        let level = |x: f64, y: f64| {
            let wave = 120.0 + 50.0 * (0.31 * x + 0.17 * y).sin() + 50.0 * (0.11 * x * y).cos();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a level of light"
            )]
            let level = wave as u8;
            level
        };
        for window in [1, 2, 5, 7, 16] {
            let contrast = looked_at(level, window);
            let (width, height) = (100, 60);
            let light = |x: usize, y: usize| contrast.light[y * width + x];
            let darkest = |x: usize, y: usize| {
                let rows = y..(y + window).min(height);
                let all = rows.flat_map(|v| (x..(x + window).min(width)).map(move |u| (u, v)));
                all.map(|(u, v)| light(u, v)).min().unwrap()
            };
            for (x, y) in [(0_usize, 0_usize), (50, 30), (99, 59), (3, 57), (77, 2)] {
                let rows = y.saturating_sub(window - 1)..=y;
                let columns = x.saturating_sub(window - 1)..=x;
                let all = rows.flat_map(|v| columns.clone().map(move |u| (u, v)));
                let opened = all.map(|(u, v)| darkest(u, v)).max().unwrap();
                assert_eq!(contrast.ground[y * width + x], opened, "{window}: {x}, {y}");
            }
        }
    }
}
