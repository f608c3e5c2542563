use nalgebra::Point2;
use serde::{Deserialize, Serialize};

/// The board, whole, in one frame of one camera.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BoardSighting {
    /// Index of the camera in the survey.
    pub camera: usize,
    /// Index of the frame in its recording; for stills, the number of the exposure, the same in all cameras.
    pub frame_index: u64,
    /// Presentation time of the frame in the camera's own clock (s).
    pub time_s: f64,
    /// All inner corners in the order of [`crate::Board::corners`] (px, stored orientation).
    pub corners_px: Vec<Point2<f64>>,
    /// Standard deviation of one corner, per axis, as the picture's noise and contrast suggest (px).
    pub corner_sd_px: f64,
    /// Width of the edges between squares (px, 10 to 90 %): 1 to 3 where focus and exposure are good.
    pub edge_width_px: f64,
}

impl BoardSighting {
    /// Mean of the corners (px).
    pub fn centre_px(&self) -> Point2<f64> {
        let sum: nalgebra::Vector2<f64> = self.corners_px.iter().map(|p| p.coords).sum();
        Point2::from(sum / self.corners_px.len().max(1) as f64)
    }

    /// Root mean square distance of the corners to those of another sighting (px).
    pub fn distance_px(&self, other: &Self) -> f64 {
        let sum: f64 = self
            .corners_px
            .iter()
            .zip(&other.corners_px)
            .map(|(a, b)| (a - b).norm_squared())
            .sum();
        (sum / self.corners_px.len().max(1) as f64).sqrt()
    }
}
