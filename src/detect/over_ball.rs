//! Whether a movement with the phases of a swing was made over a ball.

use super::phases::{ArmTrack, NoSwing, PhaseParams, Phases};
use nalgebra::Vector3;

/// Whether the forearm was quiet before the takeaway.
pub(super) fn check_quiet(arm: &ArmTrack, takeaway: usize, params: &PhaseParams) -> Result<(), NoSwing> {
    if quietest_before(arm, takeaway, params) > params.quiet_rate { Err(NoSwing::NoAddress) } else { Ok(()) }
}

/// When the arm pointed nearest to where it did before a swing, between that swing and an instant, s.
pub(super) fn back_at_address_s(arm: &ArmTrack, before: &Phases, until_s: f64) -> f64 {
    let place = |at_s: f64| arm.t_s.partition_point(|t_s| *t_s < at_s).min(arm.t_s.len() - 1);
    let address = arm.distal[place(before.takeaway_s)];
    // What is left of the way through the ball is none back to it.
    let after =
        (place(before.back_s)..place(until_s)).skip_while(|i| before.normal.dot(&arm.swing_rate[*i]) < 0.0);
    let nearest = after.max_by(|a, b| arm.distal[*a].dot(&address).total_cmp(&arm.distal[*b].dot(&address)));
    nearest.map_or(f64::NEG_INFINITY, |i| arm.t_s[i])
}

/// Whether a large movement begins where the swing before it did and goes the same way: so it is another swing,
/// though nobody stood still between them.
pub(super) fn follows(arm: &ArmTrack, phases: &Phases, before: &Phases, params: &PhaseParams) -> bool {
    let at = |t_s: f64| arm.distal[arm.t_s.partition_point(|t| *t < t_s).min(arm.t_s.len() - 1)];
    let large = |phases: &Phases| phases.travel_at_top >= params.small_travel;
    large(phases)
        && large(before)
        && at(before.takeaway_s).angle(&at(phases.takeaway_s)) <= params.back_within
        && before.normal.angle(&phases.normal) <= params.back_within
}

/// Whether the movement is one that a lead arm makes over a ball: from a pose that points down, in a plane that
/// leans, and through that pose again at speed. Everyday movements have the phases of a swing now and then, but hardly
/// that, from a quiet pose.
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
    if turned_about_itself(arm, phases) > params.roll_max * phases.travel_at_top {
        return false;
    }
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

/// How far the forearm turned about its own long axis from takeaway to top, rad.
fn turned_about_itself(arm: &ArmTrack, phases: &Phases) -> f64 {
    let place = |at_s: f64| arm.t_s.partition_point(|t_s| *t_s < at_s);
    let steps = place(phases.takeaway_s).max(1)..place(phases.top_s);
    steps.map(|i| arm.roll_rate[i] * (arm.t_s[i] - arm.t_s[i - 1])).sum::<f64>().abs()
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
