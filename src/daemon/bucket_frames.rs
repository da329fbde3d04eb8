//! What a piece of the glove's stream says, and what is told of frames that say nothing.

use super::bucket::Bucket;
use super::understanding::text_before;
use crate::device::{AssemblyError, Heard as Understood, RawPiece};
use crate::record::salvage::why_restarts;
use crate::sample::Arrival;
use crate::units::HostTime;
use firmware_protocol::{Frame, FrameError, MAX_DECODED, MAX_WIRE, decode_piece};

impl Bucket {
    /// Decodes a piece; none where it holds nothing that can be used.
    pub(super) fn interpret(&mut self, piece: &RawPiece, arrivals: &mut Vec<Arrival>) -> Option<Understood> {
        let mut scratch = [0; MAX_DECODED];
        let frame = match decoded(piece, &mut scratch)? {
            Ok(frame) => frame,
            Err(error) => {
                self.useless_frame(&error, piece);
                return None;
            }
        };
        self.understanding.frame();
        let heard = match self.assembler.take(&frame, Some(piece.received), arrivals) {
            Ok(heard) => heard,
            Err(error) => {
                self.unusable_frame(&error, piece.received);
                return None;
            }
        };
        match heard {
            Understood::Passed { frame_type } => self.passed_over(frame_type),
            _ => self.understanding.used(),
        }
        self.account(&heard, arrivals, piece.received);
        Some(heard)
    }

    /// Keeps the account of what came and what is missing, and tells what it shows.
    fn account(&mut self, heard: &Understood, arrivals: &[Arrival], received: HostTime) {
        if self.recovery.heard(heard, arrivals, self.assembler.description(), received)
            && let Understood::Samples { role, restarts, .. } = heard
            && restarts.is_power_of_two()
        {
            let (node, why) = (role.word(), why_restarts(*restarts));
            self.status.once(&format!("the {node} node has started anew: its clock has gone back{why}"));
        }
        if let Some(told) = self.recovery.take_told() {
            tracing::warn!("{told}");
            self.status.line(&told);
            self.note(told);
        }
    }

    /// A sound frame was of a type that this version does not know, or a host's.
    fn passed_over(&mut self, frame_type: u8) {
        if self.understanding.is_new(frame_type) {
            self.status.line(&format!(
                "glove: frames of type {frame_type:02X} are passed over: this version does not know them"
            ));
        }
    }

    /// A sound frame cannot be used.
    fn unusable_frame(&mut self, error: &AssemblyError, received: HostTime) {
        self.understanding.refused(error);
        if !self.understanding.is_of_an_earlier_talk(error, received)
            && self.understanding.may_complain(received)
        {
            self.status.once(&format!("glove: {error}"));
        }
    }

    /// A piece held no frame that can be read.
    fn useless_frame(&mut self, error: &FrameError, piece: &RawPiece) {
        self.damaged += 1;
        if error.is_malformed() {
            tracing::warn!(%error, damaged = self.damaged, "a malformed frame");
            self.understanding.frame();
            if self.understanding.is_new_mistake(error) {
                self.status.line(&format!("glove: a malformed frame: {error}"));
            }
            return;
        }
        tracing::warn!(%error, damaged = self.damaged, "a damaged frame");
        if let Some(text) = text_before(&piece.bytes) {
            self.status.once(&format!(
                "glove: text among its frames ({text:?}): nothing else may write to its link"
            ));
        } else if self.understanding.useless(error, piece.received) {
            self.status.line(&format!("glove: a damaged frame: {error}"));
        }
    }
}

/// What a piece holds; nothing where there is nothing in it, or where it is what a broken link left, or the tail of an
/// over-long one.
fn decoded<'a>(
    piece: &RawPiece,
    scratch: &'a mut [u8; MAX_DECODED],
) -> Option<Result<Frame<'a>, FrameError>> {
    if !piece.whole {
        return (piece.bytes.len() == MAX_WIRE).then_some(Err(FrameError::TooLong { limit: MAX_WIRE }));
    }
    match decode_piece(&piece.bytes, scratch) {
        Err(FrameError::Empty) => None,
        outcome => Some(outcome),
    }
}
