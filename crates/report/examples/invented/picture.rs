//! Painted pictures of the invented archer, so that the film strip has something to show.

use std::error::Error;

use super::motion::Motion;

/// A camera without distortion, level, at some place of the clock face.
#[derive(Debug, Clone, Copy)]
pub(super) struct View {
    pub(super) name: &'static str,
    pub(super) hours: f64,
    side: f64,
    focal_px: f64,
    distance_mm: f64,
}

impl View {
    pub(super) const WIDTH: u16 = 400;
    pub(super) const HEIGHT: u16 = 300;

    pub(super) fn side(side: f64) -> Self {
        Self {
            name: "side",
            hours: if side > 0.0 { 3.0 } else { 9.0 },
            side,
            focal_px: 620.0,
            distance_mm: 3600.0,
        }
    }

    pub(super) fn five(side: f64) -> Self {
        Self {
            name: "behind",
            hours: if side > 0.0 { 5.0 } else { 7.0 },
            side,
            focal_px: 560.0,
            distance_mm: 3300.0,
        }
    }

    /// Pixel of a point in the range frame, mm.
    pub(super) fn pixel(&self, point: [f64; 3]) -> (f64, f64) {
        let angle = self.hours * std::f64::consts::PI / 6.0;
        let (toward_x, toward_y) = (angle.cos(), -angle.sin());
        let depth = self.distance_mm - (point[0] * toward_x + point[1] * toward_y);
        let across = -point[0] * toward_y + point[1] * toward_x;
        (
            f64::from(Self::WIDTH) * 0.5 + self.focal_px * across / depth,
            f64::from(Self::HEIGHT) * 0.5 - self.focal_px * (point[2] - 1250.0) / depth,
        )
    }

    pub(super) fn jpeg(&self, motion: &Motion, time: f64) -> Result<Vec<u8>, Box<dyn Error>> {
        let (width, height) = (usize::from(Self::WIDTH), usize::from(Self::HEIGHT));
        let mut rgb = Vec::with_capacity(width * height * 3);
        let lines = self.body(motion, time);
        for row in 0..height {
            for column in 0..width {
                let at = (column as f64, row as f64);
                let shade = 120.0
                    + 50.0 * row as f64 / height as f64
                    + 6.0 * ((column / 9 + row / 14) % 2) as f64;
                let mut colour = [shade * 0.86, shade * 0.95, shade * 0.9];
                for (ends, radius, paint) in &lines {
                    if distance(at, ends.0, ends.1) < *radius {
                        colour = *paint;
                    }
                }
                rgb.extend(colour.map(byte));
            }
        }
        let mut jpeg = Vec::new();
        jpeg_encoder::Encoder::new(&mut jpeg, 82).encode(
            &rgb,
            Self::WIDTH,
            Self::HEIGHT,
            jpeg_encoder::ColorType::Rgb,
        )?;
        Ok(jpeg)
    }

    /// Thick lines back to front: ends, radius in pixels, colour.
    #[expect(clippy::type_complexity, reason = "one private list of strokes")]
    fn body(&self, motion: &Motion, time: f64) -> Vec<(((f64, f64), (f64, f64)), f64, [f64; 3])> {
        let at = |x: f64, y: f64, z: f64| self.pixel([x, y * self.side, z]);
        let elbow = motion.elbow_mm(time);
        let marker = self.pixel(elbow);
        let scale = self.focal_px / self.distance_mm;
        let (shirt, skin, dark) = (
            [58.0, 74.0, 104.0],
            [196.0, 152.0, 124.0],
            [46.0, 48.0, 52.0],
        );
        let hook = if time < 0.0 {
            self.pixel([elbow[0] + 372.0, -40.0 * self.side, 1490.0])
        } else {
            self.pixel([elbow[0] + 330.0, 20.0 * self.side, 1470.0])
        };
        let (grip, draw_shoulder) = (at(900.0, -40.0, 1470.0), at(-190.0, 20.0, 1410.0));
        vec![
            (
                (at(900.0, -40.0, 700.0), at(830.0, -40.0, 2200.0)),
                11.0 * scale,
                dark,
            ),
            (
                (at(20.0, 20.0, 960.0), at(20.0, 20.0, 1370.0)),
                150.0 * scale,
                shirt,
            ),
            (
                (at(120.0, 20.0, 0.0), at(80.0, 20.0, 940.0)),
                80.0 * scale,
                dark,
            ),
            (
                (at(-160.0, 20.0, 0.0), at(-60.0, 20.0, 940.0)),
                80.0 * scale,
                dark,
            ),
            ((at(190.0, 20.0, 1410.0), grip), 46.0 * scale, skin),
            (
                (at(30.0, 0.0, 1600.0), at(30.0, 0.0, 1620.0)),
                105.0 * scale,
                skin,
            ),
            ((draw_shoulder, marker), 56.0 * scale, skin),
            ((marker, hook), 42.0 * scale, skin),
            (
                (marker, marker),
                17.0 * scale.max(0.16),
                [255.0, 120.0, 20.0],
            ),
        ]
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to a byte"
)]
fn byte(value: f64) -> u8 {
    value.clamp(0.0, 255.0) as u8
}

/// Distance from a point to a segment, px.
fn distance(at: (f64, f64), start: (f64, f64), end: (f64, f64)) -> f64 {
    let along = (end.0 - start.0, end.1 - start.1);
    let length = along.0 * along.0 + along.1 * along.1;
    let share = if length > 0.0 {
        (((at.0 - start.0) * along.0 + (at.1 - start.1) * along.1) / length).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (at.0 - start.0 - share * along.0).hypot(at.1 - start.1 - share * along.1)
}
