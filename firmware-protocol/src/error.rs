//! What can be wrong with a piece of the wire.

use crate::cobs::CobsError;
use core::fmt;

/// Why a piece is not a frame. Every one is survived: decoding goes on behind the next delimiter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameError {
    /// Nothing stands between two delimiters. Allowed as padding; the decoder skips it silently.
    Empty,
    /// No delimiter ends the piece.
    Unterminated {
        /// The bytes there are.
        found: usize,
    },
    /// More bytes than the longest frame has, or the tail of such a piece.
    TooLong {
        /// The longest piece allowed, delimiter included.
        limit: usize,
    },
    /// The byte stuffing is broken.
    Stuffing(CobsError),
    /// Shorter than a type and a check value.
    TooShort {
        /// The bytes there are after unstuffing.
        found: usize,
    },
    /// The check value does not fit.
    Crc {
        /// The value worked out from the body.
        expected: u16,
        /// The value that was sent.
        found: u16,
    },
    /// The payload's length does not fit its type.
    Length {
        /// The frame's type.
        frame_type: u8,
        /// The bytes that it should have (at least these, where the payload ends too early).
        expected: usize,
        /// The bytes that it has.
        found: usize,
    },
    /// A field holds what it must not.
    Value {
        /// The frame's type.
        frame_type: u8,
        /// The field's name in the specification.
        field: &'static str,
        /// What may stand there.
        expected: &'static str,
        /// The bits that stand there.
        found: u32,
    },
    /// A text is not UTF-8.
    Text {
        /// The frame's type.
        frame_type: u8,
        /// The field's name in the specification.
        field: &'static str,
        /// How many of its bytes are good.
        valid_up_to: usize,
    },
}

impl fmt::Display for FrameError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            FrameError::Empty => write!(f, "expected a frame, found nothing between two delimiters"),
            FrameError::Unterminated { found } => {
                write!(f, "expected a delimiter at the end, found {found} bytes without one")
            }
            FrameError::TooLong { limit } => {
                write!(f, "expected at most {limit} bytes in a frame, found more")
            }
            FrameError::Stuffing(error) => write!(f, "broken byte stuffing: {error}"),
            FrameError::TooShort { found } => {
                write!(f, "expected at least 3 bytes (type and check value), found {found}")
            }
            FrameError::Crc { expected, found } => {
                let swapped = if found == expected.swap_bytes() { ": the low byte comes first" } else { "" };
                write!(f, "expected check value {expected:04X}, found {found:04X}{swapped}")
            }
            FrameError::Length { frame_type, expected, found } => {
                write!(
                    f,
                    "frame type 0x{frame_type:02X}: expected {expected} bytes of payload, found {found}"
                )
            }
            FrameError::Value { frame_type, field, expected, found } => {
                write!(f, "frame type 0x{frame_type:02X}, {field}: expected {expected}, found 0x{found:X}")
            }
            FrameError::Text { frame_type, field, valid_up_to } => write!(
                f,
                "frame type 0x{frame_type:02X}, {field}: expected UTF-8, found a bad byte after {valid_up_to}"
            ),
        }
    }
}

impl core::error::Error for FrameError {}

impl FrameError {
    /// Whether the check value was good and a field breaks the document: a sender's mistake, not a line's.
    #[must_use]
    pub const fn is_malformed(&self) -> bool {
        matches!(self, FrameError::Length { .. } | FrameError::Value { .. } | FrameError::Text { .. })
    }
}
