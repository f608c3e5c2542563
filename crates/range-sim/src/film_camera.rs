//! A camera that films: what it is, where it stands, and what becomes of its recording.

use crate::error::{RangeSimError, check};
use drawarc_rig::{ImageSize, Lens, Shutter};
use serde::{Deserialize, Serialize};

/// A camera that films.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FilmCamera {
    /// Name; the file is called after it.
    pub name: String,
    /// Stored picture size.
    pub image_size: ImageSize,
    /// Rotation for people that stands in the container (° clockwise).
    pub rotation_deg: u16,
    /// Lens.
    pub lens: Lens,
    /// Shutter.
    pub shutter: Shutter,
    /// Nominal frames a second.
    pub rate_hz: f64,
    /// Clock.
    pub clock: ClockPlan,
    /// Optical centre in the range frame (m).
    pub position_m: [f64; 3],
    /// Point in the middle of the view (m).
    pub look_at_m: [f64; 3],
    /// Roll about the optical axis (°, clockwise as seen through the camera).
    pub roll_deg: f64,
    /// Codec.
    pub codec: FilmCodec,
    /// Rate factor of the encoder: lower is better and larger.
    pub crf: u8,
    /// Noise: read noise (8-bit steps).
    pub read_noise: f64,
    /// Noise: shot noise at white (8-bit steps).
    pub shot_noise: f64,
    /// Fraction of the light lost in the corner of the picture.
    pub vignetting: f64,
    /// Whether it records sound.
    pub sound: bool,
    /// Knocked: from then on the camera stands otherwise.
    #[serde(default)]
    pub knocked: Option<Knock>,
    /// The camera splits its recording here (camera time, s): each chapter is a file with a clock of its own.
    #[serde(default)]
    pub chapters_at_s: Vec<f64>,
}

impl FilmCamera {
    /// Names of its video files, in order.
    pub fn files(&self) -> Vec<String> {
        (0..=self.chapters_at_s.len())
            .map(|chapter| match chapter {
                0 => format!("{}.mp4", self.name),
                _ => format!("{}-{}.mp4", self.name, chapter + 1),
            })
            .collect()
    }

    pub(crate) fn validate(&self) -> Result<(), RangeSimError> {
        self.all_finite()?;
        check(
            (1.0..=1000.0).contains(&self.rate_hz),
            "camera.rate_hz",
            self.rate_hz,
            "1 to 1000",
        )?;
        let picture = self.image_size;
        for size in [picture.width_px, picture.height_px] {
            check(
                (16..=8192).contains(&size) && size % 2 == 0,
                "camera.image_size",
                f64::from(size),
                "even, 16 to 8192",
            )?;
        }
        let aim = (0..3)
            .map(|k| (self.position_m[k] - self.look_at_m[k]).abs())
            .sum::<f64>();
        check(aim > 0.01, "camera.look_at_m", aim, "apart from position_m")?;
        let chapters = &self.chapters_at_s;
        let ordered = chapters.windows(2).all(|pair| pair[0] + 0.5 <= pair[1]);
        let first_s = chapters.first().copied().unwrap_or(1.0);
        check(
            ordered && first_s >= 0.5,
            "camera.chapters_at_s",
            first_s,
            "in order, half a second apart or more",
        )?;
        Ok(())
    }
}

impl FilmCamera {
    /// YAML knows `.nan` and `.inf`: a picture from there would be none, after minutes of filming.
    fn all_finite(&self) -> Result<(), RangeSimError> {
        let lens = self.lens.parameters();
        let Shutter {
            readout_s,
            readout_sd_s,
            exposure_s,
        } = self.shutter;
        let shutter = [readout_s, readout_sd_s, exposure_s];
        let clock = &self.clock;
        let clock = [
            clock.offset_s,
            clock.drift,
            clock.jitter_s,
            clock.dropped,
            clock.sound_lag_s,
        ];
        let place = [self.position_m, self.look_at_m].concat();
        let light = [
            self.roll_deg,
            self.read_noise,
            self.shot_noise,
            self.vignetting,
        ];
        let knock = self.knocked.iter().flat_map(|knock| {
            let [x, y, z] = knock.shift_m;
            [knock.at_s, knock.pan_deg, knock.tilt_deg, x, y, z]
        });
        let groups: [(&'static str, Vec<f64>); 7] = [
            ("camera.lens", lens),
            ("camera.shutter", shutter.to_vec()),
            ("camera.clock", clock.to_vec()),
            ("camera.position_m, camera.look_at_m", place),
            ("camera.roll_deg, noise or vignetting", light.to_vec()),
            ("camera.knocked", knock.collect()),
            ("camera.chapters_at_s", self.chapters_at_s.clone()),
        ];
        for (what, values) in groups {
            for value in values {
                check(value.is_finite(), what, value, "a number")?;
            }
        }
        Ok(())
    }
}

/// A tripod that somebody ran into.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Knock {
    /// When (range time, s).
    pub at_s: f64,
    /// How far it turned about the camera's own vertical (°).
    pub pan_deg: f64,
    /// How far it turned about the camera's own x axis (°).
    #[serde(default)]
    pub tilt_deg: f64,
    /// How far its optical centre went along its own axes after the turn (m).
    #[serde(default)]
    pub shift_m: [f64; 3],
}

/// What a camera's file is encoded with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FilmCodec {
    /// H.264, 8 bits.
    H264,
    /// HEVC, 8 bits.
    Hevc8,
    /// HEVC, 10 bits.
    Hevc10,
}

/// A camera's own clock: `range_s = offset_s + camera_s · (1 + drift)`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockPlan {
    /// Range time at which the camera's time is 0 (s).
    pub offset_s: f64,
    /// Relative difference of rate.
    pub drift: f64,
    /// Jitter of frame times (s, standard deviation).
    pub jitter_s: f64,
    /// Fraction of frames dropped.
    pub dropped: f64,
    /// Sound lag: sound recorded at one instant stands this much later in the file than the picture of that
    /// instant (s).
    pub sound_lag_s: f64,
}

#[cfg(test)]
mod tests {
    use crate::Scenario;

    #[test]
    fn what_is_no_number_is_refused_before_the_filming() {
        let text = Scenario::club_five_three(1).to_yaml().unwrap();
        assert!(Scenario::from_yaml(&text).is_ok());
        for name in [
            "roll_deg",
            "readout_s",
            "exposure_s",
            "sound_lag_s",
            "vignetting",
        ] {
            for odd in [".nan", ".inf"] {
                let line = text
                    .lines()
                    .find(|line| line.trim_start().starts_with(&format!("{name}:")))
                    .unwrap();
                let (key, _) = line.split_once(':').unwrap();
                let wrong = text.replacen(line, &format!("{key}: {odd}"), 1);
                assert!(Scenario::from_yaml(&wrong).is_err(), "{name}: {odd}");
            }
        }
    }
}
