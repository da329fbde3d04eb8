//! Links to a glove: serial, air, replay, virtual glove; what arrives, in order.
//!
//! Pure cores: [`frames`] (frames to arrivals), [`gaps`] (what was lost), [`missed`] (what is asked for
//! again), [`answers`] (what a glove acknowledges), [`clock_view`] (how a node's clock stands to the host's), [`reconnect`] (when to try again), [`replay`] (when an arrival is due), [`peer`] (a glove's
//! firmware). Edges: [`host_clock`], [`session`] (what all links share), [`serial`], [`ble`], [`pty`]. This module knows no recording: whoever keeps the raw pieces takes them off
//! the link's channel first.

pub mod answers;
pub mod ble;
pub mod clock_view;
pub mod faults;
pub mod frames;
pub mod gaps;
pub mod host_clock;
pub mod link;
pub mod missed;
pub mod peer;
pub mod peer_script;
pub mod pty;
pub mod reconnect;
pub mod replay;
pub mod serial;
pub mod session;
pub mod virtual_glove;

pub use clock_view::{ClockStand, ClockView, ClockViewParams};
pub use frames::{Assembler, AssemblyError, Heard};
pub use link::{KnownGlove, LinkError, LinkEvent, MetGlove, RawPiece};
pub use peer::Peer;
pub use peer_script::PeerScript;
pub use replay::Pace;
pub use session::LinkParams;
