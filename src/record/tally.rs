//! How much a recording holds so far. It is counted while writing, put into the file as a mark behind every
//! chunk, and counted anew while reading: the difference is what was lost, to the sample.

use super::mcap_bytes::crc32;
use super::recorded::{Channel, Recorded};
use crate::device::RawPiece;
use firmware_protocol::{Frame, MAX_DECODED, decode_piece};
use std::collections::BTreeMap;

/// Nodes that are told apart; a glove has two, four are known.
const NODES_AT_MOST: usize = 16;
/// Bytes of a mark before the counts of the nodes: check sum, messages by channel, number of nodes.
const BEFORE_NODES: usize = 4 + 8 * Channel::ALL.len() + 1;
/// Bytes of a node's count.
const PER_NODE: usize = 9;
/// Longest mark, bytes.
const LONGEST_MARK: usize = BEFORE_NODES + PER_NODE * NODES_AT_MOST;

/// Messages by channel, and samples by node.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Messages, in the order of [`Channel::ALL`].
    pub messages: [u64; Channel::ALL.len()],
    /// Samples, by the node's index on the wire; those that came twice count twice.
    pub samples: BTreeMap<u8, u64>,
}

impl Tally {
    /// Counts one thing.
    pub fn count(&mut self, recorded: &Recorded) {
        self.messages[usize::from(recorded.channel().number() - 1)] += 1;
        if let Recorded::Piece(piece) = recorded
            && let Some((node, count)) = samples_in(piece)
            && (self.samples.len() < NODES_AT_MOST || self.samples.contains_key(&node))
        {
            let sum = self.samples.entry(node).or_default();
            *sum = sum.saturating_add(count);
        }
    }

    /// What another has beyond this one, count by count.
    #[must_use]
    pub fn lacks(&self, other: &Tally) -> Tally {
        let mut lack = Tally::default();
        for (place, count) in lack.messages.iter_mut().enumerate() {
            *count = other.messages[place].saturating_sub(self.messages[place]);
        }
        for (node, count) in &other.samples {
            let missing = count.saturating_sub(self.samples.get(node).copied().unwrap_or(0));
            if missing > 0 {
                lack.samples.insert(*node, missing);
            }
        }
        lack
    }

    /// Takes another's counts on top.
    pub fn add(&mut self, other: &Tally) {
        self.messages
            .iter_mut()
            .zip(other.messages)
            .for_each(|(sum, count)| *sum = sum.saturating_add(count));
        for (node, count) in &other.samples {
            let sum = self.samples.entry(*node).or_default();
            *sum = sum.saturating_add(*count);
        }
    }

    /// Nothing was counted.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Tally::default()
    }

    /// The content of a mark: CRC-32 of the word `mark` and what follows here; the messages of channel 1 to 4; the number of nodes;
    /// for each its index and its samples. All little-endian, counts in 8 bytes.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut counts = Vec::with_capacity(LONGEST_MARK);
        self.messages.iter().for_each(|count| counts.extend(count.to_le_bytes()));
        counts.push(self.samples.len() as u8);
        for (node, count) in &self.samples {
            counts.push(*node);
            counts.extend(count.to_le_bytes());
        }
        [&check_sum(&counts).to_le_bytes(), counts.as_slice()].concat()
    }

    /// Reads the content of a mark; none where it is damaged.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Option<Tally> {
        let (check, counts) = bytes.split_first_chunk::<4>()?;
        if bytes.len() < BEFORE_NODES || check_sum(counts) != u32::from_le_bytes(*check) {
            return None;
        }
        let number = |bytes: &[u8]| Some(u64::from_le_bytes(bytes.try_into().ok()?));
        let (messages, nodes) = counts.split_at(BEFORE_NODES - 5);
        let (count, nodes) = nodes.split_first()?;
        if nodes.len() != PER_NODE * usize::from(*count) {
            return None;
        }
        let mut tally = Tally::default();
        for (place, bytes) in tally.messages.iter_mut().zip(messages.chunks_exact(8)) {
            *place = number(bytes)?;
        }
        for node in nodes.chunks_exact(PER_NODE) {
            tally.samples.insert(node[0], number(&node[1..])?);
        }
        Some(tally)
    }
}

/// The word in front keeps zeros behind ones from having the check sum of all ones.
fn check_sum(counts: &[u8]) -> u32 {
    crc32(&[b"mark", counts].concat())
}

/// Node and number of the samples in a piece; none where it holds no sound frame of samples.
#[must_use]
pub fn samples_in(piece: &RawPiece) -> Option<(u8, u64)> {
    let mut scratch = [0; MAX_DECODED];
    match decode_piece(&piece.bytes, &mut scratch) {
        Ok(Frame::Samples(samples)) if piece.whole => Some((samples.node(), samples.count() as u64)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_tally() -> impl Strategy<Value = Tally> {
        let samples = prop::collection::btree_map(any::<u8>(), 1..u64::MAX, 0..NODES_AT_MOST);
        (any::<[u64; 4]>(), samples).prop_map(|(messages, samples)| Tally { messages, samples })
    }

    proptest! {
        #[test]
        fn a_tally_survives_its_bytes_and_no_flip_goes_unnoticed(tally in any_tally(), bit in any::<prop::sample::Index>()) {
            let mut bytes = tally.to_bytes();
            prop_assert!(bytes.len() <= LONGEST_MARK);
            prop_assert_eq!(Tally::from_bytes(&bytes), Some(tally));
            let bit = bit.index(bytes.len() * 8);
            bytes[bit / 8] ^= 1 << (bit % 8);
            prop_assert_eq!(Tally::from_bytes(&bytes), None);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = Tally::from_bytes(&bytes);
        }
    }

    #[test]
    fn ones_over_an_empty_mark_are_no_mark() {
        let mut bytes = Tally::default().to_bytes();
        bytes[..8].fill(0xff);
        assert_eq!(Tally::from_bytes(&bytes), None);
    }

    #[test]
    fn what_is_lacking_is_told_by_count() {
        let tally = |raw, hand| Tally { messages: [raw, 1, 0, 0], samples: [(0, hand)].into() };
        let mut read = tally(5, 40);
        let lack = read.lacks(&tally(7, 56));
        assert_eq!(lack, Tally { messages: [2, 0, 0, 0], samples: [(0, 16)].into() });
        read.add(&lack);
        assert!(read.lacks(&tally(7, 56)).is_empty());
    }
}
