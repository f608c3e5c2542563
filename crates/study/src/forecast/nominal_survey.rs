//! What a survey of a sketched rig will know: the information matrix of a bundle adjustment over a nominal showing of the
//! board, poses of the board eliminated.
//!
//! Unknowns: pose (6) and lens of every camera, the print's scale, six numbers for each pose of the board; the board on
//! the shooting line *is* the range frame, so its pose is known by definition. The covariance is that of a
//! Gauss-Newton solution, `σ² (Jᵀ J)⁻¹` (Triggs et al. 2000, "Bundle adjustment, a modern synthesis", section 6).

use super::sketch::{RigSketch, SketchSurvey};
use crate::StudyError;
use drawarc_rig::{Camera, Level, RangeFrame, Rig, SurveySummary, skew};
use nalgebra::{
    DMatrix, DVector, Isometry3, Matrix2x6, Matrix6, Matrix6xX, Point3, Rotation3, Translation3,
    UnitQuaternion, Vector2, Vector3,
};
use std::f64::consts::PI;

/// A board is detected up to this angle between its normal and the line of sight (degrees).
const STEEPEST_DEG: f64 = 65.0;
/// On the ground it may lie flatter: up to this angle (degrees), views at rest are many.
const STEEPEST_ON_LINE_DEG: f64 = 80.0;
/// Box in which the board is waved, range frame (m).
const BOX_LOW: [f64; 3] = [-0.7, -0.5, 0.8];
/// The box's other corner (m).
const BOX_HIGH: [f64; 3] = [0.5, 0.5, 1.9];
/// A board near a camera fills this share of the picture's width.
const FILL: f64 = 0.55;
/// Prior of distortion before any picture (standard deviations of k1, k2, p1, p2).
const DISTORTION_SD: [f64; 4] = [0.5, 0.5, 0.02, 0.02];
/// A pose known no better than this (m) means that a camera hangs on nothing.
const LOOSE_M: f64 = 0.5;
/// Corners along each side that enter; the rest is counted by weight.
const CORNERS_USED: usize = 4;

/// Van der Corput sequence: evenly spread numbers in (0, 1).
fn spread(mut index: usize, base: usize) -> f64 {
    let (mut value, mut share) = (0.0, 1.0 / base as f64);
    index += 1;
    while index > 0 {
        value += share * (index % base) as f64;
        index /= base;
        share /= base as f64;
    }
    value
}

/// Corners that enter, in the board frame (m), centred, and the number that each stands for.
fn corners(board: &SketchSurvey) -> (Vec<Point3<f64>>, f64) {
    let pick = |count: usize| -> Vec<f64> {
        let used = count.min(CORNERS_USED);
        (0..used)
            .map(|k| {
                let place = k as f64 * (count - 1) as f64 / (used - 1).max(1) as f64;
                (place - 0.5 * (count - 1) as f64) * board.pitch_m
            })
            .collect()
    };
    let (xs, ys) = (pick(board.columns), pick(board.rows));
    let points: Vec<_> = xs
        .iter()
        .flat_map(|x| ys.iter().map(move |y| Point3::new(*x, *y, 0.0)))
        .collect();
    let weight = (board.columns * board.rows) as f64 / points.len() as f64;
    (points, weight)
}

/// A board with its printed side toward `normal`, turned by `roll_rad` about it.
fn board_pose(centre: Point3<f64>, normal: &Vector3<f64>, roll_rad: f64) -> Isometry3<f64> {
    let toward = UnitQuaternion::rotation_between(&Vector3::z(), normal)
        .unwrap_or_else(|| UnitQuaternion::from_axis_angle(&Vector3::x_axis(), PI));
    let roll = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), roll_rad);
    Isometry3::from_parts(Translation3::from(centre.coords), toward * roll)
}

/// Tilts a direction by up to ±0.6 rad about two axes.
fn tilted(direction: &Vector3<f64>, index: usize) -> Vector3<f64> {
    let about = |base| 1.2 * (spread(index, base) - 0.5);
    Rotation3::from_euler_angles(about(5), about(7), about(11)) * direction
}

/// Poses in which the board is shown: `range_from_board`.
fn shown(cameras: &[Camera], board: &SketchSurvey) -> Vec<Isometry3<f64>> {
    let mut poses = Vec::new();
    for view in 0..board.views_in_volume {
        let at = |axis: usize, base| {
            BOX_LOW[axis] + (BOX_HIGH[axis] - BOX_LOW[axis]) * spread(view, base)
        };
        let centre = Point3::new(at(0, 2), at(1, 3), at(2, 5));
        let toward =
            |index: usize| (cameras[index % cameras.len()].centre_in_range() - centre).normalize();
        // Every other view is held between two neighbours in the list, so that both see it.
        let middle = toward(view)
            + f64::from(u8::from(view % 3 != 0)) * toward(view + 1 + view / cameras.len());
        let normal = middle.try_normalize(0.3).unwrap_or_else(|| toward(view));
        poses.push(board_pose(
            centre,
            &tilted(&normal, view),
            2.0 * PI * spread(view, 13),
        ));
    }
    let width_m = board.columns as f64 * board.pitch_m;
    for camera in cameras {
        for view in 0..board.views_of_lens {
            let size = [camera.image_size.width_px, camera.image_size.height_px].map(f64::from);
            let pixel = nalgebra::Point2::new(
                size[0] * (0.25 + 0.5 * spread(view, 2)),
                size[1] * (0.25 + 0.5 * spread(view, 3)),
            );
            let Some(ray) = camera.ray_in_range(&pixel) else {
                continue;
            };
            let focal = camera.lens.parameters()[0];
            let depth = focal * width_m / (FILL * size[0].max(size[1]));
            let centre = camera.centre_in_range() + ray.into_inner() * depth;
            let normal = tilted(&-ray.into_inner(), view + 3);
            // Its long side along the picture's long side.
            let right = camera.camera_from_range.rotation.inverse() * Vector3::x();
            let pose = board_pose(centre, &normal, 0.0);
            let sideways = pose.rotation.inverse() * right;
            poses.push(board_pose(centre, &normal, sideways.y.atan2(sideways.x)));
        }
    }
    poses
}

/// Parameters of a camera that a survey estimates: pose, then lens without k3 (places within the rig's block).
fn estimated(camera: &Camera) -> Vec<usize> {
    let names = camera.lens.parameter_names();
    (0..6)
        .chain(
            (0..names.len())
                .filter(|k| names[*k] != "k3")
                .map(|k| 6 + k),
        )
        .collect()
}

/// Sums up one view of the board.
struct Adjustment<'a> {
    cameras: &'a [Camera],
    free: Vec<Vec<usize>>,
    starts: Vec<usize>,
    information: DMatrix<f64>,
    points: Vec<Point3<f64>>,
    weight: f64,
}

impl Adjustment<'_> {
    /// Adds a view; `known` poses have no unknowns of their own. Returns which cameras saw it.
    fn add(
        &mut self,
        range_from_board: &Isometry3<f64>,
        known: bool,
        steepest_deg: f64,
        times: f64,
    ) -> Vec<bool> {
        let size = self.information.nrows();
        let mut of_view = Matrix6::zeros();
        let mut cross = Matrix6xX::zeros(size);
        let seen: Vec<bool> = (0..self.cameras.len())
            .map(|index| self.camera_sees(index, range_from_board, steepest_deg))
            .collect();
        // A view of one camera alone still says much about its lens; a view of none says nothing.
        for index in (0..self.cameras.len()).filter(|index| seen[*index]) {
            for point_in_board in &self.points.clone() {
                let (row, by_view) = self.row(index, range_from_board, point_in_board);
                let weight = self.weight * times;
                for (a, row_a) in &row {
                    for (b, row_b) in &row {
                        self.information[(*a, *b)] += weight * row_a.dot(row_b);
                    }
                    let column = by_view.transpose() * *row_a * weight;
                    cross.column_mut(*a).axpy(1.0, &column, 1.0);
                }
                of_view += by_view.transpose() * by_view * weight;
            }
        }
        if !known && seen.contains(&true) {
            // Six numbers seen by a whole board are always well determined; the ridge is far below them.
            if let Some(inverse) = (of_view + Matrix6::identity() * 1e-9).try_inverse() {
                self.information -= cross.transpose() * inverse * &cross;
            }
        }
        seen
    }

    fn camera_sees(
        &self,
        index: usize,
        range_from_board: &Isometry3<f64>,
        steepest_deg: f64,
    ) -> bool {
        let camera = &self.cameras[index];
        let toward = camera.centre_in_range() - Point3::from(range_from_board.translation.vector);
        let normal = range_from_board.rotation * Vector3::z();
        if normal.dot(&toward.normalize()) < steepest_deg.to_radians().cos() {
            return false;
        }
        self.points.iter().all(|point| {
            camera
                .pixel_from_range(&(range_from_board * point))
                .is_some_and(|pixel| camera.is_in_picture(&pixel))
        })
    }

    /// Derivatives of one corner: `(parameter, ∂pixel/∂parameter)`, and by the board's tangent about its centre.
    fn row(
        &self,
        index: usize,
        range_from_board: &Isometry3<f64>,
        point_in_board: &Point3<f64>,
    ) -> (Vec<(usize, Vector2<f64>)>, Matrix2x6<f64>) {
        let camera = &self.cameras[index];
        let from_centre = range_from_board.rotation * point_in_board.coords;
        let point_in_camera = camera.camera_from_range * (range_from_board * point_in_board);
        let Some(projection) = camera.lens.project(&point_in_camera) else {
            return (Vec::new(), Matrix2x6::zeros());
        };
        let by_point = projection.pixel_by_point;
        let by_rotation = by_point * -skew(&point_in_camera.coords);
        let by_range = by_point
            * camera
                .camera_from_range
                .rotation
                .to_rotation_matrix()
                .matrix();
        let mut by_view = Matrix2x6::zeros();
        by_view
            .fixed_view_mut::<2, 3>(0, 0)
            .copy_from(&(by_range * -skew(&from_centre)));
        by_view.fixed_view_mut::<2, 3>(0, 3).copy_from(&by_range);
        let mut row: Vec<(usize, Vector2<f64>)> = self.free[index]
            .iter()
            .enumerate()
            .map(|(place, parameter)| {
                let derivative: Vector2<f64> = match *parameter {
                    k @ 0..3 => by_rotation.column(k).into_owned(),
                    k @ 3..6 => by_point.column(k - 3).into_owned(),
                    k => projection.pixel_by_parameters.column(k - 6).into_owned(),
                };
                (self.starts[index] + place, derivative)
            })
            .collect();
        // The print may be a little larger or smaller all over.
        row.push((self.information.nrows() - 1, by_range * from_centre));
        (row, by_view)
    }
}

/// The sketched rig with the covariance that its survey will have.
///
/// # Errors
/// [`StudyError`] where the sketch cannot be, or a camera shares too few views of the board with the others.
pub fn nominal_rig(sketch: &RigSketch) -> Result<Rig, StudyError> {
    sketch.validate()?;
    let cameras = sketch.cameras();
    let board = &sketch.survey;
    let free: Vec<Vec<usize>> = cameras.iter().map(estimated).collect();
    let starts: Vec<usize> = free
        .iter()
        .scan(0, |next, list| {
            let start = *next;
            *next += list.len();
            Some(start)
        })
        .collect();
    let size = free.iter().map(Vec::len).sum::<usize>() + 1;
    let (points, per_corner) = corners(board);
    let mut adjustment = Adjustment {
        cameras: &cameras,
        free,
        starts,
        information: DMatrix::zeros(size, size),
        points,
        weight: per_corner / board.corner_sd_px.powi(2),
    };
    let mut views = vec![0; cameras.len()];
    let on_line = adjustment.add(
        &Isometry3::identity(),
        true,
        STEEPEST_ON_LINE_DEG,
        board.views_on_line as f64,
    );
    for pose in shown(&cameras, board) {
        let seen = adjustment.add(&pose, false, STEEPEST_DEG, 1.0);
        for (count, saw) in views.iter_mut().zip(&seen) {
            *count += usize::from(*saw);
        }
    }
    let covariance = solve(&adjustment, board.pitch_sd, &on_line)?;
    let rig = Rig {
        range_frame: RangeFrame::BoardOnLine {
            views: board.views_on_line,
        },
        level: Level::AssumedFromBoard,
        survey: SurveySummary {
            residual_px: vec![board.corner_sd_px * std::f64::consts::SQRT_2; cameras.len()],
            views,
            corner_sd_px: vec![board.corner_sd_px; cameras.len()],
            ended: "forecast: no picture was taken".to_owned(),
            scale_sd_percent: 100.0 * board.pitch_sd,
            remarks: Vec::new(),
        },
        covariance,
        cameras,
    };
    Ok(rig)
}

/// Inverts the information and spreads it over the rig's parameters.
fn solve(
    adjustment: &Adjustment<'_>,
    pitch_sd: f64,
    on_line: &[bool],
) -> Result<DMatrix<f64>, StudyError> {
    let mut information = adjustment.information.clone();
    let size = information.nrows();
    information[(size - 1, size - 1)] += pitch_sd.powi(-2);
    for (index, camera) in adjustment.cameras.iter().enumerate() {
        let names = camera.lens.parameter_names();
        for (place, parameter) in adjustment.free[index].iter().enumerate() {
            let sd = match parameter.checked_sub(6).map(|k| names[k]) {
                Some("k1") => DISTORTION_SD[0],
                Some("k2" | "k3" | "k4") => DISTORTION_SD[1],
                Some("p1" | "p2") => DISTORTION_SD[2],
                _ => continue,
            };
            let at = adjustment.starts[index] + place;
            information[(at, at)] += sd.powi(-2);
        }
    }
    // Scaled to a unit diagonal: pixels and radians are ten orders apart.
    let scale = DVector::from_fn(size, |k, _| {
        let value = information[(k, k)];
        if value > 0.0 {
            value.sqrt().recip()
        } else {
            1.0
        }
    });
    let scaled = DMatrix::from_fn(size, size, |a, b| information[(a, b)] * scale[a] * scale[b]);
    let loose = |index: usize| StudyError::Rig {
        problem: format!(
            "camera {:?} cannot be surveyed: it {} and shares too few views of the board with the others; move it, or plan more views",
            adjustment.cameras[index].name,
            if on_line[index] {
                "sees the board on the line only from afar"
            } else {
                "does not see the board on the shooting line"
            },
        ),
    };
    let first_loose = on_line.iter().position(|saw| !saw).unwrap_or(0);
    let inverse = scaled
        .cholesky()
        .ok_or_else(|| loose(first_loose))?
        .inverse();
    let total: usize = adjustment.cameras.iter().map(Camera::parameter_count).sum();
    let mut places = Vec::with_capacity(size);
    let mut start = 0;
    for (index, camera) in adjustment.cameras.iter().enumerate() {
        places.extend(
            adjustment.free[index]
                .iter()
                .map(|parameter| start + parameter),
        );
        start += camera.parameter_count();
    }
    let mut covariance = DMatrix::zeros(total, total);
    for (a, row) in places.iter().enumerate() {
        for (b, column) in places.iter().enumerate() {
            covariance[(*row, *column)] = inverse[(a, b)] * scale[a] * scale[b];
        }
    }
    let mut start = 0;
    for (index, camera) in adjustment.cameras.iter().enumerate() {
        let worst = (3..6)
            .map(|k| covariance[(start + k, start + k)])
            .fold(0.0, f64::max);
        if worst.is_nan() || worst.sqrt() > LOOSE_M {
            return Err(loose(index));
        }
        let readout = start + camera.parameter_count() - 1;
        covariance[(readout, readout)] = camera.shutter.readout_sd_s.powi(2);
        start += camera.parameter_count();
    }
    Ok(covariance)
}

#[cfg(test)]
mod tests {
    use super::super::sketch::{Place, two_phones};
    use super::*;

    #[test]
    fn two_phones_are_known_to_millimetres_and_more_views_help() {
        let sketch = two_phones();
        let rig = nominal_rig(&sketch).unwrap();
        rig.validate().unwrap();
        let centre_sd = |rig: &Rig, index: usize| {
            let block = rig.block(index);
            let variance: f64 = (3..6)
                .map(|k| rig.covariance[(block.start + k, block.start + k)])
                .sum();
            variance.sqrt()
        };
        let focal_sd = |rig: &Rig| {
            let at = rig.block(0).start + 6;
            rig.covariance[(at, at)].sqrt() / rig.cameras[0].lens.parameters()[0]
        };
        assert!(
            (1e-4..1e-2).contains(&centre_sd(&rig, 0)),
            "{}",
            centre_sd(&rig, 0)
        );
        assert!(focal_sd(&rig) < 1e-3, "{}", focal_sd(&rig));
        let mut more = sketch.clone();
        more.survey.views_in_volume *= 4;
        let better = nominal_rig(&more).unwrap();
        assert!(focal_sd(&better) < focal_sd(&rig));
        assert!(centre_sd(&better, 1) < centre_sd(&rig, 1));
    }

    #[test]
    fn a_camera_that_sees_no_board_is_refused_by_name() {
        let mut sketch = two_phones();
        sketch.survey.views_in_volume = 0;
        sketch.cameras[1].place = Place::Overhead;
        // Under the board on the line: it lies with its print up.
        sketch.cameras[1].height_m = 0.05;
        let message = nominal_rig(&sketch).unwrap_err().to_string();
        assert!(message.contains("three"), "{message}");
    }
}
