//! The study as a whole: tables, faults, curves.

use super::cell::{AgreementCell, cell};
use super::pairs::{Angle, Pair, StudyShot, TrackPair, pair_up};
use super::study_file::{Analysis, Exclusion, StudyFile};
use super::track::{Axis, StudyMeasure, smoothed};
use crate::statistics::{Proportion, Replicates, mean, proportion, repeated_varying};
use crate::{StudyError, StudyWords};
use serde::Serialize;

/// The word with which a study's JSON begins.
pub const AGREEMENT_FORMAT: &str = "drawarc-agreement/1";
/// Points of a curve.
const CURVE_POINTS: usize = 51;

/// What a single camera made of the collapses.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultCell {
    /// Camera.
    pub camera: String,
    /// Its place.
    pub angle: Angle,
    /// Estimate.
    pub estimate: String,
    /// Collapses that the single camera shows, of those of the 3-D path.
    pub found: Proportion,
    /// Collapses that it does not show.
    pub missed: Proportion,
    /// Collapses that it shows in shots without one.
    pub invented: Proportion,
    /// Shots that it could not judge.
    pub not_judged: usize,
}

/// Differences over the normalised time from the start of the draw to the end.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveCell {
    /// Camera.
    pub camera: String,
    /// Its place.
    pub angle: Angle,
    /// Estimate.
    pub estimate: String,
    /// Coordinate.
    pub axis: Axis,
    /// 0 at the start of the draw, 1 at the end.
    pub share: Vec<f64>,
    /// Shots behind each point.
    pub shots: Vec<usize>,
    /// Mean difference (mm); `null` where fewer than three shots.
    pub bias_mm: Vec<Option<f64>>,
    /// Lower limit of agreement (mm).
    pub lower_mm: Vec<Option<f64>>,
    /// Upper limit of agreement (mm).
    pub upper_mm: Vec<Option<f64>>,
}

/// A finished study.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgreementStudy {
    /// [`AGREEMENT_FORMAT`].
    pub format: &'static str,
    /// Title.
    pub title: String,
    /// The question.
    pub question: String,
    /// What a reader must know before any number.
    pub statements: Vec<String>,
    /// Were these archers simulated?
    pub simulated: bool,
    /// Numbers of the analysis.
    pub analysis: Analysis,
    /// Shots that came in.
    pub shots: usize,
    /// Shots left out, with reasons: `(practice, archer, shot, reason)`.
    pub excluded: Vec<[String; 4]>,
    /// Exclusions that fitted no shot: probably misspelt.
    pub idle_exclusions: Vec<Exclusion>,
    /// Tables.
    pub cells: Vec<AgreementCell>,
    /// Faults.
    pub faults: Vec<FaultCell>,
    /// Curves.
    pub curves: Vec<CurveCell>,
    /// Every pair, so that any program can repeat every number.
    pub pairs: Vec<Pair>,
}

impl AgreementStudy {
    /// The cell of a camera, estimate and measure.
    pub fn cell(
        &self,
        camera: &str,
        estimate: &str,
        measure: StudyMeasure,
    ) -> Option<&AgreementCell> {
        self.cells.iter().find(|cell| {
            cell.camera == camera && cell.estimate == estimate && cell.measure == measure
        })
    }
}

/// Compares every camera with the 3-D path.
///
/// # Errors
/// [`StudyError`] where the study file refuses, lists do not belong together, or no shot is left.
pub fn agree(
    shots: &[StudyShot],
    study: &StudyFile,
    words: &StudyWords,
) -> Result<AgreementStudy, StudyError> {
    study.validate()?;
    let (pairs, tracks) = pair_up(shots, study)?;
    if pairs.is_empty() {
        return Err(StudyError::TooFew {
            what: "shots that the study keeps",
            found: 0,
            needed: 1,
        });
    }
    let excluded: Vec<[String; 4]> = shots
        .iter()
        .filter_map(|shot| {
            let why = study.exclusion(&shot.practice, &shot.archer, &shot.shot)?;
            Some([&shot.practice, &shot.archer, &shot.shot, &why.reason].map(Clone::clone))
        })
        .collect();
    let idle_exclusions = study
        .exclusions
        .iter()
        .filter(|exclusion| {
            !shots.iter().any(|shot| {
                study
                    .exclusion(&shot.practice, &shot.archer, &shot.shot)
                    .is_some_and(|used| used == *exclusion)
            })
        })
        .cloned()
        .collect();
    let cells = groups(&pairs, |pair| (&pair.camera, &pair.estimate, pair.measure))
        .iter()
        .filter_map(|group| cell(group, &study.analysis))
        .collect();
    let reversals: Vec<Pair> = pairs
        .iter()
        .filter(|pair| pair.measure == StudyMeasure::Reversal)
        .cloned()
        .collect();
    let faults = groups(&reversals, |pair| {
        (&pair.camera, &pair.estimate, pair.measure)
    })
    .iter()
    .map(|group| fault_cell(group, &study.analysis))
    .collect::<Result<_, _>>()?;
    Ok(AgreementStudy {
        format: AGREEMENT_FORMAT,
        title: study.title.clone(),
        question: study.question.clone(),
        statements: statements(shots, words),
        simulated: simulated(shots),
        analysis: study.analysis.clone(),
        shots: shots.len(),
        excluded,
        idle_exclusions,
        cells,
        faults,
        curves: curves(&tracks, study.analysis.confidence),
        pairs,
    })
}

/// Items by key, in the order in which keys first appear.
fn groups<'a, T, K: PartialEq + 'a>(items: &'a [T], key: impl Fn(&'a T) -> K) -> Vec<Vec<&'a T>> {
    let mut keys: Vec<K> = Vec::new();
    let mut lists: Vec<Vec<&T>> = Vec::new();
    for item in items {
        let own = key(item);
        if let Some(place) = keys.iter().position(|known| *known == own) {
            lists[place].push(item);
        } else {
            keys.push(own);
            lists.push(vec![item]);
        }
    }
    lists
}

/// What must be said before any number.
fn statements(shots: &[StudyShot], words: &StudyWords) -> Vec<String> {
    let mut list = Vec::new();
    if simulated(shots) {
        list.push(words.say("simulated", &[]));
    }
    let views = || shots.iter().flat_map(|shot| &shot.views);
    if views().any(|view| !view.independent && !view.is_virtual) {
        list.push(words.say("dependent", &[]));
    }
    if views().any(|view| view.is_virtual) {
        list.push(words.say("stated", &[]));
    }
    let mut archers: Vec<&str> = shots.iter().map(|shot| shot.archer.as_str()).collect();
    archers.sort_unstable();
    archers.dedup();
    if archers.len() < 10 {
        let key = if archers.len() == 1 { "few_one" } else { "few" };
        let values = [
            ("archers", archers.len().to_string()),
            ("needed", words.say("needed", &[])),
        ];
        list.push(
            words.say(
                key,
                &values
                    .each_ref()
                    .map(|(name, value)| (*name, value.as_str())),
            ),
        );
    }
    list
}

fn simulated(shots: &[StudyShot]) -> bool {
    shots.iter().any(|shot| shot.simulated)
}

fn fault_cell(pairs: &[&Pair], analysis: &Analysis) -> Result<FaultCell, StudyError> {
    let floor = analysis.collapse_floor_mm;
    let (mut real, mut found, mut clean, mut invented, mut not_judged) = (0, 0, 0, 0, 0);
    for pair in pairs {
        let truth = pair
            .collapsed
            .or(pair.reference.map(|depth| depth >= floor));
        let (Some(truth), Some(depth)) = (truth, pair.planar) else {
            not_judged += 1;
            continue;
        };
        let seen = depth >= floor;
        if truth {
            real += 1;
            found += usize::from(seen);
        } else {
            clean += 1;
            invented += usize::from(seen);
        }
    }
    let level = analysis.confidence;
    Ok(FaultCell {
        camera: pairs[0].camera.clone(),
        angle: pairs[0].angle,
        estimate: pairs[0].estimate.clone(),
        found: proportion(found, real, level)?,
        missed: proportion(real - found, real, level)?,
        invented: proportion(invented, clean, level)?,
        not_judged,
    })
}

fn curves(tracks: &[TrackPair], confidence: f64) -> Vec<CurveCell> {
    groups(tracks, |track| (&track.camera, &track.estimate))
        .iter()
        .flat_map(|group| {
            [Axis::Away, Axis::Behind, Axis::Up]
                .into_iter()
                .filter(|axis| {
                    group
                        .iter()
                        .any(|track| track.planar.missing(*axis).is_none())
                })
                .map(|axis| curve(group, axis, confidence))
        })
        .collect()
}

fn curve(group: &[&TrackPair], axis: Axis, confidence: f64) -> CurveCell {
    let mut result = CurveCell {
        camera: group[0].camera.clone(),
        angle: group[0].angle,
        estimate: group[0].estimate.clone(),
        axis,
        share: Vec::new(),
        shots: Vec::new(),
        bias_mm: Vec::new(),
        lower_mm: Vec::new(),
        upper_mm: Vec::new(),
    };
    let mut archers: Vec<&str> = group.iter().map(|track| track.archer.as_str()).collect();
    archers.sort_unstable();
    archers.dedup();
    for point in 0..CURVE_POINTS {
        let share = point as f64 / (CURVE_POINTS - 1) as f64;
        let by_archer: Vec<Vec<f64>> = archers
            .iter()
            .map(|archer| {
                group
                    .iter()
                    .filter(|track| track.archer == *archer)
                    .filter_map(|track| difference(track, axis, share))
                    .collect::<Vec<f64>>()
            })
            .filter(|list| !list.is_empty())
            .collect();
        let all = by_archer.concat();
        let limits = repeated_varying(Replicates(&by_archer), confidence)
            .map(|r| (r.lower, r.upper))
            .or_else(|_| {
                crate::statistics::bland_altman(&all, confidence).map(|b| (b.lower, b.upper))
            })
            .ok();
        result.share.push(share);
        result.shots.push(all.len());
        result.bias_mm.push((all.len() >= 3).then(|| mean(&all)));
        result.lower_mm.push(limits.map(|(low, _)| low));
        result.upper_mm.push(limits.map(|(_, high)| high));
    }
    result
}

/// Single camera minus 3-D at a share of the shot (mm); `away` and `up` from their values at the start.
fn difference(track: &TrackPair, axis: Axis, share: f64) -> Option<f64> {
    let t = track.times.draw_s + share * (track.times.end_s - track.times.draw_s);
    let pick = |source: &super::track::ElbowTrack, t: f64| {
        let list = match axis {
            Axis::Away => &source.away_m,
            Axis::Behind => &source.behind_m,
            Axis::Up => &source.up_m,
        };
        smoothed(&source.time_s, list, t)
    };
    let gap = |t: f64| Some(pick(&track.planar.track, t)? - pick(&track.reference, t)?);
    let start = if axis == Axis::Behind {
        0.0
    } else {
        gap(track.times.draw_s)?
    };
    Some(1e3 * (gap(t)? - start))
}
