//! Before the filming: what a rig will be able to measure.
//!
//! A nominal archer makes a nominal shot before the rig's cameras; the covariance of the survey, the clocks and the
//! marker's centres is carried through to the path of the elbow. No random picture is rendered; the figures are bounds
//! that a good estimator reaches.

mod banded;
mod body;
mod camera_forecast;
mod danger;
mod detectable;
mod improve;
mod information;
mod lasting;
mod marker;
mod nominal_shot;
mod nominal_survey;
mod plan_picture;
mod precision;
mod rig_forecast;
mod sketch;
mod sketch_of_rig;

pub use body::BodyPart;
pub use camera_forecast::{CameraForecast, PhaseSight, PictureFit};
pub use danger::Danger;
pub(crate) use detectable::deepest_reversal;
pub use detectable::{DetectionSettings, SmallestFaults};
pub use improve::{Advice, ImproveSettings, Move, improve};
pub use marker::{Look, MarkerKind, MarkerNoise, Unseen, look};
pub use nominal_shot::{Body, Hand, NominalArcher, NominalPhase};
pub use nominal_survey::nominal_rig;
pub(crate) use plan_picture::escape;
pub use plan_picture::{PlanView, plan_svg};
pub use precision::{CameraTiming, FrameLook, MotionPrior};
pub use rig_forecast::{
    AxisErrors, Forecast, ForecastCurves, ForecastInput, ForecastSettings, PhaseForecast, forecast,
    forecast_sketch, timing_of,
};
pub use sketch::{
    Place, RigSketch, SKETCH_FORMAT, SketchCamera, SketchLens, SketchSurvey, Surroundings, Sync,
    two_phones,
};
pub use sketch_of_rig::{UsedAs, sketch_of};
