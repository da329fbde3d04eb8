//! Phases of a swing and the setting of the hinge: the definitions, shared by the live and the offline path.

pub mod swing;
pub mod target;

pub use swing::{AtEvents, BucketAnalysis, Class, CurvePoint, Flag, NodeLoss, SetTimes, Swing};
pub use target::{Bands, TargetWindow, Verdict};
