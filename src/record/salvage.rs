//! What was lost while reading, told plainly: a loss is reported and counted, never passed over.

use super::recorded::Channel;
use super::tally::Tally;
use crate::sample::NodeRole;
use crate::units::{counted, times};
use std::collections::BTreeMap;
use std::fmt;

/// Losses that are listed one by one; more are only counted.
const LISTED_AT_MOST: usize = 20;

/// What is said where not both of hand and forearm are among these nodes: what that means, and what to do.
#[must_use]
pub fn missing_nodes(found: &[NodeRole]) -> Option<String> {
    let has = |role| found.contains(&role);
    let means = match (has(NodeRole::Hand), has(NodeRole::Forearm)) {
        (true, true) => return None,
        (true, false) => "with the hand alone angles and set are rough",
        (false, _) => "without the hand no swing is found: see that the hand node is charged and switched on",
    };
    let words: Vec<&str> = found.iter().map(|role| role.word()).collect();
    let found = if words.is_empty() { "none".to_owned() } else { format!("{} only", words.join(" and ")) };
    Some(format!("expected the nodes hand and forearm, found {found}; {means}"))
}

/// One thing that could not be read back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Loss {
    /// A line in the middle of a text file was skipped.
    BadLine {
        /// Counted from 1, the header included.
        line: u64,
        /// What is wrong with it.
        what: String,
    },
    /// The last line was cut off while it was written.
    TornLastLine {
        /// Counted from 1, the header included.
        line: u64,
        /// Bytes of it that were found.
        bytes: usize,
    },
    /// The compressed stream ends early or is damaged; what follows is gone.
    DamagedGzip {
        /// Whole lines that came before the damage.
        lines: u64,
        /// What the decompressor says.
        what: String,
    },
    /// Bytes of a recording that belong to no readable record.
    Bytes {
        /// Where they start in the file.
        offset: u64,
        /// How many.
        bytes: u64,
        /// Why they could not be read.
        what: String,
    },
    /// One flipped bit, found and put right: nothing is missing.
    Mended {
        /// Where the chunk with it starts in the file.
        offset: u64,
    },
    /// A recording that was never finished: its writer was stopped, and the last tenth of a second may be missing.
    Unfinished {
        /// Where it ends.
        offset: u64,
    },
}

impl fmt::Display for Loss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Loss::BadLine { line, what } => write!(f, "line {line} skipped: {what}"),
            Loss::TornLastLine { line, bytes } => {
                write!(
                    f,
                    "line {line}: expected a whole line, found its first {bytes} bytes and the end of the file"
                )
            }
            Loss::DamagedGzip { lines, what } => {
                write!(f, "expected a whole gzip stream, found damage after {lines} lines: {what}")
            }
            Loss::Bytes { offset, bytes, what } => write!(f, "{bytes} bytes lost at byte {offset}: {what}"),
            Loss::Mended { offset } => {
                write!(f, "nothing, but one bit was flipped in the chunk at byte {offset}, and is put right")
            }
            Loss::Unfinished { offset } => write!(
                f,
                "expected an end mark, found the end of the file at byte {offset}: up to 100 ms may be missing"
            ),
        }
    }
}

/// A node that starts anew as often as this does not do so by its player's hand.
const MANY_RESTARTS: u32 = 4;

/// What to look for where a node has started anew so often, to follow what was said of it.
#[must_use]
pub fn why_restarts(count: u32) -> &'static str {
    if count < MANY_RESTARTS { "" } else { ". Does it lose power, or do its times come high byte first?" }
}

/// What came back and what did not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SalvageReport {
    /// Samples that were read.
    pub samples_read: u64,
    /// The nodes that they came from, in order of their number. A node may well be missing altogether.
    pub nodes_seen: Vec<NodeRole>,
    /// The first losses, in order of their place.
    pub losses: Vec<Loss>,
    /// Losses in all, those that are not listed included.
    pub losses_counted: u64,
    /// A recording without an end: its writer was stopped, or is still at work.
    pub unfinished: bool,
    /// What a recording lost up to its last mark that can be read, to the sample; none where it has no marks.
    pub lost: Option<Tally>,
    /// Where the nodes sit, by their index on the wire, as far as is known.
    pub places: BTreeMap<u8, NodeRole>,
    /// Facts that the reader should know but that are no loss.
    pub notes: Vec<String>,
}

impl SalvageReport {
    /// Whether the command has to end with exit code 3.
    #[must_use]
    pub fn data_was_lost(&self) -> bool {
        self.losses_counted > 0
    }

    /// Counts a loss, and lists it while there is room.
    pub fn lose(&mut self, loss: Loss) {
        self.losses_counted += 1;
        self.unfinished |= matches!(loss, Loss::Unfinished { .. });
        if self.losses.len() < LISTED_AT_MOST {
            self.losses.push(loss);
        }
    }

    /// Counts a sample of this node.
    pub fn count_sample(&mut self, role: NodeRole) {
        self.samples_read += 1;
        if let Err(place) = self.nodes_seen.binary_search(&role) {
            self.nodes_seen.insert(place, role);
        }
    }

    /// Notes that a node's clock has begun anew so often, where it has.
    pub fn note_restarts(&mut self, role: NodeRole, count: u32) {
        if count > 0 {
            let (times, why) = (times(count), why_restarts(count));
            self.notes
                .push(format!("the {} node started anew {times}: its clock went back{why}", role.word()));
        }
    }

    /// What is said where a node that a measurement needs gave no sample.
    #[must_use]
    pub fn missing_nodes(&self) -> Option<String> {
        missing_nodes(&self.nodes_seen)
    }

    /// What the reader of an analysis has to know of its input: nodes that are missing, and what was lost.
    #[must_use]
    pub fn notes_on_input(&self) -> Vec<String> {
        let lost = self.sentences().into_iter().map(|sentence| format!("lost: {sentence}"));
        self.missing_nodes().into_iter().chain(lost).collect()
    }

    /// The losses in sentences, one a line; the last ones say how many are not listed, and what all of them
    /// cost.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut sentences: Vec<String> = self.losses.iter().map(Loss::to_string).collect();
        let unlisted = self.losses_counted - self.losses.len() as u64;
        if unlisted > 0 {
            sentences.push(format!("and {unlisted} further losses"));
        }
        if self.data_was_lost() {
            sentences.extend(self.lost.as_ref().map(|lost| self.in_all(lost)));
        }
        sentences
    }

    /// What was lost in all, by what it was.
    fn in_all(&self, lost: &Tally) -> String {
        let place = |node: &u8| {
            self.places.get(node).map_or_else(|| format!("node {node}"), |role| role.word().to_owned())
        };
        let samples = lost.samples.iter().map(|(node, count)| (counted(*count, "sample"), place(node)));
        let messages = Channel::ALL.iter().zip(lost.messages).filter(|(_, count)| *count > 0);
        let messages =
            messages.map(|(channel, count)| (counted(count, "message"), channel.topic().to_owned()));
        let parts: Vec<String> =
            samples.chain(messages).map(|(what, of)| format!("{what} of {of}")).collect();
        let parts = if parts.is_empty() { "no sample and no message".to_owned() } else { parts.join(", ") };
        format!("in all, of what was on the disk up to the last mark: {parts}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_missing_node_is_told_with_what_that_means() {
        use NodeRole::{Chest, Forearm, Hand};
        let told = |found: &[NodeRole]| missing_nodes(found).unwrap();
        assert_eq!(missing_nodes(&[Hand, Forearm, Chest]), None);
        let expected = "expected the nodes hand and forearm, found";
        assert_eq!(
            told(&[Hand, Chest]),
            format!("{expected} hand and chest only; with the hand alone angles and set are rough")
        );
        let without_hand =
            "without the hand no swing is found: see that the hand node is charged and switched on";
        assert_eq!(told(&[Forearm]), format!("{expected} forearm only; {without_hand}"));
        assert_eq!(told(&[]), format!("{expected} none; {without_hand}"));
    }

    #[test]
    fn many_losses_are_counted_but_not_all_listed() {
        let mut report = SalvageReport::default();
        assert!(!report.data_was_lost());
        for line in 0..1000 {
            report.lose(Loss::BadLine { line, what: "x".to_owned() });
        }
        assert!(report.data_was_lost());
        assert_eq!(report.losses.len(), LISTED_AT_MOST);
        assert_eq!(report.sentences().last().map(String::as_str), Some("and 980 further losses"));
    }

    #[test]
    fn a_node_that_starts_anew_again_and_again_is_told_why_it_may() {
        let mut report = SalvageReport::default();
        [0, 1, 22].into_iter().for_each(|count| report.note_restarts(NodeRole::Hand, count));
        let said = "the hand node started anew";
        let expected = [
            format!("{said} once: its clock went back"),
            format!(
                "{said} 22 times: its clock went back. Does it lose power, or do its times come high byte first?"
            ),
        ];
        assert_eq!(report.notes, expected);
    }

    #[test]
    fn what_was_lost_in_all_is_said_to_the_sample() {
        let mut report = SalvageReport { lost: Some(Tally::default()), ..SalvageReport::default() };
        assert_eq!(report.sentences(), [""; 0]);
        report.lose(Loss::Mended { offset: 9 });
        let all = "in all, of what was on the disk up to the last mark: ";
        assert_eq!(report.sentences()[1], format!("{all}no sample and no message"));
        report.lost = Some(Tally { messages: [2, 1, 0, 0], samples: [(0, 16), (7, 3)].into() });
        report.places.insert(0, NodeRole::Hand);
        let expected =
            "16 samples of hand, 3 samples of node 7, 2 messages of glove/raw, 1 message of host/markers";
        assert_eq!(report.sentences()[1], format!("{all}{expected}"));
    }

    #[test]
    fn nodes_are_listed_once_in_order() {
        let mut report = SalvageReport::default();
        for role in [NodeRole::Forearm, NodeRole::Hand, NodeRole::Forearm] {
            report.count_sample(role);
        }
        assert_eq!(report.nodes_seen, [NodeRole::Hand, NodeRole::Forearm]);
        assert_eq!(report.samples_read, 3);
        assert_eq!(report.missing_nodes(), None);
    }
}
