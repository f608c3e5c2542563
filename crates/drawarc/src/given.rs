//! What a manifest gives besides recordings: markers, and a rig that was surveyed before.

use crate::failure::{Failure, Outcome};
use crate::lags::{self, SoundLag};
use crate::practice::{MarkerShapeName, Practice};
use drawarc_report::Corrections;
use drawarc_rig::{RangeFrame, Rig};
use drawarc_sync_track::{MarkerColour, MarkerRole, MarkerShape, MarkerSpec, NamedColour};

/// Diameter of a limb under a band (m), for its apparent shape: an adult's elbow. Common practice, no source.
const LIMB_DIAMETER_M: f64 = 0.09;

/// The markers of a practice.
pub(crate) fn markers(practice: &Practice) -> Outcome<Vec<MarkerSpec>> {
    let elbow = practice
        .markers
        .iter()
        .any(|marker| marker.on == MarkerRole::Elbow);
    if !elbow {
        return Err(Failure::input("no marker on the elbow in the manifest")
            .help("add to `markers:`  - {on: elbow, shape: ball, size_mm: 28, colour: orange}"));
    }
    practice
        .markers
        .iter()
        .map(|entry| {
            let size_m = entry.size_mm / 1000.0;
            let shape = match entry.shape {
                MarkerShapeName::Ball => MarkerShape::Ball { diameter_m: size_m },
                MarkerShapeName::Dot => MarkerShape::Dot { diameter_m: size_m },
                MarkerShapeName::Band => MarkerShape::Band {
                    width_m: size_m,
                    limb_diameter_m: LIMB_DIAMETER_M,
                },
            };
            Ok(MarkerSpec {
                role: entry.on,
                shape,
                colour: colour(&entry.colour)?,
            })
        })
        .collect()
}

/// A colour by its name.
pub(crate) fn colour(name: &str) -> Outcome<MarkerColour> {
    let named = match name {
        "orange" => NamedColour::Orange,
        "green" => NamedColour::Green,
        "pink" => NamedColour::Pink,
        "blue" => NamedColour::Blue,
        "yellow" => NamedColour::Yellow,
        "red" => NamedColour::Red,
        "white" => return Ok(MarkerColour::Light),
        other => {
            return Err(Failure::input(format!(
                "{other:?} is no colour of a marker; known are orange, green, pink, blue, yellow, red, and white on black ground"
            ))
            .help("a marker needs a bright, saturated colour that nothing else near the archer has, or the printed target: drawarc board --target 40"));
        }
    };
    Ok(MarkerColour::Named(named))
}

/// The corrections that the manifest names; none where it names none.
pub(crate) fn corrections(practice: &Practice) -> Outcome<Corrections> {
    let Some(path) = &practice.corrections else {
        return Ok(Corrections::default());
    };
    let wrong = |words: String| Failure::input(format!("{}: {words}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|source| wrong(source.to_string()))?;
    Corrections::from_yaml(&text).map_err(|source| wrong(source.to_string()))
}

/// What a practice with the manifest's rig has learned of the phones' sound.
pub(crate) fn lags_before(practice: &Practice) -> Outcome<Vec<SoundLag>> {
    practice
        .rig
        .as_deref()
        .map_or_else(|| Ok(Vec::new()), lags::beside)
}

/// The rig that the manifest names.
pub(crate) fn rig_before(practice: &Practice) -> Outcome<Option<Rig>> {
    let Some(path) = &practice.rig else {
        return Ok(None);
    };
    let rig = Rig::read(path).map_err(|source| {
        let shown = path.display().to_string();
        let words = source.to_string();
        Failure::input(if words.contains(&shown) {
            words
        } else {
            format!("{shown}: {words}")
        })
    })?;
    if rig.range_frame == RangeFrame::FirstCamera {
        return Err(Failure::input(format!(
            "{}: this rig knows no shooting line",
            path.display()
        ))
        .help("survey it again with the board laid on the line, its arrow toward the target"));
    }
    Ok(Some(rig))
}
