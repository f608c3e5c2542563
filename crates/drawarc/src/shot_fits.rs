//! Each shot fitted on its own: what goes wrong between shots, an arm that hangs before the body, must not widen the intervals
//! of a shot. A fit and its samples are some 10 MB, so that each is made when its shot is judged, and dropped after it.

use crate::bands;
use crate::contradiction::{self, Contradiction};
use crate::failure::{Failure, Outcome};
use crate::sheets::{Drawn, Others, Stretch};
use crate::steps::Plan;
use crate::stood::Stood;
use crate::whole_path::{between, input, of_part, times};
use drawarc_calibration::Standing;
use drawarc_report::page::{Fitness, RigLine, Words};
use drawarc_report::{ShotKind, ShotWindow};
use drawarc_rig::{ClockModel, Rig};
use drawarc_sync_track::{MarkerRole, SightingSeries};
use drawarc_triangulation::{Disagreement, ElbowPath, PathFit, comparison_path, fit_path};
use rayon::prelude::*;

/// A shot is fitted with this much before and after it (s).
const AROUND_SHOT_S: f64 = 0.5;

/// The shots of a practice, and all that each is fitted from.
#[derive(Debug, Default)]
pub(crate) struct ShotFits {
    /// The shots, in order of time.
    pub(crate) windows: Vec<ShotWindow>,
    /// Parts of the practice in which a path was found: where a shot has too little for a fit of its own, its part's serves.
    pub(crate) parts: Vec<(f64, f64)>,
    pub(crate) series: Vec<SightingSeries>,
    /// The clocks before any path was fitted.
    pub(crate) clocks: Vec<ClockModel>,
    /// How every camera stood, and which were compared with the survey's background.
    pub(crate) standing: Vec<Standing>,
    pub(crate) since_survey: Vec<bool>,
    /// The camera that contradicts the others in the whole practice.
    pub(crate) odd: Option<Disagreement>,
}

impl ShotFits {
    /// How the cameras stood.
    pub(crate) fn stood<'a>(&'a self, rig: &'a Rig, words: &'a Words) -> Stood<'a> {
        Stood {
            rig,
            clocks: &self.clocks,
            standing: &self.standing,
            since_survey: &self.since_survey,
            words,
        }
    }

    /// Fits a shot, and compares the cameras in it.
    ///
    /// # Errors
    /// Where not even its part of the practice can be fitted a second time.
    pub(crate) fn fit(
        &self,
        plan: &Plan<'_>,
        rig: &Rig,
        window: &ShotWindow,
    ) -> Outcome<(Stretch, Vec<Contradiction>)> {
        let span = (window.start_s, window.end_s);
        let around = (span.0 - AROUND_SHOT_S, span.1 + AROUND_SHOT_S);
        let near = between(&self.series, &self.clocks, around);
        let stood = self.stood(rig, plan.words);
        let stand = stood.during(span);
        let trusted = stood.less_certain(&stand.put_back);
        let on = (&trusted, &self.clocks[..]);
        // Too little for a fit of its own: its part's path serves.
        let fit = fit_path(&input(plan, on, &near))
            .or_else(|_| {
                of_part(
                    plan,
                    (rig, &self.clocks),
                    &self.series,
                    self.part_of(window),
                )
            })
            .map_err(Failure::not_measurable)?;
        let left_out = fit.diagnostics.disagreement.map(|odd| odd.camera);
        let pairs = contradiction::compare(&trusted, &self.clocks, &self.series, span, left_out);
        let contradicts = worst(&pairs)
            .filter(Contradiction::counts)
            .map(|pair| pair.sentence(rig, plan.words));
        let stretch = Stretch {
            unfit: stand.unfit.or(contradicts),
            put_back: stand.words,
            simple: comparison_path(&input(plan, on, &near), &fit).ok(),
            ..stretch((plan, on.0), &fit, window)
        };
        Ok((stretch, pairs))
    }

    /// Compares the cameras in every shot, where nobody judges the shots.
    pub(crate) fn compared(&self, plan: &Plan<'_>, rig: &Rig) -> Outcome<Vec<Contradiction>> {
        let each = self.windows.par_iter();
        let pairs = each.map(|window| Ok(self.fit(plan, rig, window)?.1));
        let pairs: Vec<Vec<Contradiction>> = pairs.collect::<Outcome<_>>()?;
        Ok(pairs.into_iter().flatten().collect())
    }

    fn part_of(&self, window: &ShotWindow) -> (f64, f64) {
        let holds = |part: &&(f64, f64)| (part.0..part.1).contains(&window.start_s);
        let all = (f64::NEG_INFINITY, f64::INFINITY);
        self.parts.iter().find(holds).copied().unwrap_or(all)
    }
}

/// The pair that contradicts itself most, against what is to be expected.
fn worst(pairs: &[Contradiction]) -> Option<Contradiction> {
    pairs
        .iter()
        .copied()
        .max_by(|a, b| (a.gap_px / a.expected_px).total_cmp(&(b.gap_px / b.expected_px)))
}

/// What is said of how well the cameras agree about the elbow.
#[derive(Debug, Default)]
pub(crate) struct Agreement {
    /// For the state of the rig, always.
    pub(crate) line: Option<RigLine>,
    /// The first thing to read, where they do not.
    pub(crate) warnings: Vec<String>,
}

/// Says how well the cameras agree about the elbow: in the health always, as the first thing to read where they do not.
pub(crate) fn agreement(
    rig: &Rig,
    compared: &[Contradiction],
    odd: Option<Disagreement>,
    words: &Words,
) -> Agreement {
    let mut told = Agreement::default();
    if let Some(odd) = odd {
        let camera = &rig.cameras[odd.camera].name;
        let px = format!("{:.1}", odd.distance_px);
        let places = [("camera", &**camera), ("px", &px)];
        told.warnings.push(words.health("left_out", &places));
    }
    if let Some(pair) = worst(compared) {
        let sentence = pair.sentence(rig, words);
        told.line = Some(RigLine {
            fitness: if pair.counts() {
                Fitness::Bad
            } else {
                Fitness::Good
            },
            sentence: sentence.clone(),
            costs_mm: pair.cost_mm(rig),
        });
        if pair.counts() {
            told.warnings.push(sentence);
        }
    }
    told
}

fn stretch((plan, rig): (&Plan<'_>, &Rig), fit: &PathFit, window: &ShotWindow) -> Stretch {
    let elbow = &fit.path;
    let mut times = times(elbow, plan.pipeline.path.step_s);
    // The path of a part is longer than its shot.
    let around = window.start_s - 2.0 * AROUND_SHOT_S..window.end_s + 2.0 * AROUND_SHOT_S;
    times.retain(|time_s| around.contains(time_s));
    let bands = bands::of(plan, elbow, &times, window);
    let drawn = |path: &ElbowPath, bands| Drawn {
        path: path.clone(),
        times_s: times.clone(),
        bands,
        draws: plan.pipeline.path.draws,
        seed: plan.pipeline.seed,
    };
    let other = |role: MarkerRole| fit.path_of(role).map(|path| drawn(path, None));
    Stretch {
        elbow: drawn(elbow, bands),
        onset: (window.kind == ShotKind::Released)
            .then(|| fit.onset(rig, window.hold_end_s))
            .flatten(),
        window: window.clone(),
        others: Others {
            bow_hand: other(MarkerRole::BowHand),
            string_hand: other(MarkerRole::StringHand),
            nock: other(MarkerRole::Nock),
            arrow_rest: other(MarkerRole::ArrowRest),
            draw_shoulder: other(MarkerRole::DrawShoulder),
        },
        unfit: None,
        put_back: None,
        simple: None,
    }
}
