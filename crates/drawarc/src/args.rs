//! Raw arguments.

use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

const AFTER_HELP: &str = "\
Exit codes: 0 done · 2 wrong arguments · 3 a file, manifest or setting is wrong · 4 the footage does not hold \
what the measurement needs · 5 a result cannot be written · 6 a result of something else is in the way

Safety: range rules, the range officer and local codes come first. Never loose a bow without an arrow on it. \
No person, tripod or cable in front of the shooting line while anyone shoots. The numbers inform a coach; they \
are no medical finding.";

/// The 3-D path of an archer's draw elbow, from the videos of two or more cameras.
#[derive(Debug, Parser)]
#[command(version, about, after_help = AFTER_HELP, arg_required_else_help = true)]
pub(crate) struct Arguments {
    /// Results as JSON on standard output, for machines.
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// What to do.
    #[command(subcommand)]
    pub(crate) verb: Verb,
}

/// One step of the job each.
#[derive(Debug, Subcommand)]
pub(crate) enum Verb {
    /// Draw a checkerboard sheet to print, to scale.
    Board(BoardArguments),
    /// Survey the rig: from board footage to lenses, places of the cameras and the range frame.
    Survey(SurveyArguments),
    /// Is the rig still what was surveyed? Background, and lengths of the board where it is shown.
    Check(CheckArguments),
    /// From a practice to shot sheets and a page.
    Run(RunArguments),
    /// Film a simulated practice, measure it, and write its page.
    Demo(DemoArguments),
    /// Write a practice manifest from video files and a few answers.
    Manifest(ManifestArguments),
    /// Delete everything that a results folder holds of one archer.
    Forget(ForgetArguments),
}

/// Arguments of `board`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: drawarc board calibration/a3-9x6-38mm.yaml --paper a3 --into sheet.pdf"
)]
pub(crate) struct BoardArguments {
    /// Board description (YAML).
    pub(crate) board: PathBuf,
    /// Paper: a4 or a3. A board that is larger is cut into pages to be joined.
    #[arg(long, default_value = "a3")]
    pub(crate) paper: String,
    /// File to write; .pdf or .svg.
    #[arg(long)]
    pub(crate) into: PathBuf,
    /// Write over a file that is there.
    #[arg(long)]
    pub(crate) replace: bool,
}

/// Arguments of `survey`.
#[derive(Debug, Args)]
#[command(after_help = "Example: drawarc survey tuesday/practice.yaml --into tuesday/rig.yaml")]
pub(crate) struct SurveyArguments {
    /// Practice manifest.
    pub(crate) practice: PathBuf,
    /// Rig file to write.
    #[arg(long)]
    pub(crate) into: PathBuf,
    /// Write over a rig file that is there.
    #[arg(long)]
    pub(crate) replace: bool,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: drawarc check wednesday/practice.yaml --rig tuesday/rig.yaml --since tuesday/practice.yaml

Exit code 4 where a camera was moved, zoomed or refocused, or cannot be judged. Clocks come from sound alone here: a board \
that is waved adds its speed times their error to the lengths; hold it still now and then."
)]
pub(crate) struct CheckArguments {
    /// Practice manifest: the films to check.
    pub(crate) practice: PathBuf,
    /// Rig file; the manifest's where not given.
    #[arg(long)]
    pub(crate) rig: Option<PathBuf>,
    /// Manifest of the films that the rig was surveyed from; without it each film is compared with its own first seconds.
    #[arg(long)]
    pub(crate) since: Option<PathBuf>,
}

/// Arguments of `run`.
#[derive(Debug, Args)]
#[command(after_help = "Example: drawarc run tuesday/practice.yaml --pipeline pipelines/club.yaml")]
pub(crate) struct RunArguments {
    /// Practice manifest.
    pub(crate) practice: PathBuf,
    /// Pipeline (YAML); the club's where not given.
    #[arg(long)]
    pub(crate) pipeline: Option<PathBuf>,
    /// Corrections (YAML): shots rejected, archers named, boundaries moved; the one that the manifest names where not
    /// given.
    #[arg(long)]
    pub(crate) corrections: Option<PathBuf>,
    /// Folder for the results; "results" beside the manifest where not given.
    #[arg(long)]
    pub(crate) into: Option<PathBuf>,
    /// Write over the results of another practice.
    #[arg(long)]
    pub(crate) replace: bool,
    /// No picture of a person: path and drawn figure only.
    #[arg(long)]
    pub(crate) no_faces: bool,
    /// Threads; all cores where not given. Never changes a result.
    #[arg(long)]
    pub(crate) threads: Option<usize>,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
#[command(after_help = "Example: drawarc demo --into demo")]
pub(crate) struct DemoArguments {
    /// Folder for videos and results.
    #[arg(long, default_value = "demo")]
    pub(crate) into: PathBuf,
    /// Which simulated rig: five-three, side-overhead or centre.
    #[arg(long, default_value = "five-three")]
    pub(crate) rig: String,
    /// Seed of the simulated practice.
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
}

/// Arguments of `manifest`.
#[derive(Debug, Args)]
#[command(after_help = "Example: drawarc manifest tuesday/*.mp4 --into tuesday/practice.yaml")]
pub(crate) struct ManifestArguments {
    /// Video files, one for each camera.
    #[arg(required = true)]
    pub(crate) files: Vec<PathBuf>,
    /// Manifest to write.
    #[arg(long)]
    pub(crate) into: PathBuf,
}

/// Arguments of `forget`.
#[derive(Debug, Args)]
#[command(after_help = "Example: drawarc forget tuesday/results --archer Kestrel")]
pub(crate) struct ForgetArguments {
    /// Results folder.
    pub(crate) results: PathBuf,
    /// Alias of the archer.
    #[arg(long)]
    pub(crate) archer: String,
}
