//! hingeclock: clocks when a golfer's lead wrist hinge is set against the top of the backswing.
//!
//! The modules stand in layers; each imports only from those above it (tests/layers.rs holds the table).
pub mod cli;
pub mod daemon;
pub mod detect;
pub mod device;
pub mod fusion;
pub mod record;
pub mod review;
pub mod sample;
pub mod tone;
pub mod units;
