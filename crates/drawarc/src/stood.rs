//! What it means for the shots how every camera stood: as surveyed, put back from its background, or not to be used.

use drawarc_calibration::{BackgroundShift, CameraVerdict, Held, Standing, re_place};
use drawarc_report::page::{Fitness, RigLine};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::Point3;
use serde::Serialize;

/// Where the elbow is about: this high above the shooting line (m).
const ELBOW_HEIGHT_M: f64 = 1.4;

/// How the cameras stood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stood<'a> {
    pub(crate) rig: &'a Rig,
    pub(crate) clocks: &'a [ClockModel],
    pub(crate) standing: &'a [Standing],
    /// Per camera: was it compared with the survey's background? Else with its own first seconds.
    pub(crate) since_survey: &'a [bool],
}

/// What the cameras' places mean for one shot.
#[derive(Debug, Clone, Default)]
pub(crate) struct ShotStand {
    /// Why nothing can be said of it.
    pub(crate) unfit: Option<String>,
    /// Cameras that were put back, with their turns.
    pub(crate) put_back: Vec<(usize, BackgroundShift)>,
    /// The same in words.
    pub(crate) words: Option<String>,
}

/// One stand of a camera, for machines.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct StandLine {
    /// From (s, range time).
    pub(crate) from_s: f64,
    /// To (s, range time).
    pub(crate) to_s: f64,
    /// What the background says.
    pub(crate) verdict: CameraVerdict,
    /// Turn (deg).
    pub(crate) turn_deg: f64,
    /// Its standard deviation (deg).
    pub(crate) turn_sd_deg: f64,
    /// Relative change of focal length.
    pub(crate) zoom: f64,
    /// What it costs at the elbow (mm) where nothing is done about it.
    pub(crate) elbow_mm: f64,
}

/// How one camera stood, for machines.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct CameraLine {
    /// Name of the camera.
    pub(crate) camera: String,
    /// Compared with the survey's background, or with its own first seconds.
    pub(crate) since_survey: bool,
    /// The picture never rests.
    pub(crate) restless: bool,
    /// Its stands.
    pub(crate) stands: Vec<StandLine>,
}

/// What a shift costs at the elbow (mm).
pub(crate) fn elbow_mm(camera: &Camera, shift: &BackgroundShift) -> f64 {
    shift.cost_mm(&(camera.camera_from_range * Point3::new(0.0, 0.0, ELBOW_HEIGHT_M)))
}

/// What the background says, in words, without a full stop.
pub(crate) fn words(camera: &Camera, shift: &BackgroundShift) -> String {
    let mm = elbow_mm(camera, shift);
    match shift.verdict {
        CameraVerdict::Unmoved => format!(
            "stands as it did (background to {:.3}°)",
            shift.turn_deg().max(shift.turn_sd_deg)
        ),
        CameraVerdict::Moved => format!(
            "was turned by {:.3} ± {:.3}°, {mm:.1} mm at the elbow",
            shift.turn_deg(),
            1.96 * shift.turn_sd_deg
        ),
        CameraVerdict::Zoomed => format!(
            "has another focal length by {:+.2} % (zoom, focus or another lens), {mm:.1} mm at the elbow",
            100.0 * shift.zoom
        ),
        CameraVerdict::Unclear => {
            "shows too little of its background again: where it stands cannot be said".to_owned()
        }
    }
}

impl Stood<'_> {
    /// What the cameras' places mean for a shot from `from_s` to `to_s` (s, range time).
    pub(crate) fn during(&self, (from_s, to_s): (f64, f64)) -> ShotStand {
        let mut found = ShotStand::default();
        let mut put_back = Vec::new();
        for (index, standing) in self.standing.iter().enumerate() {
            let clock = &self.clocks[index];
            let camera = &self.rig.cameras[index];
            let span = (
                clock.camera_from_range(from_s),
                clock.camera_from_range(to_s),
            );
            let why = match standing.during(span.0, span.1) {
                Held::Unseen => None,
                Held::Still(shift) => match shift.verdict {
                    CameraVerdict::Unmoved => None,
                    CameraVerdict::Moved => {
                        put_back.push(format!(
                            "camera {} {} and was put back from its background",
                            camera.name,
                            words(camera, &shift)
                        ));
                        found.put_back.push((index, shift));
                        None
                    }
                    CameraVerdict::Zoomed | CameraVerdict::Unclear => Some(format!(
                        "Camera {} {}. Show the board again.",
                        camera.name,
                        words(camera, &shift)
                    )),
                },
                Held::MovedWithin(from_s, to_s) => Some(format!(
                    "Camera {} was moved during this shot, between {:.1} and {:.1} s.",
                    camera.name,
                    clock.range_from_camera(from_s),
                    clock.range_from_camera(to_s)
                )),
                Held::Restless => Some(restless(camera)),
            };
            if found.unfit.is_none() {
                found.unfit = why;
            }
        }
        if !put_back.is_empty() {
            let mut words = put_back.join("; ");
            words.replace_range(..1, "C");
            found.words = Some(words + ".");
        }
        found
    }

    /// The rig as it must be trusted where cameras were put back: less.
    pub(crate) fn less_certain(&self, put_back: &[(usize, BackgroundShift)]) -> Rig {
        let mut rig = self.rig.clone();
        for (index, shift) in put_back {
            // The sightings were turned back, so the camera is not; what is not known of it stays the same.
            let turned = BackgroundShift {
                turn: [0.0; 3],
                ..*shift
            };
            re_place(&mut rig, *index, &turned);
        }
        rig
    }

    /// A line for each camera, for the state of the rig; and what must be read first. `shots` are their spans in range time.
    pub(crate) fn told(&self, shots: &[(f64, f64)]) -> (Vec<RigLine>, Vec<String>) {
        let (mut lines, mut warnings) = (Vec::new(), Vec::new());
        for (index, standing) in self.standing.iter().enumerate() {
            let camera = &self.rig.cameras[index];
            if standing.restless {
                lines.push(bad(restless(camera), None));
                warnings.push(restless(camera));
                continue;
            }
            let Some(last) = standing.stands.last() else {
                continue;
            };
            let than = if self.since_survey[index] {
                "survey"
            } else {
                "start of this recording (no picture of the survey's background is kept beside the rig)"
            };
            let Some((number, changed)) = standing.changed() else {
                lines.push(RigLine {
                    fitness: Fitness::Good,
                    sentence: format!(
                        "Camera {}: {} since the {than}, by {} spots.",
                        camera.name,
                        words(camera, &last.shift),
                        last.shift.patches.1
                    ),
                    costs_mm: Some(elbow_mm(camera, &last.shift)),
                });
                continue;
            };
            let clock = &self.clocks[index];
            let hit: Vec<String> = shots
                .iter()
                .enumerate()
                .filter(|(_, span)| clock.camera_from_range(span.1) > changed.from_s)
                .map(|(at, _)| (at + 1).to_string())
                .collect();
            let since = if number == 0 {
                format!("since the {than}")
            } else {
                format!(
                    "at {:.1} s, against the {than}",
                    clock.range_from_camera(changed.from_s)
                )
            };
            let which = match hit.len() {
                0 => "after the last shot".to_owned(),
                1 => format!("before or in shot {}", hit[0]),
                _ => format!("before or in shots {}", hit.join(", ")),
            };
            let sentence = format!(
                "Camera {} {} {since}, {which}.",
                camera.name,
                words(camera, &changed.shift)
            );
            if changed.shift.verdict == CameraVerdict::Moved {
                lines.push(RigLine {
                    fitness: Fitness::Watch,
                    sentence: format!(
                        "{sentence} It was put back from its background; a shift that came with the turn is not seen, and stands in the intervals."
                    ),
                    costs_mm: Some(elbow_mm(camera, &changed.shift)),
                });
            } else {
                lines.push(bad(
                    sentence.clone(),
                    Some(elbow_mm(camera, &changed.shift)),
                ));
            }
            if !hit.is_empty() {
                warnings.push(sentence);
            }
        }
        (lines, warnings)
    }

    /// The same for machines.
    pub(crate) fn lines(&self) -> Vec<CameraLine> {
        self.standing
            .iter()
            .enumerate()
            .map(|(index, standing)| {
                let camera = &self.rig.cameras[index];
                let clock = &self.clocks[index];
                CameraLine {
                    camera: camera.name.clone(),
                    since_survey: self.since_survey[index],
                    restless: standing.restless,
                    stands: standing
                        .stands
                        .iter()
                        .map(|stand| StandLine {
                            from_s: clock.range_from_camera(stand.from_s),
                            to_s: clock.range_from_camera(stand.to_s),
                            verdict: stand.shift.verdict,
                            turn_deg: stand.shift.turn_deg(),
                            turn_sd_deg: stand.shift.turn_sd_deg,
                            zoom: stand.shift.zoom,
                            elbow_mm: elbow_mm(camera, &stand.shift),
                        })
                        .collect(),
                }
            })
            .collect()
    }
}

fn bad(sentence: String, costs_mm: Option<f64>) -> RigLine {
    RigLine {
        fitness: Fitness::Bad,
        sentence,
        costs_mm,
    }
}

/// What is said of a camera whose picture never rests.
pub(crate) fn restless(camera: &Camera) -> String {
    format!(
        "The picture of camera {} never rests: is stabilisation on, or did somebody hold the camera?",
        camera.name
    )
}
