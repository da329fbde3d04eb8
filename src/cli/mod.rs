//! The commands.
pub mod check;
