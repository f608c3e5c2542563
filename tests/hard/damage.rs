//! Damaged films through the whole command: a few bytes changed anywhere, or cut anywhere. The command says so or measures what is
//! left; it never panics, never hangs, never leaves half a result.

use crate::film::{Shows, contents, practice};
use crate::support::watch::watch;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

/// A damaged film may take this long (s), however busy the machine is, ...
const AT_MOST_S: f64 = 180.0;
/// ... this much processor time (s) ...
const BUSY_S: f64 = 20.0;
/// ... and this much memory (MB).
const AT_MOST_MB: f64 = 450.0;

/// A small generator of numbers (xorshift; Marsaglia, Journal of Statistical Software 8(14), 2003): the same damage each time.
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % end as u64).unwrap()
    }
}

/// Variant `number` of a film: of four, one is cut, one has its index damaged, and two something anywhere.
fn damaged(film: &[u8], number: u64) -> (Vec<u8>, &'static str) {
    let mut numbers = Numbers((number + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    numbers.below(2);
    let mut copy = film.to_vec();
    let index = film.windows(4).rposition(|four| four == b"moov").unwrap();
    let how = match number % 4 {
        0 => {
            copy.truncate(1 + numbers.below(film.len() - 1));
            "cut"
        }
        1 => {
            for _ in 0..=numbers.below(12) {
                let at = index + numbers.below(film.len() - index);
                copy[at] = u8::try_from(numbers.below(256)).unwrap();
            }
            "index"
        }
        2 => {
            for _ in 0..=numbers.below(200) {
                let at = numbers.below(film.len());
                copy[at] = u8::try_from(numbers.below(256)).unwrap();
            }
            "bytes"
        }
        _ => {
            // A block that the card lost.
            let length = 1 + numbers.below(1 << 16);
            let at = numbers.below(film.len() - length);
            copy[at..at + length].fill(0);
            "block"
        }
    };
    (copy, how)
}

/// Runs the command on so many damaged films; even numbers damage the first camera's, odd ones the second's. Every fifth
/// is a survey's, of a film that shows the board.
fn devour(variants: u64, survey_every: u64) {
    let shot = tempfile::tempdir().unwrap();
    practice(shot.path(), Shows::Shot);
    let board = tempfile::tempdir().unwrap();
    practice(board.path(), Shows::Board);
    let mut ends = BTreeMap::<(&str, i32), u32>::new();
    let (mut longest_s, mut most_mb) = (0.0_f64, 0.0_f64);
    let mut faults = Vec::new();
    for number in 0..variants {
        let survey = number % survey_every == survey_every - 1;
        let folder = if survey { board.path() } else { shot.path() };
        let name = if number / 4 % 2 == 0 {
            "five.mp4"
        } else {
            "three.mp4"
        };
        let film = fs::read(folder.join(name)).unwrap();
        let (copy, how) = damaged(&film, number);
        fs::write(folder.join(name), &copy).unwrap();
        let words: &[&str] = if survey {
            &["survey", "practice.yaml", "--into", "results/new-rig.yaml"]
        } else {
            &["run", "practice.yaml"]
        };
        let results = folder.join("results");
        let _ = fs::remove_dir_all(&results);
        fs::create_dir(&results).unwrap();
        let watched = watch(folder, words, AT_MOST_S);
        fs::write(folder.join(name), &film).unwrap();
        *ends.entry((how, watched.said.code)).or_default() += 1;
        longest_s = longest_s.max(watched.busy_s);
        most_mb = most_mb.max(watched.peak_mb);
        let left = contents(&results);
        let whole = if survey { "new-rig.yaml" } else { "page.html" };
        let mut fault = |what: &str| {
            let said = &watched.said.err;
            faults.push(format!(
                "variant {number} ({how} of {name}): {what}: {said}"
            ));
        };
        if !matches!(watched.said.code, 0 | 3 | 4) {
            fault(&format!("exit code {}", watched.said.code));
        }
        if watched.said.err.contains("panicked") {
            fault("a panic");
        }
        if watched.busy_s > BUSY_S {
            fault(&format!("{:.1} s", watched.busy_s));
        }
        if watched.peak_mb > AT_MOST_MB {
            fault(&format!("{:.0} MB", watched.peak_mb));
        }
        if (watched.said.code == 0) != left.contains_key(whole) {
            fault(&format!(
                "exit code {} and {:?}",
                watched.said.code,
                left.keys()
            ));
        }
        if left.keys().any(|name| unfinished(name)) {
            fault(&format!("left behind: {:?}", left.keys()));
        }
    }
    println!("{variants} damaged films; how and exit code: {ends:?}");
    println!("at most {longest_s:.1} s of processor time, most memory {most_mb:.0} MB");
    assert!(faults.is_empty(), "{}", faults.join("\n"));
    let measured: u32 = ends
        .iter()
        .filter(|((_, code), _)| *code == 0)
        .map(|(_, n)| n)
        .sum();
    assert!(measured > 0, "none could be measured: {ends:?}");
}

fn unfinished(name: &str) -> bool {
    let ending = Path::new(name).extension();
    name.contains(".drawarc-") || ending.is_some_and(|ending| ending == "part")
}

#[test]
fn damaged_films_do_no_harm() {
    devour(10, 5);
}

#[test]
#[ignore = "hundreds of runs: cargo xtask bench --damage"]
fn five_hundred_damaged_films_do_no_harm() {
    devour(520, 5);
}
