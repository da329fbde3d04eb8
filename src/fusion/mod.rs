//! From samples to angles: one time base, biases, mounting, orientation, wrist angles.
//!
//! Inside this layer angles are radians, rates rad/s, specific force is in g, times are seconds on the
//! clock that the name gives.

pub mod arm_answer;
pub mod both_ends;
pub mod calibration;
pub mod clock;
pub mod clock_bends;
pub mod errors;
pub mod glitch;
pub mod hub;
mod hub_address;
mod hub_fit;
mod hub_holding;
pub mod hub_params;
pub mod hub_path;
pub mod joint;
pub mod mend;
pub mod orientation;
pub mod polynomial;
pub mod rest;
pub mod self_calibration;
pub mod sensor_doubts;
pub mod series;
pub mod soft_tissue;
pub mod strapdown;
pub mod track;
pub mod trunk;
pub mod wrist;
