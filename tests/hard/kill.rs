//! A run that is killed goes on to the same bytes; two runs never mix; an old result stays whole where the new one has no
//! room.

use crate::film::{Shows, assert_same, contents, practice};
use crate::support::say;
use crate::support::watch::{start, watch};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// Longest time that a run of the tiny film may take on a busy machine (s).
const AT_MOST_S: f64 = 300.0;

/// Kills runs at these shares of the time that an undisturbed one takes.
fn killed_at(shares: &[f64]) {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    let whole = watch(folder.path(), &["run", "practice.yaml"], AT_MOST_S);
    assert_eq!(whole.said.code, 0, "{}", whole.said.err);
    let expected = contents(&folder.path().join("results"));
    assert!(expected.contains_key("page.html"));
    let (mut unfinished, mut stages) = (0, BTreeMap::<usize, u32>::new());
    for &share in shares {
        let results = folder.path().join("results");
        fs::remove_dir_all(&results).unwrap();
        let mut child = start(folder.path(), &["run", "practice.yaml"]);
        std::thread::sleep(Duration::from_secs_f64(share * whole.seconds));
        child.kill().unwrap();
        child.wait().unwrap();
        let left = contents(&results);
        unfinished += u32::from(!left.contains_key("page.html"));
        *stages.entry(left.len()).or_default() += 1;
        let again = watch(folder.path(), &["run", "practice.yaml"], AT_MOST_S);
        assert_eq!(again.said.code, 0, "killed at {share}: {}", again.said.err);
        assert_same(
            &contents(&results),
            &expected,
            &format!("killed at {share} of {:.1} s", whole.seconds),
        );
    }
    println!(
        "{} runs killed, {unfinished} of them before their page; files left: {stages:?}",
        shares.len()
    );
    assert!(unfinished > 0);
}

#[test]
fn a_killed_run_goes_on_to_the_same_bytes() {
    killed_at(&[0.35, 0.85]);
}

#[test]
#[ignore = "fifty runs, killed and run again: cargo xtask bench --kill"]
fn kill_fifty_runs_at_random_instants() {
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let shares: Vec<f64> = (0..50)
        .map(|_| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as f64 / (1_u64 << 53) as f64
        })
        .collect();
    killed_at(&shares);
}

/// Corrections that change the sheets.
fn reject_the_shot(folder: &Path) {
    fs::write(
        folder.join("corrections.yaml"),
        "format: drawarc-corrections/1\nshots:\n  - shot: shot-01\n    reject: true\n",
    )
    .unwrap();
}

#[test]
fn of_two_runs_in_one_folder_one_is_refused_and_nothing_is_mixed() {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    let mut first = start(folder.path(), &["run", "practice.yaml"]);
    let lock = folder.path().join("results/practice.txt");
    while !lock.exists() && first.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(5));
    }
    reject_the_shot(folder.path());
    let words = ["run", "practice.yaml", "--corrections", "corrections.yaml"];
    let second = say(folder.path(), &words);
    assert_eq!(second.code, 6, "{}", second.err);
    assert!(
        second.err.contains("another run is at work"),
        "{}",
        second.err
    );
    let forgotten = say(folder.path(), &["forget", "results", "--archer", "Kestrel"]);
    assert_ne!(forgotten.code, 0, "{}", forgotten.err);
    assert!(first.wait().unwrap().success());
    let results = folder.path().join("results");
    let mixed = contents(&results);
    let kept = fs::metadata(results.join("sightings.json")).unwrap();
    // Run again: nothing is left to do, and nothing of the second run shows.
    assert_eq!(say(folder.path(), &["run", "practice.yaml"]).code, 0);
    assert_same(&mixed, &contents(&results), "run again");
    let again = fs::metadata(results.join("sightings.json")).unwrap();
    assert_eq!(
        again.modified().unwrap(),
        kept.modified().unwrap(),
        "the sightings were made twice"
    );
    // And the correction does change the result, or the test would show nothing.
    assert_eq!(say(folder.path(), &words).code, 0);
    assert_ne!(
        mixed.get("sheet.json"),
        contents(&results).get("sheet.json")
    );
}

#[test]
fn a_full_disk_leaves_the_old_result_whole() {
    let disk = tempfile::tempdir().unwrap();
    let mounted = std::process::Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=24m", "tmpfs"])
        .arg(disk.path())
        .output();
    if !mounted.is_ok_and(|output| output.status.success()) {
        println!("skipped: a small disk can be made by root only, where mounting is allowed");
        return;
    }
    let told = std::panic::catch_unwind(|| full_disk(disk.path()));
    let unmounted = std::process::Command::new("umount")
        .arg(disk.path())
        .status();
    assert!(unmounted.is_ok_and(|status| status.success()));
    if let Err(panic) = told {
        std::panic::resume_unwind(panic);
    }
}

fn full_disk(disk: &Path) {
    let folder = tempfile::tempdir().unwrap();
    practice(folder.path(), Shows::Shot);
    let results = disk.join("results");
    let into = ["--into", results.to_str().unwrap()];
    let run = [&["run", "practice.yaml"][..], &into].concat();
    let said = say(folder.path(), &run);
    assert_eq!(said.code, 0, "{}", said.err);
    let before = contents(&results);
    let bytes: u64 = before
        .keys()
        .map(|name| fs::metadata(results.join(name)).unwrap().len())
        .sum();
    reject_the_shot(folder.path());
    let changed = [&run[..], &["--corrections", "corrections.yaml"]].concat();
    let filler = disk.join("films-of-somebody-else");
    for left in [0, 16 << 10, bytes / 4] {
        let _ = fs::remove_file(&filler);
        fill(&filler, left);
        let said = say(folder.path(), &changed);
        assert_eq!(said.code, 5, "{left} bytes left: {}", said.err);
        assert!(said.err.contains("disk not full"), "{}", said.err);
        assert_same(&before, &contents(&results), "on a full disk");
    }
    fs::remove_file(&filler).unwrap();
    assert_eq!(say(folder.path(), &changed).code, 0);
    assert_ne!(before, contents(&results));
    // Nothing at all can be written: said before any work is done.
    let remount = |how: &str| {
        std::process::Command::new("mount")
            .args(["-o", how])
            .arg(disk)
            .status()
            .is_ok_and(|status| status.success())
    };
    let before = contents(&results);
    assert!(remount("remount,ro"));
    let said = say(folder.path(), &run);
    assert!(remount("remount,rw"));
    assert_eq!(said.code, 5, "{}", said.err);
    assert!(said.err.contains("Read-only"), "{}", said.err);
    assert_same(&before, &contents(&results), "on a read-only disk");
}

/// Fills a disk but for so many bytes.
fn fill(path: &Path, left: u64) {
    use std::io::Write;
    let mut file = fs::File::create(path).unwrap();
    let block = vec![7; 1 << 12];
    let mut written = 0;
    while file.write_all(&block).is_ok() {
        written += block.len() as u64;
    }
    file.set_len(written.saturating_sub(left)).unwrap();
}
