//! An event of a swing that a person puts elsewhere than the program, as it stands in a remark. Pure.
//!
//! The text is the event's word and the instant in µs on the hand node's clock (`set 131415926`), or the word
//! `computed` where what was computed holds again.

use crate::units::DeviceTime;
use std::fmt;

/// Stands in place of the instant.
const COMPUTED: &str = "computed";

/// An event that a person may move.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SwingEvent {
    /// Start of the backswing.
    Takeaway,
    /// 10 % of the hinge range.
    Onset,
    /// 90 % of the hinge range.
    Set,
    /// The arm's turning point.
    Top,
    /// The lead arm passes the horizontal in the downswing.
    ArmHorizontal,
    /// The shock.
    Impact,
    /// The arm at rest after the swing.
    Finish,
}

impl SwingEvent {
    /// Every event in the order of a swing, with its word.
    pub const ALL: [(SwingEvent, &'static str); 7] = [
        (SwingEvent::Takeaway, "takeaway"),
        (SwingEvent::Onset, "onset"),
        (SwingEvent::Set, "set"),
        (SwingEvent::Top, "top"),
        (SwingEvent::ArmHorizontal, "arm-horizontal"),
        (SwingEvent::Impact, "impact"),
        (SwingEvent::Finish, "finish"),
    ];

    /// The word in remarks.
    #[must_use]
    pub fn word(self) -> &'static str {
        SwingEvent::ALL[self as usize].1
    }

    /// The event of a word.
    #[must_use]
    pub fn from_word(word: &str) -> Option<SwingEvent> {
        SwingEvent::ALL.iter().find(|(_, known)| *known == word).map(|(event, _)| *event)
    }
}

/// An event, and where a person puts it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moved {
    /// The event.
    pub event: SwingEvent,
    /// When it was; none where what was computed holds.
    pub at: Option<DeviceTime>,
}

impl Moved {
    /// Reads the text of a remark.
    #[must_use]
    pub fn parse(text: &str) -> Option<Moved> {
        let (word, at) = text.split_once(' ')?;
        let event = SwingEvent::from_word(word)?;
        let at = if at == COMPUTED { None } else { Some(DeviceTime(at.parse().ok()?)) };
        Some(Moved { event, at })
    }
}

impl fmt::Display for Moved {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at {
            Some(at) => write!(f, "{} {}", self.event.word(), at.0),
            None => write!(f, "{} {COMPUTED}", self.event.word()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_moved_event_survives_its_text(which in 0..SwingEvent::ALL.len(), at in any::<Option<i64>>()) {
            let moved = Moved { event: SwingEvent::ALL[which].0, at: at.map(DeviceTime) };
            prop_assert_eq!(Moved::parse(&moved.to_string()), Some(moved));
        }
    }

    #[test]
    fn other_texts_are_none() {
        for text in ["", "set", "set ", "set 1.5", "set 99999999999999999999", "dance 5", "set  5"] {
            assert_eq!(Moved::parse(text), None, "{text}");
        }
    }
}
