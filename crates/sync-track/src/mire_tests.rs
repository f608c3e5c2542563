//! Real footage: the sequence `mire-2` of Debian's `visp-images-data` 3.5 (GPL-2, installed, never vendored): a box with
//! five white discs, moved by hand before a camera with motion blur, 501 frames of 384 × 288.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "measured figures are shown; a skipped test says so"
)]

use crate::follower::{Follower, FollowerSettings, classes_of};
use crate::trail::Trail;
use crate::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec};
use drawarc_footage::Picture;
use nalgebra::{DMatrix, Point2};
use std::path::Path;

const FOLDER: &str = "/usr/share/visp-images-data/ViSP-images/mire-2";

fn read_pgm(path: &Path) -> Picture {
    let bytes = std::fs::read(path).unwrap();
    // "P5\n384 288\n255\n" and the bytes.
    let mut fields = Vec::new();
    let mut at = 0;
    while fields.len() < 4 {
        let end = at
            + bytes[at..]
                .iter()
                .position(u8::is_ascii_whitespace)
                .unwrap();
        fields.push(std::str::from_utf8(&bytes[at..end]).unwrap().to_owned());
        at = end + 1;
    }
    assert_eq!(fields[0], "P5");
    let (width, height) = (fields[1].parse().unwrap(), fields[2].parse().unwrap());
    Picture::from_gray8(width, height, bytes[at..].to_vec()).unwrap()
}

#[test]
fn five_real_discs_through_501_frames() {
    let folder = Path::new(FOLDER);
    if !folder.exists() {
        // `cargo xtask test` installs the package; a bare `cargo test` elsewhere may lack it.
        eprintln!("skipped: {FOLDER} is not installed");
        return;
    }
    let markers = [MarkerSpec {
        role: MarkerRole::Elbow,
        shape: MarkerShape::Dot { diameter_m: 0.03 },
        colour: MarkerColour::Light,
    }];
    let classes = classes_of(&markers).unwrap();
    let settings = FollowerSettings {
        radius_px: vec![(2.5, 40.0)],
        exposure_s: 0.0,
        chroma_right_px: 0.0,
        blur_px: 0.9,
        live: 30,
        fitted: 30,
        rest: true,
    };
    let mut follower = Follower::new(&classes, &markers, settings).unwrap();
    for index in 0..501u32 {
        let picture = read_pgm(&folder.join(format!("image.{:04}.pgm", index + 1)));
        follower.push(u64::from(index), f64::from(index) / 25.0, &picture.view());
    }
    let trails = follower.finish();
    // Where the discs are in the first frame, by eye: the picks of a person.
    let picks = [
        (86.0, 179.0),
        (215.0, 167.0),
        (160.0, 213.0),
        (93.0, 266.0),
        (242.0, 247.0),
    ];
    let chosen: Vec<&Trail> = picks
        .iter()
        .map(|&(x, y)| {
            trails
                .iter()
                .find(|trail| {
                    trail.first().frame_index == 0
                        && (trail.first().outline.centre_px - Point2::new(x, y)).norm() < 5.0
                })
                .expect("the disc is found in the first frame")
        })
        .collect();
    for trail in &chosen {
        let fitted = trail.points.iter().filter(|point| point.fitted).count();
        assert_eq!((trail.last().frame_index, fitted), (500, 501));
    }
    // One row a fourth difference, two columns a disc.
    let fourth = DMatrix::from_fn(497, 10, |row, column| {
        let c = |k: usize| chosen[column / 2].points[row + k].outline.centre_px[column % 2];
        c(0) - 4.0 * c(1) + 6.0 * c(2) - 4.0 * c(3) + c(4)
    });
    let mut pooled = 0.0;
    for disc in 0..5 {
        // What a disc has in common with the other four is the hand's motion, not noise.
        let others = fourth.clone().remove_columns(2 * disc, 2);
        let own = fourth.columns(2 * disc, 2).into_owned();
        let common = others.clone().svd(true, true).solve(&own, 1e-12).unwrap();
        let left = &own - &others * common;
        let [x, y] = [0, 1].map(|axis| noise(own.column(axis).iter()));
        let [own_x, own_y] = [0, 1].map(|axis| noise(left.column(axis).iter()));
        println!(
            "disc {disc}: fourth differences ({x:.3}, {y:.3}) px, without common motion ({own_x:.3}, {own_y:.3}) px"
        );
        pooled += (x * x + y * y) / 10.0;
        assert!(own_x <= 0.06 && own_y <= 0.06);
    }
    println!("pooled over discs and axes: {:.3} px", pooled.sqrt());
    assert!(pooled.sqrt() <= 0.06);
}

/// Noise (1 σ) from fourth differences, which multiply the variance of white noise by 70; from their median size, so
/// that jerks of the hand do not count.
fn noise<'a>(differences: impl Iterator<Item = &'a f64>) -> f64 {
    let mut sizes: Vec<f64> = differences.map(|d| d.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    sizes[sizes.len() / 2] / 0.6745 / 70f64.sqrt()
}
