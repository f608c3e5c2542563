//! The picture's samples near an outline, and what each of them has of the marker.

use crate::edge::coverage;
use crate::outline::{Family, Outline, OutlineSettings, free_count};
use crate::outline_levels::{Channel, FREE, LINEAR, SECTORS, Term};
use drawarc_footage::{PictureView, PlaneView};
use nalgebra::Vector2;

/// Samples from so far inside (luma px) ...
const INSIDE_PX: f64 = 3.5;
/// ... to so far outside the outline count, in luma: farther out lie the edge of a sleeve and the marker's own shadow on the skin.
/// With this and the constants below the shape of centres errs by 2 to 55 % less (nine views on rendered film, median 27 %) than with
/// 2.5 px, a constant of 3 and free shading. Narrower is better still there; but an edge blurred by 0.7 px
/// (1 σ) needs this much to be told from its surroundings. To follow the blur that is found feeds back: a coarsely coded marker
/// seems less sharp, takes more of its shadow in, and seems less sharp still;
const OUTSIDE_PX: f64 = 1.8;
/// in chroma, whose samples are two pixels wide, so much more.
const CHROMA_MORE_PX: f64 = 1.0;
/// Additional blur of chroma (1 σ, luma px): a sample averages two by two pixels, `√(4 − 1)/√12`, and encoders'
/// filters are a little wider.
const CHROMA_BLUR_PX: f64 = 0.7;
/// Less of a sample than this is nothing of it.
const HARDLY: f64 = 1e-5;

/// A sample of a plane.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    /// Where (luma px).
    at_px: Vector2<f64>,
    /// 8-bit steps, chroma from grey.
    value: f64,
}

/// The planes' samples around an outline; `None` where there are too few.
pub(crate) fn channels(
    picture: &PictureView<'_>,
    outline: &Outline,
    settings: &OutlineSettings,
) -> Option<Vec<Channel>> {
    let scale = crate::blob::luma_scale(picture);
    let luma = Grid {
        plane: picture.luma,
        index: 0,
        pitch: 1.0,
        origin: Vector2::zeros(),
        margin_px: OUTSIDE_PX,
        scale,
    };
    let chroma = |plane, index| Grid {
        plane,
        index,
        pitch: 2.0,
        origin: Vector2::new(settings.chroma_right_px, 0.5),
        margin_px: OUTSIDE_PX + CHROMA_MORE_PX,
        scale,
    };
    let mut channels = vec![luma.collect(outline, settings)?];
    if !settings.luma_only {
        channels.push(chroma(picture.cb, 1).collect(outline, settings)?);
        channels.push(chroma(picture.cr, 2).collect(outline, settings)?);
    }
    Some(channels)
}

/// How a plane's samples lie in luma pixels.
struct Grid<'a> {
    plane: PlaneView<'a>,
    index: usize,
    pitch: f64,
    origin: Vector2<f64>,
    margin_px: f64,
    scale: f64,
}

impl Grid<'_> {
    fn collect(&self, outline: &Outline, settings: &OutlineSettings) -> Option<Channel> {
        let smear = 0.5 * settings.smear_px.norm();
        let reach = outline.half_axes_px.max() + self.margin_px + smear + 1.0;
        let span = |centre: f64, origin: f64, count: usize| {
            let low = ((centre - reach - origin) / self.pitch).ceil().max(0.0);
            let high = ((centre + reach - origin) / self.pitch).floor();
            let last = (count as f64 - 1.0).min(high);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "clamped to the picture"
            )]
            (last >= low).then_some(low as usize..=last as usize)
        };
        let columns = span(outline.centre_px.x, self.origin.x, self.plane.width())?;
        let rows = span(outline.centre_px.y, self.origin.y, self.plane.height())?;
        let zero = if self.index == 0 { 0.0 } else { 128.0 };
        let laid = Laid::new(outline, settings.family);
        let mut all = Vec::with_capacity(columns.clone().count() * rows.clone().count());
        for y in rows {
            let row = self.plane.row(y);
            for x in columns.clone() {
                let at_px = Vector2::new(
                    x as f64 * self.pitch + self.origin.x,
                    y as f64 * self.pitch + self.origin.y,
                );
                let inside = laid.place(&at_px).inside_px;
                if inside < INSIDE_PX + smear + 1.0 && inside > -self.margin_px - smear - 1.0 {
                    all.push(Sample {
                        at_px,
                        value: f64::from(row.get(x)) * self.scale - zero,
                    });
                }
            }
        }
        (all.len() > LINEAR + 8).then(|| Channel::new(self.index, all))
    }
}

/// An outline, with what every sample near it needs.
struct Laid {
    family: Family,
    centre: Vector2<f64>,
    /// One over the half axes.
    per_axis: (f64, f64),
    /// Sine and cosine of its angle.
    turn: (f64, f64),
}

/// Where a sample lies beside an outline.
struct Place {
    /// Signed distance to the outline (px, positive inside, to first order).
    inside_px: f64,
    /// The outline's outward unit normal.
    outward: (f64, f64),
    /// Coordinates along the half axes, over these.
    u: f64,
    v: f64,
    /// 1 on the outline, with its derivatives by `u` and `v` and one over its slope in the picture (px).
    q: f64,
    by_u: f64,
    by_v: f64,
    per_slope: f64,
}

impl Laid {
    fn new(outline: &Outline, family: Family) -> Self {
        Self {
            family,
            centre: outline.centre_px.coords,
            per_axis: (1.0 / outline.half_axes_px.x, 1.0 / outline.half_axes_px.y),
            turn: outline.angle.sin_cos(),
        }
    }

    #[inline]
    fn place(&self, at: &Vector2<f64>) -> Place {
        let (x, y) = (at.x - self.centre.x, at.y - self.centre.y);
        let (sine, cosine) = self.turn;
        let (per_a, per_b) = self.per_axis;
        let u = (cosine * x + sine * y) * per_a;
        let v = (cosine * y - sine * x) * per_b;
        let (q, by_u, by_v) = match self.family {
            Family::Ball | Family::Ellipse => {
                let q = (u * u + v * v).sqrt().max(1e-6);
                let per_q = 1.0 / q;
                (q, u * per_q, v * per_q)
            }
            Family::Bar => {
                // Fourth power: a bar with rounded corners.
                let (u2, v2) = (u * u, v * v);
                let q = (u2 * u2 + v2 * v2).sqrt().sqrt().max(1e-6);
                let per_q3 = 1.0 / (q * q * q);
                (q, u2 * u * per_q3, v2 * v * per_q3)
            }
        };
        let (along, across) = (by_u * per_a, by_v * per_b);
        let slope = (along * along + across * across).sqrt().max(1e-9);
        let per_slope = 1.0 / slope;
        Place {
            inside_px: (1.0 - q) * per_slope,
            outward: (
                (cosine * along - sine * across) * per_slope,
                (sine * along + cosine * across) * per_slope,
            ),
            u,
            v,
            q,
            by_u,
            by_v,
            per_slope,
        }
    }
}

/// Takes the samples near an outline, with coverage, shading terms, sectors and derivatives of the coverage.
pub(crate) fn lay(
    channel: &mut Channel,
    outline: &Outline,
    blur_px: f64,
    settings: &OutlineSettings,
) {
    let luma = channel.plane == 0;
    let blur = if luma {
        blur_px
    } else {
        blur_px.hypot(CHROMA_BLUR_PX)
    };
    let margin = OUTSIDE_PX + if luma { 0.0 } else { CHROMA_MORE_PX };
    let smear = 0.5 * settings.smear_px.norm();
    let laid = Laid::new(outline, settings.family);
    let (a, b) = (outline.half_axes_px.x, outline.half_axes_px.y);
    let radius = outline.radius_px();
    let aside = 3f64.sqrt() * CHROMA_BLUR_PX;
    channel.terms.clear();
    for sample in &channel.samples {
        let place = laid.place(&sample.at_px);
        let inside = place.inside_px;
        if inside >= INSIDE_PX + smear || inside <= -margin - smear {
            continue;
        }
        let (x, y) = place.outward;
        let width = (settings.smear_px.x * x + settings.smear_px.y * y).abs();
        let (cover, slope, by_blur) = coverage(inside, blur, width);
        let mut term = Term::of_value(sample.value);
        term.cover = cover;
        term.across = cover > HARDLY && cover < 1.0 - HARDLY;
        if term.across {
            term.by_parameter = by_parameter(&place, settings.family, slope, (a, b), radius);
            term.by_parameter[free_count(settings.family)] = by_blur * blur_px / blur;
            // Light mixes in the pixel; chroma averages pixels after they were coded.
            if !luma && term.mixes() {
                term.pixels =
                    [-aside, 0.0, aside].map(|shift| coverage(inside + shift, blur_px, width).0);
            }
        } else {
            term.cover = cover.round();
        }
        let toward = match settings.family {
            Family::Ball => (1.0 - place.u * place.u - place.v * place.v)
                .max(0.0)
                .sqrt(),
            Family::Ellipse | Family::Bar => 0.0,
        };
        term.shading = [1.0, place.u, place.v, toward];
        (term.sector, term.next_share) = sector(place.u * a, place.v * b);
        channel.terms.push(term);
    }
}

/// ∂M/∂parameter = slope · ∂(distance)/∂parameter.
#[inline]
fn by_parameter(
    place: &Place,
    family: Family,
    slope: f64,
    (a, b): (f64, f64),
    radius: f64,
) -> [f64; FREE] {
    let mut by = [0.0; FREE];
    by[0] = slope * place.outward.0;
    by[1] = slope * place.outward.1;
    let reach = slope * place.per_slope;
    match family {
        // Distance grows with the mean radius as fast as the outline moves out.
        Family::Ball => by[2] = reach * place.q / radius,
        Family::Ellipse | Family::Bar => {
            by[2] = reach * place.by_u * place.u / a;
            by[3] = reach * place.by_v * place.v / b;
            by[4] = -reach * (place.by_u * place.v * b / a - place.by_v * place.u * a / b);
        }
    }
    by
}

/// Sector of a direction off the centre, counted from x toward y, and how far it lies toward the next.
#[inline]
fn sector(x: f64, y: f64) -> (usize, f64) {
    let turn = turn(x, y) * SECTORS as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 0 and the number of sectors"
    )]
    let sector = turn as usize;
    if sector < SECTORS {
        (sector, turn - sector as f64)
    } else {
        (0, 0.0)
    }
}

/// Share of a whole turn from x toward y, to 1e-5: polynomial 4.4.47 of Abramowitz & Stegun 1964 for the arc tangent up to 1.
/// Levels are linear between sectors, so that more would be lost on them.
#[inline]
fn turn(x: f64, y: f64) -> f64 {
    let (low, high) = (x.abs().min(y.abs()), x.abs().max(y.abs()));
    let t = low / high.max(1e-12);
    let t2 = t * t;
    let angle = t
        * (0.999_866
            + t2 * (-0.330_299_5 + t2 * (0.180_141_0 + t2 * (-0.085_133_0 + t2 * 0.020_835_1))));
    let eighth = angle / std::f64::consts::TAU;
    let quarter = if y.abs() > x.abs() {
        0.25 - eighth
    } else {
        eighth
    };
    match (x < 0.0, y < 0.0) {
        (false, false) => quarter,
        (true, false) => 0.5 - quarter,
        (true, true) => 0.5 + quarter,
        (false, true) => 1.0 - quarter,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_is_that_of_the_arc_tangent() {
        for k in 0..3600 {
            let angle = (f64::from(k) + 0.5) / 3600.0;
            let (y, x) = (angle * std::f64::consts::TAU).sin_cos();
            assert!((turn(3.0 * x, 3.0 * y) - angle).abs() < 1e-5, "{angle}");
        }
        assert_eq!(sector(1.0, 0.0), (0, 0.0));
        assert_eq!(sector(0.0, 0.0), (0, 0.0));
    }
}
