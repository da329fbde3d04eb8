//! Links to a glove: serial, replay, virtual glove; what arrives, in order.
//!
//! Pure cores: [`frames`] (frames to arrivals), [`gaps`] (what was lost), [`reconnect`] (when to try
//! again), [`replay`] (when an arrival is due), [`peer`] (a glove's firmware). Edges: [`host_clock`],
//! [`serial`], [`pty`]. This module knows no recording: whoever keeps the raw pieces takes them off
//! the link's channel first.

pub mod faults;
pub mod frames;
pub mod gaps;
pub mod host_clock;
pub mod link;
pub mod peer;
pub mod peer_script;
pub mod pty;
pub mod reconnect;
pub mod replay;
pub mod serial;

pub use frames::{Assembler, AssemblyError, Heard};
pub use link::{LinkError, LinkEvent, RawPiece};
pub use peer::Peer;
pub use peer_script::PeerScript;
pub use replay::Pace;
