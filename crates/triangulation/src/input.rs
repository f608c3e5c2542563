use crate::PathSettings;
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::SightingSeries;

/// What a path is made from.
#[derive(Debug, Clone)]
pub struct PathInput<'a> {
    /// The surveyed cameras with their joint covariance.
    pub rig: &'a Rig,
    /// Clock of each camera, in the rig's order, each with its variance.
    pub clocks: &'a [ClockModel],
    /// Sightings: any number of series; those of one role and one camera are joined.
    pub series: &'a [SightingSeries],
    /// When the release was heard: range time and standard deviation (s). A hint: where the marker shows
    /// another instant, the marker wins.
    pub release_hint_s: Option<(f64, f64)>,
    /// How to fit.
    pub settings: PathSettings,
}
