//! Whether a movement with the phases of a swing was made over a ball.

use super::phases::{ArmTrack, NoSwing, PhaseParams, Phases};
use nalgebra::Vector3;

/// Whether the movement is one that a lead arm makes over a ball: from a quiet pose that points down, in a
/// plane that leans, and through that pose again at speed. Everyday movements have the phases of a swing now
/// and then, but hardly that.
///
/// `takeaway` and `top` are indices into the arm's track.
pub(super) fn check(
    arm: &ArmTrack,
    phases: &Phases,
    (takeaway, top): (usize, usize),
    peak_rate: f64,
    params: &PhaseParams,
) -> Result<(), NoSwing> {
    let back = arm.t_s.partition_point(|t_s| *t_s < phases.back_s).min(arm.t_s.len() - 1);
    let (address, there) = (arm.distal[takeaway], arm.distal[back]);
    if quietest_before(arm, takeaway, params) > params.quiet_rate {
        return Err(NoSwing::NoAddress);
    }
    let straight = [(takeaway, top), (top, back)]
        .into_iter()
        .all(|(from, to)| in_plane(arm, &phases.normal, from, to) >= params.in_plane_min);
    let over = -address.z >= params.down_min
        && address.angle(&there) <= params.back_within
        && arm.swing_rate[back].norm() >= params.rate_left_min * peak_rate;
    let small = phases.travel_at_top < params.small_travel;
    if !straight || !over || (small && !is_small_swing(arm, phases, back, peak_rate, params)) {
        return Err(NoSwing::NotOverBall);
    }
    Ok(())
}

/// Whether a small movement is a chip. Where it might be the first step of a walk as well, it is one only
/// once the arm has been seen not to swing back.
fn is_small_swing(
    arm: &ArmTrack,
    phases: &Phases,
    back: usize,
    peak_rate: f64,
    params: &PhaseParams,
) -> bool {
    let tempo = (phases.top_s - phases.takeaway_s) / (phases.back_s - phases.top_s);
    if phases.normal.z.abs() < params.lean_min || tempo < params.tempo_min {
        return false;
    }
    if tempo >= params.tempo_clear && peak_rate >= params.peak_clear {
        return true;
    }
    let watched = (back..arm.t_s.len()).take_while(|i| arm.t_s[*i] <= phases.back_s + params.watched_for_s);
    let rebound = watched.map(|i| phases.normal.dot(&arm.swing_rate[i])).fold(0.0, f64::max);
    let seen = arm.t_s.last().is_some_and(|last_s| *last_s >= phases.back_s + params.watched_for_s);
    seen && rebound < params.rebound_max * peak_rate
}

/// The least mean rate of the forearm over a stretch of the quiet time before the takeaway.
fn quietest_before(arm: &ArmTrack, takeaway: usize, params: &PhaseParams) -> f64 {
    let earliest_s = arm.t_s[takeaway] - params.quiet_within_s;
    let first = arm.t_s.partition_point(|t_s| *t_s < earliest_s);
    let mut least = f64::INFINITY;
    for end in first..=takeaway {
        let start = arm.t_s.partition_point(|t_s| *t_s < arm.t_s[end] - params.quiet_for_s);
        if arm.t_s[end] - arm.t_s[0] >= params.quiet_for_s {
            let sum: f64 = arm.rate[start..=end].iter().sum();
            least = least.min(sum / (end + 1 - start) as f64);
        }
    }
    least
}

/// Share of the arm's way between two instants that lies in the plane.
fn in_plane(arm: &ArmTrack, normal: &Vector3<f64>, from: usize, to: usize) -> f64 {
    let (mut along, mut whole) = (0.0, 0.0);
    for rate in &arm.swing_rate[from..=to] {
        along += normal.dot(rate).abs();
        whole += rate.norm();
    }
    along / whole.max(1e-9)
}
