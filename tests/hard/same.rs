//! The same bytes whatever the machine does besides: threads, locale, time of day, order and age of files.

use crate::film::{Shows, assert_same, contents, practice};
use crate::support::{drawarc, said};
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::time::{Duration, SystemTime};

fn run(folder: &Path, into: &str, threads: &str, environment: &[(&str, &str)]) {
    let output = drawarc()
        .current_dir(folder)
        .args(["run", "practice.yaml", "--into", into])
        .args(["--threads", threads])
        .envs(environment.iter().copied())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output).err);
}

#[test]
fn threads_locale_time_zone_and_the_age_and_order_of_files_change_no_byte() {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    run(folder.path(), "first", "2", &[]);
    let first = contents(&folder.path().join("first"));
    let german = [
        ("LC_ALL", "de_DE.UTF-8"),
        ("LANG", "de_DE.UTF-8"),
        ("TZ", "Pacific/Kiritimati"),
    ];
    run(folder.path(), "second", "1", &german);
    assert_same(
        &first,
        &contents(&folder.path().join("second")),
        "one thread, another locale",
    );
    // The same files written anew in another order, some in a year to come and some before there were any; the manifest with its
    // fields in another order.
    let other = tempfile::tempdir().unwrap();
    let names = ["rig.yaml", "three.mp4", "board.yaml", "five.mp4"];
    for (name, year_s) in names.into_iter().zip([0, 1, 4_000_000_000, 3_000_000_000]) {
        let path = other.path().join(name);
        fs::copy(folder.path().join(name), &path).unwrap();
        let file = fs::File::options().write(true).open(&path).unwrap();
        file.set_modified(SystemTime::UNIX_EPOCH + Duration::from_secs(year_s))
            .unwrap();
    }
    let text = fs::read_to_string(folder.path().join("practice.yaml")).unwrap();
    let (head, turns) = text.split_once("turns:").unwrap();
    let (head, cameras) = head.split_once("rig: rig.yaml\n").unwrap();
    let text = format!("turns:{turns}{cameras}rig: rig.yaml\n{head}");
    fs::write(other.path().join("practice.yaml"), text).unwrap();
    run(other.path(), "first", "2", &[("LC_ALL", "tr_TR.UTF-8")]);
    assert_same(
        &first,
        &contents(&other.path().join("first")),
        "files of another age and order",
    );
}

/// Elbow (mm) at the start of the expansion, and how long after the first phase each begins, with its standard deviation (s).
fn figures(results: &Path) -> (Vec<f64>, Vec<(f64, f64)>) {
    let sheet: Value =
        serde_json::from_slice(&fs::read(results.join("sheet.json")).unwrap()).unwrap();
    let shot = &sheet["shots"][0];
    let number = |value: &Value| value.as_f64().unwrap();
    let phases = shot["phases"].as_array().unwrap();
    let start_s = |index: usize| number(&phases[index]["start_s"]);
    let expansion = phases
        .iter()
        .position(|p| p["phase"] == "expansion")
        .unwrap();
    let times: Vec<f64> = shot["curves"]["time_s"]
        .as_array()
        .unwrap()
        .iter()
        .map(number)
        .collect();
    let after = times.iter().position(|&t| t > start_s(expansion)).unwrap();
    let share = (start_s(expansion) - times[after - 1]) / (times[after] - times[after - 1]);
    let elbow = &shot["curves"]["elbow_mm"];
    let place = (0..3).map(|axis| {
        let (from, to) = (number(&elbow[after - 1][axis]), number(&elbow[after][axis]));
        from + share * (to - from)
    });
    let sd_s = |index: usize| number(&phases[index]["start_sd_s"]);
    let starts = (0..phases.len()).map(|index| (start_s(index) - start_s(0), sd_s(index)));
    (place.collect(), starts.collect())
}

/// The samples of the elbow in the first and in the second camera.
fn elbows(results: &Path) -> [Vec<Value>; 2] {
    let kept: Value =
        serde_json::from_slice(&fs::read(results.join("sightings.json")).unwrap()).unwrap();
    let all = kept["value"].as_array().unwrap();
    [0, 1].map(|camera| {
        let own = all
            .iter()
            .find(|one| one["camera"] == camera && one["role"] == "elbow");
        own.unwrap()["samples"].as_array().unwrap().clone()
    })
}

/// The order of the cameras says whose clock is the range's: times are stated by another clock and sums run in another
/// order. Bytes differ, what is measured does not.
#[test]
fn the_order_of_the_cameras_changes_nothing_that_is_measured() {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    run(folder.path(), "first", "2", &[]);
    let path = folder.path().join("practice.yaml");
    let text = fs::read_to_string(&path).unwrap();
    let (head, rest) = text.split_once("  - name: five").unwrap();
    let (five, rest) = rest.split_once("  - name: three").unwrap();
    let (three, rest) = rest.split_once("markers:").unwrap();
    let text = format!("{head}  - name: three{three}  - name: five{five}markers:{rest}");
    fs::write(&path, text).unwrap();
    let mut rig = drawarc_rig::Rig::read(&folder.path().join("rig.yaml")).unwrap();
    let kept = rig.clone();
    rig.cameras.reverse();
    rig.survey.residual_px.reverse();
    rig.survey.views.reverse();
    rig.survey.corner_sd_px.reverse();
    // The covariance stands by cameras, each with its own block.
    let order: Vec<usize> = kept.block(1).chain(kept.block(0)).collect();
    assert_eq!(order.len(), kept.covariance.nrows());
    rig.covariance = nalgebra::DMatrix::from_fn(order.len(), order.len(), |row, column| {
        kept.covariance[(order[row], order[column])]
    });
    fs::write(folder.path().join("rig.yaml"), rig.to_yaml().unwrap()).unwrap();
    run(folder.path(), "second", "2", &[]);
    let (place, starts) = figures(&folder.path().join("first"));
    let (other_place, other_starts) = figures(&folder.path().join("second"));
    assert_eq!(starts.len(), other_starts.len());
    for (one, other) in place.iter().zip(&other_place) {
        assert!((one - other).abs() < 0.05, "{place:?} {other_place:?} mm");
    }
    // The path's knots stand at other instants, and a phase begins where a speed passes a bar: within 2 ms, or where it is not
    // known as well as that, within its own deviation up to 3 ms.
    for ((one, sd_s), (other, _)) in starts.iter().zip(&other_starts) {
        assert!(
            (one - other).abs() < sd_s.clamp(2e-3, 3e-3),
            "{starts:?} {other_starts:?} s"
        );
    }
    // What was seen does not know of any order.
    let [one, other] = ["first", "second"].map(|run| elbows(&folder.path().join(run)));
    assert!(!one[0].is_empty() && !one[1].is_empty());
    assert!(one[0] == other[1] && one[1] == other[0]);
}
