use drawarc_rig::Camera;
use nalgebra::Point3;
use serde::{Deserialize, Serialize};

use crate::follower::{FollowerSettings, MarkerClass};

/// How a marker is told from things like it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ChoiceSettings {
    /// Where the archer stands (m, range frame): the middle of the space in which markers may be.
    pub archer_place: Point3<f64>,
    /// Markers are within this distance of it (m): an arm's length and a bow's.
    pub archer_reach_m: f64,
    /// Views agree to this (px), beside what their clocks leave open.
    pub view_tolerance_px: f64,
    /// Sizes agree to this share.
    pub size_tolerance: f64,
}

impl Default for ChoiceSettings {
    fn default() -> Self {
        Self {
            archer_place: Point3::new(0.0, 0.0, 1.35),
            archer_reach_m: 1.3,
            view_tolerance_px: 2.0,
            size_tolerance: 0.25,
        }
    }
}

/// How markers are followed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TrackSettings {
    /// How a marker is told from things like it.
    pub choice: ChoiceSettings,
    /// Threads for all cameras together; 0 takes the machine's cores.
    pub threads: usize,
    /// Threads of each camera's decoder; 0 shares those that there are among the cameras.
    pub decode_threads: usize,
    /// Chroma samples lie so far right of even luma columns (luma px): 0 as H.264 and HEVC have it by default, 0.5
    /// for JPEG-like siting.
    pub chroma_right_px: f64,
    /// Blur of lens and sampling in luma (1 σ, px) that is expected before the pictures tell.
    pub blur_px: f64,
    /// Patches of one colour followed at a time in one camera.
    pub patches: usize,
    /// Outlines fitted in one frame and colour.
    pub fits: usize,
    /// What has stood still since long before is measured in turns only. Off where something lying still is what one
    /// wants to measure.
    pub rest: bool,
}

impl Default for TrackSettings {
    fn default() -> Self {
        Self {
            choice: ChoiceSettings::default(),
            threads: 0,
            decode_threads: 0,
            chroma_right_px: 0.0,
            blur_px: 0.7,
            patches: 10,
            fits: 4,
            rest: true,
        }
    }
}

/// A dot seen at a flat angle is followed down to this share of its width.
const FLATTEST: f64 = 0.12;

impl TrackSettings {
    /// What a follower of this camera's frames needs.
    pub(crate) fn follower(&self, camera: &Camera, classes: &[MarkerClass]) -> FollowerSettings {
        let focal_px = camera.lens.focal_px();
        let distance_m = (camera.centre_in_range() - self.choice.archer_place).norm();
        let nearest_m = (distance_m - self.choice.archer_reach_m).max(0.4);
        let farthest_m = distance_m + self.choice.archer_reach_m;
        let radius_px = classes
            .iter()
            .map(|class| {
                let (longest, shortest) = class.shape.extent_m();
                let flat = (longest * shortest.max(FLATTEST * longest)).sqrt();
                (
                    0.5 * flat * focal_px / farthest_m,
                    0.5 * longest * focal_px / nearest_m,
                )
            })
            .collect();
        FollowerSettings {
            radius_px,
            exposure_s: camera.shutter.exposure_s,
            chroma_right_px: self.chroma_right_px,
            blur_px: self.blur_px,
            live: self.patches,
            // Look-alikes beside every marker that shares the colour.
            fitted: self.fits,
            rest: self.rest,
        }
    }
}
