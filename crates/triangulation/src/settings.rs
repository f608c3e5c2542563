use crate::PathError;
use serde::{Deserialize, Serialize};

/// How a path is fitted. What the defaults reach on simulated sightings, the example `accuracy` prints.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PathSettings {
    /// Degree of the spline: 3 or 5.
    pub degree: usize,
    /// Which derivative of the path is taken for white noise by the prior: 2 (acceleration), 3 (jerk)
    /// or 4.
    pub order: usize,
    /// Spacing of the knots (s).
    pub knot_s: f64,
    /// Longest time without two cameras that the curve bridges (s).
    pub bridge_s: f64,
    /// Shortest stretch that carries a path (s).
    pub shortest_s: f64,
    /// Half-width of the window over which smoothness is judged (s).
    pub adapt_s: f64,
    /// Weight of the smoothness of the whole in each window, in independent differences.
    pub adapt_prior: f64,
    /// Expected share of wrong sightings.
    pub wrong_share: f64,
    /// How much wider wrong sightings scatter than right ones.
    pub wrong_width: f64,
    /// Refine poses, lenses and read-out within their surveyed covariance.
    pub refine_survey: bool,
    /// Refine clock offsets and rates within their stated covariance.
    pub refine_clocks: bool,
    /// Standard deviation of the part of a sighting's error that lasts (px): measured on rendered, encoded video, 0.1 to
    /// 0.3 px. Bounds what sightings may teach about survey and clocks.
    pub lasting_px: f64,
    /// It lasts about so long (s).
    pub lasting_s: f64,
    /// Standard deviation of the part of a sighting's error that stays the same for a whole shot (px): the sighting of a
    /// lit ball is off to its bright side. 0.10 on rendered, encoded video of two phones (`cargo xtask bench`). No
    /// contradiction of the views shows it, since it looks like the survey's error; it widens the intervals of position.
    pub constant_px: f64,
    /// Let the path jump where a burst of acceleration shows a release.
    pub find_release: bool,
}

impl Default for PathSettings {
    fn default() -> Self {
        Self {
            degree: 3,
            order: 2,
            knot_s: 1.0 / 120.0,
            bridge_s: 0.1,
            shortest_s: 0.1,
            adapt_s: 0.15,
            adapt_prior: 10.0,
            wrong_share: 0.02,
            wrong_width: 20.0,
            refine_survey: true,
            refine_clocks: true,
            lasting_px: 0.15,
            lasting_s: 0.5,
            constant_px: 0.1,
            find_release: true,
        }
    }
}

impl PathSettings {
    /// Refuses settings that cannot be.
    ///
    /// # Errors
    /// [`PathError::Value`] naming the first such setting.
    pub fn validate(&self) -> Result<(), PathError> {
        let refuse = |what, value, why| Err(PathError::Value { what, value, why });
        if !(2..=5).contains(&self.degree) {
            return refuse("degree", self.degree as f64, "2 to 5");
        }
        if !(2..=4).contains(&self.order) {
            return refuse("order", self.order as f64, "2 to 4");
        }
        for (what, value) in [
            ("knot_s", self.knot_s),
            ("shortest_s", self.shortest_s),
            ("adapt_s", self.adapt_s),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return refuse(what, value, "more than 0");
            }
        }
        for (what, value) in [
            ("bridge_s", self.bridge_s),
            ("adapt_prior", self.adapt_prior),
            ("lasting_px", self.lasting_px),
            ("lasting_s", self.lasting_s),
            ("constant_px", self.constant_px),
        ] {
            if !(value.is_finite() && value >= 0.0) {
                return refuse(what, value, "0 or more");
            }
        }
        if !(self.wrong_share > 0.0 && self.wrong_share < 0.5) {
            return refuse("wrong_share", self.wrong_share, "between 0 and 0.5");
        }
        if !(self.wrong_width.is_finite() && self.wrong_width > 2.0) {
            return refuse("wrong_width", self.wrong_width, "more than 2");
        }
        Ok(())
    }
}
