use crate::picture::{Picture, PictureView};
use crate::plane::{Plane, PlaneView, RowView, Samples};

impl PictureView<'_> {
    /// A part of the picture as people see it: turned clockwise by `rotation_deg` (0, 90, 180 or 270; other angles count as
    /// 0), cut to the rectangle of `part_px` (width, height) that begins at `from_px` (column, row) of the *turned* picture,
    /// and shrunk to `to_px` by averaging over the area of each new pixel. 8 bits a sample, video range.
    ///
    /// Begin at an even pixel and ask for even sizes: chroma has half the size. Parts that reach over the border are moved
    /// inside; nothing is enlarged (a larger `to_px` counts as the part's size).
    #[must_use]
    pub fn upright_part(
        &self,
        rotation_deg: u16,
        from_px: (u32, u32),
        part_px: (u32, u32),
        to_px: (u32, u32),
    ) -> Picture {
        self.upright_part_in(None, rotation_deg, from_px, part_px, to_px)
    }

    /// As [`PictureView::upright_part`], in the memory of a picture that is not needed any more: a new one for every
    /// frame of a film costs more than copying it, since the system clears its pages.
    #[must_use]
    pub fn upright_part_in(
        &self,
        spare: Option<Picture>,
        rotation_deg: u16,
        from_px: (u32, u32),
        part_px: (u32, u32),
        to_px: (u32, u32),
    ) -> Picture {
        let [luma, cb, cr] = spare.map_or_else(Default::default, |spare| {
            [spare.luma, spare.cb, spare.cr].map(|plane| match plane.samples {
                Samples::Eight(mut samples) => {
                    samples.clear();
                    samples
                }
                Samples::Sixteen(_) => Vec::new(),
            })
        });
        let to_px = (to_px.0.clamp(1, part_px.0), to_px.1.clamp(1, part_px.1));
        let half = |(a, b): (u32, u32)| (a.div_ceil(2), b.div_ceil(2));
        let luma_levels = Levels::new(self.full_range, 16.0, 219.0);
        let chroma_levels = Levels::new(self.full_range, 128.0 - 128.0 * 224.0 / 255.0, 224.0);
        let halves = ((from_px.0 / 2, from_px.1 / 2), half(part_px), half(to_px));
        Picture {
            luma: part(
                self.luma,
                rotation_deg,
                (from_px, part_px, to_px),
                (&luma_levels, luma),
            ),
            cb: part(self.cb, rotation_deg, halves, (&chroma_levels, cb)),
            cr: part(self.cr, rotation_deg, halves, (&chroma_levels, cr)),
            bit_depth: 8,
            full_range: false,
            matrix: self.matrix,
        }
    }
}

impl PictureView<'_> {
    /// As [`PictureView::upright_part`], laid on a place (column, row; even) of a larger 8-bit picture of video range; what
    /// reaches over its border is left out. The size of what was laid comes back. A film laid frame by frame on a canvas is
    /// copied once instead of twice.
    pub fn upright_part_onto(
        &self,
        (onto, at_px): (&mut Picture, (u32, u32)),
        rotation_deg: u16,
        from_px: (u32, u32),
        part_px: (u32, u32),
        to_px: (u32, u32),
    ) -> (usize, usize) {
        let planes = [self.luma, self.cb, self.cr];
        let stored = planes
            .iter()
            .all(|plane| plane.bit_depth() == 8 && matches!(plane.row(0), RowView::Eight(_)));
        let inside = from_px.0 as usize + part_px.0 as usize <= self.width()
            && from_px.1 as usize + part_px.1 as usize <= self.height();
        let upright = !matches!(rotation_deg, 90 | 180 | 270);
        if !(stored && inside && upright && part_px == to_px && !self.full_range) {
            let part = self.upright_part(rotation_deg, from_px, part_px, to_px);
            let size_px = (part.width(), part.height());
            let all = [part.luma.view(), part.cb.view(), part.cr.view()];
            lay(onto, at_px, all, (0, 0), size_px);
            return size_px;
        }
        lay(onto, at_px, planes, from_px, whole(part_px));
        whole(part_px)
    }
}

/// Copies a part of three planes of 8 bits (place and size in luma pixels) to a place of a picture.
fn lay(
    onto: &mut Picture,
    at_px: Size,
    planes: [PlaneView<'_>; 3],
    from_px: Size,
    size_px: (usize, usize),
) {
    let targets = [&mut onto.luma, &mut onto.cb, &mut onto.cr];
    for (index, (target, plane)) in targets.into_iter().zip(planes).enumerate() {
        let half = |full: usize| if index > 0 { full.div_ceil(2) } else { full };
        let shift = usize::from(index > 0);
        let (from, at) = (whole(from_px), whole(at_px));
        let (from, at) = (
            (from.0 >> shift, from.1 >> shift),
            (at.0 >> shift, at.1 >> shift),
        );
        let (stride, rows) = (target.width(), target.height());
        let width = half(size_px.0).min(stride.saturating_sub(at.0));
        let height = half(size_px.1).min(rows.saturating_sub(at.1));
        let Some(samples) = target.as_u8_mut() else {
            continue;
        };
        for y in 0..height {
            let (Some(line), Some(row)) = (
                samples.get_mut((at.1 + y) * stride + at.0..(at.1 + y) * stride + at.0 + width),
                plane.row(from.1 + y).as_u8(),
            ) else {
                break;
            };
            if let Some(source) = row.get(from.0..from.0 + width) {
                line.copy_from_slice(source);
            }
        }
    }
}

/// From the levels of the source to those of video range; nothing where they are the same.
struct Levels(Option<[u8; 256]>);

impl Levels {
    fn new(full_range: bool, lowest: f64, span: f64) -> Self {
        Self(full_range.then(|| {
            std::array::from_fn(|level| {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "levels of video range are bytes"
                )]
                let level = (lowest + level as f64 * span / 255.0).round() as u8;
                level
            })
        }))
    }

    fn apply(&self, samples: &mut [u8]) {
        if let Some(table) = &self.0 {
            for sample in samples {
                *sample = table[usize::from(*sample)];
            }
        }
    }
}

type Size = (u32, u32);

/// The part of one plane.
fn part(
    plane: PlaneView<'_>,
    rotation_deg: u16,
    (from, size, to): (Size, Size, Size),
    (levels, spare): (&Levels, Vec<u8>),
) -> Plane {
    let (from, size, to) = (whole(from), whole(size), whole(to));
    let turned = match rotation_deg {
        90 | 270 => (plane.height(), plane.width()),
        _ => (plane.width(), plane.height()),
    };
    let size = (size.0.min(turned.0).max(1), size.1.min(turned.1).max(1));
    let from = (
        from.0.min(turned.0.saturating_sub(size.0)),
        from.1.min(turned.1.saturating_sub(size.1)),
    );
    let mut samples = copied(plane, rotation_deg, (from, size), spare);
    let to = (to.0.min(size.0), to.1.min(size.1));
    if to != size {
        samples = shrunk(&samples, size, to);
    }
    levels.apply(&mut samples);
    Plane::from_u8(to.0, to.1, samples).unwrap_or_else(|| Plane::filled(to.0, to.1, 8, 128))
}

fn whole((a, b): Size) -> (usize, usize) {
    (a as usize, b as usize)
}

/// The turned part, pixel by pixel, 8 bits each.
fn copied(
    plane: PlaneView<'_>,
    rotation_deg: u16,
    ((left, top), (width, height)): ((usize, usize), (usize, usize)),
    spare: Vec<u8>,
) -> Vec<u8> {
    // Upright pictures, the usual case, are copied row by row into memory that nobody filled before.
    if !matches!(rotation_deg, 90 | 180 | 270) {
        let mut samples = spare;
        samples.reserve_exact(width * height);
        let shift = plane.bit_depth().saturating_sub(8);
        for y in top..top + height {
            match plane.row(y) {
                RowView::Eight(row) => samples.extend_from_slice(&row[left..left + width]),
                RowView::Sixteen(row) => samples.extend(
                    row[left..left + width]
                        .iter()
                        .map(|deep| u8::try_from(deep >> shift).unwrap_or(u8::MAX)),
                ),
            }
        }
        return samples;
    }
    let mut samples = vec![0; width * height];
    let (right, bottom) = (plane.width() - 1, plane.height() - 1);
    match rotation_deg {
        // The turned picture's column is the stored row, counted from the bottom (90) or the top (270): walk the stored
        // rows, which lie together in memory.
        90 | 270 => {
            for x in 0..width {
                let stored_row = if rotation_deg == 90 {
                    bottom - (left + x)
                } else {
                    left + x
                };
                let row = plane.row(stored_row);
                for y in 0..height {
                    let stored_column = if rotation_deg == 90 {
                        top + y
                    } else {
                        right - (top + y)
                    };
                    samples[y * width + x] = byte(row, stored_column, plane.bit_depth());
                }
            }
        }
        _ => {
            for (y, line) in samples.chunks_exact_mut(width).enumerate() {
                let row = plane.row(bottom - (top + y));
                for (x, sample) in line.iter_mut().enumerate() {
                    *sample = byte(row, right - (left + x), plane.bit_depth());
                }
            }
        }
    }
    samples
}

#[inline]
fn byte(row: RowView<'_>, x: usize, bit_depth: u8) -> u8 {
    u8::try_from(row.get(x) >> bit_depth.saturating_sub(8)).unwrap_or(u8::MAX)
}

/// Weights are parts of 2¹²: two passes of them, times a byte, fit into 32 bits.
const WEIGHT_BITS: u32 = 12;

/// Area average: first along the rows, then along the columns.
fn shrunk(samples: &[u8], size: (usize, usize), to: (usize, usize)) -> Vec<u8> {
    let columns = shares(size.0, to.0);
    let rows = shares(size.1, to.1);
    let mut narrow = vec![0_u16; to.0 * size.1];
    for (line, new) in samples
        .chunks_exact(size.0)
        .zip(narrow.chunks_exact_mut(to.0))
    {
        for (share, value) in columns.iter().zip(new) {
            let part = &line[share.first..share.first + share.weights.len()];
            let sum: u32 = part
                .iter()
                .zip(&share.weights)
                .map(|(sample, weight)| u32::from(*sample) * weight)
                .sum();
            // Eight bits before the point, eight behind it.
            *value = u16::try_from(sum >> (WEIGHT_BITS - 8)).unwrap_or(u16::MAX);
        }
    }
    let mut shrunk = vec![0; to.0 * to.1];
    let mut sums = vec![0_u32; to.0];
    for (share, new) in rows.iter().zip(shrunk.chunks_exact_mut(to.0)) {
        sums.fill(1 << (WEIGHT_BITS + 7));
        for (row, weight) in share.weights.iter().enumerate() {
            let line = &narrow[(share.first + row) * to.0..][..to.0];
            for (sum, value) in sums.iter_mut().zip(line) {
                *sum += u32::from(*value) * weight;
            }
        }
        for (sample, sum) in new.iter_mut().zip(&sums) {
            *sample = u8::try_from(sum >> (WEIGHT_BITS + 8)).unwrap_or(u8::MAX);
        }
    }
    shrunk
}

/// The old pixels under a new one, with the share that each has in it.
struct Share {
    first: usize,
    weights: Vec<u32>,
}

fn shares(size: usize, to: usize) -> Vec<Share> {
    // In units of 1/to of an old pixel a new one is `size` long.
    (0..to)
        .map(|index| {
            let (start, end) = (index * size, (index + 1) * size);
            let (first, past) = (start / to, end.div_ceil(to));
            let lengths: Vec<usize> = (first..past)
                .map(|old| ((old + 1) * to).min(end) - (old * to).max(start))
                .collect();
            let one = 1_usize << WEIGHT_BITS;
            let mut weights: Vec<u32> = lengths
                .iter()
                .map(|length| u32::try_from(length * one / size).unwrap_or(0))
                .collect();
            // What rounding left over goes to the largest share, so that a plain surface stays as it is.
            let rest = (1 << WEIGHT_BITS) - weights.iter().sum::<u32>();
            if let Some(largest) = weights.iter_mut().max() {
                *largest += rest;
            }
            Share { first, weights }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::picture::Picture;
    use crate::plane::{Plane, Samples};

    /// 8 × 6, every luma sample its own value; chroma 4 × 3 likewise.
    fn numbered() -> Picture {
        let mut picture = Picture::new(8, 6, 8);
        picture.luma = Plane::from_u8(8, 6, (20..68).collect()).unwrap();
        picture.cb = Plane::from_u8(4, 3, (100..112).collect()).unwrap();
        picture.cr = Plane::from_u8(4, 3, (200..212).collect()).unwrap();
        picture
    }

    #[test]
    fn a_part_laid_on_a_picture_is_the_part_and_leaves_the_rest() {
        let picture = numbered();
        let mut full = picture.clone();
        full.full_range = true;
        // As stored, turned, shrunk, of other levels, over the border of the film, over the border of the canvas.
        for (source, rotation_deg, part_px, to_px, at_px) in [
            (&picture, 0, (4, 4), (4, 4), (2, 4)),
            (&picture, 90, (4, 4), (4, 4), (2, 4)),
            (&picture, 180, (6, 4), (6, 4), (0, 0)),
            (&picture, 0, (6, 4), (4, 2), (4, 2)),
            (&full, 0, (4, 4), (4, 4), (2, 2)),
            (&picture, 0, (8, 6), (8, 6), (2, 0)),
            (&picture, 0, (4, 4), (4, 4), (10, 6)),
        ] {
            let view = source.view();
            let part = view.upright_part(rotation_deg, (2, 2), part_px, to_px);
            let mut canvas = Picture::new(12, 8, 8);
            let laid =
                view.upright_part_onto((&mut canvas, at_px), rotation_deg, (2, 2), part_px, to_px);
            assert_eq!(laid, (part.width(), part.height()));
            let blank = Picture::new(12, 8, 8);
            for (shift, canvas, part, blank) in [
                (0, &canvas.luma, &part.luma, &blank.luma),
                (1, &canvas.cb, &part.cb, &blank.cb),
                (1, &canvas.cr, &part.cr, &blank.cr),
            ] {
                let at = (at_px.0 as usize >> shift, at_px.1 as usize >> shift);
                for (x, y) in (0..12 >> shift).flat_map(|x| (0..8 >> shift).map(move |y| (x, y))) {
                    let inside = (x >= at.0 && x < at.0 + part.width())
                        && (y >= at.1 && y < at.1 + part.height());
                    let meant = if inside {
                        part.view().get(x - at.0, y - at.1)
                    } else {
                        blank.view().get(x, y)
                    };
                    assert_eq!(canvas.view().get(x, y), meant, "{rotation_deg} ({x}, {y})");
                }
            }
        }
    }

    #[test]
    fn every_turn_shows_what_the_colour_picture_shows() {
        let picture = numbered();
        let gray = |value: u8| [value; 3];
        for rotation_deg in [0, 90, 180, 270] {
            let (width, height) = if rotation_deg % 180 == 90 {
                (6, 8)
            } else {
                (8, 6)
            };
            let turned = picture.view().upright_part(
                rotation_deg,
                (2, 2),
                (width - 2, height - 2),
                (width - 2, height - 2),
            );
            // The colour picture is turned by code of its own; without chroma its gray is the luma's.
            let mut plain = picture.clone();
            plain.cb = Plane::filled(4, 3, 8, 128);
            plain.cr = Plane::filled(4, 3, 8, 128);
            plain.full_range = true;
            let shown = plain.to_rgb(rotation_deg);
            for y in 0..height - 2 {
                for x in 0..width - 2 {
                    let luma = turned.luma.view().get(x as usize, y as usize);
                    assert_eq!(
                        gray(u8::try_from(luma).unwrap()),
                        shown.get(x + 2, y + 2),
                        "{rotation_deg}° at ({x}, {y})"
                    );
                }
            }
            assert_eq!(turned.cb.width(), (width as usize - 2) / 2);
        }
    }

    #[test]
    fn shrinking_averages_over_areas_and_keeps_plain_surfaces() {
        let mut picture = numbered();
        let half = picture.view().upright_part(0, (0, 0), (8, 6), (4, 3));
        // Rows 20.. and 28..: (20 + 21 + 28 + 29) / 4.
        assert_eq!(half.luma.view().get(0, 0), 25);
        assert_eq!((half.cb.width(), half.cb.height()), (2, 2));
        picture.luma = Plane::filled(8, 6, 8, 235);
        for to in [(7, 5), (5, 4), (3, 2), (1, 1)] {
            let small = picture.view().upright_part(0, (0, 0), (8, 6), to);
            let Samples::Eight(samples) = &small.luma.samples else {
                panic!("8 bits")
            };
            assert!(samples.iter().all(|sample| *sample == 235), "{to:?}");
        }
    }

    #[test]
    fn deep_and_full_range_pictures_become_eight_bits_of_video_range() {
        let mut deep = Picture::new(4, 4, 10);
        deep.luma = Plane::filled(4, 4, 10, 940);
        let eight = deep.view().upright_part(0, (0, 0), (4, 4), (4, 4));
        assert_eq!((eight.luma.view().get(1, 1), eight.bit_depth), (235, 8));
        let white = Picture::from_gray8(4, 4, vec![255; 16]).unwrap();
        let shown = white.view().upright_part(0, (0, 0), (4, 4), (4, 4));
        assert_eq!(shown.luma.view().get(0, 0), 235);
        assert_eq!(shown.cb.view().get(0, 0), 128);
        assert!(!shown.full_range);
    }

    #[test]
    fn a_part_over_the_border_is_moved_inside() {
        let part = numbered().view().upright_part(0, (6, 4), (4, 4), (9, 9));
        assert_eq!((part.width(), part.height()), (4, 4));
        assert_eq!(part.luma.view().get(0, 0), 20 + 2 * 8 + 4);
    }
}
