use std::collections::BTreeSet;

/// What becomes of a decoded frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Placed {
    /// It is shown at this tick, and is the `index`-th frame of the file.
    At { ticks: i64, index: u64 },
    /// The file gives it no time.
    Untimed,
    /// Its time is not after the frame before it.
    Backwards,
}

/// Gives each decoded frame its presentation time and its place in the file.
///
/// The rule: a frame's time is the presentation time that the container gave to its packet, exactly. One kind of
/// file needs more: reordered pictures (B-frames) in a container that only carries decode times, so that the
/// "presentation times" of frames in the order of showing jump to and fro. The container's instants are then
/// right as a set, and the decoder's order is right: the n-th frame shown gets the n-th instant.
///
/// The index counts the container's frames by time: frames that cannot be decoded leave a hole, so that an index means the
/// same frame whether reading started at the beginning or in the middle.
#[derive(Debug)]
pub(crate) struct Presentation {
    reorder_depth: usize,
    /// Instants of packets handed to the decoder whose turn has not come.
    instants: BTreeSet<i64>,
    /// Times of packets that have not come out of the decoder; only kept for files with decode times.
    undecoded: BTreeSet<i64>,
    pts_differ: bool,
    decode_times_only: Option<bool>,
    next_index: u64,
    last: Option<i64>,
    /// A frame got another instant than that of its own packet.
    dealt_out: bool,
    /// Frames that the file holds and the decoder did not give.
    lost: u64,
}

impl Presentation {
    pub(crate) fn new(reorder_depth: usize) -> Self {
        Self {
            reorder_depth,
            instants: BTreeSet::new(),
            undecoded: BTreeSet::new(),
            pts_differ: false,
            decode_times_only: None,
            next_index: 0,
            last: None,
            dealt_out: false,
            lost: 0,
        }
    }

    /// Whether frames got other instants than those of their own packets.
    pub(crate) fn dealt_out(&self) -> bool {
        self.dealt_out
    }

    /// Does the file state instants of showing? Where it was not seen to do so yet, it may be one with decode times only.
    pub(crate) fn times_are_stated(&self) -> bool {
        self.pts_differ
    }

    /// Frames that were lost since this was asked last.
    pub(crate) fn take_lost(&mut self) -> u64 {
        std::mem::take(&mut self.lost)
    }

    /// The decoder has given all: what has not come out is lost.
    pub(crate) fn end(&mut self) {
        self.lost += self.instants.len() as u64;
        self.instants.clear();
    }

    /// Index of the next frame.
    pub(crate) fn next_index(&self) -> u64 {
        self.next_index
    }

    /// Starts again at a key frame that is the `index`-th frame of the file.
    pub(crate) fn restart(&mut self, index: u64) {
        self.instants.clear();
        self.undecoded.clear();
        self.next_index = index;
        self.last = None;
    }

    /// A packet goes to the decoder.
    pub(crate) fn sent(&mut self, pts: Option<i64>, dts: Option<i64>) {
        self.pts_differ |= pts.is_some() && pts != dts;
        // An instant that is past already belongs to a frame that will run backwards.
        let instant = pts.or(dts);
        self.instants
            .extend(instant.filter(|&instant| self.last.is_none_or(|last| instant > last)));
        if self.decode_times_only != Some(false) {
            self.undecoded.extend(pts);
        }
    }

    /// A frame comes out of the decoder, in the order of showing.
    pub(crate) fn place(&mut self, pts: Option<i64>) -> Placed {
        let decode_times_only = *self
            .decode_times_only
            .get_or_insert(self.reorder_depth > 0 && !self.pts_differ);
        if decode_times_only {
            self.forget_lost(pts);
            return match self.instants.pop_first() {
                None => Placed::Untimed,
                Some(ticks) => {
                    self.dealt_out |= pts.is_some_and(|pts| pts != ticks);
                    self.show(ticks)
                }
            };
        }
        self.undecoded.clear();
        let Some(ticks) = pts else {
            return Placed::Untimed;
        };
        if self.last.is_some_and(|last| ticks <= last) {
            self.instants.remove(&ticks);
            return Placed::Backwards;
        }
        while self.instants.first().is_some_and(|&first| first < ticks) {
            self.instants.pop_first();
            self.lost += u64::from(self.last.is_some());
            self.next_index += 1;
        }
        self.instants.remove(&ticks);
        self.show(ticks)
    }

    fn show(&mut self, ticks: i64) -> Placed {
        if self.last.is_some_and(|last| ticks <= last) {
            return Placed::Backwards;
        }
        self.last = Some(ticks);
        let index = self.next_index;
        self.next_index += 1;
        Placed::At { ticks, index }
    }

    /// With decode times, a packet is lost when more packets than the depth of reordering were decoded after it
    /// and it still has not come out. Its instant goes with it (right to within that depth).
    fn forget_lost(&mut self, identity: Option<i64>) {
        let Some(identity) = identity else { return };
        self.undecoded.remove(&identity);
        while self.undecoded.range(..identity).count() > self.reorder_depth {
            if let Some(lost) = self.undecoded.pop_first() {
                self.instants.remove(&lost);
                self.lost += 1;
                self.next_index += 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ticks: i64, index: u64) -> Placed {
        Placed::At { ticks, index }
    }

    #[test]
    fn exact_times_pass_through_and_lost_frames_leave_holes_in_the_index() {
        let mut times = Presentation::new(2);
        for (pts, dts) in [(0, -20), (40, -10), (20, 0), (10, 10), (30, 20), (50, 30)] {
            times.sent(Some(pts), Some(dts));
        }
        assert_eq!(times.place(Some(0)), at(0, 0));
        assert_eq!(times.place(Some(10)), at(10, 1));
        // The frame of tick 20 never comes out.
        assert_eq!(times.place(Some(30)), at(30, 3));
        assert_eq!(times.place(Some(40)), at(40, 4));
        assert_eq!(times.place(Some(35)), Placed::Backwards);
        assert_eq!(times.place(None), Placed::Untimed);
        assert_eq!(times.place(Some(50)), at(50, 5));
        assert_eq!(times.take_lost(), 1);
        assert!(!times.dealt_out());
    }

    #[test]
    fn decode_times_are_dealt_out_in_order() {
        // As in a B-pyramid whose container has no composition offsets: display order 0 3 2 4 1.
        let mut times = Presentation::new(2);
        for stamp in [0, 34, 67, 101, 134, 167] {
            times.sent(Some(stamp), Some(stamp));
        }
        let shown: Vec<_> = [0, 101, 67, 134, 34]
            .into_iter()
            .map(|stamp| times.place(Some(stamp)))
            .collect();
        assert_eq!(
            shown,
            [at(0, 0), at(34, 1), at(67, 2), at(101, 3), at(134, 4)]
        );
        assert!(times.dealt_out());
        times.end();
        assert_eq!(times.take_lost(), 1);
    }
}
