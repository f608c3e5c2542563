//! Sub-pixel fit of a marker's outline to the picture's own luma and chroma samples.
//!
//! Each sample is a mixture: `I = M · inside + (1 − M) · outside`, where `M` is the share of the sample that the
//! marker covers at mid-exposure, smeared by the lens and by motion. `inside` may be shaded (a ball lit from one
//! side: constant, slopes and the surface normal's component toward the camera), `outside` may differ from sector to
//! sector around the outline (sleeve here, wall there). Only the outline tells where the marker is; shading moves a
//! centroid but not this fit. Levels are linear and eliminated (variable projection: Golub & Pereyra 1973); centre and
//! size follow by Gauss-Newton with Cauchy's weights. Residuals give each plane's noise, and with it the covariance.

use crate::edge::coverage;
use crate::outline_levels::{Channel, LINEAR, Row};
use crate::tone::Tone;
use drawarc_footage::{PictureView, PlaneView};
use nalgebra::{DMatrix, DVector, Matrix2, Point2, Vector2};

/// Which family of outlines a marker has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Family {
    /// A disc of known shape and free size, shaded like a ball.
    Ball,
    /// A free ellipse of even brightness, slopes allowed.
    Ellipse,
    /// A free rounded bar.
    Bar,
}

/// An outline in the picture (luma px).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outline {
    /// Centre.
    pub(crate) centre_px: Point2<f64>,
    /// Half axes.
    pub(crate) half_axes_px: Vector2<f64>,
    /// Direction of the first half axis (rad, from x toward y).
    pub(crate) angle: f64,
}

impl Outline {
    /// Radius of the disc of the same area.
    pub(crate) fn radius_px(&self) -> f64 {
        (self.half_axes_px.x * self.half_axes_px.y).sqrt()
    }
}

/// A value known before the fit, with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Known {
    pub(crate) value: f64,
    pub(crate) sd: f64,
}

/// What the fit needs to know beside the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OutlineSettings {
    /// Family of the outline.
    pub(crate) family: Family,
    /// Movement of the image during the exposure (px).
    pub(crate) smear_px: Vector2<f64>,
    /// Chroma samples lie so far right of even luma columns (luma px): 0 for H.264 and HEVC as phones write
    /// them, 0.5 for JPEG-like siting. Vertically always half a row below even rows.
    pub(crate) chroma_right_px: f64,
    /// Blur of lens and sampling in luma (1 σ, px): what is known of it. It is fitted with the outline: a blur taken
    /// a third of a pixel too wide makes a ball 5 % too small and draws its centre off by 0.1 px.
    pub(crate) blur_px: Known,
    /// Radius of a ball (px), where earlier pictures told it; other families ignore it.
    pub(crate) radius_px: Option<Known>,
    /// Only luma counts (markers without colour).
    pub(crate) luma_only: bool,
    /// Gauss-Newton steps at most.
    pub(crate) steps: usize,
}

/// What came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct OutlineFit {
    /// The outline.
    pub(crate) outline: Outline,
    /// Covariance of the centre from the residuals (px²).
    pub(crate) covariance_px2: Matrix2<f64>,
    /// Blur in luma, with its deviation given what was known before (px).
    pub(crate) blur_px: Known,
    /// Deviation of the radius of a ball, given what was known before; nothing for other families (px).
    pub(crate) radius_sd_px: Option<f64>,
    /// Share of the outline's sectors along which marker and surroundings differ in colour.
    pub(crate) clear_share: f64,
    /// Residual over contrast, of the channel with most contrast.
    pub(crate) misfit: f64,
    /// Mean colour inside: luma, Cb − 128, Cr − 128 (8-bit steps).
    pub(crate) colour: [f64; 3],
}

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
/// Standard deviation of rounding to whole numbers: the noise is never below it (8-bit steps).
const ROUNDING: f64 = 0.29;
/// Cauchy's constant: 95 % efficiency for Gaussian noise. With 1.5 centres on rendered film err less still, by a tenth, but those
/// of real discs (`mire-2`) are noisier by as much.
const CAUCHY: f64 = 2.385;
/// A step below this ends the fit (px).
const STEP_END_PX: f64 = 0.004;
/// The smallest half axis (px).
const SMALLEST_PX: f64 = 0.8;
/// An outline whose residuals are this large beside its contrast is none.
const WORST_MISFIT: f64 = 0.5;
/// A fit that changes the size by more than this factor has left the patch it started from.
const MOST_GROWTH: f64 = 1.7;
/// A blur narrower than the pixel itself cannot be (a box of 1 px has 1/√12), one wider is no outline (px).
const BLUR_RANGE_PX: (f64, f64) = (0.28, 2.5);
/// No centre is believed better than this (px): what model and codec leave behind in the best footage.
const FLOOR_PX: f64 = 0.01;

/// Fits an outline near `start`. `None` where the samples do not determine it or the fit runs away.
pub(crate) fn fit_outline(
    picture: &PictureView<'_>,
    start: &Outline,
    settings: &OutlineSettings,
) -> Option<OutlineFit> {
    let mut outline = *start;
    let mut blur_px = settings.blur_px.value;
    let mut channels = channels(picture, &outline, settings)?;
    let tone = Tone::of(picture);
    let mut information = DMatrix::zeros(0, 0);
    let free = free_count(settings.family) + 1;
    let blur = free - 1;
    for step in 0..=settings.steps {
        let mut normal = DMatrix::<f64>::zeros(free, free);
        let mut right = DVector::<f64>::zeros(free);
        for channel in &mut channels {
            shape_rows(channel, &outline, blur_px, settings);
            // Later steps mix light by the levels of the step before.
            if step == 0 {
                channel.solve_levels(true);
            }
        }
        let levels: Vec<_> = channels.iter().map(Channel::levels).collect();
        for channel in &mut channels {
            channel.mix_light(&tone, &levels, settings.luma_only);
            channel.solve_levels(false);
            channel.add_reduced(free, &mut normal, &mut right);
        }
        // A breath of damping keeps undetermined directions (the angle of a circle) still.
        for k in 0..free {
            normal[(k, k)] += 1e-9
                + if k >= 2 && k != blur {
                    damping(settings.family, k)
                } else {
                    0.0
                };
        }
        let mut believe = |k: usize, known: &Known, now: f64| {
            let weight = known.sd.powi(-2);
            normal[(k, k)] += weight;
            right[k] += weight * (known.value - now);
        };
        believe(blur, &settings.blur_px, blur_px);
        if let (Family::Ball, Some(radius)) = (settings.family, &settings.radius_px) {
            believe(2, radius, outline.radius_px());
        }
        information = normal.clone();
        if step == settings.steps {
            break;
        }
        let change = normal.cholesky()?.solve(&right);
        let limit = 0.5 * outline.radius_px().max(1.0);
        let shrink = (limit / change.norm()).min(1.0);
        apply(&mut outline, settings.family, &(&change * shrink));
        blur_px = (blur_px + change[blur].clamp(-0.3, 0.3)).clamp(BLUR_RANGE_PX.0, BLUR_RANGE_PX.1);
        let gone =
            (outline.centre_px - start.centre_px).norm() > 1.5 * start.half_axes_px.max() + 2.0;
        if gone
            || !outline
                .half_axes_px
                .iter()
                .all(|axis| axis.is_finite() && *axis > SMALLEST_PX)
        {
            return None;
        }
        if change.rows(0, 2).norm() < STEP_END_PX && step >= 1 {
            break;
        }
    }
    let growth = outline.radius_px() / start.radius_px();
    let fit = report(
        (&outline, settings.family, blur_px),
        &channels,
        &information,
    )?;
    (fit.misfit < WORST_MISFIT && (1.0 / MOST_GROWTH..MOST_GROWTH).contains(&growth)).then_some(fit)
}

fn report(
    (outline, family, blur_px): (&Outline, Family, f64),
    channels: &[Channel],
    information: &DMatrix<f64>,
) -> Option<OutlineFit> {
    let covariance = information.clone().try_inverse()?;
    let centre = covariance.fixed_view::<2, 2>(0, 0).into_owned();
    if !(centre[(0, 0)] > 0.0 && centre[(1, 1)] > 0.0 && centre.determinant() > 0.0) {
        return None;
    }
    let clearest = channels
        .iter()
        .max_by(|p, q| (p.contrast() / p.noise).total_cmp(&(q.contrast() / q.noise)))?;
    let mut colour = [0.0; 3];
    for channel in channels {
        colour[channel.plane] = channel.inside_mean();
    }
    Some(OutlineFit {
        outline: *outline,
        blur_px: Known {
            value: blur_px,
            sd: covariance[(free_count(family), free_count(family))]
                .max(0.0)
                .sqrt(),
        },
        radius_sd_px: (family == Family::Ball).then(|| covariance[(2, 2)].max(0.0).sqrt()),
        covariance_px2: centre + Matrix2::identity() * FLOOR_PX * FLOOR_PX,
        clear_share: clear_share(channels),
        misfit: clearest.noise / clearest.contrast().max(1e-6),
        colour,
    })
}

/// A sector is clear where the colour step across it is at least this share of the median step.
const CLEAR: f64 = 0.35;

fn clear_share(channels: &[Channel]) -> f64 {
    let colourful = channels.len() > 1;
    let steps: Vec<f64> = (0..crate::outline_levels::SECTORS)
        .map(|sector| {
            channels
                .iter()
                .filter(|channel| !colourful || channel.plane > 0)
                .map(|channel| channel.step_in_sector(sector).powi(2))
                .sum::<f64>()
                .sqrt()
        })
        .collect();
    let mut sorted = steps.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[sorted.len() / 2];
    let clear = steps.iter().filter(|step| **step > CLEAR * usual).count();
    clear as f64 / steps.len() as f64
}

fn free_count(family: Family) -> usize {
    match family {
        Family::Ball => 3,
        Family::Ellipse | Family::Bar => 5,
    }
}

/// Prior information on size (1/px²) and angle (1/rad²): next to nothing.
fn damping(family: Family, parameter: usize) -> f64 {
    match (family, parameter) {
        (Family::Ball, _) => 0.01,
        (_, 4) => 1.0,
        _ => 0.05,
    }
}

fn apply(outline: &mut Outline, family: Family, change: &DVector<f64>) {
    outline.centre_px += Vector2::new(change[0], change[1]);
    match family {
        Family::Ball => {
            let factor = 1.0 + change[2] / outline.radius_px();
            outline.half_axes_px *= factor.clamp(0.5, 2.0);
        }
        Family::Ellipse | Family::Bar => {
            outline.half_axes_px += Vector2::new(change[2], change[3]);
            outline.angle += change[4].clamp(-0.5, 0.5);
        }
    }
}

fn channels(
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
    let mut grids = vec![luma];
    if !settings.luma_only {
        grids.push(chroma(picture.cb, 1));
        grids.push(chroma(picture.cr, 2));
    }
    grids
        .iter()
        .map(|grid| grid.collect(outline, settings))
        .collect()
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
        let mut all = Vec::new();
        for y in rows {
            let row = self.plane.row(y);
            for x in columns.clone() {
                let at = Vector2::new(
                    x as f64 * self.pitch + self.origin.x,
                    y as f64 * self.pitch + self.origin.y,
                );
                let inside = laid.distance(&at).0;
                if inside < INSIDE_PX + smear + 1.0 && inside > -self.margin_px - smear - 1.0 {
                    all.push(Row::at(at, f64::from(row.get(x)) * self.scale - zero));
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
    half_axes: (f64, f64),
    /// Sine and cosine of its angle.
    turn: (f64, f64),
}

impl Laid {
    fn new(outline: &Outline, family: Family) -> Self {
        Self {
            family,
            centre: outline.centre_px.coords,
            half_axes: (outline.half_axes_px.x, outline.half_axes_px.y),
            turn: outline.angle.sin_cos(),
        }
    }

    /// Signed distance to the outline (px, positive inside, to first order), the outward unit normal, and the local
    /// coordinates over the half axes with `q` (1 on the outline) and `|∇q|`.
    fn distance(&self, at: &Vector2<f64>) -> (f64, Vector2<f64>, Local) {
        let from_centre = at - self.centre;
        let (sine, cosine) = self.turn;
        let (a, b) = self.half_axes;
        let u = (cosine * from_centre.x + sine * from_centre.y) / a;
        let v = (-sine * from_centre.x + cosine * from_centre.y) / b;
        let (q, by_u, by_v) = match self.family {
            Family::Ball | Family::Ellipse => {
                let q = (u * u + v * v).sqrt().max(1e-6);
                (q, u / q, v / q)
            }
            Family::Bar => {
                // Fourth power: a bar with rounded corners.
                let q = (u.powi(4) + v.powi(4)).powf(0.25).max(1e-6);
                ((q), (u / q).powi(3), (v / q).powi(3))
            }
        };
        let gradient = Vector2::new(
            cosine * by_u / a - sine * by_v / b,
            sine * by_u / a + cosine * by_v / b,
        );
        let steepness = gradient.norm().max(1e-9);
        let local = Local {
            u,
            v,
            q,
            by_u,
            by_v,
            steepness,
        };
        ((1.0 - q) / steepness, gradient / steepness, local)
    }
}

struct Local {
    u: f64,
    v: f64,
    q: f64,
    by_u: f64,
    by_v: f64,
    steepness: f64,
}

/// Fills every row with coverage, shading terms, sectors and derivatives of the coverage.
fn shape_rows(channel: &mut Channel, outline: &Outline, blur_px: f64, settings: &OutlineSettings) {
    let luma = channel.plane == 0;
    let blur = if luma {
        blur_px
    } else {
        blur_px.hypot(CHROMA_BLUR_PX)
    };
    let margin = OUTSIDE_PX + if luma { 0.0 } else { CHROMA_MORE_PX };
    let smear = 0.5 * settings.smear_px.norm();
    let (a, b) = (outline.half_axes_px.x, outline.half_axes_px.y);
    let laid = Laid::new(outline, settings.family);
    for row in &mut channel.rows {
        let (inside, outward, local) = laid.distance(&row.at_px);
        row.counts = inside < INSIDE_PX + smear && inside > -margin - smear;
        if !row.counts {
            continue;
        }
        let width = settings.smear_px.dot(&outward).abs();
        let (cover, slope, by_blur) = coverage(inside, blur, width);
        row.cover = cover;
        row.by_parameter[free_count(settings.family)] = by_blur * blur_px / blur;
        // Light mixes in the pixel; chroma averages pixels after they were coded: a three-point Gauss-Hermite rule
        // over the chroma sample's width.
        row.mixing = if luma || !row.is_edge() {
            [(cover, 1.0), (0.0, 0.0), (0.0, 0.0)]
        } else {
            let aside = 3f64.sqrt() * CHROMA_BLUR_PX;
            [-aside, 0.0, aside].map(|shift| {
                let share = if shift == 0.0 { 2.0 / 3.0 } else { 1.0 / 6.0 };
                (coverage(inside + shift, blur_px, width).0, share)
            })
        };
        // ∂M/∂parameter = slope · ∂(distance)/∂parameter.
        row.by_parameter[0] = slope * outward.x;
        row.by_parameter[1] = slope * outward.y;
        match settings.family {
            // Distance grows with the mean radius as fast as the outline moves out.
            Family::Ball => {
                row.by_parameter[2] = slope * local.q / (local.steepness * outline.radius_px());
            }
            Family::Ellipse | Family::Bar => {
                row.by_parameter[2] = slope * local.by_u * local.u / (a * local.steepness);
                row.by_parameter[3] = slope * local.by_v * local.v / (b * local.steepness);
                let by_angle = local.by_u * local.v * b / a - local.by_v * local.u * a / b;
                row.by_parameter[4] = -slope * by_angle / local.steepness;
            }
        }
        let q2 = (local.u * local.u + local.v * local.v).min(1.0);
        let toward = match settings.family {
            Family::Ball => (1.0 - q2).max(0.0).sqrt(),
            Family::Ellipse | Family::Bar => 0.0,
        };
        row.shading = [1.0, local.u, local.v, toward];
        row.set_direction(local.u * a, local.v * b);
    }
}

/// Cauchy's weight of a residual: what does not fit fades out, but the edge, where an imperfect start misfits most, never
/// falls silent.
pub(crate) fn robust_weight(residual: f64, noise: f64) -> f64 {
    1.0 / (1.0 + (residual / (CAUCHY * noise)).powi(2))
}

/// Noise never below rounding (8-bit steps).
pub(crate) fn at_least_rounding(noise: f64) -> f64 {
    noise.max(ROUNDING)
}
