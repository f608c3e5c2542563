//! Where the range is: from the board on the shooting line, or from surveyed points.

use crate::bundle::Bundle;
use crate::moments::MomentPlan;
use crate::{Board, CalibrationError, PlumbLine, SurveyedPoint};
use drawarc_rig::skew;
use nalgebra::{
    Isometry3, Matrix3, Matrix6, Point2, Point3, Rotation3, Translation3, UnitQuaternion, Vector2,
    Vector3,
};

/// Three points closer to a line than this (smaller over larger spread) fix no frame.
const LEAST_SPREAD: f64 = 0.05;

/// Share of the moments with a moving board that may follow the rest on the line.
const MOST_WAVED_AFTER: f64 = 0.3;

/// `range_from_board` of a board that lies on the line: same axes, the origin `origin_from_centre_m` from its middle.
pub(crate) fn range_from_board(
    board: &Board,
    origin_from_centre_m: &Vector2<f64>,
) -> Isometry3<f64> {
    let middle = board.centre();
    Isometry3::translation(
        -middle.x - origin_from_centre_m.x,
        -middle.y - origin_from_centre_m.y,
        0.0,
    )
}

/// The rest that shows the board on the line: the last one of at least `least_rest_s`, which must come at the end of the
/// board's footage (a board that leans on something before it is shown is at rest, too) or within the window. Among stills,
/// the last exposure.
///
/// # Errors
/// [`CalibrationError::NoBoardOnLine`] with what there was instead.
pub(crate) fn board_on_line(
    plans: &[&MomentPlan],
    window_s: Option<(f64, f64)>,
    least_rest_s: f64,
    stills: bool,
) -> Result<usize, CalibrationError> {
    let least_rest_s = if stills { 0.0 } else { least_rest_s };
    let found = plans.iter().rposition(|plan| {
        plan.rest_s.is_some_and(|rest_s| rest_s >= least_rest_s)
            && window_s.is_none_or(|(from, to)| (from..=to).contains(&plan.time_s))
    });
    let Some(at) = found else {
        let longest = plans
            .iter()
            .filter_map(|plan| plan.rest_s)
            .fold(0.0, f64::max);
        return Err(CalibrationError::NoBoardOnLine {
            hint: format!(
                "it must lie still for {least_rest_s} s, whole in the picture; the longest rest seen is {longest:.1} s"
            ),
        });
    };
    let waved = |plans: &[&MomentPlan]| plans.iter().filter(|plan| plan.rest_s.is_none()).count();
    let after = waved(&plans[at..]);
    if window_s.is_none() && after as f64 > MOST_WAVED_AFTER * waved(plans) as f64 {
        return Err(CalibrationError::NoBoardOnLine {
            hint: format!(
                "the last rest, at {:.1} s, comes before the board was shown about; lay it on the line at the end, whole in the picture, or say when it lay there",
                plans[at].time_s
            ),
        });
    }
    Ok(at)
}

/// Rigid motion that takes `from` to `to` in the least squares sense (Umeyama 1991, eq. 40-43 with scale 1; Kabsch 1976).
/// `None` for fewer than three points, or points on a line.
pub(crate) fn rigid_fit(from: &[Point3<f64>], to: &[Point3<f64>]) -> Option<Isometry3<f64>> {
    if from.len() < 3 || from.len() != to.len() {
        return None;
    }
    let mean = |points: &[Point3<f64>]| {
        points.iter().map(|p| p.coords).sum::<Vector3<f64>>() / points.len() as f64
    };
    let (from_mean, to_mean) = (mean(from), mean(to));
    let mut cross = Matrix3::zeros();
    let mut spread = Matrix3::zeros();
    for (p, q) in from.iter().zip(to) {
        let p = p.coords - from_mean;
        cross += (q.coords - to_mean) * p.transpose();
        spread += p * p.transpose();
    }
    let mut eigenvalues: Vec<f64> = spread.symmetric_eigenvalues().iter().copied().collect();
    eigenvalues.sort_by(f64::total_cmp);
    if eigenvalues[1].max(0.0).sqrt() < LEAST_SPREAD * eigenvalues[2].sqrt() {
        return None;
    }
    let svd = cross.svd(true, true);
    let (u, v_t) = (svd.u?, svd.v_t?);
    let sign = (u.determinant() * v_t.determinant()).signum();
    let rotation = u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, sign)) * v_t;
    let rotation =
        UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(rotation));
    let translation = to_mean - rotation * from_mean;
    Some(Isometry3::from_parts(
        Translation3::from(translation),
        rotation,
    ))
}

/// The frame that surveyed points fix.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PointFrame {
    pub(crate) range_from_world: Isometry3<f64>,
    /// Covariance of `world_from_range` (left tangent).
    pub(crate) covariance: Matrix6<f64>,
}

/// Place of a marked point in the world: where its rays pass closest, with its covariance from the cameras' pixel noise.
fn place(
    bundle: &Bundle,
    marks_px: &[(usize, Point2<f64>)],
) -> Option<(Point3<f64>, Matrix3<f64>)> {
    if marks_px.len() < 2 {
        return None;
    }
    let mut information = Matrix3::zeros();
    let mut pull = Vector3::zeros();
    let mut rays = Vec::new();
    for (camera, pixel) in marks_px {
        let camera = bundle.cameras.get(*camera)?;
        let world_from_camera = camera.camera_from_world.inverse();
        let ray = world_from_camera.rotation * camera.lens.ray_from_pixel(pixel)?;
        let eye = world_from_camera.translation.vector;
        let across = Matrix3::identity() - ray.into_inner() * ray.transpose();
        information += across;
        pull += across * eye;
        rays.push((across, eye, camera.lens.focal_px()));
    }
    let place = information.try_inverse()? * pull;
    // A mark is set by hand: half a pixel (common practice, no source).
    let mut weighted = Matrix3::zeros();
    for (across, eye, focal_px) in rays {
        let sd = 0.5 * (place - eye).norm() / focal_px;
        weighted += across / (sd * sd);
    }
    Some((Point3::from(place), weighted.try_inverse()?))
}

/// The range frame from surveyed points.
///
/// # Errors
/// [`CalibrationError::SurveyedPoints`] for fewer than three usable points, or points on a line.
pub(crate) fn from_points(
    bundle: &Bundle,
    points: &[SurveyedPoint],
) -> Result<PointFrame, CalibrationError> {
    let refuse = |reason: &str| CalibrationError::SurveyedPoints {
        reason: reason.to_owned(),
    };
    let mut in_range = Vec::new();
    let mut in_world = Vec::new();
    let mut covariances = Vec::new();
    for point in points {
        let (place, covariance) = place(bundle, &point.marks_px)
            .ok_or_else(|| refuse("each must be marked in two cameras or more"))?;
        in_range.push(point.point_in_range);
        in_world.push(place);
        covariances.push(covariance);
    }
    let world_from_range = rigid_fit(&in_range, &in_world)
        .ok_or_else(|| refuse("three or more are needed, not on one line"))?;
    let mut information = Matrix6::zeros();
    for (point, covariance) in in_range.iter().zip(&covariances) {
        let moved = world_from_range * point;
        let mut by_tangent = nalgebra::Matrix3x6::zeros();
        by_tangent
            .fixed_columns_mut::<3>(0)
            .copy_from(&-skew(&moved.coords));
        by_tangent
            .fixed_columns_mut::<3>(3)
            .copy_from(&Matrix3::identity());
        let weight = covariance
            .try_inverse()
            .ok_or_else(|| refuse("a mark has no certain place"))?;
        information += by_tangent.transpose() * weight * by_tangent;
    }
    Ok(PointFrame {
        range_from_world: world_from_range.inverse(),
        covariance: information
            .try_inverse()
            .ok_or_else(|| refuse("they leave a direction open"))?,
    })
}

/// Marks of a plumb line nearer to each other than this (m) tell a slope no better than the ground under the board.
const LEAST_PLUMB_M: f64 = 0.3;

/// Turns the range about its origin until `z` is along the plumb line; `x` keeps its heading, as seen from above. The world is
/// the range of a board that lies on the line.
///
/// # Errors
/// [`CalibrationError::SurveyedPoints`] for marks that have no place, or are too near to each other.
pub(crate) fn upright(bundle: &Bundle, plumb: &PlumbLine) -> Result<PointFrame, CalibrationError> {
    let refuse = |reason: &str| CalibrationError::SurveyedPoints {
        reason: reason.to_owned(),
    };
    let marked = |marks: &[(usize, Point2<f64>)]| {
        place(bundle, marks).ok_or_else(|| {
            refuse("both ends of the plumb line must be marked in two cameras or more")
        })
    };
    let (top, top_covariance) = marked(&plumb.top_px)?;
    let (bottom, bottom_covariance) = marked(&plumb.bottom_px)?;
    let length_m = (top - bottom).norm();
    if length_m.is_nan() || length_m < LEAST_PLUMB_M {
        return Err(refuse(
            "the marks on the plumb line are less than 0.3 m apart",
        ));
    }
    let up = (top - bottom) / length_m;
    let level = UnitQuaternion::rotation_between(&up, &Vector3::z())
        .filter(|turn| turn.angle() < std::f64::consts::FRAC_PI_4)
        .ok_or_else(|| refuse("the plumb line is more than 45 degrees off the board's normal; is its top the upper mark?"))?;
    let along = level * Vector3::x();
    let heading = UnitQuaternion::from_scaled_axis(Vector3::z() * -along.y.atan2(along.x));
    let rotation = heading * level;
    let turned = *rotation.to_rotation_matrix().matrix();
    // A shift of the upper end along x tilts about y, along y about -x.
    let spread =
        turned * (top_covariance + bottom_covariance) * turned.transpose() / (length_m * length_m);
    let mut covariance = Matrix6::zeros();
    covariance[(0, 0)] = spread[(1, 1)];
    covariance[(1, 1)] = spread[(0, 0)];
    covariance[(0, 1)] = -spread[(0, 1)];
    covariance[(1, 0)] = -spread[(0, 1)];
    Ok(PointFrame {
        range_from_world: Isometry3::from_parts(Translation3::identity(), rotation),
        covariance,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn kabsch_published() {
        // Coordinates: the doctest of Biopython's SVDSuperimposer; rotation, translation and rmsd computed from them with
        // a reference library. y·R + t ≈ x.
        let x = [
            [51.65, -1.90, 50.07],
            [50.40, -1.23, 50.65],
            [50.68, -0.04, 51.54],
            [50.22, -0.02, 52.85],
        ]
        .map(Point3::from);
        let y = [
            [51.30, -2.99, 46.54],
            [51.09, -1.88, 47.58],
            [52.36, -1.20, 48.03],
            [52.71, -1.18, 49.38],
        ]
        .map(Point3::from);
        let x_from_y = rigid_fit(&y, &x).unwrap();
        let published = Matrix3::new(
            0.683_050, 0.536_644, 0.495_436, -0.522_773, 0.832_933, -0.181_472, -0.510_050,
            -0.135_046, 0.849_477,
        );
        let rotation = *x_from_y.rotation.to_rotation_matrix().matrix();
        assert_relative_eq!(rotation.transpose(), published, epsilon = 1e-6);
        let translation = Vector3::new(38.786_082, -20.654_513, -15.422_274);
        assert_relative_eq!(x_from_y.translation.vector, translation, epsilon = 1e-5);
        let squares: f64 = y
            .iter()
            .zip(&x)
            .map(|(y, x)| (x_from_y * y - x).norm_squared())
            .sum();
        assert!(((squares / 4.0).sqrt() - 0.003_042_7).abs() < 1e-6);
    }

    #[test]
    fn umeyama_published_rotation() {
        // Umeyama 1991, the worked example in the plane (inputs from memory): the best rotation is proper although a mirror
        // would fit better. R = [.83205 .55470; −.55470 .83205]; a plane in space may turn over, so the third dimension is
        // pinned by copies above and below.
        let lift = |p: [f64; 2], z: f64| Point3::new(p[0], p[1], z);
        let planes = [-10.0, 10.0];
        let from: Vec<_> = planes
            .iter()
            .flat_map(|z| [[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]].map(|p| lift(p, *z)))
            .collect();
        let to: Vec<_> = planes
            .iter()
            .flat_map(|z| [[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]].map(|p| lift(p, *z)))
            .collect();
        let rotation = rigid_fit(&from, &to).unwrap().rotation.to_rotation_matrix();
        assert_relative_eq!(rotation[(0, 0)], 0.832_05, epsilon = 1e-5);
        assert_relative_eq!(rotation[(0, 1)], 0.554_70, epsilon = 1e-5);
        assert_relative_eq!(rotation[(1, 0)], -0.554_70, epsilon = 1e-5);
    }

    #[test]
    fn points_on_a_line_are_refused() {
        let line: Vec<_> = (0..5)
            .map(|k| Point3::new(f64::from(k), 2.0 * f64::from(k), 0.0))
            .collect();
        assert!(rigid_fit(&line, &line).is_none());
    }
}
