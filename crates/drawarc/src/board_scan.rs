//! Where each camera saw the board.

use crate::backgrounds;
use crate::failure::{Failure, Outcome};
use crate::progress::{self, Progress};
use crate::recordings::Filmed;
use drawarc_calibration::{
    BackgroundReference, Board, BoardSighting, ScanSettings, board_stretches, scan_board,
};
use drawarc_rig::ClockModel;

/// What a camera saw of the board, and what stood still behind it.
#[derive(Debug)]
pub(crate) struct Seen {
    pub(crate) sightings: Vec<BoardSighting>,
    pub(crate) background: Option<BackgroundReference>,
}

/// Looks through camera `index`'s recording for the board, by its `clock`, within `window_s` (its own time).
pub(crate) fn scan(
    index: usize,
    filmed: Filmed<'_>,
    board: &Board,
    (clock, window_s): (&ClockModel, Option<(f64, f64)>),
    progress: &Progress,
) -> Outcome<Seen> {
    let name = &filmed.entry.name;
    let bar = progress.bar(&format!("{name}: the board"));
    let threads = rayon::current_num_threads();
    let settings = ScanSettings {
        camera: index,
        clock: clock.clone(),
        threads,
        decoder_threads: threads,
        ..ScanSettings::default()
    };
    let windows_s = match window_s {
        Some(window_s) => vec![window_s],
        None => board_stretches(filmed.recording, board, &settings, &mut |_| {})
            .map_err(Failure::input)?,
    };
    let settings = ScanSettings {
        windows_s,
        ..settings
    };
    let found = scan_board(filmed.recording, board, &settings, &mut |fraction| {
        progress::set(&bar, fraction);
    })
    .map_err(Failure::input)?;
    bar.finish_and_clear();
    if found.sightings.is_empty() {
        let seen = Failure::not_measurable(format!(
            "camera {name:?} never saw the board with {}×{} inner corners ({} moments looked at)",
            board.columns, board.rows, found.looked_at
        ));
        return Err(match found.other_size {
            Some((columns, rows)) => seen.help(format!(
                "a board with {columns}×{rows} inner corners is there: is `board:` in the manifest the one that you filmed?"
            )),
            None => seen.help("film the whole board, flat and in focus, in this camera's picture; hold it still for half a second now and then"),
        });
    }
    Ok(Seen {
        background: backgrounds::of_pictures(&found.pictures),
        sightings: found.sightings,
    })
}
