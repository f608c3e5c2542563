//! State of the rig and of the fit, in plain words.

use drawarc_report::page::{Fitness, RigLine};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::MarkerRole;
use drawarc_triangulation::{PathFit, length_check};

/// Lengths between markers are taken so often (s).
const LENGTH_STEP_S: f64 = 0.1;

/// State of the rig in plain words.
pub(crate) fn health(rig: &Rig, clocks: &[ClockModel]) -> Vec<RigLine> {
    let mut lines = Vec::new();
    for (index, camera) in rig.cameras.iter().enumerate() {
        let residual = rig
            .survey
            .residual_px
            .get(index)
            .copied()
            .unwrap_or(f64::NAN);
        let views = rig.survey.views.get(index).copied().unwrap_or(0);
        let sd_ms = clocks[index]
            .variance_at(clocks[index].segments()[0].reference_camera_s)
            .sqrt()
            * 1000.0;
        let fitness = match residual {
            r if r < 0.35 => Fitness::Good,
            r if r < 0.8 => Fitness::Watch,
            _ => Fitness::Bad,
        };
        lines.push(RigLine {
            fitness,
            sentence: format!(
                "Camera {}: {views} views of the board, corners fit to {residual:.2} px; its clock is known to {sd_ms:.2} ms.",
                camera.name
            ),
            costs_mm: None,
        });
    }
    lines.push(RigLine {
        fitness: if rig.survey.scale_sd_percent < 0.2 { Fitness::Good } else { Fitness::Watch },
        sentence: format!(
            "Lengths are known to {:.2} per cent (survey, and how well the board's pitch was measured).",
            rig.survey.scale_sd_percent
        ),
        costs_mm: Some(rig.survey.scale_sd_percent * 4.0),
    });
    lines
}

/// How sure the page is, a sentence each.
pub(crate) fn certainty(fit: &PathFit, rig: &Rig) -> Vec<String> {
    let names: Vec<String> = rig
        .cameras
        .iter()
        .map(|camera| camera.name.clone())
        .collect();
    let mut sentences = fit.diagnostics.sentences(&names);
    sentences.extend(lengths(fit));
    sentences
}

/// Lengths between markers on one bone: they must not change.
fn lengths(fit: &PathFit) -> Vec<String> {
    let (start_s, end_s) = fit.path.span();
    let mut times = Vec::new();
    while start_s + LENGTH_STEP_S * times.len() as f64 <= end_s {
        times.push(start_s + LENGTH_STEP_S * times.len() as f64);
    }
    let bones = [
        ("forearm", MarkerRole::StringHand),
        ("upper arm", MarkerRole::DrawShoulder),
    ];
    bones
        .into_iter()
        .filter_map(|(bone, role)| {
            let check = length_check(&fit.path, fit.path_of(role)?, &times)?;
            Some(format!("Length between markers on the {bone}, {check}."))
        })
        .collect()
}
