//! Frames between a glove and its host. Frames in and out, nothing else: no clock, no link, no allocation.
//!
//! `SPEC.md` is the wire's specification; this crate is one implementation of it.
//!
//! * [`encode`] writes one frame as delimited bytes; [`Decoder`] takes bytes as they come and gives frames.
//! * [`Splitter`] gives the raw pieces between delimiters, for whoever keeps them before they are
//!   interpreted; [`decode_piece`] interprets one.
//! * [`BatchBuilder`] builds the payload of a [`Samples`] frame; [`Samples::iter`] reads it.
//! * [`ClockUnwrap`] extends the wire's 32-bit times; [`negotiate`] agrees on a version.
#![no_std]

mod batch;
mod body;
mod clock;
pub mod cobs;
pub mod constants;
mod crc;
mod error;
mod frame;
mod notify;
mod parse;
mod stream;
mod version;

pub use batch::{BatchBuilder, BatchError, Encoding, Reading, SampleIter, Samples, WireSample};
pub use body::EncodeError;
pub use clock::ClockUnwrap;
pub use constants::{MAX_BODY, MAX_DECODED, MAX_WIRE};
pub use crc::crc16;
pub use error::FrameError;
pub use frame::{
    Ack, AckStatus, Annotation, Battery, Button, ButtonAction, Command, CommandKind, DeviceInfo, Frame,
    Hello, HostHello, NodeInfo, PlayerHand, Role,
};
pub use notify::notifications;
pub use stream::{
    Counts, Decoder, Piece, PieceEnd, Scratch, Splitter, WireBuffer, claimed_type, decode_piece, encode,
};
pub use version::{Version, VersionMismatch, negotiate};
