//! What every angle shows: projection on the picture plane of a distant camera, and in pixels for the rig's own.

use crate::angles_sheet::{AnglesSheet, SeenVerdict, ViewKind, ViewSheet};
use crate::faults::FaultReport;
use crate::reversal::deepest;
use crate::sheet::{FaultKind, Finding, Side, Verdict};
use crate::shot::Shot;
use crate::travel::toward_target;
use drawarc_rig::{Camera, ClockFace};
use nalgebra::{Point3, Unit, UnitVector3, Vector3};

/// The movements whose visible share is asked for.
struct Movements {
    toward_target: Vector3<f64>,
    behind: Vector3<f64>,
    /// Sizes (m): collapse (or 1 mm), way around, V.
    sizes: [f64; 3],
    /// The elbow from the start of the draw to the end of the hold.
    path: Vec<Point3<f64>>,
    stalled: bool,
}

/// Looks from everywhere.
pub(crate) fn all_angles(shot: &Shot<'_>, verdict: Verdict, report: &FaultReport) -> AnglesSheet {
    let side = shot.context.side.sign();
    let from = shot.index(shot.draw_up_s().1) as usize;
    let to = shot.index(shot.hold_end_s()) as usize;
    let depth_m = report
        .faults
        .iter()
        .filter(|fault| matches!(fault.kind, FaultKind::Collapse | FaultKind::Creep))
        .map(|fault| fault.depth_mm.value / 1000.0)
        .fold(0.0, f64::max);
    let behind = &shot.coordinates.behind.mean;
    let height = &shot.coordinates.height.mean;
    let hold = from..=to.max(from);
    let range = |values: &[f64]| {
        let (low, high) = values
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
                (low.min(*v), high.max(*v))
            });
        (high - low).max(0.0)
    };
    let draw_from = report
        .faults
        .iter()
        .filter(|fault| fault.kind == FaultKind::Collapse)
        .map(|fault| shot.index(fault.start_s) as usize)
        .fold(from, usize::min);
    let movements = Movements {
        toward_target: toward_target(shot),
        behind: shot.line.mean.behind_direction(side),
        sizes: [
            if depth_m > 0.0 { depth_m } else { 0.001 },
            range(&behind[hold.clone()]),
            range(&height[hold]),
        ],
        path: shot.mean.point[draw_from..=to.max(draw_from)].to_vec(),
        stalled: report
            .checks
            .iter()
            .any(|check| check.kind == FaultKind::Stall && check.finding == Finding::Found),
    };
    let mut views: Vec<ViewSheet> = ClockFace::half_hours()
        .map(|place| {
            let view = View {
                name: place.to_string(),
                kind: ViewKind::Clock,
                clock_hours: Some(place.hours()),
                toward_camera: place.direction(),
            };
            view.sheet(shot, &movements, verdict, None)
        })
        .collect();
    let overhead = View {
        name: shot.words.plain("angles-overhead"),
        kind: ViewKind::Overhead,
        clock_hours: None,
        toward_camera: Vector3::z_axis(),
    };
    views.push(overhead.sheet(shot, &movements, verdict, None));
    let elbow = shot.mean.point[to];
    for camera in &shot.context.cameras {
        let centre = camera.centre_in_range();
        let view = View {
            name: camera.name.clone(),
            kind: ViewKind::Camera,
            clock_hours: Some(ClockFace::of_position(&centre, &elbow).hours()),
            toward_camera: Unit::new_normalize(centre - elbow),
        };
        views.push(view.sheet(shot, &movements, verdict, Some((camera, &elbow))));
    }
    summary(shot, verdict, views)
}

fn summary(shot: &Shot<'_>, verdict: Verdict, views: Vec<ViewSheet>) -> AnglesSheet {
    let share = |view: &ViewSheet| {
        if verdict == Verdict::GaveWayAround {
            view.around_share
        } else {
            view.collapse_share
        }
    };
    // Both sides of the archer and overhead may show it alike: the chest side first, where coaches stand.
    let chest = match shot.context.side {
        Side::Right => 3.0,
        Side::Left => 9.0,
    };
    let distance = |view: &ViewSheet| {
        view.clock_hours.map_or(6.0, |hours| {
            let apart = (hours - chest).rem_euclid(12.0);
            apart.min(12.0 - apart)
        })
    };
    let candidates = views
        .iter()
        .enumerate()
        .filter(|(_, view)| view.kind != ViewKind::Camera);
    let best = candidates
        .max_by(|(_, a), (_, b)| {
            // Shares that differ by rounding are one share.
            let rounded = |view: &ViewSheet| (share(view) * 1e6).round();
            rounded(a)
                .total_cmp(&rounded(b))
                .then(distance(b).total_cmp(&distance(a)))
        })
        .map_or(0, |(index, _)| index);
    let blind: Vec<usize> = views
        .iter()
        .enumerate()
        .filter(|(_, view)| share(view) < shot.settings.blind_share)
        .map(|(index, _)| index)
        .collect();
    let and = shot.words.plain("angles-and");
    let names: Vec<&str> = blind.iter().map(|&i| views[i].name.as_str()).collect();
    let key = if matches!(
        verdict,
        Verdict::Collapse
            | Verdict::Creep
            | Verdict::GaveWayAround
            | Verdict::Stall
            | Verdict::HookSlip
    ) {
        "angles-fault"
    } else {
        "angles-none"
    };
    let words = shot.words.fill(
        key,
        &[
            ("best", views[best].name.clone()),
            ("blind", names.join(&and)),
        ],
    );
    AnglesSheet {
        views,
        best,
        blind,
        words,
    }
}

struct View {
    name: String,
    kind: ViewKind,
    clock_hours: Option<f64>,
    toward_camera: UnitVector3<f64>,
}

impl View {
    fn sheet(
        self,
        shot: &Shot<'_>,
        movements: &Movements,
        verdict: Verdict,
        camera: Option<(&Camera, &Point3<f64>)>,
    ) -> ViewSheet {
        let on_picture =
            |v: &Vector3<f64>| v - self.toward_camera.into_inner() * v.dot(&self.toward_camera);
        let collapse = on_picture(&movements.toward_target);
        let collapse_share = collapse.norm();
        let seen = collapse_share >= shot.settings.blind_share;
        let reversal = collapse
            .try_normalize(1e-9)
            .filter(|_| seen)
            .map_or(0.0, |axis| {
                deepest(movements.path.iter().map(|p| -p.coords.dot(&axis)))
            });
        let person = if !seen {
            SeenVerdict::CannotTell
        } else if reversal >= shot.settings.eye_m {
            SeenVerdict::GaveWay
        } else if movements.stalled {
            SeenVerdict::Stall
        } else {
            SeenVerdict::Good
        };
        let gave_way = matches!(
            verdict,
            Verdict::Collapse | Verdict::Creep | Verdict::HookSlip
        );
        let misleads = match person {
            SeenVerdict::GaveWay => !gave_way,
            SeenVerdict::Good => {
                gave_way || matches!(verdict, Verdict::Stall | Verdict::GaveWayAround)
            }
            SeenVerdict::Stall | SeenVerdict::CannotTell => false,
        };
        ViewSheet {
            name: self.name.clone(),
            kind: self.kind,
            clock_hours: self.clock_hours,
            toward_camera: self.toward_camera.into_inner().into(),
            collapse_share,
            around_share: on_picture(&movements.behind).norm(),
            v_share: on_picture(&Vector3::z()).norm(),
            reversal_seen_mm: 1000.0 * reversal,
            pixels: camera.and_then(|(camera, elbow)| pixels(camera, elbow, movements)),
            person,
            misleads,
        }
    }
}

/// Pixels of each movement, from the elbow's place at the end of the hold.
fn pixels(camera: &Camera, elbow: &Point3<f64>, movements: &Movements) -> Option<[f64; 3]> {
    let from = camera.pixel_from_range(elbow)?;
    let size = |direction: &Vector3<f64>, length: f64| {
        // A millimetre at a time: the pixels of a movement, not of a place far off.
        camera
            .pixel_from_range(&(elbow + direction * 0.001))
            .map(|to| (to - from).norm() * length / 0.001)
    };
    Some([
        size(&movements.toward_target, movements.sizes[0])?,
        size(&movements.behind, movements.sizes[1])?,
        size(&Vector3::z(), movements.sizes[2])?,
    ])
}
