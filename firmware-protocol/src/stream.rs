//! The byte stream: encoded frames, raw pieces between delimiters, and frames out of whatever comes.

use crate::body::{EncodeError, write_body};
use crate::cobs;
use crate::constants::{CRC_SIZE, DELIMITER, MAX_BODY, MAX_DECODED, MAX_PAYLOAD, MAX_WIRE};
use crate::crc::crc16;
use crate::error::FrameError;
use crate::frame::Frame;
use crate::parse::parse_body;

/// Room for one encoded frame.
pub type WireBuffer = [u8; MAX_WIRE];
/// Room for one unstuffed frame.
pub type Scratch = [u8; MAX_DECODED];

/// Writes one frame with its delimiter; gives the bytes to be sent.
///
/// # Errors
/// [`EncodeError`] when a text or payload is too long.
pub fn encode<'a>(frame: &Frame<'_>, wire: &'a mut WireBuffer) -> Result<&'a [u8], EncodeError> {
    let mut plain: Scratch = [0; MAX_DECODED];
    let len = write_body(frame, &mut plain[..MAX_BODY])?;
    let crc = crc16(&plain[..len]).to_le_bytes();
    plain[len..len + CRC_SIZE].copy_from_slice(&crc);
    let no_room = |_| EncodeError::Payload { limit: MAX_PAYLOAD };
    let stuffed = cobs::encode(&plain[..len + CRC_SIZE], &mut wire[..MAX_WIRE - 1]).map_err(no_room)?;
    wire[stuffed] = DELIMITER;
    Ok(&wire[..=stuffed])
}

/// Interprets one whole piece, delimiter included, as [`Splitter`] gives it.
///
/// # Errors
/// [`FrameError`] when it is not a frame.
pub fn decode_piece<'a>(piece: &[u8], scratch: &'a mut Scratch) -> Result<Frame<'a>, FrameError> {
    let Some((&DELIMITER, stuffed)) = piece.split_last() else {
        return Err(FrameError::Unterminated { found: piece.len() });
    };
    if stuffed.is_empty() {
        return Err(FrameError::Empty);
    }
    if piece.len() > MAX_WIRE {
        return Err(FrameError::TooLong { limit: MAX_WIRE });
    }
    let len = cobs::decode(stuffed, scratch).map_err(FrameError::Stuffing)?;
    let Some(([frame_type, payload @ ..], crc)) = scratch[..len].split_last_chunk::<CRC_SIZE>() else {
        return Err(FrameError::TooShort { found: len });
    };
    let (expected, found) = (crc16(&scratch[..len - CRC_SIZE]), u16::from_le_bytes(*crc));
    if expected != found {
        return Err(FrameError::Crc { expected, found });
    }
    parse_body(*frame_type, payload)
}

/// The type that a whole piece bears, if it is a frame: nothing is checked, so that pieces that are not of interest
/// can be passed over without work.
#[must_use]
pub fn claimed_type(piece: &[u8]) -> Option<u8> {
    match *piece {
        // Zero is stuffed: the first code counts no byte before it.
        [1, ..] => Some(0),
        [_, frame_type, ..] => Some(frame_type),
        _ => None,
    }
}

/// How a piece ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PieceEnd {
    /// With a delimiter.
    Delimiter,
    /// It was cut, since it is longer than any frame; the next piece carries on.
    Cut,
    /// With the end of the stream.
    StreamEnd,
}

/// Raw bytes of the stream. All pieces one after the other are the stream, byte for byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece<'a> {
    /// The bytes, delimiter included.
    pub bytes: &'a [u8],
    /// How they end.
    pub end: PieceEnd,
    /// They carry on a piece that was cut, so they must not be taken for a frame.
    pub carries_on: bool,
}

impl Piece<'_> {
    /// Whether this may be a frame: it starts behind one delimiter and ends with the next.
    #[must_use]
    pub fn is_whole(&self) -> bool {
        self.end == PieceEnd::Delimiter && !self.carries_on
    }
}

/// How a piece ends and began, without its bytes.
#[derive(Clone, Copy)]
struct Mark {
    end: PieceEnd,
    carries_on: bool,
}

/// Cuts a byte stream behind every delimiter, in bounded room and without losing a byte.
#[derive(Clone, Debug)]
pub struct Splitter {
    buffer: WireBuffer,
    len: usize,
    handed_out: bool,
    carries_on: bool,
}

impl Default for Splitter {
    fn default() -> Splitter {
        Splitter::new()
    }
}

impl Splitter {
    /// At the start of a stream.
    #[must_use]
    pub const fn new() -> Splitter {
        Splitter { buffer: [0; MAX_WIRE], len: 0, handed_out: false, carries_on: false }
    }

    /// Takes bytes off `input` and gives the next piece; none when `input` is used up.
    pub fn pull(&mut self, input: &mut &[u8]) -> Option<Piece<'_>> {
        let mark = self.advance(input)?;
        Some(self.piece(mark))
    }

    /// What is left when the stream ends, if anything. The splitter then stands at the start of a stream.
    pub fn finish(&mut self) -> Option<Piece<'_>> {
        self.drop_handed_out();
        let mark = Mark { end: PieceEnd::StreamEnd, carries_on: self.carries_on };
        self.carries_on = false;
        self.handed_out = true;
        (self.len > 0).then(|| self.piece(mark))
    }

    /// Bytes that wait for their delimiter.
    #[must_use]
    pub fn pending(&self) -> usize {
        if self.handed_out { 0 } else { self.len }
    }

    fn advance(&mut self, input: &mut &[u8]) -> Option<Mark> {
        self.drop_handed_out();
        let window = &input[..input.len().min(MAX_WIRE - self.len)];
        let ended = window.iter().position(|byte| *byte == DELIMITER);
        let taken = ended.map_or(window.len(), |at| at + 1);
        self.buffer[self.len..self.len + taken].copy_from_slice(&window[..taken]);
        self.len += taken;
        *input = &input[taken..];
        let end = match ended {
            Some(_) => PieceEnd::Delimiter,
            None if self.len == MAX_WIRE => PieceEnd::Cut,
            None => return None,
        };
        let mark = Mark { end, carries_on: self.carries_on };
        self.carries_on = end == PieceEnd::Cut;
        self.handed_out = true;
        Some(mark)
    }

    fn drop_handed_out(&mut self) {
        if self.handed_out {
            (self.handed_out, self.len) = (false, 0);
        }
    }

    fn piece(&self, mark: Mark) -> Piece<'_> {
        Piece { bytes: &self.buffer[..self.len], end: mark.end, carries_on: mark.carries_on }
    }
}

/// What a decoder has seen so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Sound frames, those of unknown type included.
    pub frames: u64,
    /// Sound frames of unknown type.
    pub unknown: u64,
    /// Pieces whose check value, byte stuffing or length was broken: damage on the way.
    pub damaged: u64,
    /// Pieces longer than any frame.
    pub too_long: u64,
    /// Pieces with a good check value whose fields make no sense: a fault of the sender.
    pub malformed: u64,
}

impl Counts {
    /// Pieces that gave no frame.
    #[must_use]
    pub const fn errors(&self) -> u64 {
        self.damaged + self.too_long + self.malformed
    }

    fn note(&mut self, outcome: &Result<Frame<'_>, FrameError>) {
        match outcome {
            Ok(frame) => {
                self.frames += 1;
                self.unknown += u64::from(matches!(frame, Frame::Unknown { .. }));
            }
            Err(FrameError::TooLong { .. }) => self.too_long += 1,
            Err(error) if error.is_malformed() => self.malformed += 1,
            Err(_) => self.damaged += 1,
        }
    }
}

/// Push bytes, pull frames. A bad piece is reported and counted once; decoding goes on behind the next
/// delimiter.
#[derive(Clone, Debug)]
pub struct Decoder {
    splitter: Splitter,
    scratch: Scratch,
    counts: Counts,
}

impl Default for Decoder {
    fn default() -> Decoder {
        Decoder::new()
    }
}

impl Decoder {
    /// At the start of a stream.
    #[must_use]
    pub const fn new() -> Decoder {
        let counts = Counts { frames: 0, unknown: 0, damaged: 0, too_long: 0, malformed: 0 };
        Decoder { splitter: Splitter::new(), scratch: [0; MAX_DECODED], counts }
    }

    /// Takes bytes off `input` and gives the next frame or error; none when `input` is used up.
    pub fn pull(&mut self, input: &mut &[u8]) -> Option<Result<Frame<'_>, FrameError>> {
        let mark = loop {
            let mark = self.splitter.advance(input)?;
            // Padding says nothing, and of an over-long piece only the first cut is reported.
            let padding = self.splitter.len == 1 && mark.end == PieceEnd::Delimiter;
            if !padding && !mark.carries_on {
                break mark;
            }
        };
        Some(self.decode(mark))
    }

    /// Says that the stream ended or broke off: an unfinished piece is reported, and the next bytes are
    /// taken for the start of a stream.
    pub fn finish(&mut self) -> Option<FrameError> {
        let piece = self.splitter.finish()?;
        // The rest of an over-long piece was reported when it was cut.
        if piece.carries_on {
            return None;
        }
        self.counts.damaged += 1;
        Some(FrameError::Unterminated { found: piece.bytes.len() })
    }

    /// What was seen so far.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    fn decode(&mut self, mark: Mark) -> Result<Frame<'_>, FrameError> {
        let outcome = match mark.end {
            PieceEnd::Delimiter => decode_piece(self.splitter.piece(mark).bytes, &mut self.scratch),
            PieceEnd::Cut | PieceEnd::StreamEnd => Err(FrameError::TooLong { limit: MAX_WIRE }),
        };
        self.counts.note(&outcome);
        outcome
    }
}
