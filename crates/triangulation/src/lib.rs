//! From sightings to the elbow path: one continuous curve through all sightings of all cameras, each at its
//! own instant, with error bars that hold pixels, survey and clocks.

mod border;
mod bordered;
mod butterworth;
mod consensus;
mod coverage;
mod diagnostics;
mod echo;
mod epipolar;
mod error;
mod fit;
mod forecast;
mod gcv;
mod influence;
mod initial;
mod input;
mod instants;
mod lasting;
mod length;
mod noise;
mod normal;
mod observation;
mod onset;
mod path;
mod patience;
mod posterior;
mod release;
mod rounds;
mod rows;
mod samples;
mod settings;
mod smoothness;
mod spline;
mod triangulate;

pub use butterworth::{Butterworth, residual_cutoff_hz};
pub use consensus::Disagreement;
pub use coverage::Gap;
pub use diagnostics::{CameraResiduals, MomentQuality, PathDiagnostics, REGIONS};
pub use error::PathError;
pub use fit::{PathFit, fit_path};
pub use forecast::forecast;
pub use gcv::gcv_spline;
pub use input::PathInput;
pub use instants::{InstantPath, InstantStretch, comparison_path, triangulate_instants};
pub use length::{LengthCheck, length_check};
pub use onset::Onset;
pub use path::{BandFactors, ElbowPath, ErrorShares, PathPoint};
pub use release::{BURST_M_S2, Break};
pub use samples::{MotionBands, PathSamples};
pub use settings::PathSettings;
pub use triangulate::{
    LEAST_CONVERGENCE_DEG, TriangulatedPoint, View, convergence_deg, correct_two_views,
    fundamental_from_matrices, triangulate_linear, triangulate_matrices, triangulate_optimal,
};
