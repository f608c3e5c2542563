//! State of the rig and of the fit, in plain words.

use drawarc_report::page::{Fitness, RigLine};
use drawarc_rig::{ClockModel, Rig};
use drawarc_triangulation::PathFit;

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
    fit.diagnostics.sentences(&names)
}
