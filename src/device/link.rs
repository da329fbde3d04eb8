//! What any link to a glove hands on: raw pieces as they came, and how the link fares.

use crate::units::HostTime;
use std::path::PathBuf;
use thiserror::Error;

/// Bytes as they came off a link, at most one frame long. All pieces of a link one after the other are its
/// byte stream.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RawPiece {
    /// When its last byte reached the host.
    pub received: HostTime,
    /// The bytes, delimiter included.
    pub bytes: Vec<u8>,
    /// Whether this may be a frame. The parts of an over-long piece, and what a broken link leaves
    /// unfinished, are kept all the same, but never decoded.
    pub whole: bool,
}

/// What happens on a link.
#[derive(Debug)]
pub enum LinkEvent {
    /// The link is up; what comes next is the start of a stream.
    Opened {
        /// When.
        at: HostTime,
    },
    /// Bytes came.
    Raw(RawPiece),
    /// The link could not be opened, or broke. It is tried again after the delay.
    Down {
        /// When.
        at: HostTime,
        /// Why.
        error: LinkError,
        /// How long until it is tried again, µs.
        retry_in_us: i64,
    },
}

/// Why a link is down.
#[derive(Debug, Error)]
pub enum LinkError {
    /// The port is not there.
    #[error("expected a serial port at {}, found none (unplugged, or another name?)", path.display())]
    NoSuchPort {
        /// The path that was tried.
        path: PathBuf,
    },
    /// The user may not open the port.
    #[error(
        "expected the right to read and write {}, found none: add yourself to its group \
         ({group}) and log in again",
        path.display()
    )]
    NoRights {
        /// The path that was tried.
        path: PathBuf,
        /// The group that may.
        group: String,
    },
    /// Another program has the port.
    #[error("expected {} to be free, found it in use by another program", path.display())]
    Busy {
        /// The path that was tried.
        path: PathBuf,
    },
    /// What is there is not a serial port.
    #[error("expected a serial port at {}, found something else: {cause}", path.display())]
    NotAPort {
        /// The path that was tried.
        path: PathBuf,
        /// What the system said.
        cause: String,
    },
    /// The port went away while it was open.
    #[error("expected {} to stay, but it vanished while it was read: {cause}", path.display())]
    Vanished {
        /// The path that was read.
        path: PathBuf,
        /// What the system said.
        cause: String,
    },
}
