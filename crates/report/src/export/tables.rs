//! The tables that are exported: a row for each shot, for each fault, for each instant of a path.

use serde::Serialize;

use crate::{Curve, Fault, Measure, MotionCurves, ShotSheet, page::readings};

use super::table::Table;

/// One row for each shot: who, how, the verdict, and every measure with its interval and cameras.
pub fn shots_table(shots: &[ShotSheet]) -> Table {
    let mut table = Table::default();
    head(&mut table, shots.iter());
    let each = || shots.iter();
    table.text("side", each().map(|shot| word(&shot.side)));
    table.text("stage", each().map(|shot| word(&shot.stage)));
    table.number("draw_weight_lb", each().map(|shot| shot.draw_weight_lb));
    table.text(
        "felt",
        each().map(|shot| shot.felt.map_or_else(String::new, |felt| word(&felt))),
    );
    table.text("kind", each().map(|shot| word(&shot.kind)));
    table.text("verdict", each().map(|shot| word(&shot.verdict)));
    table.text("sentence", each().map(|shot| shot.sentence.clone()));
    table.number("start_s", each().map(|shot| Some(shot.start_s)));
    table.number("end_s", each().map(|shot| Some(shot.end_s)));
    let release = |shot: &ShotSheet| shot.release.as_ref().map(|release| release.time_s.clone());
    measure(&mut table, "release_s", shots.iter().map(release));
    table.text(
        "arrow_line",
        each().map(|shot| word(&shot.arrow_line.source)),
    );
    table.count(
        "faults",
        each().map(|shot| i32::try_from(shot.faults.len()).ok()),
    );
    let factors: [(&str, Factor); 3] = [
        ("position_band_factor", |motion| motion.position_factor),
        ("velocity_band_factor", |motion| motion.velocity_factor),
        ("acceleration_band_factor", |motion| {
            motion.acceleration_factor
        }),
    ];
    for (name, of) in factors {
        table.number(name, each().map(|shot| shot.curves.motion.as_ref().map(of)));
    }
    let Some(first) = shots.first() else {
        return table;
    };
    for (place, (key, _)) in readings(&first.measures).into_iter().enumerate() {
        let of = |shot: &ShotSheet| readings(&shot.measures)[place].1.measure().cloned();
        measure(&mut table, key, shots.iter().map(of));
    }
    table
}

/// One row for each fault that was found.
pub fn faults_table(shots: &[ShotSheet]) -> Table {
    let rows: Vec<(&ShotSheet, &Fault)> = shots
        .iter()
        .flat_map(|shot| shot.faults.iter().map(move |fault| (shot, fault)))
        .collect();
    let mut table = Table::default();
    head(&mut table, rows.iter().map(|row| row.0));
    let each = || rows.iter().map(|row| row.1);
    table.text("fault", each().map(|fault| word(&fault.kind)));
    table.text("phase", each().map(|fault| word(&fault.phase)));
    table.number("start_s", each().map(|fault| Some(fault.start_s)));
    table.number("start_sd_s", each().map(|fault| Some(fault.start_sd_s)));
    for (end, name) in ["start_low_s", "start_high_s"].into_iter().enumerate() {
        table.number(name, each().map(|fault| Some(fault.start_between()[end])));
    }
    measure(
        &mut table,
        "length_s",
        each().map(|fault| Some(fault.length_s.clone())),
    );
    measure(
        &mut table,
        "depth_mm",
        each().map(|fault| Some(fault.depth_mm.clone())),
    );
    measure(
        &mut table,
        "speed_mm_s",
        each().map(|fault| Some(fault.speed_mm_s.clone())),
    );
    measure(
        &mut table,
        "hand_went_on_mm",
        each().map(|fault| fault.hand_went_on_mm.clone()),
    );
    table.number("probability", each().map(|fault| Some(fault.probability)));
    table
}

/// Picks the factor of a simultaneous band.
type Factor = fn(&MotionCurves) -> f64;

/// Picks one of a shot's curves.
type CurveOf = fn(&crate::Curves) -> &Curve;

/// One row for each instant of each shot: the elbow in the range frame and the curves with their 95 % bands.
pub fn samples_table(shots: &[ShotSheet]) -> Table {
    let rows: Vec<(&ShotSheet, usize)> = shots
        .iter()
        .flat_map(|shot| (0..shot.curves.time_s.len()).map(move |index| (shot, index)))
        .collect();
    let mut table = Table::default();
    head(&mut table, rows.iter().map(|row| row.0));
    let each = || rows.iter().map(|&(shot, index)| (&shot.curves, index));
    table.number(
        "time_s",
        each().map(|(curves, index)| Some(curves.time_s[index])),
    );
    let since =
        |(curves, index): (&crate::Curves, usize)| Some(curves.time_s[index] - curves.zero_s);
    table.number("time_from_release_s", each().map(since));
    for (axis, name) in ["x_mm", "y_mm", "z_mm"].into_iter().enumerate() {
        let place = |(curves, index): (&crate::Curves, usize)| {
            curves.elbow_mm.get(index).map(|at| at[axis])
        };
        table.number(name, each().map(place));
    }
    for (axis, name) in ["x_sd_mm", "y_sd_mm", "z_sd_mm"].into_iter().enumerate() {
        let sd = |(curves, index): (&crate::Curves, usize)| {
            curves.elbow_sd_mm.get(index).map(|at| at[axis])
        };
        table.number(name, each().map(sd));
    }
    let simple = ["simple_x_mm", "simple_y_mm", "simple_z_mm"];
    for (axis, name) in simple.into_iter().enumerate() {
        let place = |(curves, index): (&crate::Curves, usize)| {
            Some(curves.simple_mm.get(index)?.as_ref()?[axis])
        };
        table.number(name, each().map(place));
    }
    motion(&mut table, &rows);
    let bands: [(&str, CurveOf); 4] = [
        ("away_mm", |curves| &curves.away_mm),
        ("behind_mm", |curves| &curves.behind_mm),
        ("height_mm", |curves| &curves.height_mm),
        ("speed_mm_s", |curves| &curves.speed_mm_s),
    ];
    for (name, of) in bands {
        let part = |pick: fn(&Curve) -> &Vec<f64>| {
            each().map(move |(curves, index)| pick(of(curves)).get(index).copied())
        };
        table.number(name, part(|curve| &curve.value));
        table.number(&format!("{name}_low"), part(|curve| &curve.low));
        table.number(&format!("{name}_high"), part(|curve| &curve.high));
    }
    let cameras = |(curves, index): (&crate::Curves, usize)| {
        curves.cameras.get(index).map(|&count| i32::from(count))
    };
    table.count("cameras", each().map(cameras));
    let gap = |(curves, index): (&crate::Curves, usize)| {
        curves.in_gap.get(index).copied().unwrap_or(true)
    };
    table.flag("in_gap", each().map(gap));
    table
}

/// Velocity and acceleration with their standard deviations, an axis a column.
fn motion(table: &mut Table, rows: &[(&ShotSheet, usize)]) {
    type Of = fn(&MotionCurves) -> &Vec<Option<[f64; 3]>>;
    let curves: [(&str, Of); 4] = [
        ("v{axis}_mm_s", |motion| &motion.velocity_mm_s),
        ("v{axis}_sd_mm_s", |motion| &motion.velocity_sd_mm_s),
        ("a{axis}_m_s2", |motion| &motion.acceleration_m_s2),
        ("a{axis}_sd_m_s2", |motion| &motion.acceleration_sd_m_s2),
    ];
    for (name, of) in curves {
        for (axis, letter) in ["x", "y", "z"].into_iter().enumerate() {
            let values = rows.iter().map(|&(shot, index)| {
                let motion = shot.curves.motion.as_ref()?;
                Some(of(motion).get(index)?.as_ref()?[axis])
            });
            table.number(&name.replace("{axis}", letter), values);
        }
    }
}

fn head<'a>(table: &mut Table, shots: impl Iterator<Item = &'a ShotSheet> + Clone) {
    table.text("shot", shots.clone().map(|shot| shot.id.clone()));
    table.text("archer", shots.map(|shot| shot.archer.clone()));
}

/// Four columns for a figure: value, both ends of its 95 % interval, cameras.
fn measure(table: &mut Table, name: &str, figures: impl Iterator<Item = Option<Measure>>) {
    let figures: Vec<Option<Measure>> = figures.collect();
    let part = |of: fn(&Measure) -> f64| figures.iter().map(move |figure| figure.as_ref().map(of));
    table.number(name, part(|figure| figure.value));
    table.number(&format!("{name}_low"), part(|figure| figure.low));
    table.number(&format!("{name}_high"), part(|figure| figure.high));
    let cameras = figures
        .iter()
        .map(|figure| figure.as_ref().map(|figure| i32::from(figure.cameras)));
    table.count(&format!("{name}_cameras"), cameras);
}

/// The word by which JSON names a value: one spelling in all exports.
fn word<T: Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}
