//! C3D, the open binary format of motion analysis (the C3D file format user guide), floating-point points.
//!
//! Points carry millimetres, a residual and the cameras that saw them. In the floating-point form the fourth
//! word of a point is a real number that holds a 16-bit whole number: its low byte the camera mask, its high
//! byte the residual in units of the absolute scale; −1 means "no measurement". Recordings of more than
//! 65,535 frames state their length in `TRIAL:ACTUAL_END_FIELD`.

use super::{
    c3d_parameters::{Data, ParameterSection, ascii},
    error::ExportError,
};

/// Size of a block, bytes.
const BLOCK: usize = 512;
/// Events that the header can hold.
const HEADER_EVENTS: usize = 18;
/// The longest recording that the header can state, frames.
const HEADER_FRAMES: usize = 65_535;
/// The high byte of the fourth word, kept positive.
const MAX_RESIDUAL_STEPS: f64 = 127.0;

/// A recording of points.
#[derive(Debug, Clone, PartialEq)]
pub struct C3dTrial {
    /// Frames a second.
    pub rate_hz: f64,
    /// The points; all have as many samples.
    pub points: Vec<C3dPoint>,
    /// Events, times from the first frame.
    pub events: Vec<C3dEvent>,
    /// Whose recording: an alias.
    pub subject: String,
    /// Time of the first frame in the range's clock, s.
    pub start_s: f64,
    /// Version of the writer.
    pub version: String,
}

/// A point over time.
#[derive(Debug, Clone, PartialEq)]
pub struct C3dPoint {
    /// Name, such as `ELBOW`.
    pub label: String,
    /// What it is.
    pub description: String,
    /// One for each frame; `None` where it was not measured.
    pub samples: Vec<Option<C3dSample>>,
}

/// A point in one frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct C3dSample {
    /// Place, mm.
    pub position_mm: [f64; 3],
    /// Residual, mm.
    pub residual_mm: f64,
    /// One bit for each of up to seven cameras.
    pub cameras: u8,
}

/// A named instant.
#[derive(Debug, Clone, PartialEq)]
pub struct C3dEvent {
    /// Name, such as `RELEASE`.
    pub label: String,
    /// What it belongs to, such as `Shot`.
    pub context: String,
    /// Time from the first frame, s.
    pub time_s: f64,
}

impl C3dTrial {
    /// The bytes of the file.
    ///
    /// # Errors
    /// No points, more than 255, points of different lengths, or more text than the format can hold.
    pub fn to_bytes(&self) -> Result<Vec<u8>, ExportError> {
        let refuse = |problem: &str| ExportError::DoesNotFit {
            format: "C3D",
            problem: problem.to_owned(),
        };
        let frames = self.points.first().map_or(0, |point| point.samples.len());
        let points =
            u8::try_from(self.points.len()).map_err(|_refused| refuse("more than 255 points"))?;
        if points == 0 || frames == 0 {
            return Err(refuse("no points"));
        }
        if self
            .points
            .iter()
            .any(|point| point.samples.len() != frames)
        {
            return Err(refuse("points of different lengths"));
        }
        let scale = self.residual_scale();
        // The place of the data depends on the length of the parameters, not on what they say.
        let too_long = || refuse("too many names for one parameter section");
        let (_, blocks) = self
            .parameters(frames, scale, 0)
            .finish()
            .ok_or_else(too_long)?;
        let data_block = 2 + u16::from(blocks);
        let (section, _) = self
            .parameters(frames, scale, data_block)
            .finish()
            .ok_or_else(too_long)?;
        let mut bytes = self.header(frames, scale, data_block);
        bytes.extend(section);
        for frame in 0..frames {
            for point in &self.points {
                bytes.extend(point_bytes(point.samples[frame].as_ref(), scale));
            }
        }
        // Readers of long recordings count frames up to the end of the file: padding would be frames.
        if frames <= HEADER_FRAMES {
            bytes.resize(bytes.len().div_ceil(BLOCK) * BLOCK, 0);
        }
        Ok(bytes)
    }

    /// Millimetres that one step of the residual byte stands for.
    fn residual_scale(&self) -> f32 {
        let samples = self
            .points
            .iter()
            .flat_map(|point| point.samples.iter().flatten());
        let largest = samples
            .map(|sample| sample.residual_mm)
            .filter(|residual| residual.is_finite())
            .fold(0.0, f64::max);
        single((largest / MAX_RESIDUAL_STEPS).max(1e-4))
    }

    fn header(&self, frames: usize, scale: f32, data_block: u16) -> Vec<u8> {
        let mut header = vec![0_u8; BLOCK];
        let mut word = |place: usize, value: u16| {
            header[2 * (place - 1)..2 * place].copy_from_slice(&value.to_le_bytes());
        };
        word(1, u16::from_le_bytes([2, 80]));
        word(2, count(self.points.len()));
        word(4, 1);
        word(5, count(frames.min(HEADER_FRAMES)));
        word(9, data_block);
        // The key of events with four letters.
        word(150, 12_345);
        word(151, count(self.events.len().min(HEADER_EVENTS)));
        // Negative: points are stored as real numbers.
        header[12..16].copy_from_slice(&(-scale).to_le_bytes());
        header[20..24].copy_from_slice(&single(self.rate_hz).to_le_bytes());
        for (index, event) in self.events.iter().take(HEADER_EVENTS).enumerate() {
            let time = 2 * 152 + 4 * index;
            header[time..time + 4].copy_from_slice(&single(event.time_s).to_le_bytes());
            header[2 * 188 + index] = 1;
            let label = 2 * 198 + 4 * index;
            let letters = format!("{:4.4}", ascii(&event.label));
            header[label..label + 4].copy_from_slice(letters.as_bytes());
        }
        header
    }

    fn parameters(&self, frames: usize, scale: f32, data_block: u16) -> ParameterSection {
        let mut section = ParameterSection::default();
        section.group(
            "POINT",
            "x to the target, y to 9 o'clock, z up; residual: one standard deviation",
        );
        let texts = |of: fn(&C3dPoint) -> &String| {
            Data::Texts(self.points.iter().map(|point| of(point).clone()).collect())
        };
        section.parameter("USED", &Data::Int(count(self.points.len())));
        section.parameter("SCALE", &Data::Float(-scale));
        section.parameter("RATE", &Data::Float(single(self.rate_hz)));
        section.parameter("DATA_START", &Data::Int(data_block));
        section.parameter("FRAMES", &Data::Int(count(frames.min(HEADER_FRAMES))));
        section.parameter("LABELS", &texts(|point| &point.label));
        section.parameter("DESCRIPTIONS", &texts(|point| &point.description));
        section.parameter("UNITS", &Data::Text("mm".to_owned()));
        section.group("ANALOG", "none");
        section.parameter("USED", &Data::Int(0));
        section.parameter("LABELS", &Data::Texts(Vec::new()));
        section.parameter("DESCRIPTIONS", &Data::Texts(Vec::new()));
        section.parameter("GEN_SCALE", &Data::Float(1.0));
        section.parameter("SCALE", &Data::Floats(vec![0], Vec::new()));
        section.parameter("OFFSET", &Data::Ints(Vec::new()));
        section.parameter("UNITS", &Data::Texts(Vec::new()));
        section.parameter("RATE", &Data::Float(single(self.rate_hz)));
        section.group("FORCE_PLATFORM", "none");
        section.parameter("USED", &Data::Int(0));
        section.group("TRIAL", "length of the recording as two 16-bit halves");
        section.parameter("ACTUAL_START_FIELD", &Data::Ints(halves(1)));
        section.parameter("ACTUAL_END_FIELD", &Data::Ints(halves(frames)));
        section.parameter("CAMERA_RATE", &Data::Float(single(self.rate_hz)));
        section.group("EVENT", "instants of the shot");
        self.event_parameters(&mut section);
        section.group("MANUFACTURER", "");
        section.parameter("SOFTWARE", &Data::Text("drawarc".to_owned()));
        section.parameter("VERSION_LABEL", &Data::Text(self.version.clone()));
        section.group("DRAWARC", "");
        section.parameter("START_S", &Data::Text(format!("{:.6}", self.start_s)));
        section.parameter("SUBJECT", &Data::Text(self.subject.clone()));
        section
    }

    fn event_parameters(&self, section: &mut ParameterSection) {
        let events: Vec<&C3dEvent> = self.events.iter().take(usize::from(u8::MAX)).collect();
        let used = u8::try_from(events.len()).unwrap_or(u8::MAX);
        section.parameter("USED", &Data::Int(u16::from(used)));
        section.parameter(
            "LABELS",
            &Data::Texts(events.iter().map(|event| event.label.clone()).collect()),
        );
        section.parameter(
            "CONTEXTS",
            &Data::Texts(events.iter().map(|event| event.context.clone()).collect()),
        );
        section.parameter(
            "SUBJECTS",
            &Data::Texts(events.iter().map(|_| self.subject.clone()).collect()),
        );
        // Minutes and seconds.
        let times = events.iter().flat_map(|event| {
            let minutes = (event.time_s / 60.0).floor();
            [single(minutes), single(event.time_s - 60.0 * minutes)]
        });
        section.parameter("TIMES", &Data::Floats(vec![2, used], times.collect()));
    }
}

/// The residual byte. One that is not known is 0, which readers take for "not measured" (from memory of the standard); one
/// beyond all bounds is the largest.
fn residual_steps(residual_mm: f64, scale: f32) -> f64 {
    if residual_mm.is_nan() {
        return 0.0;
    }
    (residual_mm / f64::from(scale))
        .round()
        .clamp(0.0, MAX_RESIDUAL_STEPS)
}

/// Four real numbers: place and the fourth word.
fn point_bytes(sample: Option<&C3dSample>, scale: f32) -> Vec<u8> {
    let words = match sample {
        Some(sample) if sample.position_mm.iter().all(|value| value.is_finite()) => {
            let steps = residual_steps(sample.residual_mm, scale);
            let fourth = 256.0 * steps + f64::from(sample.cameras & 0x7F);
            let [x, y, z] = sample.position_mm.map(single);
            [x, y, z, single(fourth)]
        }
        _ => [0.0, 0.0, 0.0, -1.0],
    };
    words.into_iter().flat_map(f32::to_le_bytes).collect()
}

fn halves(value: usize) -> Vec<u16> {
    vec![count(value & 0xFFFF), count(value >> 16)]
}

fn count(value: usize) -> u16 {
    u16::try_from(value).unwrap_or(u16::MAX)
}

/// The format stores single precision: about 0.1 µm at a metre.
#[expect(
    clippy::cast_possible_truncation,
    reason = "C3D stores single precision"
)]
fn single(value: f64) -> f32 {
    value as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trial(frames: usize) -> C3dTrial {
        let sample = |frame: usize| {
            (frame % 7 != 3).then_some(C3dSample {
                position_mm: [frame as f64, -2.5, 1500.0],
                residual_mm: 0.5,
                cameras: 0b11,
            })
        };
        C3dTrial {
            rate_hz: 100.0,
            points: vec![C3dPoint {
                label: "ELBOW".to_owned(),
                description: "tip of the draw elbow".to_owned(),
                samples: (0..frames).map(sample).collect(),
            }],
            events: vec![C3dEvent {
                label: "RELEASE".to_owned(),
                context: "Shot".to_owned(),
                time_s: 61.25,
            }],
            subject: "Wren 🏹".to_owned(),
            start_s: 12.5,
            version: "0.1.0".to_owned(),
        }
    }

    fn word(bytes: &[u8], place: usize) -> u16 {
        u16::from_le_bytes([bytes[2 * place - 2], bytes[2 * place - 1]])
    }

    fn real(bytes: &[u8], offset: usize) -> f32 {
        f32::from_le_bytes(bytes[offset..offset + 4].try_into().unwrap())
    }

    #[test]
    fn header_says_where_everything_is() {
        let bytes = trial(10).to_bytes().unwrap();
        assert_eq!(bytes.len() % BLOCK, 0);
        assert_eq!((bytes[0], bytes[1]), (2, 80));
        assert_eq!(
            (word(&bytes, 2), word(&bytes, 4), word(&bytes, 5)),
            (1, 1, 10)
        );
        assert!(real(&bytes, 12) < 0.0);
        assert!((real(&bytes, 20) - 100.0).abs() < f32::EPSILON);
        assert_eq!(&bytes[2 * 198..2 * 198 + 4], b"RELE");
        let data = BLOCK * (usize::from(word(&bytes, 9)) - 1);
        assert_eq!(data, BLOCK * (1 + usize::from(bytes[BLOCK + 2])));
        assert!((real(&bytes, data + 16) - 1.0).abs() < f32::EPSILON);
        // Residual 0.5 mm is the largest: 127 steps; cameras 1 and 2.
        assert!((real(&bytes, data + 12) - (127.0 * 256.0 + 3.0)).abs() < f32::EPSILON);
        assert!((real(&bytes, data + 3 * 16 + 12) + 1.0).abs() < f32::EPSILON);
    }

    #[test]
    fn a_residual_that_is_not_known_is_no_number_of_its_own() {
        let mut odd = trial(10);
        for (at, residual_mm) in [(0, f64::NAN), (1, f64::INFINITY)] {
            odd.points[0].samples[at].as_mut().unwrap().residual_mm = residual_mm;
        }
        let bytes = odd.to_bytes().unwrap();
        let data = BLOCK * (usize::from(word(&bytes, 9)) - 1);
        let fourth = |at: usize| real(&bytes, data + 16 * at + 12);
        // Cameras 1 and 2, residual 0 and the largest; the scale is that of the others.
        assert!((fourth(0) - 3.0).abs() < f32::EPSILON, "{}", fourth(0));
        assert!(
            (fourth(1) - (127.0 * 256.0 + 3.0)).abs() < f32::EPSILON,
            "{}",
            fourth(1)
        );
        assert!(real(&bytes, 12).is_finite() && real(&bytes, 12) < 0.0);
    }

    #[test]
    fn long_recordings_state_their_length_beside_the_header() {
        let bytes = trial(70_000).to_bytes().unwrap();
        assert_eq!(word(&bytes, 5), 65_535);
        assert_eq!(
            bytes.len() - BLOCK * (usize::from(word(&bytes, 9)) - 1),
            16 * 70_000
        );
        let name = b"ACTUAL_END_FIELD";
        let at = bytes
            .windows(name.len())
            .position(|window| window == name)
            .unwrap()
            + name.len()
            + 5;
        let halves = (word(&bytes[at..], 1), word(&bytes[at..], 2));
        assert_eq!(
            usize::from(halves.0) + (usize::from(halves.1) << 16),
            70_000
        );
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let mut odd = trial(5);
        odd.points.push(C3dPoint {
            samples: Vec::new(),
            ..odd.points[0].clone()
        });
        assert!(odd.to_bytes().is_err());
        assert!(trial(0).to_bytes().is_err());
    }
}
