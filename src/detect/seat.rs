//! Whether the glove still sits as it did: a swing that shows other axes than those before it was made with a
//! glove that has slipped, or was taken off and put on again.

use super::wrist_state::WristState;
use crate::fusion::joint::{CLOCK, GloveEvidence, JointEstimate, JointWindow};
use nalgebra::SVector;

/// A swing is compared with so many before it.
const COMPARED_WITH: usize = 6;
/// Axes that moved less than this have not, rad.
const LEAST_MOVE: f64 = 0.05;
/// Squared distance of the axes, in standard deviations, from which chance is no explanation: for four numbers
/// 30 comes up once in 200 000 times; the margin is for bars that are too narrow.
const DISTANCE: f64 = 40.0;

/// What the swings `before` say of the axes, for [`has_moved`]; none where there is nothing to compare with.
pub(super) fn so_far(
    state: &WristState,
    before: &[&JointWindow],
    evidence: &GloveEvidence,
) -> Option<JointEstimate> {
    let recent = &before[before.len().saturating_sub(COMPARED_WITH)..];
    let comparable = !recent.is_empty() || state.is_calibrated();
    comparable.then(|| state.estimate(recent.iter().copied(), evidence))
}

/// Whether the glove has moved between the swings that `so_far` is from and `window`.
pub(super) fn has_moved(
    state: &WristState,
    so_far: &JointEstimate,
    window: &JointWindow,
    evidence: &GloveEvidence,
) -> bool {
    let alone = state.estimate_alone(window, so_far, evidence);
    let (moved, alone_covariance) = alone.axes_moved();
    let moved: SVector<f64, CLOCK> = moved;
    let covariance = alone_covariance + so_far.axes_moved().1;
    let distance = covariance.try_inverse().map_or(0.0, |inverse| moved.dot(&(inverse * moved)));
    moved.norm() > LEAST_MOVE && distance > DISTANCE
}

/// What there is to say of it.
pub(super) fn note(takeaway_s: f64) -> String {
    format!(
        "the glove has moved on the wrist before the swing at {takeaway_s:.1} s of its clock; what was calibrated \
         holds no more, and the swings since then are measured by themselves. Calibrate again for narrower bars"
    )
}
