//! State of the rig and of the fit, in plain words.

use crate::moved_clocks::is_unknown;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_rig::{Camera, ClockModel, Rig};
use drawarc_sync_track::MarkerRole;
use drawarc_triangulation::{ErrorShares, MomentQuality, PathFit, length_check};
use nalgebra::{Point3, Vector3};

/// Lengths between markers are taken so often (s).
const LENGTH_STEP_S: f64 = 0.1;

/// How fast an elbow moves where the draw is fastest (m/s): the simulated archer's 0.65, measured on film. An error of a
/// clock costs this much way.
const FASTEST_DRAW_M_S: f64 = 0.65;
/// Height of the elbow above the line's middle, for what a turn or a pixel is worth there (m).
pub(crate) const ELBOW_HEIGHT_M: f64 = 1.4;
/// A survey that places the elbow no better than this should be done again (mm, one standard deviation).
const SURVEY_WATCH_MM: f64 = 3.0;

/// What an error of a clock costs at the elbow in the draw (mm).
pub(crate) fn clock_mm(error_ms: f64) -> f64 {
    FASTEST_DRAW_M_S * error_ms.abs()
}

/// What a pixel of a camera is worth at the elbow, across the line of sight (mm); none where it does not see that place.
pub(crate) fn pixel_mm(camera: &Camera) -> Option<f64> {
    let elbow = Point3::new(0.0, 0.0, ELBOW_HEIGHT_M);
    let across = camera.camera_from_range.rotation.inverse() * Vector3::x();
    let aside = elbow + across * 0.001;
    let shift = camera.pixel_from_range(&aside)? - camera.pixel_from_range(&elbow)?;
    Some(1.0 / shift.norm())
}

/// What the survey's uncertainty is worth at the elbow: the median over the instants that two cameras see.
pub(crate) fn survey_line(fit: &PathFit, words: &Words) -> Option<RigLine> {
    let moments = fit.diagnostics.moments.iter();
    let mut mm: Vec<f64> = moments
        .filter(|m| m.role == MarkerRole::Elbow && m.cameras_seeing >= 2)
        .map(|m| 1000.0 * m.sd_m * m.shares.survey.max(0.0).sqrt())
        .collect();
    mm.sort_by(f64::total_cmp);
    let costs_mm = *mm.get(mm.len() / 2)?;
    Some(RigLine {
        fitness: if costs_mm < SURVEY_WATCH_MM {
            Fitness::Good
        } else {
            Fitness::Watch
        },
        sentence: words.health("survey", &[]),
        costs_mm: Some(costs_mm),
    })
}

/// State of the rig in plain words.
pub(crate) fn health(rig: &Rig, clocks: &[ClockModel], words: &Words) -> Vec<RigLine> {
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
        let open = is_unknown(&clocks[index]);
        let fitness = match residual {
            r if r < 0.35 => Fitness::Good,
            r if r < 0.8 => Fitness::Watch,
            _ => Fitness::Bad,
        };
        lines.push(RigLine {
            fitness,
            sentence: words.health(
                match index {
                    0 => "camera_first",
                    _ if open => "camera_open",
                    _ => "camera",
                },
                &[
                    ("camera", &camera.name),
                    ("views", &views.to_string()),
                    ("px", &format!("{residual:.2}")),
                    ("ms", &format!("{sd_ms:.2}")),
                ],
            ),
            costs_mm: (index > 0 && !open).then(|| clock_mm(sd_ms)),
        });
    }
    let percent = rig.survey.scale_sd_percent;
    lines.push(RigLine {
        fitness: if percent < 0.2 {
            Fitness::Good
        } else {
            Fitness::Watch
        },
        sentence: words.health("lengths", &[("percent", &format!("{percent:.2}"))]),
        costs_mm: Some(percent * 4.0),
    });
    lines
}

/// How sure the page is, a sentence each.
pub(crate) fn certainty(fit: &PathFit, rig: &Rig, words: &Words) -> Vec<String> {
    let diagnostics = &fit.diagnostics;
    let name = |camera: usize| rig.cameras.get(camera).map_or("", |c| c.name.as_str());
    let mut sentences: Vec<String> = diagnostics
        .cameras
        .iter()
        .map(|c| {
            words.health(
                "sightings",
                &[
                    ("camera", name(c.camera)),
                    ("count", &c.sightings.to_string()),
                    ("wrong", &c.wrong.to_string()),
                    ("px", &format!("{:.3}", c.rms_px)),
                    ("times", &format!("{:.2}", c.noise_scale)),
                ],
            )
        })
        .collect();
    sentences.extend(diagnostics.cameras.iter().filter_map(|c| {
        let (region, lean_px) = c.worst_region()?;
        let values = [
            ("camera", name(c.camera)),
            ("px", &format!("{lean_px:.2}")),
            ("region", &words.health(&region, &[])),
        ];
        Some(words.health("lean", &values))
    }));
    sentences.extend(geometry(&diagnostics.moments, words));
    if let Some(odd) = &diagnostics.disagreement {
        let px = format!("{:.1}", odd.distance_px);
        sentences.push(words.health("left_out", &[("camera", name(odd.camera)), ("px", &px)]));
    }
    if diagnostics.lasting_px > 0.0 {
        let px = format!("{:.2}", diagnostics.lasting_px);
        sentences.push(words.health("lasting", &[("px", &px)]));
    }
    if !diagnostics.settled {
        let rounds = diagnostics.rounds.to_string();
        sentences.push(words.health("unsettled", &[("rounds", &rounds)]));
    }
    sentences.extend(lengths(fit, words));
    sentences
}

/// Under which angles the lines of sight meet over time, and where the error of the place comes from.
fn geometry(moments: &[MomentQuality], words: &Words) -> Option<String> {
    let seen: Vec<&MomentQuality> = moments
        .iter()
        .filter(|m| m.role == MarkerRole::Elbow && m.cameras_seeing >= 2)
        .collect();
    let mut sd_mm: Vec<f64> = seen.iter().map(|m| 1000.0 * m.sd_m).collect();
    sd_mm.sort_by(f64::total_cmp);
    let middle_mm = sd_mm.get(sd_mm.len() / 2)?;
    let angles = seen.iter().map(|m| m.convergence_deg);
    let (narrow, wide) = angles.fold((f64::MAX, f64::MIN), |(low, high), angle| {
        (low.min(angle), high.max(angle))
    });
    let share = |of: fn(&ErrorShares) -> f64| {
        let sum: f64 = seen.iter().map(|m| of(&m.shares)).sum();
        format!("{:.0}", 100.0 * sum / seen.len() as f64)
    };
    Some(words.health(
        "geometry",
        &[
            ("narrow", &format!("{narrow:.0}")),
            ("wide", &format!("{wide:.0}")),
            ("mm", &format!("{middle_mm:.1}")),
            ("pixels", &share(|s| s.pixels)),
            ("survey", &share(|s| s.survey)),
            ("clocks", &share(|s| s.clocks)),
        ],
    ))
}

/// Lengths between markers on one bone: they must not change.
fn lengths(fit: &PathFit, words: &Words) -> Vec<String> {
    let (start_s, end_s) = fit.path.span();
    let mut times = Vec::new();
    while start_s + LENGTH_STEP_S * times.len() as f64 <= end_s {
        times.push(start_s + LENGTH_STEP_S * times.len() as f64);
    }
    let bones = [
        ("forearm", MarkerRole::StringHand),
        ("upper_arm", MarkerRole::DrawShoulder),
    ];
    let mm = |metres: f64, decimals: usize| format!("{:.decimals$}", 1000.0 * metres);
    bones
        .into_iter()
        .filter_map(|(bone, role)| {
            let check = length_check(&fit.path, fit.path_of(role)?, &times)?;
            Some(words.health(
                "bone",
                &[
                    ("bone", &words.health(bone, &[])),
                    ("mm", &mm(check.mean_m, 1)),
                    ("change", &mm(check.change_sd_m, 2)),
                    ("instants", &check.instants.to_string()),
                    ("expected", &mm(check.expected_sd_m, 2)),
                ],
            ))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moved_clocks::unknown;
    use drawarc_study::forecast::{nominal_rig, two_phones};

    #[test]
    fn a_clock_that_nothing_told_is_said_to_be_unknown() {
        let rig = nominal_rig(&two_phones()).unwrap();
        let words = Words::english().unwrap();
        let lines = |second: ClockModel| health(&rig, &[ClockModel::identity(), second], &words);
        let open = lines(unknown());
        assert!(
            open[1].sentence.contains("not known"),
            "{}",
            open[1].sentence
        );
        assert_eq!(open[1].costs_mm, None);
        let told = lines(ClockModel::constant(0.0, 1e-6));
        assert!(told[1].sentence.contains("1.00 ms"), "{}", told[1].sentence);
        assert!(told[1].costs_mm.is_some());
    }
}
