use std::collections::VecDeque;

/// Longer than usual between two frames: the phone dropped frames, or switched its rate.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Gap {
    /// Index of the last frame before it.
    pub after_index: u64,
    /// Time of the last frame before it.
    pub from_s: f64,
    /// Time of the first frame after it.
    pub to_s: f64,
    /// The usual step there: the median of the steps around.
    pub usual_step_s: f64,
}

impl Gap {
    /// Its length in usual steps; 2 means one frame is missing.
    pub fn steps(&self) -> f64 {
        (self.to_s - self.from_s) / self.usual_step_s
    }
}

/// What was wrong with the footage that was read so far: data, not an error. All that could be saved was
/// delivered.
#[derive(Debug, Clone, PartialEq, Default)]
#[non_exhaustive]
pub struct Condition {
    /// Frames delivered (seeking passes over some without counting them).
    pub frames: u64,
    /// Packets that are corrupt or could not be decoded.
    pub corrupt_packets: u64,
    /// Frames that were delivered although the decoder found errors in them.
    pub damaged_frames: u64,
    /// Frames of the file that did not come out of the decoder.
    pub lost_frames: u64,
    /// Frames left out because their time was not after the frame before.
    pub backward_frames: u64,
    /// Frames left out because the file gives them no time.
    pub untimed_frames: u64,
    /// The container carries decode times only; frames got its instants in the order of showing.
    pub decode_times_only: bool,
    /// The pictures end here although the container promises more: the file is cut short.
    pub cut_at_s: Option<f64>,
}

impl Condition {
    /// The same in words for a person; nothing if all is well.
    pub fn remarks(&self) -> Vec<String> {
        let counts = [
            (self.corrupt_packets, "corrupt packets were passed over"),
            (self.damaged_frames, "frames are damaged"),
            (self.lost_frames, "frames could not be decoded"),
            (
                self.backward_frames,
                "frames were left out because time ran backwards",
            ),
            (
                self.untimed_frames,
                "frames were left out because they carry no time",
            ),
        ];
        let mut remarks: Vec<String> = counts
            .into_iter()
            .filter(|&(count, _)| count > 0)
            .map(|(count, what)| format!("{count} {what}"))
            .collect();
        if self.decode_times_only {
            remarks.push("the container has no presentation times for reordered frames; its instants were dealt out in the order of showing".into());
        }
        if let Some(cut_at_s) = self.cut_at_s {
            remarks.push(format!("the file is cut short: the pictures end at {cut_at_s:.3} s; everything before is used"));
        }
        remarks
    }
}

/// A step this many times longer than the median around it is a gap.
const GAP_STEPS: f64 = 1.5;
/// Steps on each side of the one that is judged: enough for a median, short against a change of rate.
const REACH: usize = 15;

#[derive(Debug, Clone, Copy)]
struct Step {
    after_index: u64,
    from_s: f64,
    to_s: f64,
}

impl Step {
    fn length_s(self) -> f64 {
        self.to_s - self.from_s
    }
}

/// Finds gaps as frames go by, with a bounded memory: a step is judged when the steps after it are known.
#[derive(Debug, Default)]
pub(crate) struct GapWatch {
    last: Option<(u64, f64)>,
    steps: VecDeque<Step>,
    judged: usize,
    pub(crate) gaps: Vec<Gap>,
}

impl GapWatch {
    pub(crate) fn frame(&mut self, index: u64, time_s: f64) {
        if let Some((after_index, from_s)) = self.last.replace((index, time_s)) {
            self.steps.push_back(Step {
                after_index,
                from_s,
                to_s: time_s,
            });
            if self.steps.len() > 2 * REACH + 1 {
                self.steps.pop_front();
                self.judged = self.judged.saturating_sub(1);
            }
            if self.steps.len() == 2 * REACH + 1 {
                self.judge_up_to(REACH + 1);
            }
        }
    }

    /// No further frame follows (end of the file, or reading goes on elsewhere).
    pub(crate) fn pause(&mut self) {
        self.judge_up_to(self.steps.len());
        self.last = None;
        self.steps.clear();
        self.judged = 0;
    }

    /// The usual step of late; `None` before the second frame.
    pub(crate) fn usual_step_s(&self) -> Option<f64> {
        let mut lengths: Vec<f64> = self.steps.iter().map(|step| step.length_s()).collect();
        lengths.sort_by(f64::total_cmp);
        lengths.get(lengths.len() / 2).copied()
    }

    fn judge_up_to(&mut self, end: usize) {
        let Some(usual_step_s) = self.usual_step_s() else {
            return;
        };
        for step in self.steps.range(self.judged.min(end)..end) {
            if step.length_s() > GAP_STEPS * usual_step_s {
                self.gaps.push(Gap {
                    after_index: step.after_index,
                    from_s: step.from_s,
                    to_s: step.to_s,
                    usual_step_s,
                });
            }
        }
        self.judged = self.judged.max(end);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gaps_of(times: impl IntoIterator<Item = f64>) -> Vec<Gap> {
        let mut watch = GapWatch::default();
        for (index, time_s) in (0..).zip(times) {
            watch.frame(index, time_s);
        }
        watch.pause();
        watch.gaps
    }

    #[test]
    fn a_dropped_frame_is_a_gap_wherever_it_stands() {
        for dropped in [1, 5, 30, 97] {
            let times = (0..100)
                .filter(|&n| n != dropped)
                .map(|n| f64::from(n) / 60.0);
            let gaps = gaps_of(times);
            assert_eq!(gaps.len(), 1, "{dropped}: {gaps:?}");
            assert!((gaps[0].steps() - 2.0).abs() < 1e-9);
            assert_eq!(gaps[0].after_index, u64::try_from(dropped - 1).unwrap());
        }
    }

    #[test]
    fn uneven_steps_and_a_change_of_rate_are_no_gaps() {
        assert!(gaps_of((0..200).map(|n| f64::from(n) + 0.2 * f64::from(n % 3))).is_empty());
        // 240 frames a second that become 30: one slow step may be judged by the fast ones, no more.
        let mut time_s = 0.0;
        let ramp = (0..300).map(|n| {
            time_s += if n < 150 { 1.0 / 240.0 } else { 1.0 / 30.0 };
            time_s
        });
        assert!(gaps_of(ramp).len() <= 1);
    }
}
