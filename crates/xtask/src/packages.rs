//! System packages: by apt where that is what the machine has, else the exact command for a person.

use crate::run;
use std::path::Path;
use std::process::{Command, Stdio};

/// A set of system packages.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Packages {
    purpose: &'static str,
    debian: &'static [&'static str],
    homebrew: &'static str,
    fedora: &'static str,
    arch: &'static str,
}

/// What the build needs.
pub(crate) const BUILD: Packages = Packages {
    purpose: "OpenCV, FFmpeg and clang, to build drawarc",
    debian: &[
        "build-essential",
        "clang",
        "libclang-dev",
        "pkg-config",
        "libopencv-dev",
        "libavcodec-dev",
        "libavdevice-dev",
        "libavfilter-dev",
        "libavformat-dev",
        "libavutil-dev",
        "libswresample-dev",
        "libswscale-dev",
    ],
    homebrew: "brew install llvm pkgconf opencv ffmpeg",
    fedora: "dnf install gcc-c++ clang-devel pkgconf opencv-devel ffmpeg-devel",
    arch: "pacman -S base-devel clang pkgconf opencv ffmpeg",
};

/// What the tests need besides: outside data, and programs to compare with.
pub(crate) const TEST: Packages = Packages {
    purpose: "outside data and programs that the tests compare with",
    debian: &[
        "chromium",
        "ffmpeg",
        "opencv-doc",
        "poppler-utils",
        "python3-venv",
        "r-base-core",
        "r-cran-psych",
        "visp-images-data",
    ],
    homebrew: "brew install ffmpeg poppler python r && brew install --cask chromium",
    fedora: "dnf install ffmpeg chromium poppler-utils python3 R-core",
    arch: "pacman -S ffmpeg chromium poppler python r",
};

/// Installs what is missing, or says what a person must do.
pub(crate) fn bring(packages: Packages) -> Result<(), String> {
    if Path::new("/etc/debian_version").exists() {
        return bring_with_apt(packages);
    }
    if has_libraries() {
        println!(
            "== the libraries are there; not a Debian system, so nothing is installed ({})",
            packages.purpose
        );
        return Ok(());
    }
    let command = if cfg!(target_os = "macos") {
        packages.homebrew
    } else if Path::new("/etc/fedora-release").exists() {
        packages.fedora
    } else if Path::new("/etc/arch-release").exists() {
        packages.arch
    } else {
        return Err(format!(
            "this system is not known here. Install with its own package manager what these Debian packages hold: {} ({}), then call again",
            packages.debian.join(" "),
            packages.purpose
        ));
    };
    Err(format!(
        "missing: {}. Please run\n\n    {command}\n\nand call again",
        packages.purpose
    ))
}

fn bring_with_apt(packages: Packages) -> Result<(), String> {
    let missing: Vec<&str> = packages
        .debian
        .iter()
        .copied()
        .filter(|name| !is_installed(name))
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    println!("== installing {}: {}", packages.purpose, missing.join(" "));
    let prefix: &[&str] = if is_root()? { &[] } else { &["sudo"] };
    let apt = |words: &[&str]| {
        let mut all: Vec<&str> = prefix.to_vec();
        all.extend(["env", "DEBIAN_FRONTEND=noninteractive", "apt-get"]);
        all.extend(words);
        run::show(Command::new(all[0]).args(&all[1..]))
    };
    let by_hand = |reason: String| {
        format!(
            "{reason}\nAs an administrator, run\n\n    apt-get install --no-install-recommends {}\n\nand call again",
            missing.join(" ")
        )
    };
    apt(&["update", "--quiet"]).map_err(by_hand)?;
    let mut words = vec!["install", "--yes", "--quiet", "--no-install-recommends"];
    words.extend(&missing);
    apt(&words).map_err(by_hand)
}

fn is_installed(name: &str) -> bool {
    Command::new("dpkg-query")
        .args(["--show", "--showformat=${db:Status-Status}", name])
        .stderr(Stdio::null())
        .output()
        .is_ok_and(|output| output.status.success() && output.stdout == b"installed")
}

fn is_root() -> Result<bool, String> {
    Ok(run::read(Command::new("id").arg("-u"))?.trim() == "0")
}

fn has_libraries() -> bool {
    let libraries = [
        "opencv4",
        "libavcodec",
        "libavformat",
        "libswscale",
        "libswresample",
    ];
    Command::new("pkg-config")
        .arg("--exists")
        .args(libraries)
        .status()
        .is_ok_and(|status| status.success())
}
