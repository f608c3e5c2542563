//! A solid over the time of one frame, and the part of the picture that it sweeps.

use crate::projection::project;
use crate::solid::Solid;
use crate::view::View;
use crate::world::World;
use nalgebra::{Point2, Point3, Vector3};

/// At most this many instants within one exposure.
pub(crate) const MOST_INSTANTS: usize = 8;

/// A solid over the time of one frame: the same at three evenly spaced instants, in the camera's frame.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Track {
    pub(crate) at: [Solid; 3],
    pub(crate) middle_s: f64,
    pub(crate) half_s: f64,
}

impl Track {
    /// Place at an instant by the parabola through the three.
    pub(crate) fn solid(&self, instant_s: f64) -> Solid {
        let tau = ((instant_s - self.middle_s) / self.half_s).clamp(-1.05, 1.05);
        let weights = [
            0.5 * tau * (tau - 1.0),
            1.0 - tau * tau,
            0.5 * tau * (tau + 1.0),
        ];
        let mix = |pick: fn(&Solid) -> Point3<f64>| {
            Point3::from((0..3).fold(Vector3::zeros(), |sum, k| {
                sum + pick(&self.at[k]).coords * weights[k]
            }))
        };
        let mut solid = self.at[1];
        solid.a = mix(|s| s.a);
        solid.b = mix(|s| s.b);
        solid
    }

    /// Replaces a marker's three instants by three around the rows on which it is seen: exact through the jolt of
    /// release.
    pub(crate) fn sharpen(&mut self, world: &World, view: &View, camera_s: f64) {
        let index = self.at[1].marker;
        let Some(pixel) = project(&view.camera.lens, &self.at[1].a) else {
            return;
        };
        let Some(radius) = reach_px(view, &self.at[1]) else {
            return;
        };
        let first = view.row_instant_s(camera_s, pixel.y - radius - 2.0);
        let last = view.row_instant_s(camera_s, pixel.y + radius + 2.0);
        self.middle_s = f64::midpoint(first, last);
        self.half_s = 0.5 * ((last - first).abs() + view.camera.shutter.exposure_s) + 1e-5;
        for k in 0..3 {
            let instant = self.middle_s + self.half_s * [-1.0, 0.0, 1.0][k];
            let pose = view.camera_from_range_at(instant);
            if let Some(solid) = world
                .marker_solids(instant)
                .into_iter()
                .find(|solid| solid.marker == index)
            {
                self.at[k] = solid.seen_from(&pose);
            }
        }
    }

    /// What the solid sweeps during the frame; `None` where it cannot be drawn.
    pub(crate) fn sweep(&self, view: &View) -> Option<Sweep> {
        let lens = &view.camera.lens;
        let mut segments = Vec::with_capacity(2);
        let mut reach = 0.0_f64;
        for solid in [&self.at[0], &self.at[2]] {
            segments.push((project(lens, &solid.a)?, project(lens, &solid.b)?));
            reach = reach.max(reach_px(view, solid)?);
        }
        let moved = (segments[1].0 - segments[0].0)
            .norm()
            .max((segments[1].1 - segments[0].1).norm());
        Some(Sweep {
            segments,
            reach,
            speed_px_s: moved / (2.0 * self.half_s),
        })
    }
}

/// The part of the picture that something sweeps: segments, and how far it reaches beyond them.
#[derive(Debug, Clone)]
pub(crate) struct Sweep {
    pub(crate) segments: Vec<(Point2<f64>, Point2<f64>)>,
    pub(crate) reach: f64,
    pub(crate) speed_px_s: f64,
}

impl Sweep {
    fn ends(&self) -> impl Iterator<Item = &Point2<f64>> {
        self.segments.iter().flat_map(|(a, b)| [a, b])
    }

    /// Rows that may be touched.
    pub(crate) fn rows(&self, height: usize) -> Option<(usize, usize)> {
        bounds(self.ends().map(|p| p.y), self.reach, height)
    }

    /// Columns that may be touched on any row.
    pub(crate) fn columns(&self, width: usize) -> Option<(usize, usize)> {
        bounds(self.ends().map(|p| p.x), self.reach, width)
    }

    /// Columns of row `y` that may be touched, within `(x0, x1)`.
    pub(crate) fn span(&self, y: f64, (x0, x1): (usize, usize)) -> Option<(usize, usize)> {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (a, b) in &self.segments {
            // Part of the segment whose rows come within reach of this row.
            let dy = b.y - a.y;
            let (s0, s1) = if dy.abs() < 1e-6 {
                if (a.y - y).abs() > self.reach {
                    continue;
                }
                (0.0, 1.0)
            } else {
                let (p, q) = ((y - self.reach - a.y) / dy, (y + self.reach - a.y) / dy);
                if p.max(q) < 0.0 || p.min(q) > 1.0 {
                    continue;
                }
                (p.min(q).clamp(0.0, 1.0), p.max(q).clamp(0.0, 1.0))
            };
            for s in [s0, s1] {
                let x = a.x + (b.x - a.x) * s;
                low = low.min(x - self.reach);
                high = high.max(x + self.reach);
            }
        }
        let low = low.max(x0 as f64);
        let high = (high + 1.0).min(x1 as f64);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "clamped to the picture"
        )]
        let bounds = (low as usize, high.max(0.0).ceil() as usize);
        (low < high && bounds.0 < bounds.1).then_some(bounds)
    }
}

/// Rows (or columns) that something with these ends and this reach may touch.
fn bounds(ends: impl Iterator<Item = f64>, reach: f64, size: usize) -> Option<(usize, usize)> {
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), end| {
        (low.min(end), high.max(end))
    });
    let (low, high) = (low - reach - 1.0, high + reach + 2.0);
    if !(low.is_finite() && high.is_finite()) || high <= 0.0 || low >= size as f64 {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the picture"
    )]
    let bounds = (
        low.max(0.0) as usize,
        (high.min(size as f64)).ceil() as usize,
    );
    (bounds.0 < bounds.1).then_some(bounds)
}

/// How far a solid reaches from its axis in the picture, amply.
fn reach_px(view: &View, solid: &Solid) -> Option<f64> {
    let near = solid.a.z.min(solid.b.z) - solid.ra.max(solid.rb);
    (near > 0.1).then(|| solid.ra.max(solid.rb) * view.focal_px() * 1.25 / near + 2.0)
}

/// Instants within the exposure for something that moves this many pixels a second, `step_px` apart.
pub(crate) fn exposure_instants(exposure_s: f64, speed_px_s: f64, step_px: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped"
    )]
    let wanted = (exposure_s * speed_px_s / step_px)
        .ceil()
        .clamp(1.0, MOST_INSTANTS as f64) as usize;
    wanted
}
