//! A study on nominal shots: shows the method and what follows from geometry alone. It is no evidence about people.

use super::pairs::{CameraView, StudyShot, virtual_view};
use super::track::{ArrowLine, ShotTimes};
use crate::StudyError;
use crate::forecast::NominalArcher;
use drawarc_rig::Camera;
use nalgebra::{Point3, UnitVector3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Smooth step from 0 to 1.
fn step(t: f64, from: f64, to: f64) -> f64 {
    let s = ((t - from) / (to - from)).clamp(0.0, 1.0);
    s * s * s * (10.0 - s * (15.0 - 6.0 * s))
}

/// Shots of nominal archers before stated cameras: every archer has a height and a manner of going around, every third shot
/// collapses by 4 to 12 mm in expansion. Pixels carry noise (px, one axis); sampled at `rate_hz`.
///
/// # Errors
/// [`StudyError`] where the noise cannot be.
pub fn nominal_shots(
    cameras: &[Camera],
    archers: usize,
    shots: usize,
    (rate_hz, noise_px, seed): (f64, f64, u64),
) -> Result<Vec<StudyShot>, StudyError> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut list = Vec::new();
    for archer in 0..archers {
        let nominal = NominalArcher::right_handed(1.5 + 0.4 * random.random::<f64>());
        let manner_m = 0.03 * (random.random::<f64>() - 0.3);
        let line = ArrowLine {
            point_in_range: nominal.anchor_in_range(),
            away_in_range: UnitVector3::new_normalize(-Vector3::x()),
            side: 1.0,
            elbow_reach_m: nominal.anchor_in_range().x - nominal.body(4.0).elbow.x,
        };
        for shot in 0..shots {
            let collapse_m = if shot % 3 == 2 {
                0.004 + 0.008 * random.random::<f64>()
            } else {
                0.0
            };
            let around_m = manner_m + 0.008 * (random.random::<f64>() - 0.5);
            let quicker = 0.92 + 0.16 * random.random::<f64>();
            let (time_s, points): (Vec<f64>, Vec<Point3<f64>>) = samples(rate_hz, quicker)
                .map(|(clock_s, t)| {
                    let change = Vector3::new(
                        collapse_m * step(t, 3.7, 3.95),
                        around_m * step(t, 3.1, 4.8),
                        0.0,
                    );
                    (clock_s, nominal.body(t).elbow + change)
                })
                .unzip();
            let views: Result<Vec<CameraView>, StudyError> = cameras
                .iter()
                .enumerate()
                .map(|(index, camera)| {
                    let own_seed =
                        seed ^ (((archer * shots + shot) * cameras.len() + index) as u64 + 1);
                    virtual_view(camera, &time_s, &points, &line, (noise_px, own_seed))
                })
                .collect();
            list.push(StudyShot {
                practice: "nominal".to_owned(),
                archer: format!("archer-{}", archer + 1),
                shot: format!("shot-{:02}", shot + 1),
                simulated: true,
                line,
                times: ShotTimes {
                    draw_s: 1.6 / quicker,
                    anchor_s: 2.7 / quicker,
                    expansion_s: 3.1 / quicker,
                    end_s: 4.86 / quicker,
                },
                collapsed: Some(collapse_m > 0.0),
                views: views?,
            });
        }
    }
    Ok(list)
}

/// Sample times: on the clock and within the nominal shot.
fn samples(rate_hz: f64, quicker: f64) -> impl Iterator<Item = (f64, f64)> {
    (0..)
        .map(move |k| f64::from(k) / rate_hz)
        .map(move |clock_s| (clock_s, clock_s * quicker))
        .take_while(|(_, t)| *t <= 5.3)
}

#[cfg(test)]
mod tests {
    use super::super::study::agree;
    use super::super::study_file::StudyFile;
    use super::super::track::StudyMeasure;
    use super::super::{STUDY_FORMAT, Trust};
    use super::*;
    use crate::StudyWords;
    use crate::forecast::{Place, two_phones};
    use drawarc_rig::ClockFace;

    fn cameras(hours: &[f64]) -> Vec<Camera> {
        let mut sketch = two_phones();
        let pattern = sketch.cameras[0].clone();
        sketch.cameras = hours
            .iter()
            .map(|hours| {
                let mut camera = pattern.clone();
                camera.name = format!("at-{hours}");
                camera.height_m = 1.5;
                camera.place = Place::Clock(ClockFace::from_hours(*hours));
                camera
            })
            .collect();
        sketch.cameras()
    }

    /// 4 archers × 12 shots × 4 angles. What must follow from geometry: from 6 o'clock a collapse is nearly invisible, from 3
    /// o'clock the way around is; each is seen well from the other place.
    #[test]
    fn the_conclusion_follows_from_geometry() {
        let shots = nominal_shots(&cameras(&[3.0, 4.0, 5.0, 6.0]), 4, 12, (60.0, 0.1, 3)).unwrap();
        let text = format!("format: {STUDY_FORMAT}\ntitle: nominal\npractices: [nominal]\n");
        let study = agree(
            &shots,
            &StudyFile::from_yaml(&text).unwrap(),
            &StudyWords::english().unwrap(),
        )
        .unwrap();
        assert!(study.statements[0].contains("no evidence about people"));
        let cell =
            |camera: &str, estimate: &str, measure| study.cell(camera, estimate, measure).unwrap();
        let reversal = |camera| cell(camera, "as-seen", StudyMeasure::Reversal);
        // Three millimetres of 3-D collapse show as 3.0 from 3 o'clock, 1.5 from 5, almost nothing from 6.
        for (camera, share) in [("at-3", 1.0), ("at-5", 0.5), ("at-6", 0.05)] {
            let shown = reversal(camera).shown_share;
            assert!((shown - share).abs() < 0.06, "{camera}: {shown}");
        }
        // 16 of 48 shots collapse by 4 to 12 mm.
        let faults = |camera: &str| {
            let mut list = study.faults.iter();
            list.find(|f| f.camera == camera && f.estimate == "as-seen")
                .unwrap()
        };
        assert_eq!(
            (faults("at-3").found.n, faults("at-3").found.hits),
            (16, 16)
        );
        assert_eq!(faults("at-3").invented.hits, 0);
        assert_eq!(faults("at-6").not_judged, 48);
        assert_eq!(reversal("at-6").trust, Trust::None);
        assert!(reversal("at-3").bias().unwrap().abs() < 0.5);
        // As it looks from 5 o'clock, half of the depth is lost.
        assert!(reversal("at-5").rmse.unwrap() > 5.0 * reversal("at-3").rmse.unwrap());
        // The way around, along the line of sight from 3 o'clock, is on edge; from 6 it is read well.
        let around = |camera, estimate| cell(camera, estimate, StudyMeasure::ExpansionBehind);
        assert_eq!(around("at-3", "rod").shots, 0);
        assert_eq!(around("at-3", "rod").trust, Trust::None);
        assert!(around("at-6", "rod").rmse.unwrap() < 1.5);
        assert!(
            around("at-4", "as-seen").rmse.unwrap() > 5.0 * around("at-6", "as-seen").rmse.unwrap()
        );
        assert!(reversal("at-3").icc.unwrap().value > 0.9);
        // Tables are complete and every number can be repeated from the pairs.
        assert_eq!(study.pairs_csv().lines().count(), 1 + 4 * 5 * 8 * 48);
        assert_eq!(study.cells_csv().lines().count(), 1 + 4 * 5 * 8);
        let columns: Vec<usize> = study
            .cells_csv()
            .lines()
            .map(|line| line.split(',').count())
            .collect();
        assert!(columns.iter().all(|n| *n == columns[0]));
        let json: serde_json::Value = serde_json::from_str(&study.to_json().unwrap()).unwrap();
        assert_eq!(json["format"], "drawarc-agreement/1");
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes() {
        let text =
            format!("format: {STUDY_FORMAT}\ntitle: n\npractices: [n]\nmeasures: [reversal]\n");
        let once = || {
            let shots = nominal_shots(&cameras(&[4.0]), 2, 3, (60.0, 0.2, 9)).unwrap();
            agree(
                &shots,
                &StudyFile::from_yaml(&text).unwrap(),
                &StudyWords::english().unwrap(),
            )
            .unwrap()
            .to_json()
            .unwrap()
        };
        assert_eq!(once(), once());
    }
}
