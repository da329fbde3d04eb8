//! A swing with the hand node alone: the forearm from the hand's path, by the hub's model.

use super::address::stillness_before;
use super::candidate::Candidate;
use super::measure::{Curves, MeasureParams};
use super::phases::{ArmTrack, NoSwing, PhaseParams, Phases};
use super::search;
use crate::fusion::hub::{self, Care, HubEstimate, HubSpan};
use crate::fusion::hub_params::HubParams;
use crate::fusion::hub_path::Path;
use crate::fusion::series::value_at;
use crate::fusion::wrist::{self, WristAxes};
use nalgebra::Vector3;

/// The path is followed for so long after the arm is back, s: impact lies in it.
const AFTER_BACK_S: f64 = 0.15;
/// Arm and hand may be fastest so far apart, s.
const FASTEST_WITHIN_S: f64 = 0.2;

/// Takeaways of hand and arm that are one lie within this, s (judgement, on virtual buckets with seeds under 100).
const TAKEAWAYS_WITHIN_S: f64 = 0.02;

/// The model's travel may be off by so much, rad: what is nearer to the least travel of a backswing is none.
const TRAVEL_UNSURE: f64 = 10.0 * std::f64::consts::PI / 180.0;
/// A wrist is released in the downswing, so the hand is faster than the arm. Where the model has a faster arm, by
/// more than it may be off, its shoulder made that up.
const FASTER_THAN_HAND_MAX: f64 = 1.15;

/// With so much travel a hand that turns as the arm of a swing does is believed whatever the forearm did
/// (judgement: everyday movements with seeds to 40 that turn so travel 37° at most), rad.
const CLEAR_TRAVEL: f64 = 45.0 * std::f64::consts::PI / 180.0;

/// The candidate, if it is a swing though the hand's own turning does not say so clearly. Then the forearm that is
/// worked out has to move as in one, and either be no faster than a wrist lets it or have the hand for a second
/// witness; or the hand has to be as fast as in no other movement, or to travel as far. In the last two cases it is
/// found and timed, and nothing is told of the wrist.
pub(super) fn confirmed(
    candidate: Candidate,
    axes: &WristAxes,
    lead_arm_sign: f64,
    params: &PhaseParams,
) -> Option<Candidate> {
    let of_hand = candidate.arm.clone();
    let hand_swings = search::find(&of_hand, params);
    let sure = PhaseParams { travel_min: params.travel_min + TRAVEL_UNSURE, ..*params };
    let candidate = with_forearm(candidate, axes, lead_arm_sign, &sure, Care::Fitted);
    let (from_s, to_s) = (candidate.phases.top_s, candidate.phases.back_s);
    let slower = fastest(&candidate.arm, from_s, to_s)
        <= FASTER_THAN_HAND_MAX * fastest(&of_hand, from_s - FASTEST_WITHIN_S, to_s + FASTEST_WITHIN_S);
    if candidate.hub.is_some() && (slower || hand_swings.is_ok()) {
        return Some(candidate);
    }
    let far = hand_swings.ok().filter(|phases| phases.travel_at_top >= CLEAR_TRAVEL);
    let phases = far.or_else(|| search::find(&of_hand, &clear(params)).ok())?;
    Some(Candidate { hub: None, arm: of_hand, phases, ..candidate })
}

/// The largest rate at which an arm turns between two instants, rad/s.
fn fastest(arm: &ArmTrack, from_s: f64, to_s: f64) -> f64 {
    let inside = arm.t_s.iter().zip(&arm.swing_rate).filter(|(t_s, _)| (from_s..=to_s).contains(*t_s));
    inside.map(|(_, rate)| rate.norm()).fold(0.0, f64::max)
}

/// The candidate with the forearm worked out, and the phases of that arm. Where that fails it stays as it was:
/// found and timed.
pub(super) fn with_forearm(
    candidate: Candidate,
    axes: &WristAxes,
    lead_arm_sign: f64,
    params: &PhaseParams,
    care: Care,
) -> Candidate {
    let Some(hub) = estimate(&candidate, axes, lead_arm_sign, care) else { return candidate };
    let arm = arm_with(&candidate, &hub, lead_arm_sign);
    match search::find_near(&arm, candidate.phases.top_s, params) {
        Some(found) => {
            let phases = begun_by_hand(found, &arm, &candidate.phases);
            Candidate { hub: Some(hub), arm, phases, ..candidate }
        }
        None => candidate,
    }
}

/// The phases of the arm that was worked out, with the takeaway of the hand where the two lie together: so slow an arm
/// the model cannot tell from a shoulder that begins to turn (its own takeaway comes late), and a wrist that holds leaves
/// the arm's rate to the hand. Farther apart, it is the wrist that moves first.
fn begun_by_hand(found: Phases, arm: &ArmTrack, of_hand: &Phases) -> Phases {
    if (of_hand.takeaway_s - found.takeaway_s).abs() < TAKEAWAYS_WITHIN_S {
        found.begun_at(arm, of_hand.takeaway_s)
    } else {
        found
    }
}

/// What is asked of the forearm of a movement that is a swing already: its events, not whether it was over a ball,
/// since a forearm that is worked out may be off there.
pub(super) fn of_swing(params: &PhaseParams) -> PhaseParams {
    PhaseParams {
        lean_min: 0.0,
        roll_max: f64::INFINITY,
        down_min: -1.0,
        rate_left_min: 0.0,
        in_plane_min: 0.0,
        back_within: std::f64::consts::PI,
        ..*params
    }
}

/// What in the hand's own turning may be a swing's, so that the forearm is to be worked out. A hand that rolls and hinges
/// may come down far beside the way that it went back.
///
/// # Errors
/// When there is none; tells why the fastest movement is none.
pub(super) fn find_loosely(of_hand: &ArmTrack, params: &PhaseParams) -> Result<Phases, NoSwing> {
    let loose = loose(params);
    let nearest = PhaseParams { back_where_nearest: true, ..loose };
    search::find(of_hand, &loose).or_else(|error| search::find(of_hand, &nearest).map_err(|_| error))
}

/// What is asked of such a turning: hinging, which may be most of a chip's turning, is in it.
fn loose(params: &PhaseParams) -> PhaseParams {
    PhaseParams {
        backswing_s: (0.2, 2.6),
        downswing_s: (0.08, 0.9),
        faster_by: 0.7,
        rate_left_min: 0.0,
        down_min: 0.0,
        // A wrist that hinges again after the ball turns the hand back.
        through_min: 0.0,
        through_share_min: 0.0,
        back_within: 75.0_f64.to_radians(),
        lean_min: 0.0,
        roll_max: f64::INFINITY,
        tempo_min: 0.5,
        tempo_clear: 0.5,
        peak_clear: params.peak_min,
        in_plane_min: 0.5,
        ..*params
    }
}

/// What the hand's own turning has to look like to be a swing's whatever the forearm did (judgement, on everyday
/// movements with seeds under 100): fast, and much faster down than back.
fn clear(params: &PhaseParams) -> PhaseParams {
    PhaseParams {
        travel_min: 30.0_f64.to_radians(),
        peak_min: 400.0_f64.to_radians(),
        faster_by: 1.7,
        through_min: 0.0,
        through_share_min: 0.0,
        in_plane_min: 0.6,
        back_within: 45.0_f64.to_radians(),
        ..*params
    }
}

fn estimate(candidate: &Candidate, axes: &WristAxes, lead_arm_sign: f64, care: Care) -> Option<HubEstimate> {
    let phases = &candidate.phases;
    let address_s = stillness_before(&candidate.hand, phases.takeaway_s);
    let hand_from_sensor = axes.hand_from_sensor();
    let until_s = phases.back_s + AFTER_BACK_S;
    let path = Path::of(&candidate.hand, &candidate.episode.hand, &hand_from_sensor, address_s, until_s)?;
    let span = HubSpan {
        takeaway_s: phases.takeaway_s,
        top_s: phases.top_s,
        back_s: phases.back_s,
        normal: phases.normal,
        lead_arm_sign,
    };
    hub::estimate(&path, &hand_from_sensor, &span, &HubParams::default(), care)
}

/// The arm as the model has it, and as the hand's turning has it where the model does not reach. Before the
/// takeaway the wrist is still, so the hand's rates are the arm's there, and the better ones.
fn arm_with(candidate: &Candidate, hub: &HubEstimate, lead_arm_sign: f64) -> ArmTrack {
    let mut arm = candidate.arm.clone();
    for (i, t_s) in hub.t_s.iter().enumerate() {
        let at = arm.t_s.partition_point(|t| *t < t_s - 1e-9);
        if arm.t_s.get(at).is_none_or(|t| (t - t_s).abs() > 1e-6) {
            continue;
        }
        // The hand's rate in the level frame, put together again from its two parts.
        let roll = -lead_arm_sign * arm.roll_rate[at];
        let hand_rate = arm.swing_rate[at] + arm.distal[at] * roll;
        arm.distal[at] = hub.distal[i];
        if *t_s < candidate.phases.takeaway_s {
            continue;
        }
        arm.swing_rate[at] = hub.swing_rate[i];
        arm.roll_rate[at] = -lead_arm_sign * hand_rate.dot(&hub.distal[i]);
        arm.rate[at] = arm.swing_rate[at].norm().hypot(arm.roll_rate[at]);
    }
    arm
}

/// The wrist at the arm's instants, held beyond the model's reach.
pub(super) fn curves(candidate: &Candidate, hub: &HubEstimate, params: &MeasureParams) -> Curves {
    let t_s = candidate.arm.t_s.clone();
    let angle = |which: usize| -> Vec<f64> {
        let values: Vec<f64> = hub.wrist.iter().map(|pair| pair[which]).collect();
        t_s.iter().map(|t_s| value_at(&hub.t_s, &values, *t_s)).collect()
    };
    let (hinge, flexion) = (angle(0), angle(1));
    let shaft_in_hand = params.shaft_in_hand();
    let shaft = |(hinge, flexion): (&f64, &f64)| {
        let forearm_from_hand = wrist::bent(*hinge, *flexion, params.lead_arm_sign);
        (forearm_from_hand * shaft_in_hand).angle(&Vector3::y())
    };
    Curves {
        arm_shaft: hinge.iter().zip(&flexion).map(shaft).collect(),
        axial: vec![0.0; t_s.len()],
        t_s,
        hinge,
        flexion,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::UnitQuaternion;

    /// Back by 120° in 0.8 s from 1 s on, down and through by 240° in 0.6 s: the angle, rad.
    fn angle(t_s: f64) -> f64 {
        let smooth = |from_s: f64, takes_s: f64| {
            let u = ((t_s - from_s) / takes_s).clamp(0.0, 1.0);
            u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
        };
        (120.0 * smooth(1.0, 0.8) - 240.0 * smooth(1.8, 0.6)).to_radians()
    }

    /// A hand that turns so about a level axis, on the way down turned about the vertical by up to `beside`, rad.
    fn hand(beside: f64) -> ArmTrack {
        let direction = |t_s: f64| {
            let off = if (1.8..2.1).contains(&t_s) {
                ((t_s - 1.8) / 0.3 * std::f64::consts::PI).sin()
            } else {
                0.0
            };
            let aside = UnitQuaternion::from_scaled_axis(Vector3::z() * beside * off);
            aside * Vector3::new(angle(t_s).sin(), 0.0, -angle(t_s).cos())
        };
        let mut hand = ArmTrack::default();
        for i in 0..2000 {
            let t_s = f64::from(i) * 0.002;
            let distal = direction(t_s);
            let rate = distal.cross(&(direction(t_s + 1e-4) - direction(t_s - 1e-4))) / 2e-4;
            hand.t_s.push(t_s);
            hand.distal.push(distal);
            hand.swing_rate.push(rate);
            hand.roll_rate.push(0.0);
            hand.rate.push(rate.norm());
        }
        hand
    }

    /// At the ball, 0.3 s after the top, the hand is back at its address pose. Where it came down beside its plane, its
    /// angle in that plane is not.
    #[test]
    fn a_hand_that_comes_down_beside_its_way_back_is_at_the_ball_where_it_is_nearest_to_address() {
        let by_angle = loose(&PhaseParams::default());
        let nearest = PhaseParams { back_where_nearest: true, ..by_angle };
        let back_s = |beside: f64, params| search::find(&hand(beside), params).unwrap().back_s;
        for params in [&by_angle, &nearest] {
            assert!((back_s(0.0, params) - 2.1).abs() < 0.003);
        }
        assert!((back_s(0.85, &nearest) - 2.1).abs() < 0.003, "{}", back_s(0.85, &nearest));
        assert!(back_s(0.85, &by_angle) > 2.13, "{}", back_s(0.85, &by_angle));
    }
}
