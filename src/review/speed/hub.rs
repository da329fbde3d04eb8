//! Arm, hand and node at one instant, and the shoulder as the hub that both turn about.

use super::levers::Levers;
use crate::detect::{MotionPoint, Swing, SwingMotion};
use crate::fusion::polynomial;
use crate::units::DeviceTime;
use nalgebra::{UnitQuaternion, Vector3};

/// Readings so far before the ball tell how all moves at it, s; those nearer than the second may show the shock.
pub const BEFORE_BALL_S: (f64, f64) = (0.014, 0.0012);
/// How well the ball is timed, s: by its shock, or by the arm being back, which a degree of drift moves by a millisecond
/// or two (judgement).
const BALL_SD_S: (f64, f64) = (0.0007, 0.003);
/// A lead shoulder is never faster than this, m/s (judgement: a quarter metre at twice the trunk's usual peak rate).
const SHOULDER_MAX_MPS: f64 = 5.0;
/// How fast it may be where nothing is known of it, m/s per axis (judgement).
pub const SHOULDER_SD_MPS: f64 = 0.9;

/// How well the ball of a swing is timed, s.
#[must_use]
pub fn ball_sd_s(swing: &Swing) -> f64 {
    if swing.impact.is_some() { BALL_SD_S.0 } else { BALL_SD_S.1 }
}

/// One instant of arm and hand, level frame, SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// Direction of the arm, towards the hand.
    pub arm: Vector3<f64>,
    /// Angular rate of the forearm.
    pub arm_rate: Vector3<f64>,
    /// The hand.
    pub level_from_hand: UnitQuaternion<f64>,
    /// Angular rate of the hand.
    pub hand_rate: Vector3<f64>,
    /// Velocity of the hand's node by its accelerometer.
    pub node_velocity: Option<Vector3<f64>>,
}

impl Pose {
    /// The pose of a point of the motion.
    #[must_use]
    pub fn of(point: &MotionPoint) -> Pose {
        Pose {
            arm: point.arm,
            arm_rate: point.arm_rate_rps,
            level_from_hand: point.level_from_hand,
            hand_rate: point.hand_rate_rps,
            node_velocity: point.node_velocity_mps,
        }
    }

    /// The forearm's rate without its roll: how the arm swings.
    #[must_use]
    pub fn swing_rate(&self) -> Vector3<f64> {
        self.arm_rate - self.arm * self.arm.dot(&self.arm_rate)
    }

    /// Velocity of the wrist if the shoulder stood still, m/s.
    #[must_use]
    pub fn wrist_from_arm(&self, levers: &Levers) -> Vector3<f64> {
        self.swing_rate().cross(&(self.arm * levers.arm_m))
    }

    /// Velocity of the wrist by the accelerometer, m/s.
    #[must_use]
    pub fn wrist_from_node(&self, levers: &Levers) -> Option<Vector3<f64>> {
        let node = self.level_from_hand * levers.node;
        self.node_velocity.map(|velocity| velocity - self.hand_rate.cross(&node))
    }

    /// Angle between arm and shaft, degrees; 180 is a straight line.
    #[must_use]
    pub fn arm_shaft_deg(&self, levers: &Levers) -> f64 {
        (self.level_from_hand * levers.shaft).angle(&-self.arm).to_degrees()
    }

    /// Velocity of the shoulder: what the accelerometer sees beyond the arm's turning, m/s. Missing where there is
    /// none, or none that a shoulder can have.
    #[must_use]
    pub fn shoulder(&self, levers: &Levers) -> Option<Vector3<f64>> {
        let seen = self.wrist_from_node(levers)? - self.wrist_from_arm(levers);
        (seen.norm() <= SHOULDER_MAX_MPS).then_some(seen)
    }
}

/// How all moves at an instant, as the readings shortly before it tell: a parabola through them. `None` with too few.
#[must_use]
pub fn pose_at_ball(motion: &SwingMotion, ball: DeviceTime) -> Option<Pose> {
    let since = |point: &MotionPoint| point.t.seconds_since(ball);
    let (first_s, last_s) = BEFORE_BALL_S;
    let mut near: Vec<&MotionPoint> =
        motion.points.iter().filter(|point| (-first_s..=-last_s).contains(&since(point))).collect();
    if near.len() < 3 {
        // A slow node: the last three before the shock.
        near = motion.points.iter().filter(|point| since(point) <= -last_s && since(point) > -0.03).collect();
        near = near.split_off(near.len().saturating_sub(3));
    }
    let last = *near.last().filter(|_| near.len() >= 3)?;
    let vector = |value: fn(&MotionPoint) -> Vector3<f64>| at_zero(&near, since, value);
    let (arm_rate, hand_rate) = (vector(|p| p.arm_rate_rps)?, vector(|p| p.hand_rate_rps)?);
    let on_s = -since(last);
    let on = |start: &Vector3<f64>, end: &Vector3<f64>| {
        UnitQuaternion::from_scaled_axis((start + end) * (0.5 * on_s))
    };
    let moving = near.iter().all(|point| point.node_velocity_mps.is_some());
    let node_velocity = vector(|p| p.node_velocity_mps.unwrap_or_default()).filter(|_| moving);
    Some(Pose {
        arm: on(&last.arm_rate_rps, &arm_rate) * last.arm,
        arm_rate,
        level_from_hand: on(&last.hand_rate_rps, &hand_rate) * last.level_from_hand,
        hand_rate,
        node_velocity,
    })
}

/// The value at the ball of a parabola through a vector's readings near it; of a line with few readings.
fn at_zero(
    near: &[&MotionPoint],
    since: impl Fn(&MotionPoint) -> f64,
    value: fn(&MotionPoint) -> Vector3<f64>,
) -> Option<Vector3<f64>> {
    let points = near.iter().map(|point| (since(point), value(point)));
    if near.len() >= 5 {
        polynomial::derivatives::<3, 3>(points, BEFORE_BALL_S.0).map(|fit| fit.row(0).transpose())
    } else {
        polynomial::derivatives::<2, 3>(points, BEFORE_BALL_S.0).map(|fit| fit.row(0).transpose())
    }
}
