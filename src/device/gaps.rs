//! Which readings of a node are missing, in bounded room: counted, and asked for again.

use crate::units::DeviceTime;
use std::collections::VecDeque;

/// Most gaps that are remembered; older ones stay counted as lost.
const MAX_GAPS: usize = 1024;

/// A run of missing readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Gap {
    /// The first missing number.
    pub first_seq: u32,
    /// How many are missing.
    pub count: u32,
}

/// No node takes more readings a second, Hz: numbers that run ahead faster than that are no longer counted on.
const FASTEST_HZ: f64 = 2000.0;
/// So many readings may be missing whatever the clock says.
const ALWAYS_BELIEVED: f64 = 100.0;
/// A reading comes twice, or late, at most so long after it was taken, s: links ask again for half a minute.
const LATE_S: f64 = 60.0;

/// Whether so many readings can have been lost between two that were taken this far apart. If not, the node has begun to
/// count anew, or its counter is damaged.
#[must_use]
pub fn can_be_missing(count: u32, apart_s: f64) -> bool {
    f64::from(count) <= ALWAYS_BELIEVED + apart_s.max(0.0) * FASTEST_HZ
}

/// What a node sent and what is missing of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gaps {
    /// Number and time of the newest reading.
    newest: Option<(u32, DeviceTime)>,
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
    /// Takes number and time of the reading that came; gives the gap in front of it, if there is a new one.
    pub fn note(&mut self, seq: u32, t: DeviceTime) -> Option<Gap> {
        self.received += 1;
        let before = self.newest;
        let (newest, newest_t) = *self.newest.get_or_insert((seq, t));
        before?;
        let (ahead, since_s) = (seq.wrapping_sub(newest.wrapping_add(1)), t.seconds_since(newest_t));
        if ahead > u32::MAX / 2 {
            let is_behind = (-LATE_S..=0.0).contains(&since_s);
            if is_behind {
                self.fill(seq)
            } else {
                self.begin_anew(seq, t)
            }
            return None;
        }
        if !can_be_missing(ahead, since_s) {
            self.begin_anew(seq, t);
            return None;
        }
        self.newest = Some((seq, t));
        if ahead == 0 {
            return None;
        }
        let gap = Gap { first_seq: newest.wrapping_add(1), count: ahead };
        self.lost += u64::from(ahead);
        self.remember(gap);
        Some(gap)
    }

    /// Whether this is the newest reading so far.
    #[must_use]
    pub fn is_newest(&self, seq: u32) -> bool {
        self.newest.is_some_and(|(newest, _)| newest == seq)
    }

    fn begin_anew(&mut self, seq: u32, t: DeviceTime) {
        self.restart();
        self.newest = Some((seq, t));
    }

    /// The node started anew: its numbers no longer follow the ones before.
    pub fn restart(&mut self) {
        self.newest = None;
        self.open.clear();
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

    /// At 500 Hz, on a clock that goes on where the numbers wrap.
    fn note(gaps: &mut Gaps, seq: u32) -> Option<Gap> {
        gaps.note(seq, DeviceTime(i64::from(seq.wrapping_add(1000)) * 2000))
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

    /// Counts what is missing after readings with these numbers, taken at these times in ms.
    fn check(readings: &[(u32, i64)], lost: u64, repeated: u64) {
        let mut gaps = Gaps::default();
        for &(seq, t_ms) in readings {
            gaps.note(seq, DeviceTime(t_ms * 1000));
        }
        assert_eq!((gaps.lost, gaps.repeated), (lost, repeated), "{readings:?}");
    }

    #[test]
    fn a_number_that_runs_ahead_of_its_clock_loses_nothing() {
        check(&[(7, 0), (4_000_000_000, 2), (4_000_000_001, 4)], 0, 0);
        check(&[(7, 0), (2_000_000_000, 2), (8, 4), (10, 8)], 1, 0);
        check(&[(7, 0), (500_007, 1_000_000)], 499_999, 0);
    }

    #[test]
    fn a_node_that_counts_anew_without_saying_so_sends_nothing_twice() {
        check(&[(90_000, 180_000), (0, 0), (1, 2), (3, 6)], 1, 0);
        check(&[(90_000, 180_000), (0, 180_002), (1, 180_004), (1, 180_004)], 0, 1);
    }

    proptest! {
        /// With few gaps, what is lost is exactly what did not come.
        #[test]
        fn lost_is_what_did_not_come(kept in prop::collection::vec(any::<bool>(), 1..100), start in any::<u32>()) {
            let mut gaps = Gaps::default();
            note(&mut gaps, start);
            let seqs: Vec<u32> = (0..kept.len() as u32).map(|index| start.wrapping_add(1 + index)).collect();
            for (seq, kept) in seqs.iter().zip(&kept) {
                if *kept {
                    note(&mut gaps, *seq);
                }
            }
            let last = kept.iter().rposition(|kept| *kept).unwrap_or(0);
            let missing = kept[..last].iter().filter(|kept| !**kept).count() as u64;
            prop_assert_eq!(gaps.lost, missing);
            for (seq, kept) in seqs[..last].iter().zip(&kept) {
                if !kept {
                    note(&mut gaps, *seq);
                }
            }
            prop_assert_eq!((gaps.lost, gaps.repeated), (0, 0));
        }
    }
}
