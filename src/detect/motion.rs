//! How arm and hand move through a swing: what speeds are worked out from.

use super::candidate::{Candidate, cuff_turn};
use super::measure::{Instants, WristKnowledge};
use crate::fusion::series::{Reading, usual_step_s};
use crate::units::{DeviceTime, GRAVITY_MPS2};
use nalgebra::{UnitQuaternion, Vector3};

/// Before the top so long, and after the ball so long, every reading is kept, s; …
const FULL_BEFORE_TOP_S: f64 = 0.1;
const AFTER_BALL_S: f64 = 0.12;
/// … before that one in so many seconds.
const SPARSE_S: f64 = 0.01;
/// A step longer than so many usual ones is a gap.
const GAP_STEPS: f64 = 2.5;
/// Specific force changes by so much within a gap, g (judgement, a downswing's).
const GAP_CHANGE_G: f64 = 3.0;
/// What tilt and offsets of an accelerometer do to a velocity in a second, m/s: 5 mg and 0.3° each (judgement).
const DRIFT_MPS_PER_S: f64 = 0.07;
/// What scale and alignment of an accelerometer do to a velocity, as a share of it (0.5 %, judgement).
const SCALE_SHARE: f64 = 0.005;
/// Velocity that a player has at address who sways, m/s (judgement).
const SWAY_MPS: f64 = 0.03;

/// One instant. Vectors stand in one level frame (z up, any heading) for the whole swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionPoint {
    /// When, on the hand node's clock.
    pub t: DeviceTime,
    /// Direction of the forearm's long axis, towards the hand.
    pub arm: Vector3<f64>,
    /// Angular rate of the forearm, rad/s.
    pub arm_rate_rps: Vector3<f64>,
    /// The hand segment (x volar, y proximal).
    pub level_from_hand: UnitQuaternion<f64>,
    /// Angular rate of the hand, rad/s.
    pub hand_rate_rps: Vector3<f64>,
    /// Velocity of the hand's node from its accelerometer, m/s; missing from the ball on, since the shock spoils it.
    pub node_velocity_mps: Option<Vector3<f64>>,
}

/// The motion from takeaway to shortly after the ball; empty with the hand node alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SwingMotion {
    /// In order of time: sparse in the backswing, every reading from shortly before the top on.
    pub points: Vec<MotionPoint>,
    /// The ball, or where it would be: the arm back at its address angle.
    pub ball: Option<DeviceTime>,
    /// Where the lead arm passes the horizontal in the downswing.
    pub arm_horizontal: Option<DeviceTime>,
    /// Standard deviation of the node's velocity at the ball, per axis, m/s.
    pub velocity_sd_mps: f64,
    /// The sign of the ISB mirror rule.
    pub lead_arm_sign: f64,
    /// Angle between the hand's long axis and the shaft, towards the thumb, rad.
    pub grip: f64,
}

/// The hand node's velocity by its accelerometer, at its readings.
struct Velocity {
    t_s: Vec<f64>,
    mps: Vec<Vector3<f64>>,
    sd_mps: f64,
}

/// From rest at address to the ball. Gravity is the standard one along the level frame's z: what the forces of the
/// address itself come to has the sway of a few tenths of a second in it, which would be summed up over a second.
fn velocity(candidate: &Candidate, wrist: &WristKnowledge, instants: &Instants) -> Option<Velocity> {
    let readings = &candidate.episode.hand;
    let from = readings.partition_point(|reading| reading.t_s < instants.address_s.0);
    let to = readings.partition_point(|reading| reading.t_s < instants.ball_s);
    let used = readings.get(from..to).filter(|used| used.len() > 10)?;
    let offset = candidate.errors.hand.acc_bias_g;
    let force = |reading: &Reading| {
        wrist.start * candidate.hand.at(reading.t_s).0 * (reading.force_g - offset) * GRAVITY_MPS2
    };
    let forces: Vec<Vector3<f64>> = used.iter().map(force).collect();
    let at_address = used.partition_point(|reading| reading.t_s <= instants.address_s.1).max(2);
    let gravity = Vector3::new(0.0, 0.0, GRAVITY_MPS2);
    let mut mps = vec![Vector3::zeros()];
    let (mut sum, mut gap_s) = (Vector3::zeros(), 0.0);
    let usual_s = usual_step_s(used)?;
    for (readings, forces) in used.windows(2).zip(forces.windows(2)) {
        let step_s = readings[1].t_s - readings[0].t_s;
        sum += ((forces[0] + forces[1]) * 0.5 - gravity) * step_s;
        gap_s += if step_s > GAP_STEPS * usual_s { step_s } else { 0.0 };
        mps.push(sum);
    }
    let rest = mps[..at_address].iter().sum::<Vector3<f64>>() / at_address as f64;
    mps.iter_mut().for_each(|velocity| *velocity -= rest);
    let lasted_s = instants.ball_s - instants.address_s.1;
    let fastest = mps.iter().map(Vector3::norm).fold(0.0, f64::max);
    let sd_mps = (DRIFT_MPS_PER_S * lasted_s)
        .hypot(SCALE_SHARE * fastest)
        .hypot(SWAY_MPS)
        .hypot(GAP_CHANGE_G * GRAVITY_MPS2 * gap_s);
    Some(Velocity { t_s: used.iter().map(|reading| reading.t_s).collect(), mps, sd_mps })
}

impl Velocity {
    fn at(&self, t_s: f64) -> Option<Vector3<f64>> {
        let after = self.t_s.partition_point(|t| *t <= t_s);
        let before = after.checked_sub(1)?;
        if t_s == self.t_s[before] {
            return Some(self.mps[before]);
        }
        let (t0, v0, t1, v1) =
            (self.t_s[before], self.mps[before], self.t_s.get(after)?, self.mps.get(after)?);
        Some(v0 + (v1 - v0) * ((t_s - t0) / (t1 - t0)))
    }
}

/// The motion of a swing. `grip` and `lead_arm_sign` as the measurement has them.
pub(super) fn motion(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    instants: &Instants,
    (lead_arm_sign, grip): (f64, f64),
) -> SwingMotion {
    if candidate.hand_alone {
        return SwingMotion { lead_arm_sign, grip, ..SwingMotion::default() };
    }
    let velocity = velocity(candidate, wrist, instants);
    let sensor_from_hand = wrist.axes.hand_from_sensor().inverse();
    let arm = &candidate.arm;
    let mut points = Vec::new();
    let mut next_s = instants.takeaway_s;
    for (i, t_s) in arm.t_s.iter().copied().enumerate() {
        let sparse = t_s < instants.top_s - FULL_BEFORE_TOP_S;
        if t_s < next_s || t_s > instants.ball_s + AFTER_BALL_S {
            continue;
        }
        next_s = if sparse { t_s + SPARSE_S } else { t_s };
        let (hand, hand_rate) = candidate.hand.at(t_s);
        let (forearm, forearm_rate) = candidate.forearm.at(wrist.clock.forearm_s(t_s));
        // Half of what soft tissue hides is the hand's, the other half the cuff's.
        let (turn, turn_rate) = cuff_turn(wrist, (&forearm, &forearm_rate), (hand, hand_rate));
        let level = wrist.start * hand;
        points.push(MotionPoint {
            t: DeviceTime::at_seconds(t_s),
            arm: arm.distal[i],
            arm_rate_rps: arm.swing_rate[i] - arm.distal[i] * (lead_arm_sign * arm.roll_rate[i]),
            level_from_hand: UnitQuaternion::from_scaled_axis(turn) * level * sensor_from_hand,
            hand_rate_rps: level * hand_rate + turn_rate,
            node_velocity_mps: velocity.as_ref().and_then(|velocity| velocity.at(t_s)),
        });
    }
    SwingMotion {
        points,
        ball: Some(DeviceTime::at_seconds(instants.ball_s)),
        arm_horizontal: candidate.phases.arm_horizontal_s.map(DeviceTime::at_seconds),
        velocity_sd_mps: velocity.map_or(f64::INFINITY, |velocity| velocity.sd_mps),
        lead_arm_sign,
        grip,
    }
}
