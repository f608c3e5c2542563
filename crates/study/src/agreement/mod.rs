//! After the filming: what one camera alone is worth.
//!
//! Each camera's planar estimate, as a practitioner would make it, beside the 3-D figure computed **without that camera**. Both
//! sides are smoothed alike and reduced to figures by the same functions, so that a difference is one of geometry and
//! pixels, not of definition.

mod cell;
mod chart;
mod dial;
mod difference_plot;
mod export;
mod nominal_study;
mod page;
mod pairs;
mod planar;
mod study;
mod study_file;
mod track;

pub use cell::{AgreementCell, Trust};
pub use nominal_study::nominal_shots;
pub use pairs::{Angle, CameraView, Pair, StudyShot, virtual_view};
pub use planar::{
    AssumedPlane, NoEstimate, PixelTrack, PlanarEstimate, PlanarScale, PlanarTrack, planar_track,
    project_track, shown_share,
};
pub use study::{AGREEMENT_FORMAT, AgreementStudy, CurveCell, FaultCell, agree};
pub use study_file::{Analysis, Exclusion, STUDY_FORMAT, StudyFile, usual_estimates};
pub use track::{ArrowLine, Axis, ElbowTrack, ShotTimes, StudyMeasure};
