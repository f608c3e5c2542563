//! Proof by hand tools: a stick with two balls a measured distance apart, waved through the volume, and a ball that lies still.

use crate::failure::{Failure, Outcome};
use crate::given;
use crate::progress::{self, Progress};
use crate::recordings::Recordings;
use drawarc_calibration::{
    VolumePart, WandPlace, WandReport, check_wand, noise_at_rest_mm, wand_by_part,
};
use drawarc_rig::{Camera, ClockModel, Rig};
use drawarc_sync_track::{
    MarkerColour, MarkerRole, MarkerShape, MarkerSpec, MotionClockSettings, SightingSeries,
    TrackInput, TrackSettings, clocks_from_motion, track,
};
use nalgebra::{Matrix3, Point2, Point3, Vector3};
use serde::Serialize;

/// Sightings further apart than this (s) do not tell where a ball was between them.
const REACH_S: f64 = 0.12;
/// Lines of sight that miss each other by more than this (px) do not mean the same ball.
const MISS_PX: f64 = 3.0;
/// The followed markers are worn by nobody; these names tell them apart.
const FIRST_END: MarkerRole = MarkerRole::Elbow;
const SECOND_END: MarkerRole = MarkerRole::BowHand;
const LYING: MarkerRole = MarkerRole::Nock;

/// A ball: colour and diameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ball {
    colour: MarkerColour,
    diameter_m: f64,
}

/// A stick with a ball at either end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stick {
    /// From middle to middle (m).
    length_m: f64,
    ball: Ball,
}

/// What the stick said.
#[derive(Debug, Serialize)]
pub(crate) struct StickTold {
    /// As measured by hand (mm).
    pub(crate) length_mm: f64,
    pub(crate) distances: WandReport,
    /// The volume cut in eight.
    pub(crate) parts: Vec<VolumePart>,
    /// Instants at which lines of sight missed each other.
    pub(crate) left_out: usize,
}

/// What the ball at rest said.
#[derive(Debug, Serialize)]
pub(crate) struct RestTold {
    /// Standard deviation of one instant along x, y, z (mm).
    pub(crate) noise_mm: [f64; 3],
    pub(crate) instants: usize,
    pub(crate) seconds: f64,
    /// Its place (m, range frame).
    pub(crate) place_m: [f64; 3],
    /// Instants at which lines of sight missed each other.
    pub(crate) left_out: usize,
}

fn millimetres(text: &str, what: &str, (low, high): (f64, f64)) -> Outcome<f64> {
    let value: f64 = text.trim().parse().map_err(|_not_a_number| {
        Failure::input(format!("{text:?} is no number of millimetres ({what})"))
    })?;
    if (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(Failure::input(format!(
            "{what} of {value} mm; it must be {low} to {high} mm"
        )))
    }
}

impl Ball {
    /// `COLOUR,MM`.
    pub(crate) fn parse(text: &str) -> Outcome<Self> {
        let (colour, size) = text.split_once(',').ok_or_else(|| {
            Failure::input(format!("{text:?} names no ball"))
                .help("a ball is its colour and its diameter in millimetres: pink,28")
        })?;
        Ok(Self {
            colour: given::colour(colour.trim())?,
            diameter_m: millimetres(size, "diameter", (1.0, 500.0))? / 1000.0,
        })
    }

    fn spec(self, role: MarkerRole) -> MarkerSpec {
        MarkerSpec {
            role,
            shape: MarkerShape::Ball {
                diameter_m: self.diameter_m,
            },
            colour: self.colour,
        }
    }
}

impl Stick {
    /// `MM,COLOUR,MM`.
    pub(crate) fn parse(text: &str) -> Outcome<Self> {
        let (length, ball) = text.split_once(',').ok_or_else(|| {
            Failure::input(format!("{text:?} names no stick")).help(
                "a stick is the distance between the middles of its balls, their colour and their diameter: 402.5,green,25",
            )
        })?;
        Ok(Self {
            length_m: millimetres(length, "distance", (30.0, 5000.0))? / 1000.0,
            ball: Ball::parse(ball)?,
        })
    }
}

/// Refuses balls that cannot be told apart.
pub(crate) fn told_apart(stick: Option<&Stick>, lying: Option<&Ball>) -> Outcome<()> {
    match (stick, lying) {
        (Some(stick), Some(lying)) if stick.ball.colour == lying.colour => Err(Failure::input(
            "the ball that lies still has the colour of those on the stick",
        )
        .help("give it another colour, or film and check them one after the other")),
        _ => Ok(()),
    }
}

/// What stick and ball said, and why one of them said nothing.
#[derive(Debug, Default)]
pub(crate) struct Proof {
    pub(crate) stick: Option<StickTold>,
    pub(crate) rest: Option<RestTold>,
    pub(crate) missing: Vec<String>,
}

/// Follows stick and ball, and measures them.
pub(crate) fn measure(
    recordings: &Recordings,
    (rig, clocks): (&Rig, &[ClockModel]),
    (stick, lying): (Option<&Stick>, Option<&Ball>),
    progress: &Progress,
) -> Outcome<Proof> {
    let mut markers = Vec::new();
    if let Some(stick) = stick {
        markers.extend([stick.ball.spec(FIRST_END), stick.ball.spec(SECOND_END)]);
    }
    markers.extend(lying.map(|ball| ball.spec(LYING)));
    let bar = progress.bar("following stick and ball");
    let series = track(
        &TrackInput {
            recordings: &recordings.films,
            rig,
            markers: &markers,
            windows: &vec![Vec::new(); recordings.len()],
        },
        Some(clocks),
        &TrackSettings {
            rest: false,
            threads: rayon::current_num_threads(),
            ..TrackSettings::default()
        },
        &mut |fraction| progress::set(&bar, fraction),
    )
    .map_err(Failure::not_measurable)?;
    bar.finish_and_clear();
    let clocks = match stick {
        Some(_) => by_motion(rig, clocks, &series)?,
        None => clocks.to_vec(),
    };
    let view = Views {
        rig,
        clocks: &clocks,
        series: &series,
    };
    let mut proof = Proof::default();
    match stick.map(|stick| view.stick(stick)) {
        Some(Ok(told)) => proof.stick = Some(told),
        Some(Err(why)) => proof.missing.push(why.to_string()),
        None => {}
    }
    match lying.map(|_| view.rest()) {
        Some(Ok(told)) => proof.rest = Some(told),
        Some(Err(why)) => proof.missing.push(why.to_string()),
        None => {}
    }
    Ok(proof)
}

/// Clocks refined by the motion of the stick's ends.
fn by_motion(
    rig: &Rig,
    clocks: &[ClockModel],
    series: &[SightingSeries],
) -> Outcome<Vec<ClockModel>> {
    let ends: Vec<SightingSeries> = series
        .iter()
        .filter(|series| series.role != LYING)
        .cloned()
        .collect();
    let found = clocks_from_motion(rig, &ends, clocks, &MotionClockSettings::default())
        .map_err(Failure::not_measurable)?;
    Ok(found
        .clocks
        .into_iter()
        .zip(clocks)
        .map(|(found, known)| match found {
            Some(found) if variance(&found) < variance(known) => found,
            _ => known.clone(),
        })
        .collect())
}

fn variance(clock: &ClockModel) -> f64 {
    clock.variance_at(clock.segments()[0].reference_camera_s)
}

struct Views<'a> {
    rig: &'a Rig,
    clocks: &'a [ClockModel],
    series: &'a [SightingSeries],
}

/// A ball's track in one camera: range times (s) and pixels.
type Track<'a> = (&'a Camera, Vec<(f64, Point2<f64>)>);

impl Views<'_> {
    fn stick(&self, stick: &Stick) -> Outcome<StickTold> {
        let (first, second) = (self.tracks(FIRST_END), self.tracks(SECOND_END));
        let (mut places, mut left_out) = (Vec::new(), 0);
        for time_s in instants(&first) {
            let ends = [place_at(&first, time_s), place_at(&second, time_s)];
            match ends {
                [Some(Ok(a)), Some(Ok(b))] => places.push(WandPlace { ends: [a, b] }),
                [Some(Err(_)), Some(_)] | [Some(_), Some(Err(_))] => left_out += 1,
                _ => {}
            }
        }
        let distances = check_wand(&places, stick.length_m).ok_or_else(|| {
            unseen("both balls of the stick were never seen by two cameras at once long enough")
        })?;
        Ok(StickTold {
            length_mm: 1000.0 * stick.length_m,
            distances,
            parts: wand_by_part(&places, stick.length_m),
            left_out,
        })
    }

    fn rest(&self) -> Outcome<RestTold> {
        let tracks = self.tracks(LYING);
        let (mut places, mut times, mut left_out) = (Vec::new(), Vec::new(), 0);
        for time_s in instants(&tracks) {
            match place_at(&tracks, time_s) {
                Some(Ok(place)) => {
                    places.push(place);
                    times.push(time_s);
                }
                Some(Err(_)) => left_out += 1,
                None => {}
            }
        }
        let noise_mm = noise_at_rest_mm(&places).ok_or_else(|| {
            unseen("the ball that lies still was never seen by two cameras at once long enough")
        })?;
        let middle = places.iter().map(|p| p.coords).sum::<Vector3<f64>>() / places.len() as f64;
        Ok(RestTold {
            noise_mm,
            instants: places.len(),
            seconds: times.last().unwrap_or(&0.0) - times.first().unwrap_or(&0.0),
            place_m: middle.into(),
            left_out,
        })
    }

    fn tracks(&self, role: MarkerRole) -> Vec<Track<'_>> {
        self.series
            .iter()
            .filter(|series| series.role == role)
            .map(|series| {
                let camera = &self.rig.cameras[series.camera];
                let clock = &self.clocks[series.camera];
                let track = series
                    .seen()
                    .map(|s| {
                        let delay_s = camera
                            .shutter
                            .row_delay_s(s.centre_px.y, camera.image_size.height_px);
                        (clock.range_from_camera(s.camera_s + delay_s), s.centre_px)
                    })
                    .collect();
                (camera, track)
            })
            .collect()
    }
}

fn unseen(what: &str) -> Failure {
    Failure::not_measurable(format!(
        "{what}: are colour and diameter those of the balls, do all cameras stand as surveyed, and was it within arm's reach of the archer's place?"
    ))
}

/// The instants at which the camera that saw most of it saw a ball.
fn instants(tracks: &[Track<'_>]) -> Vec<f64> {
    let most = tracks.iter().max_by_key(|(_, track)| track.len());
    most.map_or_else(Vec::new, |(_, track)| {
        track.iter().map(|(time_s, _)| *time_s).collect()
    })
}

/// Where a ball was in one camera's picture at an instant: a parabola through three sightings, which leaves nothing of a
/// hand's motion at 30 pictures a second or more.
fn pixel_at(track: &[(f64, Point2<f64>)], time_s: f64) -> Option<Point2<f64>> {
    let after = track.partition_point(|(t, _)| *t < time_s);
    let start = after.checked_sub(1)?.min(track.len().checked_sub(3)?);
    let [a, b, c] = track.get(start..start + 3)? else {
        return None;
    };
    let inside = (a.0..=c.0).contains(&time_s);
    if !inside || c.0 - a.0 > REACH_S {
        return None;
    }
    let share = |t: f64, u: f64, v: f64| (time_s - u) * (time_s - v) / ((t - u) * (t - v));
    let sum = a.1.coords * share(a.0, b.0, c.0)
        + b.1.coords * share(b.0, a.0, c.0)
        + c.1.coords * share(c.0, a.0, b.0);
    Some(Point2::from(sum))
}

/// A ball's place at an instant from all cameras that saw it then; `Some(Err)` the largest distance (px) by which a line of
/// sight misses it where that is too large; `None` where fewer than two saw it.
fn place_at(tracks: &[Track<'_>], time_s: f64) -> Option<Result<Point3<f64>, f64>> {
    let rays: Vec<(&Camera, Point3<f64>, Vector3<f64>)> = tracks
        .iter()
        .filter_map(|(camera, track)| {
            let ray = camera.ray_in_range(&pixel_at(track, time_s)?)?.into_inner();
            Some((*camera, camera.centre_in_range(), ray))
        })
        .collect();
    if rays.len() < 2 {
        return None;
    }
    // Twice: the second time each line counts by how many pixels a metre is at the ball.
    let mut place: Option<Point3<f64>> = None;
    for _ in 0..2 {
        let (mut normal, mut pull) = (Matrix3::zeros(), Vector3::zeros());
        for (camera, eye, ray) in &rays {
            let scale = place.map_or(1.0, |p| camera.lens.focal_px() / (p - eye).norm());
            let across = (Matrix3::identity() - ray * ray.transpose()) * (scale * scale);
            normal += across;
            pull += across * eye.coords;
        }
        place = Some(Point3::from(normal.try_inverse()? * pull));
    }
    let place = place?;
    let worst_px = rays
        .iter()
        .map(|(camera, eye, ray)| {
            let to = place - eye;
            let aside = to - ray * ray.dot(&to);
            aside.norm() / to.norm() * camera.lens.focal_px()
        })
        .fold(0.0, f64::max);
    Some(if worst_px < MISS_PX {
        Ok(place)
    } else {
        Err(worst_px)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stick_and_ball_are_read_and_nonsense_is_named() {
        let stick = Stick::parse("402.5, green,25").unwrap();
        assert!((stick.length_m - 0.4025).abs() < 1e-12);
        assert!((stick.ball.diameter_m - 0.025).abs() < 1e-12);
        for (wrong, word) in [
            ("402.5", "no stick"),
            ("long,green,25", "number"),
            ("402.5,mauve,25", "mauve"),
            ("402.5,green", "no ball"),
            ("4,green,25", "30"),
        ] {
            let said = Stick::parse(wrong).unwrap_err().to_string();
            assert!(said.contains(word), "{wrong}: {said}");
        }
        let same = Ball::parse("green,40").unwrap();
        assert!(told_apart(Some(&stick), Some(&same)).is_err());
        assert!(told_apart(Some(&stick), Some(&Ball::parse("pink,40").unwrap())).is_ok());
    }

    #[test]
    fn a_pixel_between_sightings_lies_on_a_parabola_and_gaps_are_left() {
        let at = |t: f64| Point2::new(3.0 * t * t - t, 7.0 - 2.0 * t);
        let mut track: Vec<(f64, Point2<f64>)> = (0..6)
            .map(|k| 0.03 * f64::from(k))
            .map(|t| (t, at(t)))
            .collect();
        let seen = pixel_at(&track, 0.052).unwrap();
        assert!((seen - at(0.052)).norm() < 1e-12);
        assert_eq!(pixel_at(&track, 0.2), None);
        track.drain(2..5);
        assert_eq!(pixel_at(&track, 0.08), None);
    }
}
