//! Every number that a rule of the shot sheet turns on, with meaning and origin.

use crate::ReportError;
use serde::{Deserialize, Serialize};

/// Settings of the shot sheet. SI units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ReportSettings {
    /// Seed of the random numbers (arrow line, forearm, sway).
    pub seed: u64,
    /// Rate of the grid on which rules work (Hz).
    pub grid_hz: f64,
    /// Where the zero-phase low-pass has fallen to 0.707 (Hz): below the tremor band, 8 to 12 Hz.
    pub cutoff_hz: f64,
    /// False alarms a shot, all reversals together.
    pub false_alarms: f64,
    /// Reversals below this net depth are never marked (m): the practical floor.
    pub floor_m: f64,
    /// Slower than this is "stopped" (m/s): 2.25 mm in 0.15 s.
    pub stall_speed_m_s: f64,
    /// Shortest stall (s).
    pub stall_length_s: f64,
    /// Window of the speed estimate (s). Shorter than the shortest stall, so that the stretches in which a fast
    /// draw brakes and starts again do not fall into it.
    pub stall_probe_s: f64,
    /// Tremor of the elbow (m rms, one axis, 8 to 12 Hz): a few tenths of a millimetre.
    pub tremor_m: f64,
    /// Probability from which a stall is one.
    pub stall_probability: f64,
    /// Slower than this, beyond doubt, and never stopped is "slowed" (m/s). Common practice, no source.
    pub slowed_speed_m_s: f64,
    /// A reversal slower than this is creep (m/s); a collapse gives way in tenths of a second.
    pub creep_speed_m_s: f64,
    /// A reversal that lasts so long is creep whatever its speed (s).
    pub creep_length_s: f64,
    /// Speed along x from which the elbow counts as drawing (m/s).
    pub draw_speed_m_s: f64,
    /// Shortest draw of the elbow (m); covers juniors.
    pub draw_min_m: f64,
    /// Longest draw (m); more is walking.
    pub draw_max_m: f64,
    /// Jump of the velocity within [`Self::burst_step_s`] that makes a release (m/s).
    pub burst_m_s: f64,
    /// Step over which the jump is looked for (s).
    pub burst_step_s: f64,
    /// Time from the fingers' release to the sound of the bow (s): the power stroke, about 15 ms.
    pub power_stroke_s: f64,
    /// Its standard deviation between bows and archers (s). Common practice, no source.
    pub power_stroke_sd_s: f64,
    /// Sounds further than this from the break in the movement belong to something else (s).
    pub sound_reach_s: f64,
    /// Body sway along one horizontal axis (m, rms) where no bow hand or shoulder is tracked and nothing else is
    /// known: 1 to 2 mm.
    pub sway_sd_m: f64,
    /// Relative standard deviation of that size from archer to archer: 1 to 2 mm.
    pub sway_size_sd: f64,
    /// Band of the sway (Hz): `[low, high]`; standing people's sway falls off above 1 Hz (from memory).
    pub sway_band_hz: [f64; 2],
    /// Hook to elbow as a share of body height (0.38 m at 1.75 m). Common proportion, no source.
    pub forearm_share: f64,
    /// Its relative standard deviation.
    pub forearm_sd: f64,
    /// Upper arm as a share of body height: 0.186 (Winter, Biomechanics and Motor Control; from memory).
    pub upper_arm_share: f64,
    /// Horizontal direction of an arrow line that was not measured (rad, 1 σ).
    pub assumed_direction_sd_rad: f64,
    /// Where the elbow stands behind such a line at anchor: mean and standard deviation (m). Common practice, no
    /// source.
    pub assumed_behind_m: [f64; 2],
    /// Where it stands above it: mean and standard deviation (m). Common practice, no source.
    pub assumed_above_m: [f64; 2],
    /// Shot clock (s), 40 s an arrow in sets, 20 s in alternate shooting; none switches it off.
    pub shot_clock_s: Option<f64>,
    /// What an eye sees in a film (m at the archer). Common practice, no source.
    pub eye_m: f64,
    /// A view that shows less than this share of a movement is blind to it.
    pub blind_share: f64,
    /// Fewer shots than this in a series are "few".
    pub few_shots: usize,
}

impl Default for ReportSettings {
    fn default() -> Self {
        Self {
            seed: 1,
            grid_hz: 120.0,
            cutoff_hz: 6.0,
            false_alarms: 0.05,
            floor_m: 0.002,
            stall_speed_m_s: 0.015,
            stall_length_s: 0.15,
            stall_probe_s: 0.12,
            tremor_m: 0.0003,
            stall_probability: 0.95,
            slowed_speed_m_s: 0.03,
            creep_speed_m_s: 0.005,
            creep_length_s: 1.0,
            draw_speed_m_s: 0.04,
            draw_min_m: 0.2,
            draw_max_m: 1.0,
            burst_m_s: 0.15,
            burst_step_s: 0.03,
            power_stroke_s: 0.015,
            power_stroke_sd_s: 0.002,
            sound_reach_s: 0.06,
            sway_sd_m: 0.0015,
            sway_size_sd: 0.25,
            sway_band_hz: [0.1, 1.0],
            forearm_share: 0.217,
            forearm_sd: 0.05,
            upper_arm_share: 0.186,
            assumed_direction_sd_rad: 0.0175,
            assumed_behind_m: [0.03, 0.04],
            assumed_above_m: [0.03, 0.04],
            shot_clock_s: Some(40.0),
            eye_m: 0.003,
            blind_share: 0.2,
            few_shots: 6,
        }
    }
}

impl ReportSettings {
    /// Refuses numbers that cannot be.
    ///
    /// # Errors
    /// [`ReportError::Setting`] naming the first.
    pub fn validate(&self) -> Result<(), ReportError> {
        let positive = [
            ("grid_hz", self.grid_hz),
            ("cutoff_hz", self.cutoff_hz),
            ("stall_speed_m_s", self.stall_speed_m_s),
            ("stall_length_s", self.stall_length_s),
            ("stall_probe_s", self.stall_probe_s),
            ("draw_speed_m_s", self.draw_speed_m_s),
            ("draw_min_m", self.draw_min_m),
            ("creep_length_s", self.creep_length_s),
            ("burst_m_s", self.burst_m_s),
            ("burst_step_s", self.burst_step_s),
            ("forearm_share", self.forearm_share),
            ("sway_band_hz", self.sway_band_hz[0]),
            ("eye_m", self.eye_m),
        ];
        let fractions = [
            ("false_alarms", self.false_alarms),
            ("stall_probability", self.stall_probability),
        ];
        for (name, value) in positive {
            if !(value.is_finite() && value > 0.0) {
                return Err(ReportError::Setting { name, value });
            }
        }
        for (name, value) in fractions {
            if !(value > 0.0 && value < 1.0) {
                return Err(ReportError::Setting { name, value });
            }
        }
        for (name, value) in [
            ("floor_m", self.floor_m),
            ("sway_sd_m", self.sway_sd_m),
            ("sway_size_sd", self.sway_size_sd),
            ("tremor_m", self.tremor_m),
            ("forearm_sd", self.forearm_sd),
        ] {
            if !(value.is_finite() && value >= 0.0) {
                return Err(ReportError::Setting { name, value });
            }
        }
        Ok(())
    }
}
