//! Coverage masks: lines, rings and shapes with smooth edges, gathered before they are laid on a picture.

use std::ops::Range;

/// How much of each pixel is covered, 0 to 255, over a whole canvas.
#[derive(Debug, Clone)]
pub(crate) struct Mask {
    width: usize,
    height: usize,
    coverage: Vec<u8>,
    /// Of each row the columns that something was drawn on: lines are long and thin, and most of a region around one is
    /// empty.
    touched: Vec<Range<usize>>,
    /// The rows that something was drawn on.
    rows: Range<usize>,
}

/// A place on the canvas (column, row) in pixels; whole numbers are centres of pixels.
pub(crate) type Spot = (f64, f64);

impl Mask {
    /// Nothing covered.
    pub(crate) fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            coverage: vec![0; width * height],
            touched: vec![0..0; height],
            rows: 0..0,
        }
    }

    /// Uncovers everything.
    pub(crate) fn clear(&mut self) {
        for y in std::mem::take(&mut self.rows) {
            let span = std::mem::take(&mut self.touched[y]);
            self.coverage[y * self.width..][span].fill(0);
        }
    }

    /// The rows that something was drawn on.
    pub(crate) fn rows(&self) -> Range<usize> {
        self.rows.clone()
    }

    /// The columns of row `y` that something was drawn on.
    pub(crate) fn touched(&self, y: usize) -> Range<usize> {
        self.touched.get(y).cloned().unwrap_or_default()
    }

    /// Coverage of row `y`.
    pub(crate) fn row(&self, y: usize) -> &[u8] {
        &self.coverage[y * self.width..(y + 1) * self.width]
    }

    /// A line from `a` to `b` with round ends, `radius` pixels to each side.
    pub(crate) fn line(&mut self, a: Spot, b: Spot, radius: f64) {
        let low = (a.0.min(b.0), a.1.min(b.1));
        let high = (a.0.max(b.0), a.1.max(b.1));
        self.cover(low, high, radius, |at| radius - to_segment(at, a, b));
    }

    /// A line through many places.
    pub(crate) fn polyline(&mut self, spots: &[Spot], radius: f64) {
        for pair in spots.windows(2) {
            self.line(pair[0], pair[1], radius);
        }
    }

    /// A disc.
    pub(crate) fn disc(&mut self, middle: Spot, radius: f64) {
        self.line(middle, middle, radius);
    }

    /// A ring: `half` pixels to each side of a circle.
    pub(crate) fn ring(&mut self, middle: Spot, radius: f64, half: f64) {
        self.cover(middle, middle, radius + half, |at| {
            half - (length2((at.0 - middle.0, at.1 - middle.1)).sqrt() - radius).abs()
        });
    }

    /// A filled shape; its sides do not cross.
    pub(crate) fn shape(&mut self, corners: &[Spot]) {
        let mut low = (f64::MAX, f64::MAX);
        let mut high = (f64::MIN, f64::MIN);
        for corner in corners {
            low = (low.0.min(corner.0), low.1.min(corner.1));
            high = (high.0.max(corner.0), high.1.max(corner.1));
        }
        let sides: Vec<(Spot, Spot)> = corners
            .iter()
            .copied()
            .zip(corners.iter().copied().cycle().skip(1))
            .collect();
        self.cover(low, high, 0.0, |at| {
            let edge = sides
                .iter()
                .map(|(a, b)| to_segment2(at, *a, *b))
                .fold(f64::MAX, f64::min)
                .sqrt();
            let inside = sides
                .iter()
                .filter(|(a, b)| {
                    (a.1 > at.1) != (b.1 > at.1)
                        && at.0 < a.0 + (at.1 - a.1) / (b.1 - a.1) * (b.0 - a.0)
                })
                .count()
                % 2
                == 1;
            if inside { edge } else { -edge }
        });
    }

    /// Covers a pixel at least so much.
    pub(crate) fn dot(&mut self, x: usize, y: usize, coverage: u8) {
        if x < self.width && y < self.height && coverage > 0 {
            let sample = &mut self.coverage[y * self.width + x];
            *sample = (*sample).max(coverage);
            self.touch(x..x + 1, y..y + 1);
        }
    }

    /// Covers each pixel near a box by how far `depth` (px, positive inside) says that it lies within the ink.
    fn cover(&mut self, low: Spot, high: Spot, reach: f64, depth: impl Fn(Spot) -> f64) {
        if !(low.0.is_finite() && low.1.is_finite() && high.0.is_finite() && high.1.is_finite()) {
            return;
        }
        let columns =
            index(low.0 - reach - 1.0, self.width)..index(high.0 + reach + 3.0, self.width);
        let rows =
            index(low.1 - reach - 1.0, self.height)..index(high.1 + reach + 3.0, self.height);
        if columns.is_empty() || rows.is_empty() {
            return;
        }
        for y in rows.clone() {
            for x in columns.clone() {
                let covered = share(depth((x as f64, y as f64)) + 0.5);
                let sample = &mut self.coverage[y * self.width + x];
                *sample = (*sample).max(covered);
            }
        }
        self.touch(columns, rows);
    }

    fn touch(&mut self, columns: Range<usize>, rows: Range<usize>) {
        for y in rows.clone() {
            self.touched[y] = around(&self.touched[y], &columns);
        }
        self.rows = around(&self.rows, &rows);
    }
}

/// The least range that holds both.
pub(crate) fn around(one: &Range<usize>, other: &Range<usize>) -> Range<usize> {
    if one.is_empty() {
        other.clone()
    } else if other.is_empty() {
        one.clone()
    } else {
        one.start.min(other.start)..one.end.max(other.end)
    }
}

/// Squared length; pixels are counted in thousands, so that nothing can overflow, which is all that `hypot` guards
/// against: it took a tenth of a clip's time.
fn length2(vector: Spot) -> f64 {
    vector.0 * vector.0 + vector.1 * vector.1
}

/// Distance from a place to a segment (px).
fn to_segment(at: Spot, a: Spot, b: Spot) -> f64 {
    to_segment2(at, a, b).sqrt()
}

/// The same, squared (px²).
fn to_segment2(at: Spot, a: Spot, b: Spot) -> f64 {
    let along = (b.0 - a.0, b.1 - a.1);
    let from = (at.0 - a.0, at.1 - a.1);
    let whole2 = length2(along);
    let share = if whole2 > 0.0 {
        ((from.0 * along.0 + from.1 * along.1) / whole2).clamp(0.0, 1.0)
    } else {
        0.0
    };
    length2((from.0 - share * along.0, from.1 - share * along.1))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a byte"
)]
fn share(covered: f64) -> u8 {
    // Rounded by cutting off: `round` is a call into the mathematics library for every pixel.
    (covered.clamp(0.0, 1.0) * 255.0 + 0.5) as u8
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a picture's size"
)]
fn index(at: f64, size: usize) -> usize {
    at.clamp(0.0, size as f64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(mask: &Mask, height: usize) -> f64 {
        (0..height)
            .flat_map(|y| mask.row(y).to_vec())
            .map(|covered| f64::from(covered) / 255.0)
            .sum()
    }

    #[test]
    fn inks_cover_the_area_that_geometry_says() {
        let mut disc = Mask::new(60, 60);
        disc.disc((30.2, 29.7), 12.0);
        assert!((area(&disc, 60) / (144.0 * std::f64::consts::PI) - 1.0).abs() < 0.01);
        let mut ring = Mask::new(60, 60);
        ring.ring((30.0, 30.0), 15.0, 1.5);
        let expected = std::f64::consts::TAU * 15.0 * 3.0;
        assert!((area(&ring, 60) / expected - 1.0).abs() < 0.02);
        let mut shape = Mask::new(60, 60);
        shape.shape(&[(10.0, 10.0), (50.0, 10.0), (30.0, 50.0)]);
        assert!((area(&shape, 60) / 800.0 - 1.0).abs() < 0.02);
    }

    #[test]
    fn ink_outside_the_canvas_is_lost_not_a_panic() {
        let mut mask = Mask::new(20, 20);
        mask.line((-50.0, -10.0), (-30.0, 400.0), 3.0);
        mask.disc((f64::NAN, 3.0), 3.0);
        mask.disc((21.0, 21.0), 3.0);
        assert!(mask.row(19)[19] > 100);
        mask.clear();
        assert!((0..20).all(|y| mask.row(y).iter().all(|covered| *covered == 0)));
        assert!(mask.rows().is_empty());
    }
}
