use crate::MarkerRole;
use thiserror::Error;

/// What can go wrong between footage and sightings.
#[non_exhaustive]
#[derive(Debug, Error)]
pub enum SyncTrackError {
    /// A marker description with numbers that cannot be.
    #[error("marker {role}: {what} is {value}, which cannot be")]
    MarkerValue {
        /// Which marker.
        role: MarkerRole,
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// A marker whose colour is no colour.
    #[error(
        "marker {role}: the picked colour (Cb {cb:.0}, Cr {cr:.0}) is nearly grey; pick the marker's lit part, or use a marker of a strong colour"
    )]
    Colourless {
        /// Which marker.
        role: MarkerRole,
        /// Blue difference, 128 is grey.
        cb: f64,
        /// Red difference, 128 is grey.
        cr: f64,
    },
    /// The same role twice.
    #[error("marker {role} is described twice")]
    DoubleMarker {
        /// Which marker.
        role: MarkerRole,
    },
    /// Lists that should go by camera have different lengths.
    #[error("{what}: {found} for {expected} cameras")]
    CameraCount {
        /// What was counted.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many cameras there are.
        expected: usize,
    },
    /// A recording could not be read.
    #[error("camera {camera}: {source}")]
    Footage {
        /// Index of the camera.
        camera: usize,
        /// What happened.
        #[source]
        source: drawarc_footage::FootageError,
    },
}
