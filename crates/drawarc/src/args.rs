//! Raw arguments.

use crate::clips::Moment;
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
    /// Is the rig still what was surveyed? Background, lengths of the board and of a stick, noise of a ball at rest; repair.
    Check(CheckArguments),
    /// From a practice to shot sheets and a page.
    Run(RunArguments),
    /// Before the filming: what a rig will be able to measure, and where to move the cameras.
    Forecast(ForecastArguments),
    /// After the filming: what each camera alone is worth, against the 3-D path made without it.
    Agree(AgreeArguments),
    /// Film a simulated practice, measure it, and write its page.
    Demo(DemoArguments),
    /// Write a practice manifest from video files and a few answers.
    Manifest(ManifestArguments),
    /// Make clips of the shots: trace, phase, slow motion around the fault.
    Clips(ClipArguments),
    /// Delete everything that a results folder holds of one archer.
    Forget(ForgetArguments),
}

/// Arguments of `board`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  drawarc board calibration/a3-9x6-38mm.yaml --paper a3 --into sheet.pdf\n  drawarc board --target 40 --paper a4 --into targets.pdf"
)]
pub(crate) struct BoardArguments {
    /// Board description (YAML).
    #[arg(required_unless_present = "target", conflicts_with = "target")]
    pub(crate) board: Option<PathBuf>,
    /// Instead of a board: round targets for an elbow in poor light, a white disc of so many mm on black.
    #[arg(long, value_name = "MM")]
    pub(crate) target: Option<f64>,
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
    after_help = "Example: drawarc check wednesday/practice.yaml --rig tuesday/rig.yaml --repair wednesday/rig.yaml

The films are compared with the still background of the survey, which `survey` and `run` keep beside the rig file. Show the \
board again for ten seconds: its lengths are checked, and a camera that was moved can be placed anew with turn and shift \
(from the background alone: its turn). Wave a stick with two balls through the volume and let a third one lie still: \
--stick 402.5,green,25 --lying pink,28 say how true lengths are all over the volume and how quiet a place is.

Exit code 4 where a camera was moved, zoomed or refocused, or cannot be judged, and was not placed anew."
)]
pub(crate) struct CheckArguments {
    /// Practice manifest: the films to check.
    pub(crate) practice: PathBuf,
    /// Rig file; the manifest's where not given.
    #[arg(long)]
    pub(crate) rig: Option<PathBuf>,
    /// Manifest of the films that the rig was surveyed from, where no background is kept beside the rig; without either each
    /// film is compared with its own first seconds.
    #[arg(long)]
    pub(crate) since: Option<PathBuf>,
    /// Write a rig in which every camera that was moved is placed anew: from the board where it is shown again, else from
    /// its background.
    #[arg(long, value_name = "FILE")]
    pub(crate) repair: Option<PathBuf>,
    /// A stick with two balls was waved: distance between their middles (mm), colour, diameter (mm).
    #[arg(long, value_name = "MM,COLOUR,MM")]
    pub(crate) stick: Option<String>,
    /// A ball lay still: colour, diameter (mm).
    #[arg(long, value_name = "COLOUR,MM")]
    pub(crate) lying: Option<String>,
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
    /// Make a clip for each shot and camera, too.
    #[arg(long)]
    pub(crate) clips: bool,
    /// Show an archer of the manifest under another name everywhere: "NAME=ALIAS". May be given several times.
    #[arg(long, value_name = "NAME=ALIAS")]
    pub(crate) alias: Vec<String>,
    /// Threads; all cores where not given. Never changes a result.
    #[arg(long)]
    pub(crate) threads: Option<usize>,
}

/// Arguments of `clips`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: drawarc clips tuesday/practice.yaml --shot 2 --camera five

Two shots side by side: drawarc clips tuesday/practice.yaml --beside 1,2 --align anchor"
)]
pub(crate) struct ClipArguments {
    /// Practice manifest.
    pub(crate) practice: PathBuf,
    /// Results folder of its run; "results" beside the manifest where not given. The clips go into its folder "clips".
    #[arg(long)]
    pub(crate) results: Option<PathBuf>,
    /// Number of a shot; all where not given. May be given several times.
    #[arg(long)]
    pub(crate) shot: Vec<usize>,
    /// Name of a camera; all where not given. May be given several times.
    #[arg(long)]
    pub(crate) camera: Vec<String>,
    /// Two shots side by side in one clip.
    #[arg(long, value_name = "SHOT,SHOT", value_parser = two_shots, conflicts_with = "shot")]
    pub(crate) beside: Option<(usize, usize)>,
    /// Moment at which two shots are aligned.
    #[arg(long, value_enum, default_value = "release")]
    pub(crate) align: Moment,
    /// No picture of a person: path and drawn figure only.
    #[arg(long)]
    pub(crate) no_faces: bool,
}

/// Two numbers of shots, such as `1,2`.
fn two_shots(text: &str) -> Result<(usize, usize), String> {
    let wrong = || format!("{text:?} is no pair of shots such as 1,2");
    let (left, right) = text.split_once(',').ok_or_else(wrong)?;
    let number = |text: &str| text.trim().parse().map_err(|_none| wrong());
    Ok((number(left)?, number(right)?))
}

/// Arguments of `forecast`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: drawarc forecast sample-rigs/club-five-three/rig-sketch.yaml --improve --into plan

Without a file: drawarc forecast --ask --sketch my-rig.yaml"
)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is one flag of the command line"
)]
pub(crate) struct ForecastArguments {
    /// Rig file of a survey, or a rig sketch (YAML).
    #[arg(conflicts_with = "ask")]
    pub(crate) rig: Option<PathBuf>,
    /// Ask for what a tape measure finds, and write a sketch.
    #[arg(long)]
    pub(crate) ask: bool,
    /// Sketch that --ask writes.
    #[arg(long, default_value = "rig-sketch.yaml")]
    pub(crate) sketch: PathBuf,
    /// Write over a sketch that is there.
    #[arg(long)]
    pub(crate) replace: bool,
    /// Move one camera at a time, within the limits of the room, as long as it gains. A surveyed rig is moved on paper.
    #[arg(long)]
    pub(crate) improve: bool,
    /// A camera that must stay where it is; may be given several times.
    #[arg(long)]
    pub(crate) fixed: Vec<String>,
    /// Most moves of --improve.
    #[arg(long, default_value_t = 3)]
    pub(crate) moves: usize,
    /// Folder for plan pictures (SVG) and the improved sketch.
    #[arg(long, visible_alias = "out")]
    pub(crate) into: Option<PathBuf>,
    /// Words of the plans in another language (YAML): a copy of the English file, translated.
    #[arg(long, value_name = "FILE")]
    pub(crate) words: Option<PathBuf>,
    /// Of a surveyed rig: frames a second.
    #[arg(long, default_value_t = 60.0)]
    pub(crate) rate_hz: f64,
    /// Of a surveyed rig: all cameras have one trigger.
    #[arg(long)]
    pub(crate) genlocked: bool,
    /// Of a surveyed rig: body height of the archer.
    #[arg(long, default_value_t = 172.0)]
    pub(crate) height_cm: f64,
    /// Of a surveyed rig: the archer draws with the left hand.
    #[arg(long)]
    pub(crate) left_handed: bool,
    /// Of a surveyed rig: diameter of the ball on the elbow.
    #[arg(long, default_value_t = 28.0)]
    pub(crate) marker_mm: f64,
}

/// Arguments of `agree`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: drawarc agree monday/results tuesday/results --from 6:00,3.5,1.5 --into agreement"
)]
pub(crate) struct AgreeArguments {
    /// Result folders of `drawarc run`; those that the study names where not given.
    #[arg(required_unless_present = "study")]
    pub(crate) results: Vec<PathBuf>,
    /// Study file (YAML): estimates, measures, exclusions with reasons, stated cameras.
    #[arg(long)]
    pub(crate) study: Option<PathBuf>,
    /// A camera that did not stand there: place by the clock or overhead, distance and height (m). May be given several
    /// times.
    #[arg(long, value_name = "PLACE,M,M")]
    pub(crate) from: Vec<String>,
    /// These archers are simulated: every table says so.
    #[arg(long)]
    pub(crate) simulated: bool,
    /// Words of the page in another language (YAML): a copy of the English file, translated.
    #[arg(long, value_name = "FILE")]
    pub(crate) words: Option<PathBuf>,
    /// Folder for tables, figures and page.
    #[arg(long, visible_alias = "out", default_value = "agreement")]
    pub(crate) into: PathBuf,
    /// Write over a study that is there.
    #[arg(long)]
    pub(crate) replace: bool,
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
