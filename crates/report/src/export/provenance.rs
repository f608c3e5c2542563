//! Everything needed to repeat a run.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Where a result comes from: version, settings, inputs by content, sources of the methods.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Provenance {
    /// Version of drawarc.
    pub version: String,
    /// Name and version of the libraries that decode and compute.
    pub libraries: BTreeMap<String, String>,
    /// Every setting that was in force, by its full name.
    pub settings: BTreeMap<String, String>,
    /// Every file that went in.
    pub inputs: Vec<InputFile>,
    /// Cameras of the rig.
    pub cameras: usize,
    /// Published sources of the methods.
    pub sources: Vec<Source>,
}

/// A file that went in.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InputFile {
    /// Name of the file, without its folders.
    pub name: String,
    /// SHA-256 of its content, hexadecimal.
    pub sha256: String,
}

/// A published source.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// What was taken from it.
    pub of: String,
    /// Author, year, title, place.
    pub citation: String,
}
