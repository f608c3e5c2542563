//! Mending a rig after a knock: one camera, or several, placed anew against the rest.

use crate::backgrounds::{self, Backgrounds};
use crate::check::{Board, CameraCheck};
use crate::failure::{Failure, Outcome};
use crate::{stood, store};
use drawarc_calibration::{CameraVerdict, re_place};
use drawarc_report::page::Words;
use drawarc_rig::Rig;
use serde::Serialize;
use std::path::Path;

/// A camera that was placed anew.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct PlacedTold {
    pub(crate) camera: String,
    /// From the board, or the background.
    pub(crate) from: &'static str,
    /// Turned by this from where it was surveyed (deg).
    pub(crate) turn_deg: f64,
    /// Its optical centre went so far (mm); the background does not show it, and says 0.
    pub(crate) shift_mm: f64,
}

/// A rig that holds again.
#[derive(Debug)]
pub(crate) struct Mended {
    pub(crate) rig: Rig,
    pub(crate) told: Vec<PlacedTold>,
}

/// Refuses to write over anything.
pub(crate) fn must_be_new(path: &Path) -> Outcome<()> {
    if path.exists() {
        return Err(
            Failure::refused(format!("{} is there already", path.display()))
                .help("write elsewhere with --repair FILE"),
        );
    }
    Ok(())
}

/// Places the cameras that do not stand as surveyed anew: from the board where it was shown again, which tells turn and
/// shift; else from their backgrounds, which tell the turn alone.
pub(crate) fn mend(
    rig: &Rig,
    cameras: &[CameraCheck],
    board: Option<&Board>,
    words: &Words,
) -> Outcome<Mended> {
    let mut moved = Vec::new();
    for (index, about) in cameras.iter().enumerate() {
        let unusable = |why: String| {
            Failure::not_measurable(format!(
                "camera {:?} cannot be placed anew: {why}",
                about.camera
            ))
            .help("survey again")
        };
        if about.standing.restless {
            return Err(unusable(stood::restless(&rig.cameras[index], words)));
        }
        match about.verdict {
            CameraVerdict::Unmoved => {}
            CameraVerdict::Zoomed => {
                return Err(unusable("its focal length has changed".to_owned()));
            }
            CameraVerdict::Moved | CameraVerdict::Unclear => moved.push(index),
        }
    }
    let by_board = |index: &usize| board.is_some_and(|board| board.shown.seen_by.contains(index));
    let (from_board, from_background): (Vec<usize>, Vec<usize>) =
        moved.into_iter().partition(by_board);
    let mut mended = Mended {
        rig: rig.clone(),
        told: Vec::new(),
    };
    if let Some(board) = board.filter(|_| !from_board.is_empty()) {
        let (placed, told) = board
            .shown
            .place_anew(rig, &from_board)
            .map_err(|source| Failure::not_measurable(source).help("survey again"))?;
        mended.rig = placed;
        mended.told = told
            .iter()
            .map(|placed| PlacedTold {
                camera: rig.cameras[placed.camera].name.clone(),
                from: "board",
                turn_deg: placed.turn.norm().to_degrees(),
                shift_mm: 1000.0 * placed.shift_m.norm(),
            })
            .collect();
    }
    for index in from_background {
        let about = &cameras[index];
        let shift = about.standing.stands.last().map(|stand| stand.shift);
        let Some(shift) = shift.filter(|shift| shift.verdict == CameraVerdict::Moved) else {
            return Err(Failure::not_measurable(format!(
                "camera {:?} cannot be placed anew: its background does not say where it stands",
                about.camera
            ))
            .help("show the board to it and to a camera that was not touched, or survey again"));
        };
        re_place(&mut mended.rig, index, &shift);
        mended.told.push(PlacedTold {
            camera: about.camera.clone(),
            from: "background",
            turn_deg: shift.turn_deg(),
            shift_mm: 0.0,
        });
    }
    Ok(mended)
}

/// Writes the rig, and beside it the backgrounds as they are now.
pub(crate) fn write(path: &Path, rig: &Rig, references: &Backgrounds) -> Outcome<()> {
    let text = rig.to_yaml().map_err(Failure::output)?;
    store::write_whole(path, text.as_bytes())?;
    backgrounds::keep(path, rig, references)
}
