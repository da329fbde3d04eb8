//! Which readings of a node are missing, in bounded room: counted, and asked for again.
//!
//! A number that the node's own clock contradicts, since no node takes so many readings in the time that passed, tells
//! of no loss: a bit was flipped, or the counter is broken. What was lost there nobody knows.

use crate::units::DeviceTime;
use std::collections::VecDeque;

/// Most gaps that are remembered; older ones stay counted as lost.
const MAX_GAPS: usize = 1024;
/// No node takes readings faster, µs: at 2000 a second.
const LEAST_STEP_US: i64 = 500;
/// So many numbers may pass in no time: clocks are read in steps, and small losses are believed.
const BELIEVED: i64 = 4096;
/// What was asked for again comes so much later at most, µs: a reading that lies back by less is not the newest. Links
/// ask for about half a minute.
pub const LATE_US: i64 = 60_000_000;
/// As many numbers as a node can take in that time.
pub const LATE_NUMBERS: usize = (LATE_US / LEAST_STEP_US) as usize;

/// Whether so many of a node's numbers can pass while its clock goes on by this time, µs; none pass while it goes back,
/// but for a few.
#[must_use]
pub fn can_pass(numbers: u32, within_us: i64) -> bool {
    i64::from(numbers) <= within_us.max(0) / LEAST_STEP_US + BELIEVED
}

/// A run of missing readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The first missing number.
    pub first_seq: u32,
    /// How many are missing.
    pub count: u32,
}

/// What a node sent and what is missing of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gaps {
    /// The number after the newest reading's, and when that was taken.
    next: Option<(u32, DeviceTime)>,
    open: VecDeque<Gap>,
    /// Readings that came.
    pub received: u64,
    /// Readings that are missing now.
    pub lost: u64,
    /// Readings that came twice, or so late that their gap was forgotten.
    pub repeated: u64,
    /// Readings that came after later ones and were put back in order.
    pub late: u64,
}

impl Gaps {
    /// Takes the number of the reading that came, and when it was taken; gives the gap in front of it, if there is a
    /// new one.
    pub fn note(&mut self, seq: u32, t: DeviceTime) -> Option<Gap> {
        self.received += 1;
        let after = (seq.wrapping_add(1), t);
        let (expected, newest) = *self.next.get_or_insert((seq, t));
        let (ahead, since_us) = (seq.wrapping_sub(expected), t.0.saturating_sub(newest.0));
        let is_behind = ahead > u32::MAX / 2;
        if is_behind && since_us <= 0 {
            self.fill(seq);
        } else if !is_behind && can_pass(ahead, since_us) {
            self.next = Some(after);
            return self.lose(Gap { first_seq: expected, count: ahead });
        } else if !(-LATE_US..=0).contains(&since_us) {
            // The numbers go on elsewhere.
            self.next = Some(after);
        }
        None
    }

    /// Whether this is the newest reading so far.
    #[must_use]
    pub fn is_newest(&self, seq: u32) -> bool {
        self.next.is_some_and(|(next, _)| next == seq.wrapping_add(1))
    }

    /// The node started anew: its numbers no longer follow the ones before.
    pub fn restart(&mut self) {
        self.next = None;
        self.open.clear();
    }

    fn lose(&mut self, gap: Gap) -> Option<Gap> {
        if gap.count == 0 {
            return None;
        }
        self.lost += u64::from(gap.count);
        self.remember(gap);
        Some(gap)
    }

    fn remember(&mut self, gap: Gap) {
        if self.open.len() == MAX_GAPS {
            self.open.pop_front();
        }
        self.open.push_back(gap);
    }

    /// A reading from behind: it fills a gap, or was there before.
    fn fill(&mut self, seq: u32) {
        let offset_in = |gap: &Gap| seq.wrapping_sub(gap.first_seq);
        let Some(index) = self.open.iter().position(|gap| offset_in(gap) < gap.count) else {
            self.repeated += 1;
            return;
        };
        self.lost -= 1;
        self.late += 1;
        let gap = self.open[index];
        let before = offset_in(&gap);
        let after = gap.count - before - 1;
        self.open.remove(index);
        for rest in [Gap { count: before, ..gap }, Gap { first_seq: seq.wrapping_add(1), count: after }] {
            if rest.count > 0 {
                self.remember(rest);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Takes a reading of a node at 500 Hz whose numbers are as its clock is.
    fn note(gaps: &mut Gaps, seq: u32) -> Option<Gap> {
        // Numbers above the middle come before zero.
        gaps.note(seq, DeviceTime(i64::from(seq as i32) * 2000))
    }

    #[test]
    fn a_gap_is_named_and_filled() {
        let mut gaps = Gaps::default();
        assert_eq!(note(&mut gaps, 10), None);
        assert_eq!(note(&mut gaps, 15), Some(Gap { first_seq: 11, count: 4 }));
        assert_eq!((note(&mut gaps, 13), gaps.lost), (None, 3));
        assert!(gaps.is_newest(15) && !gaps.is_newest(13));
        assert_eq!((note(&mut gaps, 13), gaps.lost, gaps.repeated), (None, 3, 1));
        for seq in [11, 14, 12] {
            note(&mut gaps, seq);
        }
        assert_eq!((gaps.lost, gaps.repeated, gaps.received, gaps.late), (0, 1, 7, 4));
    }

    #[test]
    fn numbers_wrap() {
        let mut gaps = Gaps::default();
        note(&mut gaps, u32::MAX - 1);
        assert_eq!(note(&mut gaps, 1), Some(Gap { first_seq: u32::MAX, count: 2 }));
        note(&mut gaps, 0);
        assert_eq!(gaps.lost, 1);
    }

    #[test]
    fn a_long_silence_loses_what_can_have_been_taken_in_it() {
        let mut gaps = Gaps::default();
        note(&mut gaps, 0);
        assert_eq!(note(&mut gaps, 1_800_001), Some(Gap { first_seq: 1, count: 1_800_000 }), "an hour");
    }

    /// Readings at 500 Hz in order of time, some with numbers of their own. Gives what is lost and the newest numbers.
    fn check(numbers: &[(i64, u32)], lost: u64, newest: u32) {
        let mut gaps = Gaps::default();
        note(&mut gaps, 100);
        for (at, seq) in numbers {
            gaps.note(*seq, DeviceTime(at * 2000));
        }
        assert_eq!((gaps.lost, gaps.is_newest(newest)), (lost, true), "{numbers:?}: {gaps:?}");
    }

    #[test]
    fn a_number_that_the_clock_contradicts_is_no_loss() {
        let flipped = 101 | 1 << 30;
        check(&[(101, flipped), (102, 102), (103, 103)], 0, 103);
        check(&[(101, flipped), (102, flipped + 1), (103, flipped + 2), (105, flipped + 4)], 1, flipped + 4);
        check(&[(101, 101), (102, 7), (103, 8)], 0, 8);
        // What was missing before is still known when it comes.
        check(&[(103, 103), (104, flipped), (105, 105), (101, 101), (102, 102)], 0, 105);
    }

    #[test]
    fn a_reading_that_lies_back_is_never_the_newest() {
        let far = 29_000;
        for back in [1, 500, far] {
            check(&[(30_000, 30_000), (30_000 - back, 1 << 30), (30_001, 30_001)], 29_899, 30_001);
        }
    }

    proptest! {
        /// With few gaps, what is lost is exactly what did not come.
        #[test]
        fn lost_is_what_did_not_come(kept in prop::collection::vec(any::<bool>(), 1..100), start in any::<u32>()) {
            let mut gaps = Gaps::default();
            let mut note = |at: usize| {
                gaps.note(start.wrapping_add(at as u32), DeviceTime(2000 * at as i64));
                (gaps.lost, gaps.repeated)
            };
            note(0);
            for (at, _) in kept.iter().enumerate().filter(|(_, kept)| **kept) {
                note(1 + at);
            }
            let last = kept.iter().rposition(|kept| *kept).unwrap_or(0);
            let missing = kept[..last].iter().filter(|kept| !**kept).count() as u64;
            prop_assert_eq!(note(0), (missing, 1));
            for (at, _) in kept[..last].iter().enumerate().filter(|(_, kept)| !**kept) {
                note(1 + at);
            }
            prop_assert_eq!((gaps.lost, gaps.repeated), (0, 1));
        }
    }
}
