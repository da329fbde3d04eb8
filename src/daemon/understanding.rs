//! Whether what the link brings is a glove's, and how often that is spoken of. Pure.

use crate::device::AssemblyError;
use crate::units::HostTime;
use firmware_protocol::FrameError;
use std::collections::BTreeSet;

/// A link that has brought bytes for so long, and no frame among them, is spoken of, s.
const DOUBT_AFTER_S: f64 = 3.0;
/// Frames that cannot be used are spoken of this often at most, s: there may be hundreds a second.
const COMPLAIN_EVERY_S: f64 = 5.0;

/// So many pieces in a row that are no frame are no line's fault, whatever was understood before them.
const IN_A_ROW: u32 = 50;
/// So many pieces tell what they have in common.
const ENOUGH: u32 = 5;
/// A line of text has so many letters and its end, or it may be chance.
const LETTERS: usize = 6;

const NO_GLOVE: &str =
    "the link brings bytes, but nothing that a glove says: is this the glove's port, and the speed right?";
const NO_DELIMITER: &str = "the link brings bytes, but no delimiter (00) ends a frame: is this the glove's port, and the \
                            speed right?";
const NO_CHECK_VALUE: &str = "the link brings whole frames, but none with its check value: is that CRC-16/IBM-3740 of type \
                              and payload, start value FFFF, low byte first?";

/// From this type on frames are private experiments, or a host's.
const FIRST_PRIVATE: u8 = 0x40;

/// What was understood since the link was opened.
#[derive(Clone, Debug, Default)]
pub struct Understanding {
    /// When the link brought its first bytes.
    first_bytes: Option<HostTime>,
    /// A frame was understood, or the doubt was spoken of.
    settled: bool,
    /// The glove speaks another version, and has said nothing since that could be used.
    refused: bool,
    complained: Option<HostTime>,
    /// Pieces in a row that are no frame; those of them that are too long, and those that only lack their check value.
    useless: u32,
    too_long: u32,
    unchecked: u32,
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
        (self.first_bytes, self.settled, self.refused) = (None, false, false);
        (self.useless, self.too_long, self.unchecked) = (0, 0, 0);
    }

    /// A frame was one that a glove sends, and could be used.
    pub fn used(&mut self) {
        self.brought = Brought::Glove;
        self.refused = false;
    }

    /// A sound frame could not be used.
    pub fn refused(&mut self, error: &AssemblyError) {
        self.refused |= matches!(error, AssemblyError::Version(_));
    }

    /// Whether the two ends cannot talk, so that silence is no news.
    #[must_use]
    pub fn is_refused(&self) -> bool {
        self.refused
    }

    /// What has come so far, whatever the link.
    #[must_use]
    pub fn brought(&self) -> Brought {
        self.brought
    }

    /// A frame was sound, or malformed.
    pub fn frame(&mut self) {
        self.settled = true;
        (self.useless, self.too_long, self.unchecked) = (0, 0, 0);
    }

    /// A piece was no frame. True where that is worth a line now: on a link that works one now and then is no news; where
    /// nothing works, or nothing any longer, the reason is.
    pub fn useless(&mut self, error: &FrameError, now: HostTime) -> bool {
        self.useless = self.useless.saturating_add(1);
        self.too_long += u32::from(matches!(error, FrameError::TooLong { .. }));
        self.unchecked += u32::from(matches!(error, FrameError::Crc { .. }));
        (self.brought < Brought::Glove || self.useless >= IN_A_ROW) && self.may_complain(now)
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

    /// Bytes came. What to ask, once, when so many have come without one frame that this seems to be no glove.
    pub fn doubts(&mut self, now: HostTime) -> Option<&'static str> {
        self.brought = self.brought.max(Brought::Bytes);
        let since = *self.first_bytes.get_or_insert(now);
        let doubts = !self.settled && now.seconds_since(since) >= DOUBT_AFTER_S;
        self.settled |= doubts;
        doubts.then(|| self.doubt())
    }

    /// Whether a glove that has said nothing of itself yet merely goes on with what an earlier host started: on a cable it
    /// does not see that this one has gone, and its answer to the greeting is on its way.
    #[must_use]
    pub fn is_of_an_earlier_talk(&self, error: &AssemblyError, now: HostTime) -> bool {
        let is_new = self.first_bytes.is_none_or(|since| now.seconds_since(since) < DOUBT_AFTER_S);
        is_new && matches!(error, AssemblyError::UnknownNode { known, .. } if known.is_empty())
    }

    fn doubt(&self) -> &'static str {
        match self.useless {
            pieces if pieces >= ENOUGH && pieces == self.unchecked => NO_CHECK_VALUE,
            pieces if pieces >= ENOUGH && pieces == self.too_long => NO_DELIMITER,
            _ => NO_GLOVE,
        }
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

/// The line of text that a piece begins with: what else writes to the link does so between two frames.
#[must_use]
pub fn text_before(piece: &[u8]) -> Option<String> {
    let is_end = |byte: &u8| matches!(byte, b'\r' | b'\n');
    let line: Vec<u8> = piece.iter().copied().skip_while(is_end).take_while(|byte| !is_end(byte)).collect();
    let is_text = line.len() >= LETTERS && line.iter().all(|byte| matches!(byte, b' '..=b'~'));
    let line = is_text.then(|| String::from_utf8_lossy(&line).into_owned());
    line.or_else(|| piece.starts_with(b"\r\n").then(|| "\r\n".to_owned()))
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
        let mut heard = |at: f64| understanding.doubts(seconds(at)).is_some();
        assert_eq!([0.0, 2.9, 3.0, 3.1, 9.0].map(&mut heard), [false, false, true, false, false]);
        understanding.opened();
        let mut heard = |at: f64| understanding.doubts(seconds(at)).is_some();
        assert_eq!([20.0, 22.0, 23.5].map(&mut heard), [false, false, true]);
    }

    #[test]
    fn one_frame_settles_it() {
        let mut understanding = Understanding::default();
        assert_eq!(understanding.doubts(seconds(0.0)), None);
        understanding.frame();
        assert_eq!(understanding.doubts(seconds(60.0)), None);
    }

    const DAMAGED: FrameError = FrameError::Crc { expected: 1, found: 2 };

    #[test]
    fn what_all_pieces_lack_is_asked_for() {
        let asked = |errors: &[FrameError]| {
            let mut understanding = Understanding::default();
            understanding.doubts(seconds(0.0));
            errors.iter().for_each(|error| {
                understanding.useless(error, seconds(1.0));
            });
            understanding.doubts(seconds(3.0)).unwrap()
        };
        let (long, short) = (FrameError::TooLong { limit: 518 }, FrameError::TooShort { found: 1 });
        assert!(asked(&[DAMAGED; 5]).contains("start value FFFF, low byte first?"));
        assert!(asked(&[long; 5]).contains("no delimiter (00)"));
        for no_glove in [&[][..], &[DAMAGED; 4], &[DAMAGED, DAMAGED, short, DAMAGED, DAMAGED]] {
            assert!(asked(no_glove).contains("nothing that a glove says"));
        }
    }

    #[test]
    fn damage_of_a_glove_that_was_understood_is_told_where_nothing_else_comes() {
        let mut understanding = Understanding::default();
        assert!(understanding.useless(&DAMAGED, seconds(0.0)), "nothing was understood yet");
        understanding.used();
        understanding.frame();
        let told = (0..60).filter(|_| understanding.useless(&DAMAGED, seconds(9.0))).count();
        assert_eq!(told, 1, "now and then");
        understanding.frame();
        assert!(!(0..49).any(|_| understanding.useless(&DAMAGED, seconds(20.0))));
    }

    #[test]
    fn a_line_of_text_between_two_frames_is_known_from_chance() {
        let text = |piece: &[u8]| text_before(piece);
        assert_eq!(text(b"\r\nimu ok\r\n\x04\x03\x01\x01\x00"), Some("imu ok".to_owned()));
        assert_eq!(text(b"boot: 21.5 C\n\x00"), Some("boot: 21.5 C".to_owned()));
        assert_eq!(
            text(b"\r\n\x04\x03\x01\x01\x00"),
            Some("\r\n".to_owned()),
            "a line's end behind every frame"
        );
        for no_text in [&b"ok\r\n\x04\x03\x00"[..], b"imu \x81ok\n\x00", b"\x00", b""] {
            assert_eq!(text(no_text), None);
        }
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
        assert!(!understanding.is_new_mistake(&DAMAGED));
    }

    #[test]
    fn a_glove_has_time_to_say_who_it_is() {
        let mut understanding = Understanding::default();
        understanding.doubts(seconds(5.0));
        understanding.frame();
        let of_an_earlier_talk = |known: &[u8], at| {
            let error = AssemblyError::UnknownNode { node: 1, known: known.to_vec() };
            understanding.is_of_an_earlier_talk(&error, seconds(at))
        };
        assert!(of_an_earlier_talk(&[], 7.9));
        assert!(!of_an_earlier_talk(&[], 8.0), "by then it should have said so");
        assert!(!of_an_earlier_talk(&[0], 5.1), "it has said who it is");
    }

    #[test]
    fn complaints_are_seldom() {
        let mut understanding = Understanding::default();
        let told = [0.0, 0.01, 4.9, 5.0, 5.1].map(|at| understanding.may_complain(seconds(at)));
        assert_eq!(told, [true, false, false, true, false]);
    }
}
