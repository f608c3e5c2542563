//! The measures that a series is told by.

use crate::Reading;
use crate::sheet::ShotMeasures;

/// In which direction a measure is wanted to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wanted {
    More,
    /// Neither: spread and change are told, not judged.
    Neither,
}

/// One measure.
pub(crate) struct Row {
    pub(crate) key: &'static str,
    pub(crate) unit: &'static str,
    pub(crate) wanted: Wanted,
    pub(crate) reading: fn(&ShotMeasures) -> &Reading,
}

/// All of them, in the order in which they are shown.
pub(crate) const ROWS: [Row; 12] = [
    Row {
        key: "slowest_mm_s",
        unit: "mm/s",
        wanted: Wanted::More,
        reading: |m| &m.slowest_mm_s,
    },
    Row {
        key: "v_depth_mm",
        unit: "mm",
        wanted: Wanted::Neither,
        reading: |m| &m.v_depth_mm,
    },
    Row {
        key: "behind_at_anchor_mm",
        unit: "mm",
        wanted: Wanted::Neither,
        reading: |m| &m.behind_at_anchor_mm,
    },
    Row {
        key: "behind_at_release_mm",
        unit: "mm",
        wanted: Wanted::Neither,
        reading: |m| &m.behind_at_release_mm,
    },
    Row {
        key: "expansion_behind_mm",
        unit: "mm",
        wanted: Wanted::More,
        reading: |m| &m.expansion_behind_mm,
    },
    Row {
        key: "expansion_away_mm",
        unit: "mm",
        wanted: Wanted::Neither,
        reading: |m| &m.expansion_away_mm,
    },
    Row {
        key: "expansion_around_deg",
        unit: "°",
        wanted: Wanted::More,
        reading: |m| &m.expansion_around_deg,
    },
    Row {
        key: "hook_travel_mm",
        unit: "mm",
        wanted: Wanted::More,
        reading: |m| &m.hook_travel_mm,
    },
    Row {
        key: "alignment_deg",
        unit: "°",
        wanted: Wanted::Neither,
        reading: |m| &m.alignment_deg,
    },
    Row {
        key: "draw_up_s",
        unit: "s",
        wanted: Wanted::Neither,
        reading: |m| &m.draw_up_s,
    },
    Row {
        key: "hold_s",
        unit: "s",
        wanted: Wanted::Neither,
        reading: |m| &m.hold_s,
    },
    Row {
        key: "shot_s",
        unit: "s",
        wanted: Wanted::Neither,
        reading: |m| &m.shot_s,
    },
];
