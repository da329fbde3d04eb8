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

/// A glove that can be told from all others.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct KnownGlove {
    /// Its address, or what the system names it by where it hides addresses.
    pub address: String,
    /// The serial number of its Device Information, where it has one.
    pub serial: Option<String>,
    /// The name by which it announces itself.
    pub name: Option<String>,
}

/// A glove that was met on the air.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MetGlove {
    /// Which one.
    pub glove: KnownGlove,
    /// Charge of its battery, where it tells, %.
    pub battery_percent: Option<u8>,
    /// Longest value that can be written to it, bytes.
    pub value_len: usize,
}

/// What happens on a link.
#[derive(Debug)]
pub enum LinkEvent {
    /// The link is up; what comes next is the start of a stream.
    Opened {
        /// When.
        at: HostTime,
    },
    /// Which glove it is, where the link tells: before it is opened.
    Met(MetGlove),
    /// Bytes came.
    Raw(RawPiece),
    /// The link is up, but brings nothing; the glove is greeted again.
    Silent {
        /// When that was noticed.
        at: HostTime,
        /// For how long, µs.
        quiet_us: i64,
    },
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
    /// No Bluetooth to be had.
    #[error("expected Bluetooth on this machine, found none: {cause}")]
    NoRadio {
        /// What the system said.
        cause: String,
    },
    /// The glove is not within reach.
    #[error("expected the glove {wanted} within reach, found {}", listed(found))]
    NoGlove {
        /// Name or address.
        wanted: String,
        /// The gloves that were seen.
        found: Vec<String>,
    },
    /// Several gloves bear the name.
    #[error("expected one glove named {name}, found {}: choose one by its address", addresses.join(", "))]
    SeveralGloves {
        /// The name.
        name: String,
        /// Their addresses.
        addresses: Vec<String>,
    },
    /// Another run on this machine has the glove.
    #[error(
        "expected the glove {glove} to be free, found it in use by another run on this machine: choose this player's \
         own with --glove, with a settings file of his own"
    )]
    Taken {
        /// Its address.
        glove: String,
    },
    /// Another glove answers at the address.
    #[error(
        "expected the glove with serial number {expected}, found {}: choose it with --glove if it is yours",
        found.as_deref().unwrap_or("one without a number")
    )]
    Stranger {
        /// The remembered serial number.
        expected: String,
        /// The one that was read.
        found: Option<String>,
    },
    /// What answers lacks a part of a glove's profile.
    #[error("expected a glove's service with {expected}, found none")]
    NotAGlove {
        /// What is missing.
        expected: &'static str,
    },
    /// Something on the air failed.
    #[error("expected to {step}, found an error: {cause}")]
    Air {
        /// What was tried.
        step: &'static str,
        /// What the system said.
        cause: String,
    },
    /// The glove has gone.
    #[error("expected the glove to stay connected, but the connection ended: {cause}")]
    Gone {
        /// What the system said.
        cause: String,
    },
    /// The link is up and dead.
    #[error("expected bytes from the glove, found none for {} ms", quiet_us / 1000)]
    Silent {
        /// For how long, µs.
        quiet_us: i64,
    },
    /// A part of the link failed in a way that nobody foresaw.
    #[error("expected the link to work, but a part of it failed: {cause}")]
    Panicked {
        /// What it said.
        cause: String,
    },
}

fn listed(names: &[String]) -> String {
    if names.is_empty() { "no glove at all".to_owned() } else { names.join(", ") }
}
