//! One visible loop that wires link, recorder, detector and tone.
//!
//! [`run`] holds the loop; everything that can wake it is one [`event::Event`]. The detector runs on a
//! thread of its own, so that a failure there never stops the recording.

pub mod bucket;
pub mod control;
pub mod detector;
pub mod event;
pub mod guide;
pub mod run;
pub mod status;

use crate::detect::Verdict;
use crate::tone::Cue;

/// The cue that tells a player this verdict.
#[must_use]
pub fn cue_of(verdict: Verdict) -> Cue {
    match verdict {
        Verdict::Early => Cue::Early,
        Verdict::InWindow => Cue::Inside,
        Verdict::Late => Cue::Late,
        Verdict::NoSet => Cue::NoSet,
    }
}
