//! Clocks on film: cuts of the demo practice whose true clocks are known, one of them said to be what it is not.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![expect(clippy::print_stdout, reason = "measured figures are shown")]

mod support;

use drawarc_rig::ClockModel;
use std::fs;
use std::path::Path;
use std::process::Command;
use support::{Said, demo, manifest, say, test_picture};

/// The demo's second phone was started so much after the first (s), and its clock gains so much.
const STARTED_LATER_S: f64 = 0.4137;
const GAINS: f64 = 12e-6;
/// The second shot (s, by the first phone's clock).
const FROM_S: f64 = 30.0;
const LENGTH_S: f64 = 9.0;
/// The goal for clocks by movement (s).
const GOAL_S: f64 = 0.5e-3;

/// How many times slower an exported clip stores its slow stretch.
const TIMES_SLOWER: f64 = 4.0;

/// A phone as a cut shows it.
#[derive(Clone, Copy)]
struct Phone {
    /// Started so much after the range's clock (s): where in its own film the stretch is.
    later_s: f64,
    /// The time that its cut states for the beginning of the stretch (s).
    begins_s: f64,
    /// Its sound so much behind its pictures (s); `None` without sound.
    sound_s: Option<f64>,
    /// Stored [`TIMES_SLOWER`] from and until (s of the cut).
    slow: Option<(f64, f64)>,
}

const WELL: Phone = Phone {
    later_s: 0.0,
    begins_s: 1.0,
    sound_s: Some(0.0),
    slow: None,
};

/// The board is waved, laid on the line and taken away, and the first shot is made: from when and how long (s).
const BOARD_AND_SHOT: (f64, f64) = (7.5, 21.0);
/// The board lies on the line.
const LYING: (f64, f64) = (17.0, 1.8);

/// Where a file begins it states in ticks of this many a second; in FFmpeg's thousandths it would be up to half a millisecond off.
const FINELY: &str = "90000";

/// Copies a stretch without coding it anew, each frame at its own time.
fn cut_as_timed(from: &Path, to: &Path, (from_s, length_s): (f64, f64), phone: Phone) {
    let start_s = (from_s - phone.later_s).to_string();
    let length_s = length_s.to_string();
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg.args(["-v", "error", "-y", "-copyts"]);
    ffmpeg.args(["-ss", &start_s, "-t", &length_s, "-i"]);
    ffmpeg.arg(from);
    if let Some(sound_s) = phone.sound_s {
        ffmpeg.args(["-itsoffset", &sound_s.to_string()]);
        ffmpeg.args(["-ss", &start_s, "-t", &length_s, "-i"]);
        ffmpeg.arg(from);
        ffmpeg.args(["-map", "1:a"]);
    }
    ffmpeg.args(["-map", "0:v", "-c", "copy"]);
    ffmpeg.args(["-movie_timescale", FINELY]);
    ffmpeg.args([
        "-output_ts_offset",
        &(phone.later_s - from_s + phone.begins_s).to_string(),
    ]);
    ffmpeg.arg(to);
    assert!(ffmpeg.status().unwrap().success());
}

/// Stores a stretch of a cut slower, packet by packet.
fn slowed(path: &Path, (from_s, until_s): (f64, f64)) {
    let more = TIMES_SLOWER - 1.0;
    // Commas within an expression are escaped from the list of filters.
    let length_s = until_s - from_s;
    let slow = |time: &str| format!("{time}+{more}*clip({time}*TB-{from_s}\\,0\\,{length_s})/TB");
    let plain = path.with_extension("plain.mp4");
    fs::rename(path, &plain).unwrap();
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg.args(["-v", "error", "-y", "-copyts", "-i"]);
    ffmpeg.arg(&plain).args(["-c", "copy", "-bsf:v"]);
    ffmpeg.arg(format!("setts=pts={}:dts={}", slow("PTS"), slow("DTS")));
    ffmpeg.args(["-movie_timescale", FINELY]);
    assert!(ffmpeg.arg(path).status().unwrap().success());
}

/// What a run printed, its page, and how far the second phone's clock was off in the middle of the shot, with its standard
/// deviation (s).
struct Ran {
    said: Said,
    page: String,
    off_s: f64,
    sd_s: f64,
}

/// How far the second phone's clock in those results is off, so long after the cut begins, with its standard deviation (s).
/// `begins_s` is when the cuts say that they begin, `from_s` where in the demo that is.
fn clock_error(results: &Path, begins_s: [f64; 2], from_s: f64, since_s: f64) -> (f64, f64) {
    let clocks = fs::read(results.join("clocks.json")).unwrap();
    let clocks: Vec<ClockModel> = serde_json::from_slice(&clocks).unwrap();
    let camera_s = begins_s[1] + since_s;
    let true_s = begins_s[0] + since_s + GAINS * (from_s + since_s);
    let off_s = clocks[1].range_from_camera(camera_s) - true_s;
    (off_s, clocks[1].variance_at(camera_s).sqrt())
}

/// Runs the shot with the demo's rig.
fn run_cut(genlocked: bool, first: Phone, second: Phone) -> Ran {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    for (name, phone) in [("five.mp4", first), ("three.mp4", second)] {
        cut_as_timed(&demo.join(name), &path(name), (FROM_S, LENGTH_S), phone);
    }
    for (from, to) in [
        ("results/rig.yaml", "rig.yaml"),
        ("results/rig.background.json", "rig.background.json"),
        ("board.yaml", "board.yaml"),
    ] {
        fs::copy(demo.join(from), path(to)).unwrap();
    }
    let mut text = manifest("five.mp4", "three.mp4").replace("cameras:", "rig: rig.yaml\ncameras:");
    if let Some(slow) = second.slow {
        slowed(&path("three.mp4"), slow);
        let (from_s, until_s) = (slow.0, slow.0 + TIMES_SLOWER * (slow.1 - slow.0));
        let stretch = format!(
            "    slow_motion: [{{times_slower: {TIMES_SLOWER}, from_s: {from_s}, until_s: {until_s}}}]\n"
        );
        text = text.replace("markers:\n", &format!("{stretch}markers:\n"));
    }
    if genlocked {
        text = text.replace("readout_ms: 16", "readout_ms: 16\n    genlocked: true");
    }
    fs::write(path("practice.yaml"), text).unwrap();
    let said = say(folder.path(), &["run", "practice.yaml"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let page = fs::read_to_string(path("results/page.html")).unwrap();
    let begins_s = [first.begins_s, second.begins_s];
    let (off_s, sd_s) = clock_error(&path("results"), begins_s, FROM_S, 0.5 * LENGTH_S);
    Ran {
        said,
        page,
        off_s,
        sd_s,
    }
}

fn assert_clock_found(ran: &Ran) {
    println!("{:+.3} ms off, sd {:.3}", 1e3 * ran.off_s, 1e3 * ran.sd_s);
    assert!(
        ran.off_s.abs() < GOAL_S.min(3.0 * ran.sd_s),
        "{} s off, sd {} s",
        ran.off_s,
        ran.sd_s
    );
    assert!(ran.said.out.contains("stall"), "{}", ran.said.out);
}

fn second(more_s: f64, sound_s: Option<f64>) -> Phone {
    Phone {
        later_s: STARTED_LATER_S,
        begins_s: 1.0 + more_s,
        sound_s,
        ..WELL
    }
}

#[test]
fn one_shutter_signal_is_verified() {
    let ran = run_cut(true, WELL, second(0.0, Some(0.0)));
    assert!(ran.page.contains("the moving markers agree"));
    assert!(!ran.page.contains("Is its cable in"));
}

#[test]
fn a_camera_that_does_not_follow_the_signal_is_named() {
    // Half a frame of 60/s.
    let ran = run_cut(true, WELL, second(0.008, Some(0.0)));
    let named = "Camera three is said to share the shutter signal of camera five";
    assert!(ran.page.contains(named));
    assert!(!ran.page.contains("the moving markers agree"));
}

#[test]
fn sound_that_contradicts_the_pictures_is_told_and_the_pictures_are_followed() {
    let told = "Sound and pictures disagree about the clock of camera three";
    let ran = run_cut(false, WELL, second(0.0, Some(0.12)));
    assert!(ran.page.contains(told));
    assert_clock_found(&ran);
    // The same films with their own sound.
    let page = fs::read_to_string(demo().join("results/page.html")).unwrap();
    assert!(!page.contains(told));
}

#[test]
fn sound_and_pictures_that_agree_tell_the_clock_together() {
    let ran = run_cut(false, WELL, second(0.0, Some(0.0)));
    assert_clock_found(&ran);
    // The lag of a phone's sound alone leaves some milliseconds.
    assert!(ran.sd_s < 0.3e-3, "sd {} s", ran.sd_s);
}

#[test]
fn a_silent_phone_is_timed_by_the_elbow() {
    let silent = |name: &str| format!("The sound of camera {name} does not tell when");
    let ran = run_cut(false, WELL, second(37.3, None));
    assert!(ran.page.contains(&silent("three")));
    assert_clock_found(&ran);
    // The other one, whose clock is the range's.
    let first = Phone {
        begins_s: 3.6,
        sound_s: None,
        ..WELL
    };
    let ran = run_cut(false, first, second(0.0, Some(0.0)));
    assert!(ran.page.contains(&silent("five")));
    assert_clock_found(&ran);
}

/// A practice without a rig: that stretch of both films, the second one's times so much greater.
fn without_rig(stretch: (f64, f64), sounds: [Option<f64>; 2], more_s: f64) -> tempfile::TempDir {
    let demo = demo();
    let folder = tempfile::tempdir().unwrap();
    let first = Phone {
        sound_s: sounds[0],
        ..WELL
    };
    let phones = [
        ("five.mp4", first),
        ("three.mp4", second(more_s, sounds[1])),
    ];
    for (name, phone) in phones {
        cut_as_timed(&demo.join(name), &folder.path().join(name), stretch, phone);
    }
    fs::copy(demo.join("board.yaml"), folder.path().join("board.yaml")).unwrap();
    let text = manifest("five.mp4", "three.mp4");
    let printed = text
        .lines()
        .find(|line| line.starts_with("board:"))
        .unwrap();
    let text = text.replace(printed, "board: board.yaml");
    fs::write(folder.path().join("practice.yaml"), text).unwrap();
    folder
}

#[test]
fn a_silent_phone_is_timed_by_the_board_that_surveys_the_rig() {
    const MORE_S: f64 = 251.3;
    let folder = without_rig(BOARD_AND_SHOT, [Some(0.0), None], MORE_S);
    let said = say(folder.path(), &["run", "practice.yaml"]);
    assert_eq!(said.code, 0, "{}", said.err);
    let results = folder.path().join("results");
    let page = fs::read_to_string(results.join("page.html")).unwrap();
    let told = "The sound of camera three does not tell when it was started against the others; the movement of the board does";
    assert!(page.contains(told));
    // No lag of a sound that is not there.
    assert!(!results.join("sound-lags.yaml").exists());
    // While the board was waved, and at the shot.
    for since_s in [4.0, 19.0] {
        let begins_s = [1.0, 1.0 + MORE_S];
        let (off_s, sd_s) = clock_error(&results, begins_s, BOARD_AND_SHOT.0, since_s);
        assert!(
            off_s.abs() < GOAL_S.min(5.0 * sd_s.max(2e-5)),
            "{off_s} s off, sd {sd_s} s"
        );
    }
    assert!(said.out.contains("kept moving"), "{}", said.out);
}

#[test]
fn a_board_that_lies_tells_no_clock() {
    let folder = without_rig(LYING, [None; 2], 40.0);
    let said = say(
        folder.path(),
        &["survey", "practice.yaml", "--into", "rig.yaml"],
    );
    assert_eq!(said.code, 4, "{}", said.err);
    for words in [
        "camera \"three\"",
        "hardly turned",
        "tilt and turn the board",
    ] {
        assert!(said.err.contains(words), "{words}: {}", said.err);
    }
}

#[test]
fn a_clip_with_a_slow_stretch_is_timed_as_it_was_filmed() {
    let ran = run_cut(
        false,
        WELL,
        Phone {
            slow: Some((3.0, 6.5)),
            ..second(0.0, None)
        },
    );
    assert_clock_found(&ran);
}

#[test]
fn slow_motion_that_a_phone_noted_is_written_into_the_manifest() {
    let folder = tempfile::tempdir().unwrap();
    let plain = folder.path().join("plain.mp4");
    test_picture(&plain, 1.0);
    for (name, rate) in [("slow.mp4", "240"), ("usual.mp4", "30")] {
        let mut ffmpeg = Command::new("ffmpeg");
        ffmpeg.args(["-v", "error", "-i"]).arg(&plain);
        ffmpeg.args(["-c", "copy", "-movflags", "use_metadata_tags", "-metadata"]);
        ffmpeg.arg(format!("com.android.capture.fps={rate}"));
        let made = ffmpeg.arg(folder.path().join(name)).status().unwrap();
        assert!(made.success());
    }
    let words = [
        "manifest",
        "slow.mp4",
        "usual.mp4",
        "--into",
        "practice.yaml",
    ];
    let said = say(folder.path(), &words);
    assert_eq!(said.code, 0, "{}", said.err);
    let written = fs::read_to_string(folder.path().join("practice.yaml")).unwrap();
    let (slow, usual) = written.split_once("name: usual").unwrap();
    assert!(slow.contains("times_slower: 8"), "{written}");
    assert!(!usual.contains("times_slower"), "{written}");
}

/// The whole second film stored slower, sound and all, with no note of it.
fn all_slow(to: &Path) {
    let slow = |time: &str| format!("{time}*{TIMES_SLOWER}");
    let mut ffmpeg = Command::new("ffmpeg");
    ffmpeg.args(["-v", "error", "-y", "-i"]);
    ffmpeg.arg(demo().join("three.mp4"));
    ffmpeg.args(["-c:v", "copy", "-bsf:v"]);
    ffmpeg.arg(format!(
        "setts=pts={}:dts={}:duration={}",
        slow("PTS"),
        slow("DTS"),
        slow("DURATION")
    ));
    ffmpeg.args(["-af", "asetrate=12000,aresample=48000", "-c:a", "pcm_s16le"]);
    assert!(ffmpeg.arg(to).status().unwrap().success());
}

#[test]
fn slow_motion_that_nobody_noted_is_heard() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    fs::copy(demo().join("five.mp4"), path("five.mp4")).unwrap();
    fs::copy(demo().join("three.mp4"), path("three.mp4")).unwrap();
    fs::copy(demo().join("board.yaml"), path("board.yaml")).unwrap();
    all_slow(&path("slow.mov"));
    for (file, slow) in [("slow.mov", true), ("three.mp4", false)] {
        let _ = fs::remove_file(path("written.yaml"));
        let words = ["manifest", "five.mp4", file, "--into", "written.yaml"];
        let said = say(folder.path(), &words);
        assert_eq!(said.code, 0, "{}", said.err);
        let written = fs::read_to_string(path("written.yaml")).unwrap();
        let (first, second) = written.split_once("five.mp4").unwrap();
        assert!(!first.contains("times_slower"), "{written}");
        assert_eq!(second.contains("times_slower: 4"), slow, "{written}");
    }
    // Who wrote the manifest by hand is told.
    fs::write(path("practice.yaml"), manifest("five.mp4", "slow.mov")).unwrap();
    let said = say(folder.path(), &["run", "practice.yaml"]);
    assert_eq!(said.code, 3, "{}", said.err);
    let one_line = said.err.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "camera \"three\"",
        "4 times as far apart",
        "slow_motion: [{times_slower: 4}]",
    ] {
        assert!(one_line.contains(words), "{words}: {}", said.err);
    }
}
