//! What a check says to a person: tables.

use crate::check::{CameraCheck, Checked};
use crate::stick::StickTold;
use crate::stood;
use drawarc_calibration::{BoardReport, WandReport};
use drawarc_report::page::Words;
use drawarc_rig::Rig;

/// Prints everything.
pub(crate) fn tell(checked: &Checked, rig: &Rig, words: &Words) {
    println!(
        "{:<14} {:>9} {:>9} {:>9} {:>10} {:>9}  against the background",
        "camera", "turn deg", "± deg", "zoom %", "elbow mm", "spots"
    );
    for (about, camera) in checked.cameras.iter().zip(&rig.cameras) {
        let shift = about.standing.stands.last().map(|stand| stand.shift);
        let spots = shift.map_or((0, 0), |shift| shift.patches);
        println!(
            "{:<14} {:>9.3} {:>9.3} {:>9.3} {:>10.2} {:>4}/{:<4}  {}{}",
            about.camera,
            about.turn_deg,
            1.96 * about.turn_sd_deg,
            100.0 * about.zoom,
            about.elbow_mm,
            spots.1,
            spots.0,
            if about.standing.restless {
                stood::restless(camera, words)
            } else {
                shift.map_or_else(String::new, |shift| stood::words(camera, &shift, words))
            },
            since(about)
        );
    }
    for told in &checked.clocks_told {
        println!("{told}");
    }
    for shown in &checked.shown_again {
        println!(
            "{:<14} by the board, shown in {} moments: {:.2} mm at the elbow; corners fit to {:.2} px",
            shown.camera, checked.moments, shown.elbow_mm, shown.residual_px
        );
    }
    tell_lengths("", &checked.lengths, rig);
    if let Some(why) = &checked.no_lengths {
        println!("lengths of the board not checked: {why}");
    }
    for placed in &checked.placed_anew {
        println!(
            "{:<14} placed anew from the {}: turned by {:.3}°, shifted by {:.1} mm",
            placed.camera, placed.from, placed.turn_deg, placed.shift_mm
        );
    }
    tell_lengths("with the mended rig: ", &checked.lengths_mended, rig);
    if let Some(stick) = &checked.stick {
        tell_stick(stick);
    }
    for why in &checked.missing {
        println!("not measured: {why}");
    }
    if let Some(rest) = &checked.rest {
        println!(
            "ball at rest: noise of one instant {:.3}, {:.3}, {:.3} mm along x, y, z (1 SD, {} instants in {:.1} s)",
            rest.noise_mm[0], rest.noise_mm[1], rest.noise_mm[2], rest.instants, rest.seconds
        );
    }
}

fn since(about: &CameraCheck) -> String {
    let against = if about.since_survey {
        ""
    } else {
        ", against its own first seconds"
    };
    about.changed_since_s.map_or_else(
        || against.to_owned(),
        |s| format!(", since {s:.1} s of its recording{against}"),
    )
}

fn tell_lengths(with: &str, lengths: &[BoardReport], rig: &Rig) {
    for report in lengths {
        let names = report.cameras.map(|at| rig.cameras[at].name.as_str());
        println!(
            "{with}{} and {}: {:.0} mm on the board come out {:+.2} mm, SD {:.2} mm, worst {:.2} mm, in {} places; across the epipolar line {:.2} px",
            names[0],
            names[1],
            1000.0 * report.length_m,
            report.distances.mean_mm,
            report.distances.sd_mm,
            report.distances.worst_mm,
            report.distances.count,
            report.epipolar_px
        );
    }
}

fn tell_stick(stick: &StickTold) {
    let WandReport {
        count,
        mean_mm,
        sd_mm,
        rms_mm,
        worst_mm,
        slope_mm_per_m,
        volume_m: [low, high],
    } = &stick.distances;
    println!(
        "stick of {:.1} mm in {count} places: error {mean_mm:+.2} mm, SD {sd_mm:.2}, rms {rms_mm:.2}, worst {worst_mm:.2} mm; {:+.2}, {:+.2}, {:+.2} mm per metre along x, y, z{}",
        stick.length_mm,
        slope_mm_per_m[0],
        slope_mm_per_m[1],
        slope_mm_per_m[2],
        if stick.left_out > 0 {
            format!(
                "; {} instants left out, where the cameras did not mean the same ball",
                stick.left_out
            )
        } else {
            String::new()
        }
    );
    println!(
        "swept: x {:.2} to {:.2}, y {:.2} to {:.2}, z {:.2} to {:.2} m",
        low[0], high[0], low[1], high[1], low[2], high[2]
    );
    println!(
        "{:>14} {:>14} {:>14} {:>7} {:>9} {:>7} {:>9}",
        "x m", "y m", "z m", "places", "error mm", "SD mm", "worst mm"
    );
    for part in &stick.parts {
        let span = |axis: usize| format!("{:.2} to {:.2}", part.low_m[axis], part.high_m[axis]);
        println!(
            "{:>14} {:>14} {:>14} {:>7} {:>+9.2} {:>7.2} {:>9.2}",
            span(0),
            span(1),
            span(2),
            part.count,
            part.mean_mm,
            part.sd_mm,
            part.worst_mm
        );
    }
}
