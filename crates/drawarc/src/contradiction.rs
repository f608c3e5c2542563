//! Do the cameras still agree about the elbow? A tripod that was touched after the board was shown shows here.
//!
//! The lines of sight of two cameras to one marker should meet. How far they pass by each other, over a whole shot, is
//! compared with what survey, clocks and markers explain. A turn that moves the picture along the plane through both
//! cameras and the elbow (the epipolar plane) keeps the lines meeting, at a wrong place: two cameras cannot show it; the background does (`stood`).

use crate::health::pixel_mm;
use drawarc_report::page::Words;
use drawarc_rig::{Camera, ClockModel, Rig, perturb};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use nalgebra::{DVector, Point2, Point3, Vector3, Vector6};

/// A marker's centre may stay wrong this long as a whole shot, by light from one side and what lies behind it (px, one
/// standard deviation, of one view): centres fit to 0.1 to 0.4 px a frame, and most of that does not last.
const CENTRE_PX: f64 = 0.1;
/// A contradiction counts from so many standard deviations of all that explains it. With a handful of pairs and shots a
/// practice, five leave false alarms at less than one in ten thousand practices even if the spread is stated a quarter
/// too small (then 3.75 are left); a knock of 0.3° at 1500 px of focal length is 8 px, of which a tenth is enough.
/// Measured on six rendered films of two phones that nobody touched: 0.00 to 0.09 px; knocked by 0.3° of pan: 1.1 px.
const SIGNIFICANCE: f64 = 5.0;
/// Less than this is never called a contradiction (px): below it lies what the fit itself takes up as error that lasts.
const LEAST_PX: f64 = 0.6;
/// Fewer common instants say nothing.
const LEAST_INSTANTS: usize = 20;
/// No more are looked at.
const MOST_INSTANTS: usize = 150;
/// Sightings of the other camera are joined over no more than this (s).
const JOINED_S: f64 = 0.05;

/// How far two cameras' lines of sight to the elbow pass by each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Contradiction {
    /// The two cameras, by index.
    pub(crate) cameras: (usize, usize),
    /// Median over the shot, seen in the picture (px), without sign.
    pub(crate) gap_px: f64,
    /// What survey, clocks and markers explain (px, one standard deviation).
    pub(crate) expected_px: f64,
}

impl Contradiction {
    /// Is it more than can be explained?
    pub(crate) fn counts(&self) -> bool {
        self.gap_px > LEAST_PX.max(SIGNIFICANCE * self.expected_px)
    }

    /// What it is worth at the elbow (mm), by the camera that makes more of it.
    pub(crate) fn cost_mm(&self, rig: &Rig) -> Option<f64> {
        let of = |index: usize| pixel_mm(&rig.cameras[index]);
        let pixel_mm = of(self.cameras.0)?.max(of(self.cameras.1)?);
        Some(self.gap_px * pixel_mm)
    }

    /// In plain words.
    pub(crate) fn sentence(&self, rig: &Rig, words: &Words) -> String {
        let name = |index: usize| rig.cameras[index].name.as_str();
        let (key, decimals) = if self.counts() {
            ("contradict", 1)
        } else {
            ("agree", 2)
        };
        words.health(
            key,
            &[
                ("first", name(self.cameras.0)),
                ("second", name(self.cameras.1)),
                ("px", &format!("{:.decimals$}", self.gap_px)),
                ("usual", &format!("{:.2}", self.expected_px)),
            ],
        )
    }
}

/// Compares all pairs of cameras but the one `left_out` by the fit, within range times `(from, to)` (s). Pairs that have
/// too little in common are not there.
pub(crate) fn compare(
    rig: &Rig,
    clocks: &[ClockModel],
    series: &[SightingSeries],
    (from_s, to_s): (f64, f64),
    left_out: Option<usize>,
) -> Vec<Contradiction> {
    let elbow = |camera: usize| {
        series
            .iter()
            .find(|s| s.camera == camera && s.role == MarkerRole::Elbow)
    };
    let mut found = Vec::new();
    for second in 0..rig.cameras.len() {
        for first in 0..second {
            if left_out == Some(first) || left_out == Some(second) {
                continue;
            }
            let (Some(a), Some(b)) = (elbow(first), elbow(second)) else {
                continue;
            };
            let pair = Pair {
                rig,
                clocks,
                series: (a, b),
                span_s: (from_s, to_s),
            };
            found.extend(pair.contradiction());
        }
    }
    found
}

/// The elbow as two cameras saw it.
struct Pair<'a> {
    rig: &'a Rig,
    clocks: &'a [ClockModel],
    series: (&'a SightingSeries, &'a SightingSeries),
    span_s: (f64, f64),
}

impl Pair<'_> {
    fn contradiction(&self) -> Option<Contradiction> {
        let cameras = (self.series.0.camera, self.series.1.camera);
        let whole = |index: usize| &self.rig.cameras[index];
        let gap_px = self.gap((whole(cameras.0), whole(cameras.1)), 0.0)?;
        // The gap's derivative by everything surveyed, one standard deviation each; then the variance through the joint
        // covariance.
        let covariance = &self.rig.covariance;
        let mut slope = DVector::zeros(covariance.nrows());
        for (of_first, index) in [(true, cameras.0), (false, cameras.1)] {
            for (place, parameter) in self.rig.block(index).enumerate() {
                let sd = covariance[(parameter, parameter)].max(0.0).sqrt();
                if sd == 0.0 {
                    continue;
                }
                let Some(moved) = stepped(whole(index), place, sd) else {
                    continue;
                };
                let pair = if of_first {
                    (&moved, whole(cameras.1))
                } else {
                    (whole(cameras.0), &moved)
                };
                slope[parameter] = (self.gap(pair, 0.0)? - gap_px) / sd;
            }
        }
        let survey_px2 = (slope.transpose() * covariance * &slope)[0].max(0.0);
        let middle_s = f64::midpoint(self.span_s.0, self.span_s.1);
        let clock = |index: usize| self.clocks[index].variance_at(middle_s);
        let late_s = (clock(cameras.0) + clock(cameras.1)).sqrt();
        let late_px = self.gap((whole(cameras.0), whole(cameras.1)), late_s)? - gap_px;
        Some(Contradiction {
            cameras,
            gap_px: gap_px.abs(),
            expected_px: (survey_px2 + late_px * late_px + 2.0 * CENTRE_PX * CENTRE_PX).sqrt(),
        })
    }

    /// Median signed gap (px); the second camera's clock `late_s` behind.
    fn gap(&self, cameras: (&Camera, &Camera), late_s: f64) -> Option<f64> {
        let first = self.track(self.series.0, cameras.0);
        let second = self.track(self.series.1, cameras.1);
        let step = first.len().div_ceil(MOST_INSTANTS).max(1);
        let mut gaps: Vec<f64> = first
            .iter()
            .step_by(step)
            .filter_map(|(time_s, pixel)| {
                gap_px(cameras, *pixel, between(&second, time_s + late_s)?)
            })
            .collect();
        if gaps.len() < LEAST_INSTANTS {
            return None;
        }
        let middle = gaps.len() / 2;
        Some(*gaps.select_nth_unstable_by(middle, f64::total_cmp).1)
    }

    /// Range times (s) of the sightings within the span, and where the marker was seen.
    fn track(&self, series: &SightingSeries, camera: &Camera) -> Vec<(f64, Point2<f64>)> {
        let clock = &self.clocks[series.camera];
        series
            .seen()
            .map(|s| {
                let delay_s = camera
                    .shutter
                    .row_delay_s(s.centre_px.y, camera.image_size.height_px);
                (clock.range_from_camera(s.camera_s + delay_s), s.centre_px)
            })
            .filter(|(time_s, _)| (self.span_s.0..self.span_s.1).contains(time_s))
            .collect()
    }
}

/// The camera with one of its parameters (in the order of the rig's covariance) moved.
fn stepped(camera: &Camera, place: usize, step: f64) -> Option<Camera> {
    let mut moved = camera.clone();
    if place < 6 {
        let mut tangent = Vector6::zeros();
        tangent[place] = step;
        moved.camera_from_range = perturb(&camera.camera_from_range, &tangent);
    } else if place + 1 == camera.parameter_count() {
        moved.shutter.readout_s += step;
    } else {
        let mut lens = camera.lens.parameters();
        lens[place - 6] += step;
        moved.lens = camera.lens.with_parameters(&lens)?;
    }
    Some(moved)
}

fn between(track: &[(f64, Point2<f64>)], time_s: f64) -> Option<Point2<f64>> {
    let after = track.partition_point(|(t, _)| *t <= time_s);
    let (from, to) = (track.get(after.checked_sub(1)?)?, track.get(after)?);
    let gap_s = to.0 - from.0;
    (gap_s < JOINED_S).then(|| from.1 + (to.1 - from.1) * ((time_s - from.0) / gap_s))
}

/// How far two lines of sight pass by each other, signed, in pixels of a middling camera of the two. `None` for lines that
/// are nearly parallel: there the sides change.
fn gap_px(cameras: (&Camera, &Camera), first: Point2<f64>, second: Point2<f64>) -> Option<f64> {
    let (a, b) = (
        cameras.0.ray_in_range(&first)?,
        cameras.1.ray_in_range(&second)?,
    );
    let across = a.cross(&b);
    let sine = across.norm();
    if sine < 0.02 {
        return None;
    }
    let (at_a, at_b): (Point3<f64>, Point3<f64>) =
        (cameras.0.centre_in_range(), cameras.1.centre_in_range());
    let base: Vector3<f64> = at_b - at_a;
    let gap_m = base.dot(&across) / sine;
    // Distances along both lines to where they are closest.
    let square = sine * sine;
    let (way_a, way_b) = (
        base.cross(&b).dot(&across) / square,
        base.cross(&a).dot(&across) / square,
    );
    if way_a <= 0.0 || way_b <= 0.0 {
        return None;
    }
    let scale = cameras.0.lens.focal_px() / way_a + cameras.1.lens.focal_px() / way_b;
    Some(gap_m * scale / 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use drawarc_rig::{BrownConrady, ImageSize, Lens, Level, RangeFrame, Shutter, SurveySummary};
    use drawarc_sync_track::{Sighting, Verdict};
    use nalgebra::{DMatrix, Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion};

    fn camera(name: &str, at: [f64; 3], look_at: [f64; 3]) -> Camera {
        let (at, look_at) = (Point3::from(at), Point3::from(look_at));
        let forward = (look_at - at).normalize();
        let right = forward.cross(&Vector3::z()).normalize();
        let down = forward.cross(&right);
        let turn = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
        let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
        Camera {
            name: name.to_owned(),
            image_size: ImageSize {
                width_px: 1920,
                height_px: 1080,
            },
            rotation_deg: 0,
            lens: Lens::BrownConrady(BrownConrady {
                fx_px: 1500.0,
                fy_px: 1500.0,
                cx_px: 960.0,
                cy_px: 540.0,
                k1: 0.0,
                k2: 0.0,
                k3: 0.0,
                p1: 0.0,
                p2: 0.0,
            }),
            shutter: Shutter {
                readout_s: 0.0,
                readout_sd_s: 0.0,
                exposure_s: 0.002,
            },
            camera_from_range: Isometry3::from_parts(Translation3::from(-(turn * at.coords)), turn),
        }
    }

    /// Two phones whose poses are known to 0.0001 rad and 0.1 mm.
    fn rig() -> Rig {
        let cameras = vec![
            camera("five", [-2.95, -1.75, 1.75], [-0.05, 0.0, 1.02]),
            camera("three", [0.15, -3.45, 1.05], [-0.08, 0.0, 0.98]),
        ];
        let size = cameras.iter().map(Camera::parameter_count).sum();
        let mut covariance = DMatrix::zeros(size, size);
        for start in [0, size / 2] {
            for place in 0..6 {
                covariance[(start + place, start + place)] = 1e-8;
            }
        }
        Rig {
            cameras,
            range_frame: RangeFrame::BoardOnLine { views: 3 },
            level: Level::AssumedFromBoard,
            survey: SurveySummary {
                residual_px: vec![0.1; 2],
                views: vec![50; 2],
                corner_sd_px: vec![0.1; 2],
                ended: String::new(),
                scale_sd_percent: 0.1,
                remarks: Vec::new(),
            },
            covariance,
        }
    }

    /// What the second camera sees after a turn about its own axes (rad).
    fn seen(rig: &Rig, turn: [f64; 3]) -> Vec<SightingSeries> {
        let tangent = Vector6::new(turn[0], turn[1], turn[2], 0.0, 0.0, 0.0);
        (0..2)
            .map(|index| {
                let mut film = rig.cameras[index].clone();
                if index == 1 {
                    let about = UnitQuaternion::from_scaled_axis(tangent.xyz());
                    film.camera_from_range = about * film.camera_from_range;
                }
                let samples = (0..240_u32)
                    .map(|frame| {
                        let camera_s = f64::from(frame) / 60.0;
                        let elbow = Point3::new(-0.3 - 0.08 * camera_s, 0.1, 1.45);
                        let mut sighting = Sighting::missing(frame.into(), camera_s, Verdict::Seen);
                        sighting.centre_px = film.pixel_from_range(&elbow).unwrap();
                        sighting
                    })
                    .collect();
                SightingSeries {
                    camera: index,
                    role: MarkerRole::Elbow,
                    samples,
                }
            })
            .collect()
    }

    fn compared(turn_deg: [f64; 3]) -> Vec<Contradiction> {
        let rig = rig();
        let series = seen(&rig, turn_deg.map(f64::to_radians));
        let clocks = vec![ClockModel::constant(0.0, 1e-8); 2];
        compare(&rig, &clocks, &series, (0.0, 4.0), None)
    }

    #[test]
    fn cameras_that_stand_still_agree() {
        let [pair] = compared([0.0; 3])[..] else {
            panic!("one pair");
        };
        assert!(pair.gap_px < 0.01 && !pair.counts(), "{pair:?}");
        assert!((0.14..0.6).contains(&pair.expected_px), "{pair:?}");
    }

    #[test]
    fn a_tilted_tripod_contradicts() {
        let [pair] = compared([0.3, 0.0, 0.0])[..] else {
            panic!("one pair");
        };
        assert!(pair.gap_px > 6.0 && pair.counts(), "{pair:?}");
        let words = Words::english().unwrap();
        assert!(pair.sentence(&rig(), &words).contains("tripod"), "{pair:?}");
    }

    #[test]
    fn a_turn_within_what_the_survey_explains_is_no_contradiction() {
        let [pair] = compared([0.006, 0.0, 0.0])[..] else {
            panic!("one pair");
        };
        assert!(pair.gap_px > 0.1 && !pair.counts(), "{pair:?}");
    }

    #[test]
    fn a_camera_that_the_fit_left_out_is_not_compared() {
        let rig = rig();
        let clocks = vec![ClockModel::identity(); 2];
        let series = seen(&rig, [0.01, 0.0, 0.0]);
        assert!(compare(&rig, &clocks, &series, (0.0, 4.0), Some(1)).is_empty());
    }
}
