//! A shot as a C3D recording.

use crate::{Curves, ShotSheet};

use super::{
    c3d::{C3dEvent, C3dPoint, C3dSample, C3dTrial},
    error::ExportError,
};

/// Half a 95 % interval in standard deviations.
const SDS_OF_HALF_95: f64 = 1.959_964;

/// A shot as C3D: the elbow with residuals, the phases and faults as events.
///
/// The residual of a sample is its standard deviation (root mean square over away, behind and height). The
/// camera mask says how many cameras saw the marker, not which: as many low bits are set.
///
/// # Errors
/// The shot has fewer than two instants, or the format cannot hold it.
pub fn c3d_of_shot(sheet: &ShotSheet, version: &str) -> Result<C3dTrial, ExportError> {
    let curves = &sheet.curves;
    let (Some(&first_s), Some(&last_s)) = (curves.time_s.first(), curves.time_s.last()) else {
        return Err(too_short(&sheet.id));
    };
    let steps = curves.time_s.len() - 1;
    if steps == 0 || last_s <= first_s {
        return Err(too_short(&sheet.id));
    }
    let samples = (0..curves.time_s.len()).map(|index| sample(curves, index));
    let phases = sheet.phases.iter().map(|phase| C3dEvent {
        label: upper(&phase.phase),
        context: "Shot".to_owned(),
        time_s: phase.start_s - first_s,
    });
    let faults = sheet.faults.iter().flat_map(|fault| {
        [("START", 0.0), ("END", fault.length_s.value)].map(|(end, after_s)| C3dEvent {
            label: format!("{} {end}", upper(&fault.kind)),
            context: "Fault".to_owned(),
            time_s: fault.start_s + after_s - first_s,
        })
    });
    Ok(C3dTrial {
        rate_hz: steps as f64 / (last_s - first_s),
        points: vec![C3dPoint {
            label: "ELBOW".to_owned(),
            description: "marker at the tip of the draw elbow".to_owned(),
            samples: samples.collect(),
        }],
        events: phases.chain(faults).collect(),
        subject: sheet.archer.clone(),
        start_s: first_s,
        version: version.to_owned(),
    })
}

fn sample(curves: &Curves, index: usize) -> Option<C3dSample> {
    if curves.in_gap.get(index).copied().unwrap_or(true) {
        return None;
    }
    let variance = [&curves.away_mm, &curves.behind_mm, &curves.height_mm]
        .into_iter()
        .map(|curve| (curve.high[index] - curve.low[index]) / 2.0 / SDS_OF_HALF_95)
        .map(|sd| sd * sd)
        .sum::<f64>()
        / 3.0;
    let cameras = curves.cameras.get(index).copied().unwrap_or(0).min(7);
    Some(C3dSample {
        position_mm: *curves.elbow_mm.get(index)?,
        residual_mm: variance.sqrt(),
        cameras: (0..cameras).fold(0, |mask, camera| mask | 1 << camera),
    })
}

fn upper<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word.to_uppercase(),
        _ => String::new(),
    }
}

fn too_short(shot: &str) -> ExportError {
    ExportError::DoesNotFit {
        format: "C3D",
        problem: format!("shot {shot} has fewer than two instants"),
    }
}
