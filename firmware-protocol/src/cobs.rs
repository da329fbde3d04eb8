//! Consistent overhead byte stuffing (Cheshire & Baker, IEEE/ACM Trans. Networking 7(2), 1999):
//! takes every zero byte out of a frame, so that zero can end it.

use core::fmt;

/// The longest run that one code byte describes, itself included.
const FULL_BLOCK: u8 = 0xFF;

/// Why bytes could not be stuffed or unstuffed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CobsError {
    /// A zero byte stands inside the stuffed bytes.
    ZeroInside {
        /// Where it stands.
        at: usize,
    },
    /// A code byte points behind the end.
    EndMissing {
        /// Where the code byte stands.
        at: usize,
        /// The bytes that should have followed it.
        expected: usize,
        /// The bytes that followed it.
        found: usize,
    },
    /// The result does not fit into the room given.
    NoRoom {
        /// The room given, bytes.
        room: usize,
    },
}

impl fmt::Display for CobsError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CobsError::ZeroInside { at } => write!(f, "expected no zero byte inside, found one at byte {at}"),
            CobsError::EndMissing { at, expected, found } => {
                write!(f, "expected {expected} bytes after the code at byte {at}, found {found}")
            }
            CobsError::NoRoom { room } => write!(f, "expected at most {room} bytes, found more"),
        }
    }
}

impl core::error::Error for CobsError {}

/// The most bytes that stuffing `len` bytes can give, without the delimiter.
#[must_use]
pub const fn max_encoded_len(len: usize) -> usize {
    if len == 0 { 1 } else { len + len.div_ceil(254) }
}

/// Stuffs `plain` into `out` and says how many bytes it wrote; no delimiter is added.
///
/// # Errors
/// [`CobsError::NoRoom`] when `out` is too short.
pub fn encode(plain: &[u8], out: &mut [u8]) -> Result<usize, CobsError> {
    let mut sink = Sink { out, len: 0 };
    let mut rest = plain;
    loop {
        let window = &rest[..rest.len().min(usize::from(FULL_BLOCK) - 1)];
        let run = window.iter().position(|byte| *byte == 0).unwrap_or(window.len());
        // The window is at most 254 long, so the code fits a byte.
        sink.push(run as u8 + 1)?;
        sink.extend(&rest[..run])?;
        let ended_by_zero = run < window.len();
        rest = &rest[run + usize::from(ended_by_zero)..];
        if rest.is_empty() && !ended_by_zero {
            return Ok(sink.len);
        }
    }
}

/// Unstuffs `stuffed`, given without its delimiter, into `out` and says how many bytes it wrote.
///
/// # Errors
/// [`CobsError`] when `stuffed` cannot have come from an encoder, or does not fit.
pub fn decode(stuffed: &[u8], out: &mut [u8]) -> Result<usize, CobsError> {
    let mut sink = Sink { out, len: 0 };
    let mut at = 0;
    while at < stuffed.len() {
        let code = stuffed[at];
        if code == 0 {
            return Err(CobsError::ZeroInside { at });
        }
        let (start, end) = (at + 1, at + usize::from(code));
        let Some(run) = stuffed.get(start..end) else {
            let found = stuffed.len() - start;
            return Err(CobsError::EndMissing { at, expected: usize::from(code) - 1, found });
        };
        if let Some(offset) = run.iter().position(|byte| *byte == 0) {
            return Err(CobsError::ZeroInside { at: start + offset });
        }
        sink.extend(run)?;
        at = end;
        if code != FULL_BLOCK && at < stuffed.len() {
            sink.push(0)?;
        }
    }
    Ok(sink.len)
}

/// A slice that is filled from the front and never overrun.
struct Sink<'a> {
    out: &'a mut [u8],
    len: usize,
}

impl Sink<'_> {
    fn push(&mut self, byte: u8) -> Result<(), CobsError> {
        self.extend(&[byte])
    }

    fn extend(&mut self, bytes: &[u8]) -> Result<(), CobsError> {
        let room = self.out.len();
        let slot = self.out.get_mut(self.len..self.len + bytes.len()).ok_or(CobsError::NoRoom { room })?;
        slot.copy_from_slice(bytes);
        self.len += bytes.len();
        Ok(())
    }
}
