//! Films a scenario: one video file a camera, and the truth beside them.

use crate::camera_stage::CameraStage;
use crate::error::RangeSimError;
use crate::film_camera::{FilmCamera, FilmCodec};
use crate::film_time::TICKS_PER_SECOND;
use crate::scenario::Scenario;
use crate::sound::{SOUND_RATE_HZ, hear};
use crate::truth::Truth;
use crate::world::World;
use drawarc_footage::{ClipSettings, ClipWriter, Picture, SoundSettings, TimeBase, VideoCodec};
use std::path::{Path, PathBuf};

/// Frames that are drawn side by side; the encoder works on the batch before meanwhile.
const BATCH: usize = 8;

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rendered {
    /// The videos of each camera, in their order: one, or its chapters.
    pub videos: Vec<Vec<PathBuf>>,
    /// The truth.
    pub truth: PathBuf,
}

/// Films a scenario into a folder: `<camera>.mp4` for each camera (and `<camera>-2.mp4` … for its further chapters)
/// and `truth.json`. The folder is created; files of these names are replaced. `progress` hears fractions from 0 to 1.
///
/// # Errors
/// [`RangeSimError`] where the scenario cannot be filmed or a file cannot be written.
pub fn render(
    scenario: &Scenario,
    folder: &Path,
    progress: &mut dyn FnMut(f64),
) -> Result<Rendered, RangeSimError> {
    let world = World::new(scenario)?;
    let file_error = |path: &Path, source| RangeSimError::File {
        path: path.to_path_buf(),
        source,
    };
    std::fs::create_dir_all(folder).map_err(|source| file_error(folder, source))?;
    let total: usize = (0..world.views.len())
        .map(|view| world.frame_ticks(view).len())
        .sum();
    let mut done = 0;
    let mut videos = Vec::new();
    for view in 0..world.views.len() {
        let paths: Vec<PathBuf> = scenario.cameras[view]
            .files()
            .iter()
            .map(|name| folder.join(name))
            .collect();
        film(&world, view, &paths, &mut |frames| {
            progress(0.98 * (done + frames) as f64 / total.max(1) as f64);
        })?;
        done += world.frame_ticks(view).len();
        videos.push(paths);
    }
    let truth = folder.join("truth.json");
    let text = serde_json::to_vec(&Truth::of(&world))?;
    std::fs::write(&truth, text).map_err(|source| file_error(&truth, source))?;
    progress(1.0);
    Ok(Rendered { videos, truth })
}

fn clip_settings(camera: &FilmCamera) -> ClipSettings {
    ClipSettings {
        width_px: camera.image_size.width_px,
        height_px: camera.image_size.height_px,
        codec: match camera.codec {
            FilmCodec::H264 => VideoCodec::H264,
            FilmCodec::Hevc8 | FilmCodec::Hevc10 => VideoCodec::Hevc,
        },
        bit_depth: if camera.codec == FilmCodec::Hevc10 {
            10
        } else {
            8
        },
        time_base: TimeBase {
            numerator: 1,
            denominator: TICKS_PER_SECOND,
        },
        rotation_deg: camera.rotation_deg,
        preset: "ultrafast".to_owned(),
        crf: camera.crf,
        nominal_rate_hz: camera.rate_hz,
        sound: camera.sound.then(|| SoundSettings {
            sample_rate_hz: SOUND_RATE_HZ,
            ..SoundSettings::default()
        }),
        ..ClipSettings::default()
    }
}

fn film(
    world: &World,
    view: usize,
    paths: &[PathBuf],
    progress: &mut dyn FnMut(usize),
) -> Result<(), RangeSimError> {
    let camera = &world.scenario.cameras[view];
    let ticks = world.frame_ticks(view);
    let until_s = ticks
        .last()
        .map_or(0.0, |&tick| tick as f64 / f64::from(TICKS_PER_SECOND))
        + 1.0 / camera.rate_hz;
    let sound = camera.sound.then(|| {
        hear(
            world,
            &world.views[view],
            world.scenario.seed + view as u64,
            until_s,
        )
    });
    let chapters = Chapters::new(&ticks, &camera.chapters_at_s);
    let mut writer = Some(ClipWriter::create(&paths[0], &clip_settings(camera))?);
    let (send, receive) = std::sync::mpsc::sync_channel::<(i64, Picture)>(BATCH);
    let sound = sound.unwrap_or_default();
    std::thread::scope(|scope| -> Result<(), RangeSimError> {
        let encoder = scope.spawn(move || -> Result<(), drawarc_footage::FootageError> {
            let (mut heard, mut chapter) = (0, 0);
            for (tick, picture) in receive {
                if chapters.of(tick) > chapter {
                    if let Some(mut full) = writer.take() {
                        hear_until(&mut full, &sound, &mut heard, chapters.starts[chapter + 1])?;
                        full.finish()?;
                    }
                    chapter += 1;
                    writer = Some(ClipWriter::create(&paths[chapter], &clip_settings(camera))?);
                }
                if let Some(writer) = &mut writer {
                    writer.push_frame(tick - chapters.starts[chapter], &picture)?;
                    hear_until(writer, &sound, &mut heard, tick)?;
                }
            }
            let Some(mut writer) = writer else {
                return Ok(());
            };
            if heard < sound.len() {
                writer.push_sound(&sound[heard..])?;
            }
            writer.finish()
        });
        let mut stage = CameraStage::new(world, view, BATCH);
        let numbered: Vec<(usize, i64)> = ticks.iter().copied().enumerate().collect();
        'batches: for batch in numbered.chunks(BATCH) {
            for (&(index, tick), picture) in batch.iter().zip(stage.pictures(batch)) {
                if send.send((tick, picture)).is_err() {
                    break 'batches;
                }
                progress(index + 1);
            }
        }
        drop(send);
        match encoder.join() {
            Ok(written) => written?,
            Err(_panic) => return Err(RangeSimError::Encoder),
        }
        Ok(())
    })
}

/// Sound up to a camera time (ticks), as far as it was not written yet.
fn hear_until(
    writer: &mut ClipWriter,
    sound: &[f32],
    heard: &mut usize,
    tick: i64,
) -> Result<(), drawarc_footage::FootageError> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "samples of a clip"
    )]
    let until =
        ((tick * i64::from(SOUND_RATE_HZ) / i64::from(TICKS_PER_SECOND)) as usize).min(sound.len());
    if until > *heard {
        writer.push_sound(&sound[*heard..until])?;
        *heard = until;
    }
    Ok(())
}

/// Where the chapters of a recording begin: presentation times of their first frames, which are zero in their files.
struct Chapters {
    starts: Vec<i64>,
}

impl Chapters {
    fn new(ticks: &[i64], at_s: &[f64]) -> Self {
        let first_from = |&at_s: &f64| {
            ticks
                .iter()
                .copied()
                .find(|&tick| tick as f64 / f64::from(TICKS_PER_SECOND) >= at_s)
                .unwrap_or(i64::MAX)
        };
        Self {
            starts: std::iter::once(0)
                .chain(at_s.iter().map(first_from))
                .collect(),
        }
    }

    fn of(&self, tick: i64) -> usize {
        self.starts
            .iter()
            .rposition(|&start| tick >= start)
            .unwrap_or(0)
    }
}
