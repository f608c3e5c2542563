//! The corpus of the fuzzing programs (`fuzz/`), run with any compiler: real files and every input that once found a fault.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(dead_code, reason = "the command uses the rest")]
#![allow(unreachable_pub, reason = "the fuzzing programs share these files")]

#[path = "../crates/drawarc/src/failure.rs"]
mod failure;
#[path = "../crates/drawarc/src/ground.rs"]
mod ground;
#[path = "../fuzz/parsers.rs"]
mod parsers;
#[path = "../crates/drawarc/src/pipeline.rs"]
mod pipeline;
#[path = "../crates/drawarc/src/practice.rs"]
mod practice;

use std::path::Path;

#[test]
fn the_corpus_does_no_harm() {
    let top = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .nth(2)
        .unwrap();
    for (name, parse) in parsers::ALL {
        let folder = top.join("fuzz/corpus").join(name);
        let mut files: Vec<_> = std::fs::read_dir(&folder)
            .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
            .map(|entry| entry.unwrap().path())
            .collect();
        files.sort();
        assert!(!files.is_empty(), "{}", folder.display());
        for file in files {
            let bytes = std::fs::read(&file).unwrap();
            // As it is, with a byte changed, and cut, at two hundred places.
            parse(&bytes);
            for at in (0..bytes.len()).step_by(1 + bytes.len() / 200) {
                let mut copy = bytes.clone();
                copy[at] ^= 0x15;
                parse(&copy);
                parse(&bytes[..at]);
            }
        }
    }
}

/// What numbers, words and lists are replaced by.
const EXTREMES: [&str; 24] = [
    "0",
    "-0.0",
    "-1",
    "1",
    "2",
    "3.5",
    "1e308",
    "-1e308",
    "1e-320",
    "4294967296",
    "18446744073709551616",
    "9007199254740993",
    ".nan",
    ".inf",
    "-.inf",
    "NaN",
    "null",
    "~",
    "\"\"",
    "[]",
    "{}",
    "true",
    "\u{fffd}\u{0}",
    "'x: y'",
];

/// A small generator of numbers (xorshift; Marsaglia, Journal of Statistical Software 8(14), 2003).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, end: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % end.max(1) as u64).unwrap()
    }
}

/// One change as a person, a bad copy or a bad will makes it: a value replaced, a line gone, doubled, moved or taken from another
/// file, an indent changed, a byte changed.
fn change(text: &mut Vec<u8>, others: &[Vec<u8>], numbers: &mut Numbers) {
    let mut lines: Vec<Vec<u8>> = text
        .split(|&byte| byte == b'\n')
        .map(<[u8]>::to_vec)
        .collect();
    let at = numbers.below(lines.len());
    match numbers.below(8) {
        0..=2 => {
            // The value after the last sign that ends a key or begins an item.
            let line = &mut lines[at];
            let signs: Vec<usize> = (0..line.len())
                .filter(|&k| matches!(line[k], b':' | b',' | b'[' | b'-' | b'{'))
                .collect();
            if let Some(&sign) = signs.get(numbers.below(signs.len())) {
                let end = (sign + 1..line.len())
                    .find(|&k| matches!(line[k], b',' | b']' | b'}'))
                    .unwrap_or(line.len());
                let value = EXTREMES[numbers.below(EXTREMES.len())];
                line.splice(sign + 1..end, format!(" {value}").into_bytes());
            }
        }
        3 => {
            lines.remove(at);
        }
        4 => lines.insert(at, lines[numbers.below(lines.len())].clone()),
        5 => {
            let other = &others[numbers.below(others.len())];
            let foreign: Vec<&[u8]> = other.split(|&byte| byte == b'\n').collect();
            lines.insert(at, foreign[numbers.below(foreign.len())].to_vec());
        }
        6 => {
            let spaces = numbers.below(5);
            lines[at].splice(0..0, vec![b' '; spaces]);
        }
        _ => {
            let line = &mut lines[at];
            if !line.is_empty() {
                let place = numbers.below(line.len());
                line[place] = u8::try_from(numbers.below(256)).unwrap();
            }
        }
    }
    *text = lines.join(&b'\n');
}

#[test]
#[ignore = "minutes for every parser: cargo xtask bench --mutate"]
#[expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a chore that runs for a given time and says what it did"
)]
fn mutations_do_no_harm() {
    let minutes: f64 = std::env::var("DRAWARC_MINUTES").map_or(1.0, |text| text.parse().unwrap());
    let top = Path::new(env!("CARGO_MANIFEST_DIR"))
        .ancestors()
        .nth(2)
        .unwrap();
    let mut faults = Vec::new();
    for (name, parse) in parsers::ALL {
        let folder = top.join("fuzz/corpus").join(name);
        let mut pool: Vec<Vec<u8>> = std::fs::read_dir(folder)
            .unwrap()
            .map(|entry| std::fs::read(entry.unwrap().path()).unwrap())
            .collect();
        pool.sort();
        let mut numbers = Numbers(0x9e37_79b9_7f4a_7c15);
        let started = std::time::Instant::now();
        let (mut tried, mut longest_s) = (0_u64, 0.0_f64);
        while started.elapsed().as_secs_f64() < 60.0 * minutes {
            let mut text = pool[numbers.below(pool.len())].clone();
            for _ in 0..=numbers.below(4) {
                change(&mut text, &pool, &mut numbers);
            }
            let begun = std::time::Instant::now();
            let outcome = std::panic::catch_unwind(|| parse(&text));
            longest_s = longest_s.max(begun.elapsed().as_secs_f64());
            tried += 1;
            if outcome.is_err() && faults.len() < 20 {
                let kept = std::env::temp_dir().join(format!("drawarc-{name}-{tried}"));
                std::fs::write(&kept, &text).unwrap();
                faults.push(kept);
            }
        }
        println!("{name}: {tried} changed files, the slowest took {longest_s:.3} s");
    }
    assert!(faults.is_empty(), "{faults:?}");
}
