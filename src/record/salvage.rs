//! What was lost while reading, told plainly: a loss is reported and counted, never passed over.

use crate::sample::NodeRole;
use std::fmt;

/// Losses that are listed one by one; more are only counted.
const LISTED_AT_MOST: usize = 20;

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
            Loss::Unfinished { offset } => write!(
                f,
                "expected an end mark, found the end of the file at byte {offset}: up to 100 ms may be missing"
            ),
        }
    }
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

    /// The losses in sentences, one a line; the last says how many are not listed.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut sentences: Vec<String> = self.losses.iter().map(Loss::to_string).collect();
        let unlisted = self.losses_counted - self.losses.len() as u64;
        if unlisted > 0 {
            sentences.push(format!("and {unlisted} further losses"));
        }
        sentences
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
    fn nodes_are_listed_once_in_order() {
        let mut report = SalvageReport::default();
        for role in [NodeRole::Forearm, NodeRole::Hand, NodeRole::Forearm] {
            report.count_sample(role);
        }
        assert_eq!(report.nodes_seen, [NodeRole::Hand, NodeRole::Forearm]);
        assert_eq!(report.samples_read, 3);
    }
}
