//! Which readings of a node are missing, in bounded room: counted, and asked for again.

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

/// What a node sent and what is missing of it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Gaps {
    next_seq: Option<u32>,
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
    /// Takes the number of the reading that came; gives the gap in front of it, if there is a new one.
    pub fn note(&mut self, seq: u32) -> Option<Gap> {
        self.received += 1;
        let Some(expected) = self.next_seq else {
            self.next_seq = Some(seq.wrapping_add(1));
            return None;
        };
        let ahead = seq.wrapping_sub(expected);
        if ahead > u32::MAX / 2 {
            self.fill(seq);
            return None;
        }
        self.next_seq = Some(seq.wrapping_add(1));
        if ahead == 0 {
            return None;
        }
        let gap = Gap { first_seq: expected, count: ahead };
        self.lost += u64::from(ahead);
        self.remember(gap);
        Some(gap)
    }

    /// Whether this is the newest reading so far.
    #[must_use]
    pub fn is_newest(&self, seq: u32) -> bool {
        self.next_seq == Some(seq.wrapping_add(1))
    }

    /// The node started anew: its numbers no longer follow the ones before.
    pub fn restart(&mut self) {
        self.next_seq = None;
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

    #[test]
    fn a_gap_is_named_and_filled() {
        let mut gaps = Gaps::default();
        assert_eq!(gaps.note(10), None);
        assert_eq!(gaps.note(15), Some(Gap { first_seq: 11, count: 4 }));
        assert_eq!((gaps.note(13), gaps.lost), (None, 3));
        assert!(gaps.is_newest(15) && !gaps.is_newest(13));
        assert_eq!((gaps.note(13), gaps.lost, gaps.repeated), (None, 3, 1));
        for seq in [11, 14, 12] {
            gaps.note(seq);
        }
        assert_eq!((gaps.lost, gaps.repeated, gaps.received, gaps.late), (0, 1, 7, 4));
    }

    #[test]
    fn numbers_wrap() {
        let mut gaps = Gaps::default();
        gaps.note(u32::MAX - 1);
        assert_eq!(gaps.note(1), Some(Gap { first_seq: u32::MAX, count: 2 }));
        gaps.note(0);
        assert_eq!(gaps.lost, 1);
    }

    proptest! {
        /// With few gaps, what is lost is exactly what did not come.
        #[test]
        fn lost_is_what_did_not_come(kept in prop::collection::vec(any::<bool>(), 1..100), start in any::<u32>()) {
            let mut gaps = Gaps::default();
            gaps.note(start);
            let seqs: Vec<u32> = (0..kept.len() as u32).map(|index| start.wrapping_add(1 + index)).collect();
            for (seq, kept) in seqs.iter().zip(&kept) {
                if *kept {
                    gaps.note(*seq);
                }
            }
            let last = kept.iter().rposition(|kept| *kept).unwrap_or(0);
            let missing = kept[..last].iter().filter(|kept| !**kept).count() as u64;
            prop_assert_eq!(gaps.lost, missing);
            for (seq, kept) in seqs[..last].iter().zip(&kept) {
                if !kept {
                    gaps.note(*seq);
                }
            }
            prop_assert_eq!((gaps.lost, gaps.repeated), (0, 0));
        }
    }
}
