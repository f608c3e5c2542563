//! Danger spots: what will go wrong with a rig that looks fine on paper.

use super::camera_forecast::CameraForecast;
use super::marker::Unseen;
use super::nominal_shot::NominalPhase;
use super::sketch::Surroundings;
use drawarc_rig::{Camera, ClockFace};
use nalgebra::Point3;
use serde::Serialize;

/// A remark with its numbers; [`Danger::words`] says it to a person.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "danger", rename_all = "kebab-case")]
pub enum Danger {
    /// The clock will not be known well enough.
    ClockWeak {
        /// Camera.
        camera: String,
        /// Its clock after sound and motion (ms).
        clock_ms: f64,
        /// From the motion alone (ms).
        from_motion_ms: f64,
        /// All cameras stand at nearly one height, so that a level draw says nothing of the clock.
        level: bool,
    },
    /// Two cameras see the marker along nearly one line.
    OneLine {
        /// One camera.
        first: String,
        /// The other.
        second: String,
        /// Angle between their lines of sight (degrees, 0 to 180).
        angle_deg: f64,
    },
    /// A window shines into the lens from behind the archer.
    Window {
        /// Camera.
        camera: String,
        /// The window's place on the dial.
        window: String,
    },
    /// A tripod stands in front of the shooting line.
    InFrontOfLine {
        /// Camera.
        camera: String,
        /// How far its legs reach over the line (m).
        over_m: f64,
    },
    /// A tripod stands in the neighbour's lane.
    NeighboursLane {
        /// Camera.
        camera: String,
        /// How far it stands to the side (m).
        aside_m: f64,
    },
    /// A camera hangs over people.
    Overhead {
        /// Camera.
        camera: String,
    },
    /// The marker is not within the picture all the time.
    OutOfPicture {
        /// Camera.
        camera: String,
        /// Body height of the archer (m).
        archer_height_m: f64,
        /// In which phases.
        phases: Vec<NominalPhase>,
    },
    /// A camera does not see the marker in a phase that counts.
    Hidden {
        /// Camera.
        camera: String,
        /// Phase.
        phase: NominalPhase,
        /// Share of its frames (0 to 1).
        share: f64,
        /// Why.
        why: Unseen,
    },
    /// Fewer than two cameras see the marker in a phase that counts.
    TooFewCameras {
        /// Phase.
        phase: NominalPhase,
        /// Share of the phase (0 to 1).
        share: f64,
    },
    /// The marker has few pixels.
    SmallMarker {
        /// Camera.
        camera: String,
        /// Diameter (px).
        diameter_px: f64,
    },
    /// The exposure smears the marker.
    Smear {
        /// Camera.
        camera: String,
        /// Largest smear (px).
        smear_px: f64,
        /// Exposure that would leave a quarter of the marker's diameter (s).
        wanted_exposure_s: f64,
    },
}

/// A clock worse than this costs more than pixels do (ms): the goal for sound and motion together.
const CLOCK_LIMIT_MS: f64 = 0.5;
/// Lines of sight closer than this to one line (degrees).
const ONE_LINE_DEG: f64 = 20.0;
/// Cameras whose elevations differ by less than this count as level (degrees).
const LEVEL_DEG: f64 = 8.0;
/// A phase is spoiled when this share of it is not seen.
const SPOILED: f64 = 0.1;
/// Pixels that a marker should have.
const GOOD_MARKER_PX: f64 = 8.0;
/// A tripod this close to the shooting line, along x, is among the archers (m).
const ON_LINE_M: f64 = 1.2;

impl Danger {
    /// The remark as a sentence that says what to do.
    #[expect(
        clippy::too_many_lines,
        reason = "one sentence for each kind; splitting would hide that none is missing"
    )]
    pub fn words(&self) -> String {
        match self {
            Self::ClockWeak {
                camera,
                clock_ms,
                from_motion_ms,
                level,
            } => {
                let why = if *level {
                    " The cameras stand at nearly one height: a level draw then says nothing of the clock. Raise or lower one by half a metre."
                } else {
                    ""
                };
                format!(
                    "{camera}: its clock will be known to {clock_ms:.1} ms only ({from_motion_ms:.1} ms from motion alone).{why} Clap in view of all, measure the phone's lag once, or use one trigger."
                )
            }
            Self::OneLine {
                first,
                second,
                angle_deg,
            } => format!(
                "{first} and {second} look along nearly one line ({angle_deg:.0}° apart): together they cannot tell depth. Move one by two hours of the dial."
            ),
            Self::Window { camera, window } => format!(
                "{camera} looks against the window at {window}: the marker will be a shadow. Cover the window or move the camera."
            ),
            Self::InFrontOfLine { camera, over_m } => format!(
                "{camera} reaches {over_m:.1} m over the shooting line: no tripod may stand in front of it while anyone shoots."
            ),
            Self::NeighboursLane { camera, aside_m } => format!(
                "{camera} stands {aside_m:.1} m to the side, where the neighbour shoots: keep that place free, or move the camera back from the line."
            ),
            Self::Overhead { camera } => {
                format!("{camera} hangs over people: two independent fixings.")
            }
            Self::OutOfPicture {
                camera,
                archer_height_m,
                phases,
            } => format!(
                "{camera}: an archer of {archer_height_m:.2} m leaves the picture in {}. Move it back, or aim it anew.",
                phases
                    .iter()
                    .map(|phase| phase.word())
                    .collect::<Vec<_>>()
                    .join(", ")
            ),
            Self::Hidden {
                camera,
                phase,
                share,
                why,
            } => {
                let why = match why {
                    Unseen::Behind(part) => format!("{} is in the way", part.word()),
                    Unseen::TurnedAway => "the dot is turned away: use a ball or a band".to_owned(),
                    Unseen::TooSmall => "the marker is too small".to_owned(),
                    Unseen::OutOfPicture => "it is out of the picture".to_owned(),
                };
                format!(
                    "{camera} misses the marker in {:.0} % of the {}: {why}.",
                    100.0 * share,
                    phase.word()
                )
            }
            Self::TooFewCameras { phase, share } => format!(
                "in {:.0} % of the {} fewer than two cameras see the marker: nothing can be measured there.",
                100.0 * share,
                phase.word()
            ),
            Self::SmallMarker {
                camera,
                diameter_px,
            } => format!(
                "{camera} sees the marker {diameter_px:.1} px wide: a larger ball, a closer place or a longer lens."
            ),
            Self::Smear {
                camera,
                smear_px,
                wanted_exposure_s,
            } => format!(
                "{camera}: the draw smears the marker over {smear_px:.1} px; expose 1/{:.0} s or shorter.",
                1.0 / wanted_exposure_s
            ),
        }
    }
}

/// Remarks that follow from where the cameras stand.
pub(crate) fn of_places(
    cameras: &[Camera],
    surroundings: &Surroundings,
    elbow: &Point3<f64>,
) -> Vec<Danger> {
    let mut dangers = Vec::new();
    for camera in cameras {
        let centre = camera.centre_in_range();
        let name = || camera.name.clone();
        let aside = centre.x.hypot(centre.y);
        let hangs = aside < 1.0 || centre.z > surroundings.tripod_height_m[1].max(2.4);
        if hangs {
            dangers.push(Danger::Overhead { camera: name() });
            continue;
        }
        let over = centre.x + surroundings.tripod_radius_m;
        if over > 0.0 {
            dangers.push(Danger::InFrontOfLine {
                camera: name(),
                over_m: over,
            });
        }
        let beyond = centre.y.abs() + surroundings.tripod_radius_m > surroundings.lane_half_width_m;
        if surroundings.neighbours && beyond && centre.x > -ON_LINE_M {
            dangers.push(Danger::NeighboursLane {
                camera: name(),
                aside_m: centre.y.abs(),
            });
        }
        for window in &surroundings.windows {
            // A window shines from far away: only its direction counts.
            let far = elbow + window.direction().into_inner() * 50.0;
            let seen = camera.pixel_from_range(&far);
            if seen.is_some_and(|pixel| camera.is_in_picture(&pixel)) {
                dangers.push(Danger::Window {
                    camera: name(),
                    window: window.to_string(),
                });
            }
        }
    }
    for (index, first) in cameras.iter().enumerate() {
        for second in &cameras[index + 1..] {
            let ways = [first, second].map(|camera| camera.centre_in_range() - elbow);
            let angle_deg = ways[0].angle(&ways[1]).to_degrees();
            if !(ONE_LINE_DEG..=180.0 - ONE_LINE_DEG).contains(&angle_deg) {
                dangers.push(Danger::OneLine {
                    first: first.name.clone(),
                    second: second.name.clone(),
                    angle_deg,
                });
            }
        }
    }
    dangers
}

/// Do all cameras see the elbow at nearly one elevation?
fn are_level(cameras: &[Camera], elbow: &Point3<f64>) -> bool {
    let elevations: Vec<f64> = cameras
        .iter()
        .map(|camera| {
            let way = camera.centre_in_range() - elbow;
            way.z.atan2(way.x.hypot(way.y)).to_degrees()
        })
        .collect();
    let most = elevations.iter().copied().fold(f64::MIN, f64::max);
    let least = elevations.iter().copied().fold(f64::MAX, f64::min);
    most - least < LEVEL_DEG
}

/// Remarks that follow from what the cameras will see and know.
pub(crate) fn of_cameras(
    forecasts: &[CameraForecast],
    cameras: &[Camera],
    elbow: &Point3<f64>,
) -> Vec<Danger> {
    let mut dangers = Vec::new();
    let level = are_level(cameras, elbow);
    for (forecast, camera) in forecasts.iter().zip(cameras) {
        let name = || forecast.name.clone();
        if forecast.clock_ms > CLOCK_LIMIT_MS {
            dangers.push(Danger::ClockWeak {
                camera: name(),
                clock_ms: forecast.clock_ms,
                from_motion_ms: forecast.clock_from_motion_ms,
                level,
            });
        }
        for fit in forecast
            .pictures
            .iter()
            .filter(|fit| !fit.leaves_in.is_empty())
        {
            dangers.push(Danger::OutOfPicture {
                camera: name(),
                archer_height_m: fit.archer_height_m,
                phases: fit.leaves_in.clone(),
            });
        }
        for sight in &forecast.phases {
            let counts = !matches!(
                sight.phase,
                NominalPhase::Raise | NominalPhase::FollowThrough
            );
            if let Some(why) = sight
                .why
                .filter(|_| counts && sight.seen_share < 1.0 - SPOILED)
            {
                dangers.push(Danger::Hidden {
                    camera: name(),
                    phase: sight.phase,
                    share: 1.0 - sight.seen_share,
                    why,
                });
            }
        }
        if forecast.marker_px < GOOD_MARKER_PX {
            dangers.push(Danger::SmallMarker {
                camera: name(),
                diameter_px: forecast.marker_px,
            });
        }
        if forecast.smear_px > 0.5 * forecast.marker_px {
            let wanted = camera.shutter.exposure_s * 0.25 * forecast.marker_px / forecast.smear_px;
            dangers.push(Danger::Smear {
                camera: name(),
                smear_px: forecast.smear_px,
                wanted_exposure_s: wanted,
            });
        }
    }
    dangers
}

/// Nearer to the archer than this, seen from above, a camera hangs overhead (m).
pub(crate) const OVERHEAD_WITHIN_M: f64 = 0.7;

/// Where somebody on the dial stands, as a word.
pub(crate) fn place_of(camera: &Camera) -> String {
    let centre = camera.centre_in_range();
    if centre.x.hypot(centre.y) < OVERHEAD_WITHIN_M {
        "overhead".to_owned()
    } else {
        ClockFace::of_position(&centre, &Point3::origin()).to_string()
    }
}
