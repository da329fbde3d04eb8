//! Everything that can wake the loop.

use super::control::Control;
use super::detector::Said;
use crate::device::LinkEvent;

/// One thing that happened.
#[derive(Debug)]
pub enum Event {
    /// The link brought bytes, opened or went down.
    Link(LinkEvent),
    /// The link is over for good.
    LinkOver,
    /// The detector said something.
    Detector(Said),
    /// Somebody typed a line.
    Control(Control),
    /// Some time has passed: flush, look after the sound, go on with the calibration.
    Tick,
    /// The process was asked to end.
    Stop,
}
