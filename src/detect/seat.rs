//! Whether the glove still sits as it did: a swing that shows other axes than those before it was made with a
//! glove that has slipped, or was taken off and put on again.

use super::wrist_state::WristState;
use crate::fusion::joint::{AXES, GloveEvidence, JointEstimate, JointWindow};
use nalgebra::{SMatrix, SVector};

type Axes = SMatrix<f64, AXES, AXES>;

/// A swing is compared with so many before it; live with those that the last one was measured by, which costs nothing.
const COMPARED_WITH: usize = 6;
/// Where more swings are there already, so many tell together.
const TOLD_BY: usize = 3;
/// Axes that moved less than this have not, rad.
const LEAST_MOVE: f64 = 0.05;
/// A wrist gives about its third axis by a few hundredths of its bend, differently in every swing, which looks
/// like axes that differ by this much (standard deviation, each tangent; judgement), rad.
const GIVE_SD: f64 = 0.03;
/// Squared distance of the axes, in standard deviations, from which chance is no explanation: for four numbers
/// 23 comes up once in 10 000 times.
const DISTANCE: f64 = 23.0;

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

/// Whether the glove has moved between the swings that `so_far` is from and those after them: the first of
/// `after`, and as many more as there are yet.
pub(super) fn has_moved(
    state: &WristState,
    so_far: &JointEstimate,
    after: &[&JointWindow],
    evidence: &GloveEvidence,
) -> bool {
    let Some((first, rest)) = after.split_first() else { return false };
    let rest = &rest[..rest.len().min(TOLD_BY - 1)];
    let against = |windows: &[&JointWindow], begin: &JointEstimate| {
        let alone = state.estimate_alone(windows, begin, evidence);
        let moved: SVector<f64, AXES> = alone.axes_moved().0;
        let give = GIVE_SD * GIVE_SD * (1.0 / windows.len() as f64 + 1.0 / begin.windows().max(1) as f64);
        let covariance = alone.axes_moved().1 + begin.axes_moved().1 + Axes::identity() * give;
        let distance = covariance.try_inverse().map_or(0.0, |inverse| moved.dot(&(inverse * moved)));
        (distance, moved.norm(), alone)
    };
    let (distance, moved, _) = against(&after[..=rest.len()], so_far);
    if moved < LEAST_MOVE || distance < DISTANCE {
        return false;
    }
    // The swing that begins it has to be nearer to those after it than to those before.
    rest.is_empty() || {
        let (_, _, later) = against(rest, so_far);
        against(&[first], &later).0 < against(&[first], so_far).0
    }
}

/// What there is to say of it.
pub(super) fn note(takeaway_s: f64) -> String {
    format!(
        "the glove has moved on the wrist before the swing at {takeaway_s:.1} s of its clock; what was calibrated \
         holds no more, and the swings since then are measured by themselves. Calibrate again for narrower bars"
    )
}
