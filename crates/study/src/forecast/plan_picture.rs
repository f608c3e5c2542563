//! The rig from above and from the side, as SVG text, with error ellipses.

use super::nominal_shot::{NominalArcher, NominalPhase};
use super::rig_forecast::{FULL_DRAW_S, Forecast};
use crate::StudyWords;
use drawarc_rig::{Camera, ClockFace, Rig};
use nalgebra::{Matrix2, Point3, Vector2};
use std::fmt::Write;

/// From where the picture is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlanView {
    /// From above, 12 o'clock at the top.
    Above,
    /// From 3 o'clock, the target on the right.
    Side,
}

/// Error ellipses are drawn this much larger than life.
const MAGNIFIED: f64 = 300.0;
/// Pixels of the picture for a metre.
const PX_PER_M: f64 = 110.0;
/// Free border (px).
const BORDER_PX: f64 = 60.0;
/// 95 % of a two-dimensional normal distribution lie within this many standard deviations.
const ELLIPSE_95: f64 = 2.447_746_830_680_816;

/// Maps range coordinates to the picture.
struct Sheet {
    view: PlanView,
    left: f64,
    top: f64,
    width_px: f64,
    height_px: f64,
}

impl Sheet {
    /// Coordinates in the picture plane (m, right and up).
    fn plane(view: PlanView, point: &Point3<f64>) -> Vector2<f64> {
        match view {
            // Seen from above, 12 o'clock (x) is up and 3 o'clock (−y) is right.
            PlanView::Above => Vector2::new(-point.y, point.x),
            PlanView::Side => Vector2::new(point.x, point.z),
        }
    }

    fn around(view: PlanView, points: &[Point3<f64>]) -> Self {
        let flat: Vec<_> = points
            .iter()
            .map(|point| Self::plane(view, point))
            .collect();
        let least = |axis: usize| flat.iter().map(|p| p[axis]).fold(f64::MAX, f64::min);
        let most = |axis: usize| flat.iter().map(|p| p[axis]).fold(f64::MIN, f64::max);
        Self {
            view,
            left: least(0),
            top: most(1),
            // Never narrower than the words above it.
            width_px: ((most(0) - least(0)) * PX_PER_M + 2.0 * BORDER_PX).max(560.0),
            height_px: (most(1) - least(1)) * PX_PER_M + 2.0 * BORDER_PX,
        }
    }

    fn at(&self, point: &Point3<f64>) -> (f64, f64) {
        let flat = Self::plane(self.view, point);
        (
            (flat.x - self.left) * PX_PER_M + BORDER_PX,
            (self.top - flat.y) * PX_PER_M + BORDER_PX,
        )
    }
}

/// Text for XML.
pub(crate) fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// The rig as a self-contained SVG: cameras with what they see, the shooting line, the nominal elbow path, the error
/// ellipse of the elbow at full draw (95 %, magnified 300 times, stated in the picture).
pub fn plan_svg(
    rig: &Rig,
    archer: NominalArcher,
    forecast: &Forecast,
    view: PlanView,
    words: &StudyWords,
) -> String {
    let mut corners: Vec<Point3<f64>> = rig.cameras.iter().map(Camera::centre_in_range).collect();
    corners.extend([
        Point3::new(1.6, 1.3, 0.0),
        Point3::new(-1.3, -1.3, 2.1),
        Point3::new(0.0, 0.0, -0.1),
    ]);
    let sheet = Sheet::around(view, &corners);
    let mut svg = String::new();
    let (w, h) = (sheet.width_px, sheet.height_px);
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.0} {h:.0}\" width=\"{w:.0}\" height=\"{h:.0}\" font-family=\"sans-serif\" font-size=\"13\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>"
    );
    ground(&mut svg, &sheet, words);
    for camera in &rig.cameras {
        draw_camera(&mut svg, &sheet, camera);
    }
    draw_archer(&mut svg, &sheet, archer);
    ellipse(&mut svg, &sheet, forecast);
    let title = words.plain(match view {
        PlanView::Above => "from_above",
        PlanView::Side => "from_side",
    });
    let times = format!("{MAGNIFIED:.0}");
    let note = words.say("plan_note", &[("view", title), ("times", &times)]);
    text(&mut svg, (8.0, 18.0), "start", &note);
    svg.push_str("</svg>");
    svg
}

fn line(svg: &mut String, a: (f64, f64), b: (f64, f64), style: &str) {
    let _ = write!(
        svg,
        "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" {style}/>",
        a.0, a.1, b.0, b.1
    );
}

fn text(svg: &mut String, at: (f64, f64), anchor: &str, words: &str) {
    let _ = write!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\" fill=\"#222\">{}</text>",
        at.0,
        at.1,
        escape(words)
    );
}

fn ground(svg: &mut String, sheet: &Sheet, words: &StudyWords) {
    match sheet.view {
        PlanView::Above => {
            let ends = [1.3, -1.3].map(|y| sheet.at(&Point3::new(0.0, y, 0.0)));
            line(svg, ends[0], ends[1], "stroke=\"#444\" stroke-width=\"3\"");
            for place in ClockFace::half_hours().step_by(2) {
                let point = Point3::origin() + place.direction().into_inner() * 1.15;
                let (x, y) = sheet.at(&point);
                let _ = write!(
                    svg,
                    "<text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" fill=\"#6b6b6b\" stroke=\"#fff\" stroke-width=\"4\" paint-order=\"stroke\" font-size=\"12\">{:.0}</text>",
                    y + 4.0,
                    if place.hours() < 0.5 {
                        12.0
                    } else {
                        place.hours()
                    }
                );
            }
        }
        PlanView::Side => {
            let y = sheet.at(&Point3::origin()).1;
            line(
                svg,
                (0.0, y),
                (sheet.width_px, y),
                "stroke=\"#444\" stroke-width=\"2\"",
            );
            let foot = sheet.at(&Point3::origin());
            line(
                svg,
                (foot.0, foot.1 - 8.0),
                (foot.0, foot.1 + 8.0),
                "stroke=\"#444\" stroke-width=\"3\"",
            );
        }
    }
    let arrow = [1.25, 1.6].map(|x| {
        sheet.at(&Point3::new(
            x,
            0.0,
            if sheet.view == PlanView::Side {
                1.5
            } else {
                0.0
            },
        ))
    });
    line(
        svg,
        arrow[0],
        arrow[1],
        "stroke=\"#888\" stroke-width=\"2\"",
    );
    let (dx, dy) = (arrow[1].0 - arrow[0].0, arrow[1].1 - arrow[0].1);
    let (ux, uy) = (dx / dx.hypot(dy), dy / dx.hypot(dy));
    for turn in [-0.5, 0.5] {
        let barb = (
            arrow[1].0 - 9.0 * (ux + turn * uy),
            arrow[1].1 - 9.0 * (uy - turn * ux),
        );
        line(svg, barb, arrow[1], "stroke=\"#888\" stroke-width=\"2\"");
    }
    text(
        svg,
        (arrow[1].0, arrow[1].1 - 6.0),
        "middle",
        words.plain("target"),
    );
}

fn draw_camera(svg: &mut String, sheet: &Sheet, camera: &Camera) {
    let centre = camera.centre_in_range();
    let at = sheet.at(&centre);
    // What the picture holds at the archer's distance: the rays of its four corners, as a fan.
    let (w, h) = (
        f64::from(camera.image_size.width_px) - 1.0,
        f64::from(camera.image_size.height_px) - 1.0,
    );
    let reach = centre.coords.xy().norm().max(centre.z - 1.3) + 0.2;
    let ends: Vec<(f64, f64)> = [(0.0, h / 2.0), (w, h / 2.0), (w / 2.0, 0.0), (w / 2.0, h)]
        .iter()
        .filter_map(|(x, y)| camera.ray_in_range(&nalgebra::Point2::new(*x, *y)))
        .map(|ray| sheet.at(&(centre + ray.into_inner() * reach)))
        .collect();
    // The two rays that open widest in this picture.
    let spread = |a: (f64, f64), b: (f64, f64)| (a.0 - b.0).hypot(a.1 - b.1);
    if let [a, b, c, d] = ends[..] {
        let (p, q) = if spread(a, b) > spread(c, d) {
            (a, b)
        } else {
            (c, d)
        };
        let _ = write!(
            svg,
            "<polygon points=\"{:.1},{:.1} {:.1},{:.1} {:.1},{:.1}\" fill=\"#2a78d6\" fill-opacity=\"0.08\" stroke=\"#2a78d6\" stroke-opacity=\"0.35\"/>",
            at.0, at.1, p.0, p.1, q.0, q.1
        );
    }
    let _ = write!(
        svg,
        "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"7\" fill=\"#2a78d6\"/>",
        at.0, at.1
    );
    let below = if at.1 > sheet.height_px - 24.0 {
        -12.0
    } else {
        22.0
    };
    let x = at.0.clamp(40.0, sheet.width_px - 40.0);
    text(svg, (x, at.1 + below), "middle", &camera.name);
}

fn draw_archer(svg: &mut String, sheet: &Sheet, archer: NominalArcher) {
    let body = archer.body(FULL_DRAW_S);
    let foot = Point3::new(0.0, 0.0, 0.5 * body.height_m);
    let limb = "stroke=\"#b9b2a6\" stroke-width=\"9\" stroke-linecap=\"round\"";
    if sheet.view == PlanView::Side {
        for foot_x in [-0.13, 0.13] {
            let ground = Point3::new(foot_x * body.height_m, 0.0, 0.0);
            line(svg, sheet.at(&foot), sheet.at(&ground), limb);
        }
    }
    let neck = Point3::new(0.0, 0.0, body.draw_shoulder.z);
    for (a, b) in [
        (foot, neck),
        (body.draw_shoulder, body.bow_shoulder),
        (body.bow_shoulder, body.bow_hand),
        (body.draw_shoulder, body.elbow),
        (body.elbow, body.hook),
    ] {
        line(svg, sheet.at(&a), sheet.at(&b), limb);
    }
    let head = sheet.at(&Point3::new(0.0, 0.0, 0.93 * body.height_m));
    let _ = write!(
        svg,
        "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"9\" fill=\"#b9b2a6\"/>",
        head.0, head.1
    );
    let mut points = String::new();
    let end = NominalPhase::TIMES_S[6].2;
    for k in 0..=120 {
        let (x, y) = sheet.at(&archer.body(end * f64::from(k) / 120.0).elbow);
        let _ = write!(points, "{x:.1},{y:.1} ");
    }
    let _ = write!(
        svg,
        "<polyline points=\"{points}\" fill=\"none\" stroke=\"#e07b00\" stroke-width=\"1.5\"/>"
    );
}

fn ellipse(svg: &mut String, sheet: &Sheet, forecast: &Forecast) {
    let c = &forecast.covariance_at_full_draw;
    let flat = match sheet.view {
        PlanView::Above => Matrix2::new(c[(1, 1)], -c[(0, 1)], -c[(0, 1)], c[(0, 0)]),
        PlanView::Side => Matrix2::new(c[(0, 0)], c[(0, 2)], c[(0, 2)], c[(2, 2)]),
    };
    let eigen = flat.symmetric_eigen();
    let radius =
        |k: usize| ELLIPSE_95 * eigen.eigenvalues[k].max(0.0).sqrt() * MAGNIFIED * PX_PER_M;
    let axis = eigen.eigenvectors.column(0);
    let (x, y) = sheet.at(&forecast.elbow_at_full_draw);
    let _ = write!(
        svg,
        "<ellipse cx=\"{x:.1}\" cy=\"{y:.1}\" rx=\"{:.1}\" ry=\"{:.1}\" transform=\"rotate({:.2} {x:.1} {y:.1})\" fill=\"#c0392b\" fill-opacity=\"0.25\" stroke=\"#c0392b\" stroke-width=\"1.5\"/>",
        radius(0),
        radius(1),
        (-axis[1]).atan2(axis[0]).to_degrees()
    );
}
