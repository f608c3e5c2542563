//! Sub-pixel fit of a marker's outline to the picture's own luma and chroma samples.
//!
//! Each sample is a mixture: `I = M · inside + (1 − M) · outside`, where `M` is the share of the sample that the
//! marker covers at mid-exposure, smeared by the lens and by motion. `inside` may be shaded (a ball lit from one
//! side: constant, slopes and the surface normal's component toward the camera), `outside` may differ from sector to
//! sector around the outline (sleeve here, wall there). Only the outline tells where the marker is; shading moves a
//! centroid but not this fit. Levels are linear and eliminated (variable projection: Golub & Pereyra 1973); centre and
//! size follow by Gauss-Newton with Cauchy's weights. Residuals give each plane's noise, and with it the covariance.

use crate::outline_levels::{Channel, FREE, Information, Pull};
use crate::outline_samples::{channels, lay};
use crate::tone::Tone;
use drawarc_footage::PictureView;
use nalgebra::{Matrix2, Point2, Vector2};

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

/// Standard deviation of rounding to whole numbers: the noise is never below it (8-bit steps).
const ROUNDING: f64 = 0.29;
/// Cauchy's constant: 95 % efficiency for Gaussian noise. With 1.5 centres on rendered film err less still, by a tenth, but those
/// of real discs (`mire-2`) are noisier by as much.
const CAUCHY: f64 = 2.385;
/// A step below this ends the fit (px).
const STEP_END_PX: f64 = 0.004;
/// After a longer step of the centre the levels are taken anew at the new place (px).
const FAR_PX: f64 = 0.5;
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
    let mut information = Information::zeros();
    let free = free_count(settings.family) + 1;
    let mut levels_known = false;
    for step in 0..settings.steps {
        for channel in &mut channels {
            lay(channel, &outline, blur_px, settings);
            if !levels_known {
                channel.start();
            }
        }
        let mut normal = Information::zeros();
        let mut right = Pull::zeros();
        let levels: Vec<_> = channels.iter().map(Channel::levels).collect();
        for channel in &mut channels {
            channel.compare(&tone, &levels);
            channel.add_reduced(free, &mut normal, &mut right);
        }
        restrain(&mut normal, &mut right, (&outline, blur_px), settings);
        information = normal;
        let change = normal.cholesky()?.solve(&right);
        let limit = 0.5 * outline.radius_px().max(1.0);
        let shrink = (limit / change.norm()).min(1.0);
        apply(&mut outline, settings.family, &(change * shrink));
        blur_px =
            (blur_px + change[free - 1].clamp(-0.3, 0.3)).clamp(BLUR_RANGE_PX.0, BLUR_RANGE_PX.1);
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
        let moved = change.fixed_rows::<2>(0).norm();
        if moved < STEP_END_PX && step >= 1 {
            break;
        }
        levels_known = moved < FAR_PX;
        if levels_known {
            for channel in &mut channels {
                channel.follow(&change);
            }
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

/// Adds what is known of an outline before its picture.
fn restrain(
    normal: &mut Information,
    right: &mut Pull,
    (outline, blur_px): (&Outline, f64),
    settings: &OutlineSettings,
) {
    let blur = free_count(settings.family);
    for k in 0..FREE {
        // A breath of damping keeps undetermined directions (the angle of a circle) still; what the family lacks stays at rest.
        normal[(k, k)] += match k {
            0 | 1 => 1e-9,
            k if k < blur => damping(settings.family, k),
            k if k == blur => 1e-9,
            _ => 1.0,
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
}

fn report(
    (outline, family, blur_px): (&Outline, Family, f64),
    channels: &[Channel],
    information: &Information,
) -> Option<OutlineFit> {
    let covariance = information.try_inverse()?;
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

/// Parameters of a family's outlines, without the blur.
pub(crate) fn free_count(family: Family) -> usize {
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

fn apply(outline: &mut Outline, family: Family, change: &Pull) {
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

/// Cauchy's weight of a residual: what does not fit fades out, but the edge, where an imperfect start misfits most, never
/// falls silent.
pub(crate) fn robust_weight(residual: f64, noise: f64) -> f64 {
    1.0 / (1.0 + (residual / (CAUCHY * noise)).powi(2))
}

/// Noise never below rounding (8-bit steps).
pub(crate) fn at_least_rounding(noise: f64) -> f64 {
    noise.max(ROUNDING)
}
