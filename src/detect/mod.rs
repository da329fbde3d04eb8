//! Phases of a swing and the setting of the hinge: the definitions, shared by the live and the offline path.

mod address;
mod arrival_order;
pub mod backswing;
pub mod body_turn;
pub mod body_watch;
mod calibration_in_hand;
pub mod calibration_part;
pub mod calibration_quality;
pub mod calibration_watch;
pub mod candidate;
mod cuff;
pub mod episode;
mod fast_motion;
mod flags;
pub mod habits;
mod hand_alone;
mod heard;
pub mod impact;
mod instant_sd;
mod intake;
pub mod live;
pub mod live_set;
pub mod measure;
pub mod motion;
pub mod node_motion;
pub mod offline;
mod over_ball;
mod pace;
pub mod phases;
mod search;
mod seat;
pub mod set;
pub mod set_call;
mod side;
pub mod swing;
pub mod target;
mod uncertainty;
pub mod wrist_state;

pub use body_turn::{BodyFlag, BodyTurn, SegmentPoint, SegmentTurn, StartBack};
pub use calibration_part::Problem;
pub use calibration_quality::{CalibrationQuality, Grade};
pub use calibration_watch::{CalibrationWatch, Look};
pub use habits::Silence;
pub use live::{LiveAnalysis, LiveSwing};
pub use live_set::{LiveCall, ToldBefore};
pub use motion::{MotionPoint, SwingMotion};
pub use offline::{AnalysisParams, OfflineAnalysis};
pub use set_call::{SetCall, Stage};
pub use swing::{
    AnglesFrom, AtEvents, BucketAnalysis, Class, CurvePoint, EventSds, Flag, NodeLoss, SetTimes, Swing,
};
pub use target::{Bands, TargetWindow, Verdict};
