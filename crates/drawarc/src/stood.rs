//! What it means for the shots how every camera stood: as surveyed, put back from its background, or not to be used.

use crate::health::ELBOW_HEIGHT_M;
use drawarc_calibration::{BackgroundShift, CameraVerdict, Held, Standing, re_place};
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::{Camera, ClockModel, Rig};
use nalgebra::Point3;
use serde::Serialize;

/// How the cameras stood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stood<'a> {
    pub(crate) rig: &'a Rig,
    pub(crate) clocks: &'a [ClockModel],
    pub(crate) standing: &'a [Standing],
    /// Per camera: was it compared with the survey's background? Else with its own first seconds.
    pub(crate) since_survey: &'a [bool],
    pub(crate) words: &'a Words,
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
pub(crate) fn words(camera: &Camera, shift: &BackgroundShift, words: &Words) -> String {
    let mm = format!("{:.1}", elbow_mm(camera, shift));
    match shift.verdict {
        CameraVerdict::Unmoved => {
            let turn_deg = shift.turn_deg().max(shift.turn_sd_deg);
            words.health("stands", &[("deg", &format!("{turn_deg:.3}"))])
        }
        CameraVerdict::Moved => {
            let deg = format!("{:.3}", shift.turn_deg());
            let half = format!("{:.3}", 1.96 * shift.turn_sd_deg);
            words.health("turned", &[("deg", &deg), ("half", &half), ("mm", &mm)])
        }
        CameraVerdict::Zoomed => {
            let percent = format!("{:+.2}", 100.0 * shift.zoom);
            words.health("zoomed", &[("percent", &percent), ("mm", &mm)])
        }
        CameraVerdict::Unclear => words.health("unclear", &[]),
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
                        let what = words(camera, &shift, self.words);
                        let named = [("camera", camera.name.as_str()), ("what", &what)];
                        put_back.push(self.words.health("put_back", &named));
                        found.put_back.push((index, shift));
                        None
                    }
                    CameraVerdict::Zoomed | CameraVerdict::Unclear => {
                        let what = words(camera, &shift, self.words);
                        let named = [("camera", camera.name.as_str()), ("what", &what)];
                        Some(self.words.health("show_again", &named))
                    }
                },
                Held::MovedWithin(from_s, to_s) => {
                    let at = |camera_s| format!("{:.1}", clock.range_from_camera(camera_s));
                    let (from, to) = (at(from_s), at(to_s));
                    let named = [
                        ("camera", camera.name.as_str()),
                        ("from", &from),
                        ("to", &to),
                    ];
                    Some(self.words.health("moved_within", &named))
                }
                Held::Restless => Some(restless(camera, self.words)),
            };
            if found.unfit.is_none() {
                found.unfit = why;
            }
        }
        if !put_back.is_empty() {
            found.words = Some(put_back.join(" "));
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
                lines.push(bad(restless(camera, self.words), None));
                warnings.push(restless(camera, self.words));
                continue;
            }
            let Some(last) = standing.stands.last() else {
                continue;
            };
            let name = camera.name.as_str();
            let than = if self.since_survey[index] {
                "than_survey"
            } else {
                "than_start"
            };
            let than = self.words.health(than, &[]);
            let Some((number, changed)) = standing.changed() else {
                lines.push(RigLine {
                    fitness: Fitness::Good,
                    sentence: self.words.health(
                        "standing",
                        &[
                            ("camera", name),
                            ("what", &words(camera, &last.shift, self.words)),
                            ("than", &than),
                            ("spots", &last.shift.patches.1.to_string()),
                        ],
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
                self.words.health("since", &[("than", &than)])
            } else {
                let at = format!("{:.1}", clock.range_from_camera(changed.from_s));
                self.words
                    .health("since_instant", &[("s", &at), ("than", &than)])
            };
            let which = match hit.len() {
                0 => "hits_none",
                1 => "hits_one",
                _ => "hits_several",
            };
            let which = self.words.health(which, &[("shots", &hit.join(", "))]);
            let sentence = self.words.health(
                "changed",
                &[
                    ("camera", name),
                    ("what", &words(camera, &changed.shift, self.words)),
                    ("since", &since),
                    ("which", &which),
                ],
            );
            if changed.shift.verdict == CameraVerdict::Moved {
                lines.push(RigLine {
                    fitness: Fitness::Watch,
                    sentence: format!("{sentence} {}", self.words.health("put_back_rest", &[])),
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
pub(crate) fn restless(camera: &Camera, words: &Words) -> String {
    words.health("restless", &[("camera", &camera.name)])
}
