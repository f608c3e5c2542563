//! Where in a long recording full work is worth doing.

use crate::{SoundEvent, Windows};
use drawarc_rig::ClockModel;
use serde::{Deserialize, Serialize};

/// How much of the film around a sudden sound is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FirstLookSettings {
    /// Before it (s): raise, set-up, draw, anchor and a long hold.
    pub before_s: f64,
    /// After it (s): follow-through.
    pub after_s: f64,
}

impl Default for FirstLookSettings {
    /// 15 s and 3 s: with a shot clock of 20 s in alternate shooting nobody draws for longer.
    fn default() -> Self {
        Self {
            before_s: 15.0,
            after_s: 3.0,
        }
    }
}

/// Stretches of one camera's time around the sudden sounds that any camera heard, in order and merged. `events` are
/// pairs of an event with the clock of the camera that heard it, `clock` is that of the camera to look at, `span` its
/// recording (camera s). Nothing heard gives no stretch: then the whole recording must be looked at, or the stretches
/// be named by hand.
pub fn first_look(
    events: &[(SoundEvent, &ClockModel)],
    clock: &ClockModel,
    span: (f64, f64),
    settings: &FirstLookSettings,
) -> Windows {
    let mut stretches: Windows = events
        .iter()
        .map(|(event, heard_by)| {
            let camera_s = clock.camera_from_range(heard_by.range_from_camera(event.camera_s));
            (
                (camera_s - settings.before_s).max(span.0),
                (camera_s + settings.after_s).min(span.1),
            )
        })
        .filter(|(from, to)| to > from)
        .collect();
    stretches.sort_by(|p, q| p.0.total_cmp(&q.0));
    let mut merged = Windows::new();
    for (from, to) in stretches {
        match merged.last_mut() {
            Some(last) if from <= last.1 => last.1 = last.1.max(to),
            _ => merged.push((from, to)),
        }
    }
    merged
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::SoundKind;

    #[test]
    fn stretches_follow_the_clocks_and_merge() {
        let event = |camera_s| SoundEvent {
            camera_s,
            sd_s: 5e-4,
            kind: SoundKind::Shot,
            strength_db: 30.0,
        };
        let (first, second) = (ClockModel::identity(), ClockModel::constant(5.0, 0.0));
        let events = [
            (event(60.0), &first),
            (event(65.0), &first),
            (event(200.0), &first),
            (event(2.0), &first),
        ];
        // The second camera shows 55 when the first shows 60.
        let found = first_look(
            &events,
            &second,
            (0.0, 150.0),
            &FirstLookSettings::default(),
        );
        assert_eq!(found, vec![(40.0, 63.0)]);
    }
}
