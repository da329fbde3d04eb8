//! Whether what the link brings is a glove's, and how often that is spoken of. Pure.

use crate::units::HostTime;
use firmware_protocol::FrameError;
use std::collections::BTreeSet;

/// A link that has brought bytes for so long, and no frame among them, is spoken of, s.
const DOUBT_AFTER_S: f64 = 3.0;
/// Frames that cannot be used are spoken of this often at most, s: there may be hundreds a second.
const COMPLAIN_EVERY_S: f64 = 5.0;

/// From this type on frames are private experiments, or a host's.
const FIRST_PRIVATE: u8 = 0x40;

/// What was understood since the link was opened.
#[derive(Clone, Debug, Default)]
pub struct Understanding {
    /// Since when bytes come of which none was understood, nor doubted yet.
    in_doubt: Option<HostTime>,
    /// A frame was understood, or the doubt was spoken of.
    settled: bool,
    complained: Option<HostTime>,
    /// What any link has brought since the bucket began.
    brought: Brought,
    /// Types of sound frames that were passed over and spoken of.
    passed: BTreeSet<u8>,
    /// Types and fields of malformed frames that were spoken of.
    mistakes: BTreeSet<(u8, &'static str)>,
}

/// What has come so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Brought {
    /// Not a byte.
    #[default]
    Nothing,
    /// Bytes, but nothing that a glove says.
    Bytes,
    /// What a glove says.
    Glove,
}

impl Understanding {
    /// The link was opened anew: another device may hang on it now.
    pub fn opened(&mut self) {
        (self.in_doubt, self.settled) = (None, false);
    }

    /// A frame was one that a glove sends, and could be used.
    pub fn used(&mut self) {
        self.brought = Brought::Glove;
    }

    /// What has come so far, whatever the link.
    #[must_use]
    pub fn brought(&self) -> Brought {
        self.brought
    }

    /// A frame was sound.
    pub fn frame(&mut self) {
        self.settled = true;
    }

    /// A sound frame of this type was passed over. True, once, for one that a glove of another version sends: private
    /// experiments and the host's own frames, echoed, are never spoken of.
    pub fn is_new(&mut self, frame_type: u8) -> bool {
        frame_type < FIRST_PRIVATE && self.passed.insert(frame_type)
    }

    /// A frame was malformed. True, once for each field of a type: no line does that, so the glove will again.
    pub fn is_new_mistake(&mut self, error: &FrameError) -> bool {
        let mistake = match *error {
            FrameError::Length { frame_type, .. } => (frame_type, "length"),
            FrameError::Value { frame_type, field, .. } | FrameError::Text { frame_type, field, .. } => {
                (frame_type, field)
            }
            _ => return false,
        };
        self.mistakes.insert(mistake)
    }

    /// Bytes came. True, once, when so many have come without one frame that this seems to be no glove.
    pub fn doubts(&mut self, now: HostTime) -> bool {
        self.brought = self.brought.max(Brought::Bytes);
        let since = *self.in_doubt.get_or_insert(now);
        let doubts = !self.settled && now.seconds_since(since) >= DOUBT_AFTER_S;
        self.settled |= doubts;
        doubts
    }

    /// Whether a frame that cannot be used is worth a line now.
    pub fn may_complain(&mut self, now: HostTime) -> bool {
        let may = self.complained.is_none_or(|last| now.seconds_since(last) >= COMPLAIN_EVERY_S);
        if may {
            self.complained = Some(now);
        }
        may
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(at: f64) -> HostTime {
        HostTime((at * 1e6) as i64)
    }

    #[test]
    fn bytes_without_a_frame_are_doubted_once_for_each_link() {
        let mut understanding = Understanding::default();
        let mut heard = |at: f64| understanding.doubts(seconds(at));
        assert_eq!([0.0, 2.9, 3.0, 3.1, 9.0].map(&mut heard), [false, false, true, false, false]);
        understanding.opened();
        let mut heard = |at: f64| understanding.doubts(seconds(at));
        assert_eq!([20.0, 22.0, 23.5].map(&mut heard), [false, false, true]);
    }

    #[test]
    fn one_frame_settles_it() {
        let mut understanding = Understanding::default();
        assert!(!understanding.doubts(seconds(0.0)));
        understanding.frame();
        assert!(!understanding.doubts(seconds(60.0)));
    }

    #[test]
    fn what_has_come_outlives_its_link() {
        let mut understanding = Understanding::default();
        assert_eq!(understanding.brought(), Brought::Nothing);
        understanding.doubts(seconds(1.0));
        understanding.frame();
        assert_eq!(understanding.brought(), Brought::Bytes, "a sound frame may be the host's own, echoed");
        understanding.used();
        understanding.opened();
        understanding.doubts(seconds(2.0));
        assert_eq!(understanding.brought(), Brought::Glove);
    }

    #[test]
    fn types_that_nobody_knows_are_spoken_of_once_and_private_ones_never() {
        let mut understanding = Understanding::default();
        let told = [0x09, 0x40, 0x09, 0xFE, 0x80].map(|frame_type| understanding.is_new(frame_type));
        assert_eq!(told, [true, false, false, false, false]);
        understanding.opened();
        assert!(!understanding.is_new(0x09));
    }

    #[test]
    fn a_mistake_of_the_firmware_is_spoken_of_once_and_damage_is_none() {
        let length = |frame_type, found| FrameError::Length { frame_type, expected: 93, found };
        let value = |field| FrameError::Value { frame_type: 3, field, expected: "0 to 3", found: 9 };
        let mut understanding = Understanding::default();
        let told =
            [length(4, 79), length(4, 78), length(3, 79), value("role"), value("flags"), value("role")]
                .map(|error| understanding.is_new_mistake(&error));
        assert_eq!(told, [true, false, true, true, true, false]);
        assert!(!understanding.is_new_mistake(&FrameError::Crc { expected: 1, found: 2 }));
    }

    #[test]
    fn complaints_are_seldom() {
        let mut understanding = Understanding::default();
        let told = [0.0, 0.01, 4.9, 5.0, 5.1].map(|at| understanding.may_complain(seconds(at)));
        assert_eq!(told, [true, false, false, true, false]);
    }
}
