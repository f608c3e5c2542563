//! Is the camera still where it was surveyed? The still background answers.
//!
//! A reference keeps small patches of the background: textured spots that did not change over several pictures. In a later
//! picture each patch is found again to a small fraction of a pixel (Lucas & Kanade 1981, with gain and offset of the
//! light), and the shifts are explained by a turn of the camera and a change of focal length, robustly: people who walk
//! through cover some patches, not all.

use crate::background_shift::{BackgroundShift, explain};
use crate::corner_quality::median;
use crate::detector::GrayView;
use drawarc_rig::Lens;
use nalgebra::{Matrix2, Matrix4, Point2, Vector2, Vector4};
use serde::{Deserialize, Serialize};

/// Half of a patch's side, less the middle pixel (px).
const HALF_PX: i32 = 10;
/// Patches kept, at most.
const MOST_PATCHES: usize = 80;
/// Cells over the picture, so that patches spread.
const CELLS: (usize, usize) = (12, 8);
/// Patches of one cell, at most.
const PER_CELL: usize = 2;
/// Smaller eigenvalue of the mean gradient matrix below which a patch has no texture (grey levels² per px²).
const LEAST_TEXTURE: f64 = 25.0;
/// Change of a patch over the reference's pictures (grey levels, median) above which it is no background.
const MOST_CHANGE: f64 = 6.0;
/// Correlation below which a patch counts as covered.
const LEAST_CORRELATION: f64 = 0.8;
/// Coarse search (px).
const SEARCH_PX: i32 = 24;

/// One spot of the background.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Patch {
    /// Its middle (px, whole numbers).
    pub centre_px: [i32; 2],
    /// Grey levels, row by row, 21 × 21.
    pub grey: Vec<u8>,
}

/// The background as it was at the survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BackgroundReference {
    /// Width and height of the picture (px).
    pub size_px: [u32; 2],
    /// The patches.
    pub patches: Vec<Patch>,
}

fn texture(picture: GrayView<'_>, centre: Point2<f64>) -> f64 {
    let mut sum = Matrix2::zeros();
    let mut count = 0.0;
    for dy in (-HALF_PX..=HALF_PX).step_by(2) {
        for dx in (-HALF_PX..=HALF_PX).step_by(2) {
            let at = centre + Vector2::new(f64::from(dx), f64::from(dy));
            let slope = slope(picture, at);
            sum += slope * slope.transpose();
            count += 1.0;
        }
    }
    sum.symmetric_eigenvalues().min() / count
}

fn slope(picture: GrayView<'_>, at: Point2<f64>) -> Vector2<f64> {
    let grey = |x: f64, y: f64| picture.sample(at + Vector2::new(x, y));
    Vector2::new(
        (grey(1.0, 0.0) - grey(-1.0, 0.0)) / 2.0,
        (grey(0.0, 1.0) - grey(0.0, -1.0)) / 2.0,
    )
}

fn offsets() -> impl Iterator<Item = Vector2<f64>> {
    (-HALF_PX..=HALF_PX).flat_map(|dy| {
        (-HALF_PX..=HALF_PX).map(move |dx| Vector2::new(f64::from(dx), f64::from(dy)))
    })
}

impl BackgroundReference {
    /// Takes patches from pictures of one stretch of a recording, a second or more apart, so that what moves is left out. All must have
    /// the size of the first; `None` without pictures.
    pub fn from_pictures(pictures: &[GrayView<'_>]) -> Option<Self> {
        let first = pictures.first()?;
        let (width, height) = (first.width_px(), first.height_px());
        if pictures
            .iter()
            .any(|p| (p.width_px(), p.height_px()) != (width, height))
        {
            return None;
        }
        let margin = SEARCH_PX + HALF_PX + 2;
        let (columns, rows) = (
            i32::try_from(width).ok()? - margin,
            i32::try_from(height).ok()? - margin,
        );
        let mut cells: Vec<Vec<(f64, [i32; 2])>> = vec![Vec::new(); CELLS.0 * CELLS.1];
        for y in (margin..rows).step_by(8) {
            for x in (margin..columns).step_by(8) {
                let value = texture(*first, Point2::new(f64::from(x), f64::from(y)));
                if value > LEAST_TEXTURE {
                    let column = usize::try_from(x).ok()? * CELLS.0 / width as usize;
                    let row = usize::try_from(y).ok()? * CELLS.1 / height as usize;
                    cells[row * CELLS.0 + column].push((value, [x, y]));
                }
            }
        }
        let mut patches = Vec::new();
        for cell in &mut cells {
            cell.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
            let mut kept: Vec<[i32; 2]> = Vec::new();
            for (_, centre) in cell.iter() {
                let apart = kept
                    .iter()
                    .all(|k| (k[0] - centre[0]).abs() + (k[1] - centre[1]).abs() > 2 * HALF_PX);
                if kept.len() < PER_CELL && apart && is_still(pictures, *centre) {
                    kept.push(*centre);
                }
            }
            patches.extend(kept);
        }
        // The strongest of all where there are too many.
        patches.sort_by(|a, b| {
            let value =
                |c: &[i32; 2]| texture(*first, Point2::new(f64::from(c[0]), f64::from(c[1])));
            value(b).total_cmp(&value(a)).then(a.cmp(b))
        });
        patches.truncate(MOST_PATCHES);
        Some(Self {
            size_px: [width, height],
            patches: patches
                .into_iter()
                .map(|centre_px| Patch {
                    centre_px,
                    grey: median_patch(pictures, centre_px),
                })
                .collect(),
        })
    }

    /// Is every patch complete? One that was read from a file may not be.
    pub fn is_whole(&self) -> bool {
        self.patches
            .iter()
            .all(|patch| patch.grey.len() == offsets().count())
    }

    /// Compares a picture with the reference. `lens` turns shifts into angles.
    pub fn compare(&self, picture: GrayView<'_>, lens: &Lens) -> BackgroundShift {
        let same_size = [picture.width_px(), picture.height_px()] == self.size_px;
        let shifts: Vec<(Point2<f64>, Vector2<f64>)> = if same_size {
            self.patches
                .iter()
                .filter_map(|patch| {
                    let centre =
                        Point2::new(f64::from(patch.centre_px[0]), f64::from(patch.centre_px[1]));
                    Some((centre, find(patch, centre, picture)?))
                })
                .collect()
        } else {
            Vec::new()
        };
        explain(&shifts, lens)
    }
}

fn is_still(pictures: &[GrayView<'_>], centre: [i32; 2]) -> bool {
    let middle = Point2::new(f64::from(centre[0]), f64::from(centre[1]));
    pictures.iter().skip(1).all(|picture| {
        let mut changes: Vec<f64> = offsets()
            .step_by(3)
            .map(|d| (picture.sample(middle + d) - pictures[0].sample(middle + d)).abs())
            .collect();
        median(&mut changes) < MOST_CHANGE
    })
}

fn median_patch(pictures: &[GrayView<'_>], centre: [i32; 2]) -> Vec<u8> {
    let middle = Point2::new(f64::from(centre[0]), f64::from(centre[1]));
    offsets()
        .map(|d| {
            let mut values: Vec<f64> = pictures.iter().map(|p| p.sample(middle + d)).collect();
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a grey level of 8 bits"
            )]
            let grey = median(&mut values).round() as u8;
            grey
        })
        .collect()
}

/// Side of a patch with a rim of one pixel, for slopes.
const RIM_SIDE: usize = 2 * HALF_PX as usize + 3;

/// Grey levels around a place, a pixel apart, row by row: a patch with its rim.
struct Rimmed([f64; RIM_SIDE * RIM_SIDE]);

impl Rimmed {
    fn at(picture: GrayView<'_>, middle: Point2<f64>) -> Self {
        let reach = f64::from(HALF_PX + 1);
        let corner = middle - Vector2::new(reach, reach);
        let mut grey = [0.0; RIM_SIDE * RIM_SIDE];
        let far = corner + Vector2::repeat(RIM_SIDE as f64);
        let whole = corner.x >= 0.0
            && corner.y >= 0.0
            && far.x < f64::from(picture.width_px())
            && far.y < f64::from(picture.height_px());
        if !whole {
            for (index, grey) in grey.iter_mut().enumerate() {
                let step = Vector2::new((index % RIM_SIDE) as f64, (index / RIM_SIDE) as f64);
                *grey = picture.sample(corner + step);
            }
            return Self(grey);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within the picture"
        )]
        let (x0, y0) = (corner.x as usize, corner.y as usize);
        let (fx, fy) = (corner.x - x0 as f64, corner.y - y0 as f64);
        let width = picture.width_px() as usize;
        let between = |row: usize| {
            let row = &picture.data()[(y0 + row) * width + x0..][..=RIM_SIDE];
            let mut across = [0.0; RIM_SIDE];
            for (out, pair) in across.iter_mut().zip(row.windows(2)) {
                *out = (1.0 - fx) * f64::from(pair[0]) + fx * f64::from(pair[1]);
            }
            across
        };
        let mut above = between(0);
        for (row, grey) in grey.chunks_exact_mut(RIM_SIDE).enumerate() {
            let below = between(row + 1);
            for ((grey, above), below) in grey.iter_mut().zip(above).zip(below) {
                *grey = (1.0 - fy) * above + fy * below;
            }
            above = below;
        }
        Self(grey)
    }

    /// Level and slope at every pixel of the patch, row by row.
    fn levels(&self) -> impl Iterator<Item = (f64, Vector2<f64>)> + '_ {
        let side = RIM_SIDE - 2;
        (0..side * side).map(move |index| {
            let at = (index / side + 1) * RIM_SIDE + index % side + 1;
            let grey = &self.0;
            let slope = Vector2::new(
                (grey[at + 1] - grey[at - 1]) / 2.0,
                (grey[at + RIM_SIDE] - grey[at - RIM_SIDE]) / 2.0,
            );
            (grey[at], slope)
        })
    }
}

/// Correlation of two rows of grey levels; 0 where one of them has hardly any contrast.
fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> f64 {
    let mut sums = [0.0; 5];
    let mut n = 0.0;
    for (a, b) in pairs {
        for (sum, value) in sums.iter_mut().zip([a, b, a * a, b * b, a * b]) {
            *sum += value;
        }
        n += 1.0;
    }
    of_means(sums.map(|sum| sum / n))
}

/// Correlation by the means of two rows, their squares and their product.
fn of_means([a, b, aa, bb, ab]: [f64; 5]) -> f64 {
    let spread = ((aa - a * a) * (bb - b * b)).max(0.0).sqrt();
    if spread < 1.0 {
        0.0
    } else {
        (ab - a * b) / spread
    }
}

/// Pixels of a patch that the coarse search looks at: one in so many.
const COARSE_STEP: usize = 4;

/// The coarse search: the whole pixels by which the patch has shifted, where that correlates better than `least`.
fn coarse(patch: &Patch, picture: GrayView<'_>, least: f64) -> Option<Vector2<f64>> {
    let width = i32::try_from(picture.width_px()).ok()?;
    let height = i32::try_from(picture.height_px()).ok()?;
    let reach = SEARCH_PX + HALF_PX;
    let [x, y] = patch.centre_px;
    // A patch of a file may lie anywhere.
    if x < reach || y < reach || x >= width - reach || y >= height - reach {
        return None;
    }
    let side = 2 * HALF_PX + 1;
    let looked: Vec<(u32, i32)> = patch
        .grey
        .iter()
        .zip(0_i32..)
        .step_by(COARSE_STEP)
        .map(|(grey, index)| {
            let (dy, dx) = (index / side - HALF_PX, index % side - HALF_PX);
            (u32::from(*grey), dy * width + dx)
        })
        .collect();
    let n = looked.len() as f64;
    let (a, aa) = looked.iter().fold((0, 0), |(sum, squares), (grey, _)| {
        (sum + grey, squares + grey * grey)
    });
    let mut best = (least, None);
    for dy in (-SEARCH_PX..=SEARCH_PX).step_by(2) {
        for dx in (-SEARCH_PX..=SEARCH_PX).step_by(2) {
            let middle = (y + dy) * width + x + dx;
            // Whole numbers: sums of real ones wait for each other.
            let (mut b, mut bb, mut ab) = (0, 0, 0);
            for (grey, offset) in &looked {
                let at = usize::try_from(middle + offset).unwrap_or(0);
                let here = u32::from(picture.data()[at]);
                b += here;
                bb += here * here;
                ab += grey * here;
            }
            let value = of_means([a, b, aa, bb, ab].map(|sum| f64::from(sum) / n));
            if value > best.0 {
                best = (value, Some(Vector2::new(f64::from(dx), f64::from(dy))));
            }
        }
    }
    best.1
}

/// Shift of a patch (px): coarse by correlation, fine by Gauss-Newton on shift, gain and offset.
fn find(patch: &Patch, centre: Point2<f64>, picture: GrayView<'_>) -> Option<Vector2<f64>> {
    let grey: Vec<f64> = patch.grey.iter().map(|g| f64::from(*g)).collect();
    let alike = |shift: Vector2<f64>| {
        let here = Rimmed::at(picture, centre + shift);
        correlation(
            grey.iter()
                .copied()
                .zip(here.levels().map(|(level, _)| level)),
        )
    };
    let mut shift = Vector2::zeros();
    let unmoved = alike(shift);
    if unmoved < LEAST_CORRELATION {
        shift = coarse(patch, picture, unmoved).unwrap_or(shift);
    }
    let (mut gain, mut offset) = (1.0, 0.0);
    for _ in 0..20 {
        let mut normal = Matrix4::zeros();
        let mut pull = Vector4::zeros();
        let here = Rimmed::at(picture, centre + shift);
        for (reference, (value, slope)) in grey.iter().zip(here.levels()) {
            let slope = slope * gain;
            let row = Vector4::new(slope.x, slope.y, value, 1.0);
            let residual = gain * value + offset - reference;
            normal += row * row.transpose();
            pull += row * residual;
        }
        let step = normal.try_inverse()? * pull;
        shift -= step.xy();
        gain -= step[2];
        offset -= step[3];
        if step.xy().norm() < 1e-4 {
            break;
        }
    }
    let limit = f64::from(SEARCH_PX) + 2.0;
    let inside = shift.norm() < limit && (0.3..3.0).contains(&gain);
    (inside && alike(shift) > LEAST_CORRELATION).then_some(shift)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The window must be what single samples are: inside, across the border and outside of the picture.
    #[test]
    fn a_rimmed_patch_holds_what_single_samples_give() {
        let (width, height) = (64_u32, 48_u32);
        let data: Vec<u8> = (0_u32..width * height)
            .map(|k| u8::try_from(k * k % 251).unwrap())
            .collect();
        let picture = GrayView::new(width, height, &data).unwrap();
        for middle in [
            Point2::new(30.0, 24.0),
            Point2::new(31.37, 22.81),
            Point2::new(5.2, 44.6),
            Point2::new(-9.5, 200.0),
        ] {
            let rimmed = Rimmed::at(picture, middle);
            for ((level, slope_here), step) in rimmed.levels().zip(offsets()) {
                let at = middle + step;
                assert!((level - picture.sample(at)).abs() < 1e-9, "{middle} {step}");
                assert!(
                    (slope_here - slope(picture, at)).norm() < 1e-9,
                    "{middle} {step}"
                );
            }
            assert_eq!(rimmed.levels().count(), offsets().count());
        }
    }
}
