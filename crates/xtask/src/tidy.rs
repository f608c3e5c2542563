//! What a compiler does not check: arrows between crates, file sizes, words that do not belong.

use crate::run;
use std::path::Path;
use std::process::Command;

/// The house, left to right: each crate with what it may import. Tests and development aids stand apart.
const ARROWS: &[(&str, &[&str])] = &[
    ("drawarc-rig", &[]),
    ("drawarc-footage", &[]),
    ("drawarc-calibration", &["drawarc-rig", "drawarc-footage"]),
    ("drawarc-sync-track", &["drawarc-rig", "drawarc-footage"]),
    (
        "drawarc-triangulation",
        &["drawarc-rig", "drawarc-sync-track"],
    ),
    (
        "drawarc-report",
        &["drawarc-rig", "drawarc-sync-track", "drawarc-triangulation"],
    ),
    (
        "drawarc-study",
        &[
            "drawarc-rig",
            "drawarc-sync-track",
            "drawarc-triangulation",
            "drawarc-report",
        ],
    ),
    ("drawarc-range-sim", &["drawarc-rig", "drawarc-footage"]),
    (
        "drawarc",
        &[
            "drawarc-rig",
            "drawarc-footage",
            "drawarc-calibration",
            "drawarc-sync-track",
            "drawarc-triangulation",
            "drawarc-report",
            "drawarc-study",
            "drawarc-range-sim",
        ],
    ),
    ("xtask", &[]),
];
/// Crates outside the house, which may look at all of it.
const ONLOOKERS: &[&str] = &["drawarc-bench"];

/// Longest source file (lines): beyond it there is a second noun inside.
const LONGEST_FILE: usize = 500;

/// Names that may stand at the top.
const TOP_LEVEL: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
    "clippy.toml",
    "deny.toml",
    "crates",
    "calibration",
    "pipelines",
    "tests",
    "sample-rigs",
    "fuzz",
];

/// Beginnings of paths that exist on one machine only, in pieces so that this list does not name itself.
const MACHINE_PATHS: &[[&str; 2]] = &[
    ["/wo", "rk/"],
    ["/ho", "me/"],
    ["/ro", "ot/"],
    ["/Us", "ers/"],
];

/// Runs all checks and reports every fault.
pub(crate) fn check() -> Result<(), String> {
    let root = run::workspace_root()?;
    let metadata = run::metadata()?;
    let mut faults = Vec::new();
    arrows(&metadata, &mut faults);
    let tracked = run::read(Command::new("git").arg("-C").arg(&root).arg("ls-files"))?;
    for name in tracked.lines() {
        top_level(name, &mut faults);
        contents(&root, name, &mut faults);
    }
    dependencies(&root, &metadata, &mut faults);
    fuzzing(&root, &metadata, &mut faults);
    let mut seen = std::collections::BTreeSet::new();
    faults.retain(|fault| seen.insert(fault.clone()));
    if faults.is_empty() {
        println!("tidy: arrows, sizes, paths and dependencies are in order");
        return Ok(());
    }
    Err(format!("not tidy:\n  {}", faults.join("\n  ")))
}

fn packages(metadata: &serde_json::Value) -> impl Iterator<Item = &serde_json::Value> {
    metadata["packages"].as_array().into_iter().flatten()
}

fn arrows(metadata: &serde_json::Value, faults: &mut Vec<String>) {
    for package in packages(metadata) {
        let name = package["name"].as_str().unwrap_or_default();
        if ONLOOKERS.contains(&name) {
            continue;
        }
        let Some((_, allowed)) = ARROWS.iter().find(|(crate_name, _)| *crate_name == name) else {
            faults.push(format!(
                "crate {name} has no place in the house: add it to the list of arrows"
            ));
            continue;
        };
        for dependency in package["dependencies"].as_array().into_iter().flatten() {
            let to = dependency["name"].as_str().unwrap_or_default();
            let is_ours = ARROWS.iter().any(|(ours, _)| *ours == to) || ONLOOKERS.contains(&to);
            // A test may look to the right (a simulated film, say); the code itself may not.
            let is_for_tests = dependency["kind"].as_str() == Some("dev");
            if is_ours && !is_for_tests && !allowed.contains(&to) {
                faults.push(format!("{name} imports {to}: no such arrow in the house"));
            }
        }
    }
}

fn top_level(name: &str, faults: &mut Vec<String>) {
    let top = name.split('/').next().unwrap_or_default();
    if !top.starts_with('.') && !TOP_LEVEL.contains(&top) {
        faults.push(format!("{name}: nothing of that name stands at the top"));
    }
}

fn contents(root: &Path, name: &str, faults: &mut Vec<String>) {
    let Ok(text) = std::fs::read_to_string(root.join(name)) else {
        return; // a picture, or a file that git lists but a person has removed
    };
    let lines = text.lines().count();
    if Path::new(name).extension().is_some_and(|e| e == "rs") && lines > LONGEST_FILE {
        faults.push(format!(
            "{name}: {lines} lines; is there a second noun inside?"
        ));
    }
    for pieces in MACHINE_PATHS {
        let path = pieces.concat();
        if let Some(line) = text.lines().position(|line| line.contains(&path)) {
            faults.push(format!(
                "{name}:{}: a path of one machine ({path})",
                line + 1
            ));
        }
    }
}

/// Every dependency is used by its crate and explained in the README.
fn dependencies(root: &Path, metadata: &serde_json::Value, faults: &mut Vec<String>) {
    let readme = std::fs::read_to_string(root.join("README.md")).unwrap_or_default();
    let shared = std::fs::read_to_string(root.join("Cargo.toml")).unwrap_or_default();
    let table = shared.split("[workspace.dependencies]").nth(1);
    let entries = table.unwrap_or_default().split("\n[").next();
    for line in entries.unwrap_or_default().lines() {
        let Some((listed, _)) = line.split_once(" = ") else {
            continue;
        };
        let lists = |package: &serde_json::Value| {
            let mut all = package["dependencies"].as_array().into_iter().flatten();
            all.any(|d| d["rename"].as_str().or(d["name"].as_str()) == Some(listed))
        };
        if !line.starts_with('#') && !packages(metadata).any(lists) {
            faults.push(format!("Cargo.toml lists {listed}, which no crate uses"));
        }
    }
    for package in packages(metadata) {
        let name = package["name"].as_str().unwrap_or_default();
        let manifest = Path::new(package["manifest_path"].as_str().unwrap_or_default());
        let folder = manifest.parent().unwrap_or(root);
        let mut source = String::new();
        gather(folder, &mut source);
        for dependency in package["dependencies"].as_array().into_iter().flatten() {
            let published = dependency["name"].as_str().unwrap_or_default();
            let known_as = dependency["rename"].as_str().unwrap_or(published);
            let in_code = known_as.replace('-', "_");
            if !source.contains(&format!("{in_code}::")) {
                faults.push(format!("{name} lists {known_as} and does not use it"));
            }
            if !published.starts_with("drawarc") && !readme.contains(&format!("`{known_as}`")) {
                faults.push(format!("README.md does not say why {known_as} is there"));
            }
        }
    }
}

/// The fuzzing programs compile in files of the command and are built by nobody else: what those files use must be theirs, too.
fn fuzzing(root: &Path, metadata: &serde_json::Value, faults: &mut Vec<String>) {
    let read = |name: &str| std::fs::read_to_string(root.join("fuzz").join(name));
    let (Ok(list), Ok(manifest)) = (read("src/lib.rs"), read("Cargo.toml")) else {
        return faults.push("fuzz: src/lib.rs or Cargo.toml is missing".to_owned());
    };
    let modules: Vec<&str> = list
        .lines()
        .filter_map(|line| {
            line.trim_start_matches("pub ")
                .strip_prefix("mod ")?
                .strip_suffix(';')
        })
        .collect();
    let files = list.lines().filter_map(|line| {
        let path = line.strip_prefix("#[path = \"")?.strip_suffix("\"]")?;
        Some((path, read(&format!("src/{path}")).unwrap_or_default()))
    });
    let known: std::collections::BTreeSet<String> = packages(metadata)
        .flat_map(|package| package["dependencies"].as_array().into_iter().flatten())
        .filter_map(|dependency| {
            dependency["rename"]
                .as_str()
                .or(dependency["name"].as_str())
        })
        .map(ToOwned::to_owned)
        .collect();
    for (path, text) in files {
        for name in &known {
            let used = text.contains(&format!("{}::", name.replace('-', "_")));
            if used && !manifest.contains(&format!("\n{name} = ")) {
                faults.push(format!("fuzz/Cargo.toml lacks {name}, which {path} uses"));
            }
        }
        for line in text.lines() {
            let Some(rest) = line.trim_start().strip_prefix("use crate::") else {
                continue;
            };
            let module = rest.split([':', ';']).next().unwrap_or_default();
            if !modules.contains(&module) {
                faults.push(format!("fuzz/src/lib.rs lacks {module}, which {path} uses"));
            }
        }
    }
}

fn gather(folder: &Path, into: &mut String) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        let is_own_crate = path.join("Cargo.toml").exists();
        if path.is_dir() && !path.ends_with("target") && !is_own_crate {
            gather(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs" || e == "html") {
            into.push_str(&std::fs::read_to_string(&path).unwrap_or_default());
        }
    }
}
