/// Why there is no path, or no point.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PathError {
    /// Clocks or cameras do not fit the rig.
    #[error("the rig has {cameras} cameras, but {found} {what} were given")]
    Count {
        /// Cameras in the rig.
        cameras: usize,
        /// What was counted.
        what: &'static str,
        /// How many there were.
        found: usize,
    },
    /// A sighting names a camera that is not in the rig.
    #[error("a sighting belongs to camera {camera}, but the rig has {cameras}")]
    Camera {
        /// Index named by the sighting.
        camera: usize,
        /// Cameras in the rig.
        cameras: usize,
    },
    /// Nowhere do two cameras see the marker at the same time for long enough.
    #[error(
        "no stretch of at least {needed_s} s in which two cameras see the marker; the longest has {longest_s:.3} s"
    )]
    NoOverlap {
        /// Shortest stretch that carries a path (s).
        needed_s: f64,
        /// Longest stretch found (s).
        longest_s: f64,
    },
    /// The rays of the views are so nearly parallel that they fix no point.
    #[error(
        "the rays meet at {convergence_deg:.3}°; at least {needed_deg}° are needed for a point"
    )]
    Parallel {
        /// Largest angle between two rays (degrees).
        convergence_deg: f64,
        /// Bound (degrees).
        needed_deg: f64,
    },
    /// Too few views for a point.
    #[error("{found} views; a point needs at least two")]
    Views {
        /// Views given.
        found: usize,
    },
    /// A pixel that no ray of the lens reaches, or a point behind a camera.
    #[error("view {view}: the lens sees no such point")]
    OutOfView {
        /// Index of the view.
        view: usize,
    },
    /// The normal equations are not positive definite.
    #[error("the equations are singular at unknown {unknown} of {unknowns}")]
    Singular {
        /// Where the factorisation broke down.
        unknown: usize,
        /// Number of unknowns.
        unknowns: usize,
    },
    /// A number that cannot be: of a setting, a filter, a spline.
    #[error("{what} is {value}, which cannot be: {why}")]
    Value {
        /// Which quantity.
        what: &'static str,
        /// The value.
        value: f64,
        /// What it must be.
        why: &'static str,
    },
}
