//! What this crate stands on and what is not in its own lock file.

/// Name and version of the library that refines corners and starts lenses.
pub fn libraries() -> Vec<(&'static str, String)> {
    vec![("OpenCV", opencv::core::CV_VERSION.to_owned())]
}
