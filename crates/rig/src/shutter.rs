use serde::{Deserialize, Serialize};

/// How a sensor is exposed and read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shutter {
    /// Time from the exposure of the first stored row to that of the last (s); 0 for a global shutter.
    /// Negative where the sensor is read from the last stored row to the first.
    pub readout_s: f64,
    /// Standard deviation of `readout_s` (s); 0 where it is known by construction.
    #[serde(default)]
    pub readout_sd_s: f64,
    /// How long each row collects light (s).
    pub exposure_s: f64,
}

impl Shutter {
    /// A global shutter with the given exposure (s).
    pub const fn global(exposure_s: f64) -> Self {
        Self {
            readout_s: 0.0,
            readout_sd_s: 0.0,
            exposure_s,
        }
    }

    /// A rolling shutter, read-out and exposure in seconds.
    pub const fn rolling(readout_s: f64, exposure_s: f64) -> Self {
        Self {
            readout_s,
            readout_sd_s: 0.0,
            exposure_s,
        }
    }

    /// Mid-exposure of (sub-pixel) row `y_px` after the frame's presentation time (s), for a picture
    /// of `height_px` rows: `readout · row_fraction`, 0 at the centre row `(height − 1)/2`.
    pub fn row_delay_s(&self, y_px: f64, height_px: u32) -> f64 {
        self.readout_s * Self::row_fraction(y_px, height_px)
    }

    /// Position of row `y_px` within the read-out: −½ at the first row, +½ at the last. The derivative
    /// of [`Self::row_delay_s`] with respect to the read-out.
    pub fn row_fraction(y_px: f64, height_px: u32) -> f64 {
        let last = f64::from(height_px.max(2) - 1);
        y_px / last - 0.5
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_sweep_the_readout() {
        let shutter = Shutter::rolling(0.018, 0.002);
        assert!((shutter.row_delay_s(0.0, 1080) + 0.009).abs() < 1e-15);
        assert!((shutter.row_delay_s(1079.0, 1080) - 0.009).abs() < 1e-15);
        assert!(shutter.row_delay_s(539.5, 1080).abs() < 1e-15);
        assert!(Shutter::global(0.001).row_delay_s(3.0, 1080).abs() < 1e-15);
    }
}
