//! From a path and what is known about a shot to its sheet.

use crate::arrow_line::{NockAndRest, arrow_line};
use crate::boundaries::find_boundaries;
use crate::context::ShotContext;
use crate::coordinates::{Coordinates, forearm};
use crate::curves::curves;
use crate::faults::{FaultReport, find_faults};
use crate::motion::Motion;
use crate::release::{Dated, Release, find_release};
use crate::second_way::second_way;
use crate::sentences::Sentences;
use crate::sheet::{
    ArrowLineSheet, BowStage, FaultKind, KeyInstant, Phase, PhaseSheet, ReleaseSheet, SHOT_FORMAT,
    ShotClock, ShotKind, ShotSheet, Side,
};
use crate::shot::{Companions, Shot};
use crate::shots::{MIN_DRAWS, ShotWindow, check_path};
use crate::smooth::LowPass;
use crate::sway::sway_size;
use crate::track::Track;
use crate::{Measure, ReportError, ReportSettings, angles, corrections, travel, verdict};
use drawarc_triangulation::PathSamples;

/// Judges one shot. `path` holds the shot's window (more does no harm, and rest before or after it sharpens what is
/// known of the sway) at 100 instants a second or more, with at least 50 joint samples, better 400.
///
/// # Errors
/// [`ReportError::Path`] for a path that cannot be used, [`ReportError::NoDraw`] where the window holds no draw,
/// [`ReportError::Correction`] for a boundary out of order.
pub fn score_shot(
    path: &PathSamples,
    window: &ShotWindow,
    context: &ShotContext<'_>,
    settings: &ReportSettings,
    words: &Sentences,
) -> Result<ShotSheet, ReportError> {
    settings.validate()?;
    check_path(path, MIN_DRAWS)?;
    let (context, mut said) = corrections::named(context, words);
    let context = &context;
    let release = (window.kind == ShotKind::Released)
        .then(|| {
            let witnesses = (context.onset.as_ref(), context.sounds.as_slice());
            find_release(path, window.hold_end_s, witnesses, settings, words)
        })
        .flatten();
    let (shot, moved) = prepare(path, window, context, (release.as_ref(), settings, words))?;
    said.splice(0..0, moved);
    let report = find_faults(&shot);
    Ok(sheet(&shot, window, release.as_ref(), &report, said))
}

type Prepared<'a> = (Shot<'a>, Vec<String>);

#[expect(
    clippy::too_many_lines,
    reason = "one rule after the other, each a few lines"
)]
fn prepare<'a>(
    path: &'a PathSamples,
    window: &ShotWindow,
    context: &'a ShotContext<'a>,
    (release, settings, words): (Option<&Release>, &'a ReportSettings, &'a Sentences),
) -> Result<Prepared<'a>, ReportError> {
    let step_s = 1.0 / settings.grid_hz;
    // The grid stands on the release, so that the same shot gives the same sheet wherever the recording began.
    let anchor_s = release.map_or(window.hold_end_s, |release| release.dated.time_s);
    let span = (window.start_s, window.end_s);
    let track = Track::sample(path, span, step_s, anchor_s);
    let no_draw = ReportError::NoDraw {
        start_s: window.start_s,
        end_s: window.end_s,
        needed_mm: 1000.0 * settings.draw_min_m,
    };
    if track.len() < 60 || window.strokes_s.is_empty() {
        return Err(no_draw);
    }
    let split = track.index_of(anchor_s) + 1;
    let low_pass = LowPass::new(settings.cutoff_hz, step_s);
    let mean = Motion::new(&track.mean, step_s, &low_pass, &[split]);
    let draws: Vec<Motion> = track
        .draws
        .iter()
        .map(|draw| Motion::new(draw, step_s, &low_pass, &[split]))
        .collect();
    let mut boundaries = find_boundaries(&track, (&mean, &draws), window, release, settings);
    let said = match &context.correction {
        Some(correction) => corrections::move_boundaries(correction, &mut boundaries, words)?,
        None => Vec::new(),
    };
    let hold_end_s = boundaries.hold_end().time_s;
    let anchor_start_s = boundaries.start_s(Phase::Anchor).unwrap_or(hold_end_s);
    let settled_s = boundaries
        .start_s(Phase::Expansion)
        .unwrap_or(anchor_start_s);
    let draw_start_s = boundaries.start_s(Phase::Draw).unwrap_or(window.start_s);
    let companion = |marker: Option<&PathSamples>, from_s: f64| {
        companion(marker, &track, (from_s, hold_end_s - 0.02))
    };
    let markers = &context.markers;
    let companions = Companions {
        bow_hand: companion(markers.bow_hand, draw_start_s),
        string_hand: companion(markers.string_hand, settled_s),
        nock: companion(markers.nock, settled_s),
        arrow_rest: companion(markers.arrow_rest, settled_s),
        draw_shoulder: companion(markers.draw_shoulder, draw_start_s),
    };
    let both = match (&companions.nock, &companions.arrow_rest) {
        (Some(nock), Some(rest)) => Some(NockAndRest {
            nock,
            rest,
            span_s: (settled_s, hold_end_s - 0.02),
        }),
        _ => None,
    };
    let elbow_at_anchor = mean.point[track.index_of(settled_s)];
    let count = draws.len();
    let line = arrow_line(
        context,
        both.as_ref(),
        &elbow_at_anchor,
        count,
        settings,
        words,
    );
    let forearm = forearm(context, count, settings);
    let coordinates = Coordinates::new(&mean, &draws, &line, &forearm, context.side.sign());
    let first_s = boundaries.phases[0].1.time_s;
    let quiet = [
        (first_s - 4.0, first_s - 0.2),
        (boundaries.end.time_s + 0.1, boundaries.end.time_s + 4.0),
    ];
    let sway = sway_size(path, &quiet, settings);
    let shot = Shot {
        context,
        settings,
        words,
        path,
        track,
        mean,
        draws,
        boundaries,
        companions,
        line,
        forearm,
        coordinates,
        sway,
    };
    Ok((shot, said))
}

/// A further marker on the elbow's grid, if it was seen all the time from `span_s.0` to `span_s.1`.
fn companion(marker: Option<&PathSamples>, track: &Track, span_s: (f64, f64)) -> Option<Track> {
    let marker = marker?;
    if marker.draws.is_empty() || check_path(marker, 1).is_err() {
        return None;
    }
    let all = (track.start_s, track.time_s(track.len() - 1));
    let mut found = Track::sample(marker, all, track.step_s, track.start_s);
    if found.len() == 0 {
        return None;
    }
    let last_s = found.time_s(found.len() - 1);
    let half = 0.5 * track.step_s;
    if found.start_s > span_s.0 + half || last_s < span_s.1 - half {
        return None;
    }
    // Outside what was seen the marker is held still: nothing there is used, but indices must agree.
    let lead = ((found.start_s - track.start_s) / track.step_s).round() as usize;
    let tail = track.len().saturating_sub(lead + found.len());
    let pad = |points: &mut Vec<nalgebra::Point3<f64>>| {
        let (first, last) = (points[0], points[points.len() - 1]);
        points.splice(0..0, std::iter::repeat_n(first, lead));
        points.extend(std::iter::repeat_n(last, tail));
        points.truncate(track.len());
    };
    pad(&mut found.mean);
    found.draws.iter_mut().for_each(pad);
    found.in_gap.splice(0..0, std::iter::repeat_n(true, lead));
    found.in_gap.resize(track.len(), true);
    found.cameras.splice(0..0, std::iter::repeat_n(0, lead));
    found.cameras.resize(track.len(), 0);
    found.start_s = track.start_s;
    let (from, to) = (track.index_of(span_s.0), track.index_of(span_s.1));
    let hidden = found.in_gap[from..=to].iter().any(|&gone| gone);
    (!hidden).then_some(found)
}

fn sheet(
    shot: &Shot<'_>,
    window: &ShotWindow,
    release: Option<&Release>,
    report: &FaultReport,
    corrections: Vec<String>,
) -> ShotSheet {
    let context = shot.context;
    let measures = travel::shot_measures(shot, &report.stalls, &report.hook);
    let word = verdict::verdict(shot, window.kind, report);
    let release = release
        .filter(|_| context.stage != BowStage::Compound)
        .map(|found| release_sheet(shot, found));
    let shot_clock = match (shot.settings.shot_clock_s, measures.shot_s.value()) {
        (Some(limit_s), Some(used_s)) if window.kind == ShotKind::Released => Some(ShotClock {
            limit_s,
            used_s,
            within: used_s <= limit_s,
        }),
        _ => None,
    };
    let second_way = second_way(shot);
    let mut remarks = remarks(shot, window);
    remarks.extend(second_way.as_ref().map(|way| way.words.clone()));
    ShotSheet {
        format: SHOT_FORMAT.to_owned(),
        id: context.id.clone(),
        archer: context.archer.clone(),
        side: context.side,
        stage: context.stage,
        draw_weight_lb: context.draw_weight_lb,
        felt: context.felt,
        kind: window.kind,
        start_s: shot.boundaries.phases[0].1.time_s,
        end_s: shot.boundaries.end.time_s,
        release,
        verdict: word,
        sentence: verdict::sentence(shot, window.kind, word, report, &measures),
        felt_sentence: context
            .felt
            .map(|felt| verdict::felt_sentence(shot, felt, word)),
        how_sure: verdict::how_sure(shot, &report.checks),
        remarks,
        phases: phases(shot),
        faults: report.faults.clone(),
        checks: report.checks.clone(),
        raw_reversal: travel::raw_reversal(shot),
        travel: travel::phase_travel(shot),
        measures,
        shot_clock,
        arrow_line: line_sheet(shot),
        angles: angles::all_angles(shot, word, report),
        curves: curves(shot, &report.hook),
        second_way,
        rejected: context.correction.as_ref().is_some_and(|c| c.reject),
        key_instants: key_instants(shot, report, window.kind),
        corrections,
    }
}

fn release_sheet(shot: &Shot<'_>, release: &Release) -> ReleaseSheet {
    let corrected = shot
        .boundaries
        .of(Phase::Release)
        .is_some_and(|(start, _)| start.corrected);
    let cameras = shot
        .track
        .cameras_between(release.dated.time_s - 0.05, release.dated.time_s + 0.05);
    let measure = |dated: &Dated| {
        let (low, high) = dated.interval;
        Measure::new(dated.time_s, low, high, cameras)
    };
    let time_s = if corrected {
        let by_hand = shot.hold_end_s();
        Measure::new(by_hand, by_hand, by_hand, cameras)
    } else {
        measure(&release.dated)
    };
    ReleaseSheet {
        time_s,
        motion_s: measure(&release.by_motion),
        sound_minus_motion_s: release.sound_minus_motion_s,
        words: if corrected {
            shot.words.plain("release-corrected")
        } else {
            release.words.clone()
        },
    }
}

fn phases(shot: &Shot<'_>) -> Vec<PhaseSheet> {
    shot.boundaries
        .phases
        .iter()
        .filter_map(|(phase, start)| {
            let (_, end) = shot.boundaries.of(*phase)?;
            Some(PhaseSheet {
                phase: *phase,
                start_s: start.time_s,
                start_sd_s: start.sd_s(),
                end_s: end.time_s,
                end_sd_s: end.sd_s(),
                duration_s: shot.measure(
                    end.time_s - start.time_s,
                    end.draws.iter().zip(&start.draws).map(|(e, s)| e - s),
                    1.0,
                    (start.time_s, end.time_s),
                ),
                corrected: start.corrected || end.corrected,
            })
        })
        .collect()
}

fn line_sheet(shot: &Shot<'_>) -> ArrowLineSheet {
    let side = shot.context.side.sign();
    let elbow = shot.mean.point[shot.track.index_of(shot.hold_end_s())];
    let (across_m, turn_rad) = shot.line.spread_at(&elbow, side);
    ArrowLineSheet {
        source: shot.line.source,
        words: shot.line.words.clone(),
        away_in_range: shot.line.mean.away.into_inner().into(),
        point_mm: (shot.line.mean.point.coords * 1000.0).into(),
        sd_at_elbow_mm: 1000.0 * across_m,
        direction_sd_deg: turn_rad.to_degrees(),
    }
}

fn remarks(shot: &Shot<'_>, window: &ShotWindow) -> Vec<String> {
    let words = shot.words;
    let (context, companions) = (shot.context, &shot.companions);
    let mut said = Vec::new();
    if let Some((at_s, length_s)) = shot.gap(shot.boundaries.phases[0].1.time_s, shot.hold_end_s())
    {
        said.push(words.fill(
            "remark-gap",
            &[
                ("seconds", format!("{length_s:.2}")),
                ("at", format!("{at_s:.2}")),
            ],
        ));
    }
    said.push(if companions.bow_hand.is_some() {
        words.plain("remark-sway-tracked-bow-hand")
    } else if companions.draw_shoulder.is_some() {
        words.plain("remark-sway-tracked-shoulder")
    } else {
        let mm = format!("{:.1}", 1000.0 * shot.sway.sd_m);
        words.fill("remark-sway-prior", &[("mm", mm)])
    });
    let markers = &context.markers;
    for (given, kept, key) in [
        (
            markers.bow_hand.is_some(),
            companions.bow_hand.is_some(),
            "marker-bow-hand",
        ),
        (
            markers.draw_shoulder.is_some(),
            companions.draw_shoulder.is_some(),
            "marker-shoulder",
        ),
        (
            markers.string_hand.is_some(),
            companions.string_hand.is_some(),
            "marker-string-hand",
        ),
        (
            markers.nock.is_some(),
            companions.nock.is_some(),
            "marker-nock",
        ),
        (
            markers.arrow_rest.is_some(),
            companions.arrow_rest.is_some(),
            "marker-rest",
        ),
    ] {
        if given && !kept {
            said.push(words.fill("remark-companion-lost", &[("marker", words.plain(key))]));
        }
    }
    if shot.forearm.estimated {
        let mm = format!("{:.0}", 1000.0 * shot.forearm.mean);
        said.push(words.fill("remark-forearm", &[("mm", mm)]));
    }
    if let Some(seen) = window.side_seen.filter(|seen| *seen != context.side) {
        let hand = |side: Side| {
            words.plain(match side {
                Side::Right => "hand-right",
                Side::Left => "hand-left",
            })
        };
        said.push(words.fill(
            "remark-side",
            &[("seen", hand(seen)), ("said", hand(context.side))],
        ));
    }
    if window.raise_s.is_none() {
        said.push(words.plain("remark-no-raise"));
    }
    if context.stage == BowStage::Compound {
        said.push(words.plain("remark-compound"));
    }
    said.push(words.plain("remark-marker-skin"));
    said
}

fn key_instants(shot: &Shot<'_>, report: &FaultReport, kind: ShotKind) -> Vec<KeyInstant> {
    let mut found: Vec<KeyInstant> = shot
        .boundaries
        .phases
        .iter()
        .map(|(phase, start)| {
            let key = corrections::phase_key(*phase).trim_start_matches("phase-");
            KeyInstant {
                key: key.to_owned(),
                words: shot.words.plain(&format!("key-{key}")),
                time_s: start.time_s,
            }
        })
        .collect();
    if kind == ShotKind::LetDown {
        found.push(KeyInstant {
            key: "hold-end".to_owned(),
            words: shot.words.plain("key-hold-end"),
            time_s: shot.hold_end_s(),
        });
    }
    for (index, fault) in report.faults.iter().enumerate() {
        let key = match fault.kind {
            FaultKind::Stall => "key-fault-stall",
            FaultKind::Collapse => "key-fault-collapse",
            FaultKind::GaveWayAround => "key-fault-gave-way-around",
            FaultKind::Creep => "key-fault-creep",
            FaultKind::HookSlip => "key-fault-hook-slip",
        };
        found.push(KeyInstant {
            key: format!("fault-{}", index + 1),
            words: shot.words.plain(key),
            time_s: fault.start_s,
        });
    }
    found.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    found
}
