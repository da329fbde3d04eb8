//! Speeds of hand and head at the ball, and where they come from, each with its uncertainty.

use super::hub::{Pose, SHOULDER_SD_MPS, ball_sd_s, pose_at_ball};
use super::levers::{LENGTHS, Levers, NODE_SD_M};
use super::{Figure, NO_MOTION};
use crate::detect::{Flag, Swing, SwingMotion};
use crate::fusion::joint::moved_axis;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::units::{DeviceTime, Measured};
use nalgebra::{Unit, UnitQuaternion, Vector3};

/// Scale of a gyro in fast motion, share (what the joint estimate leaves of it; judgement).
const RATE_SD: f64 = 0.004;
/// The same where the gyro was clipped: what is carried on through the clipped stretch is a guess.
const CLIPPED_RATE_SD: f64 = 0.05;
/// The level frame at the ball, and the hand's frame in its node, are off by as much as the hinge at the top, since the
/// same gyros and the same seat make it, and by this besides, degrees (judgement).
const FRAME_SD_DEG: f64 = 0.3;
/// The same where no hinge is told.
const NO_HINGE_SD_DEG: f64 = 1.0;
/// A shaft bends; what the head does beyond a stiff one is not seen: share of its speed (judgement, from some 2 m/s
/// of kick at 45 m/s in common practice).
const BEND_SD: f64 = 0.01;
/// Things that may be off besides the lengths: node velocity (3), what of it was carried on, the node's place (2) and
/// seat (2), both gyros' scales, the arm's direction in the cuff (2), soft tissue, the ball's time.
const OTHERS: usize = 14;

const NO_SHOULDER: &str = "the accelerometer does not tell how fast the shoulder was";

/// Speeds at the ball.
#[derive(Clone, Debug, PartialEq)]
pub struct HeadSpeed {
    /// Middle of the lead hand on the grip, m/s.
    pub hand_mps: Figure,
    /// The wrist's speed if the shoulder stood still: arm's length times its rate, m/s.
    pub wrist_from_arm_mps: Figure,
    /// The wrist's speed by the accelerometer alone, m/s.
    pub wrist_from_accelerometer_mps: Figure,
    /// The head, m/s; a stiff shaft is assumed.
    pub head_mps: Figure,
    /// What of it the moving shoulder gives, m/s along the head's way. The four add up to it.
    pub from_body_mps: Figure,
    /// What the arm gives that swings about the shoulder, m/s.
    pub from_arm_mps: Figure,
    /// What the wrist gives that is released, m/s.
    pub from_wrist_mps: Figure,
    /// What the forearm gives that rolls, m/s.
    pub from_roll_mps: Figure,
    /// Way of the head against the horizontal, degrees; negative is downward.
    pub attack_deg: Figure,
    /// Lean of the shaft towards where the head goes, degrees; positive with the hands ahead.
    pub shaft_lean_deg: Figure,
}

impl HeadSpeed {
    fn missing(reason: &'static str) -> HeadSpeed {
        let none = Err(reason);
        HeadSpeed {
            hand_mps: none,
            wrist_from_arm_mps: none,
            wrist_from_accelerometer_mps: none,
            head_mps: none,
            from_body_mps: none,
            from_arm_mps: none,
            from_wrist_mps: none,
            from_roll_mps: none,
            attack_deg: none,
            shaft_lean_deg: none,
        }
    }
}

/// The numbers in one row, so that all are carried through at once.
const NUMBERS: usize = 10;

fn numbers(pose: &Pose, levers: &Levers, shoulder: &Vector3<f64>) -> [f64; NUMBERS] {
    let wrist = pose.wrist_from_arm(levers) + shoulder;
    let to_head = pose.level_from_hand * levers.head();
    let head = wrist + pose.hand_rate.cross(&to_head);
    let way = head.normalize();
    let hand = wrist + pose.hand_rate.cross(&(pose.level_from_hand * levers.grip));
    let swing = pose.swing_rate();
    let ahead = Vector3::new(head.x, head.y, 0.0).normalize();
    let shaft = pose.level_from_hand * levers.shaft;
    [
        hand.norm(),
        pose.wrist_from_arm(levers).norm(),
        pose.wrist_from_node(levers).map_or(f64::NAN, |wrist| wrist.norm()),
        head.norm(),
        shoulder.dot(&way),
        swing.cross(&(pose.arm * levers.arm_m + to_head)).dot(&way),
        (pose.hand_rate - pose.arm_rate).cross(&to_head).dot(&way),
        (pose.arm_rate - swing).cross(&to_head).dot(&way),
        way.z.asin().to_degrees(),
        // The shaft points down from the hands: hands ahead of the head, it points back.
        (-shaft.dot(&ahead)).atan2(-shaft.z).to_degrees(),
    ]
}

/// Speeds at the ball of a swing. `carried_off_mps` is how far the node's velocity may be off where it was carried on.
#[must_use]
pub fn head_speed(
    swing: &Swing,
    arm: &ArmMeasures,
    club: &ClubMeasures,
    carried_off_mps: &Vector3<f64>,
) -> HeadSpeed {
    let motion = &swing.motion;
    let Some((ball, pose)) = motion.ball.and_then(|ball| Some((ball, pose_at_ball(motion, ball)?))) else {
        return HeadSpeed::missing(NO_MOTION);
    };
    // An accelerometer that is less sure of the shoulder than nobody tells nothing of it.
    let sees_shoulder =
        motion.velocity_sd_mps <= SHOULDER_SD_MPS && pose.shoulder(&Levers::of(motion, arm, club)).is_some();
    let at_ball = AtBall { motion, arm, club, pose, sees_shoulder };
    let best = at_ball.numbers(&pose, [0.0; LENGTHS]);
    let others = others(swing, motion, ball, &pose, carried_off_mps);
    let variance = at_ball.variance(&best, &others, frame_sd_deg(swing));
    told(&best, &variance, sees_shoulder)
}

/// The swing at the ball, with what is known of arm and club.
struct AtBall<'a> {
    motion: &'a SwingMotion,
    arm: &'a ArmMeasures,
    club: &'a ClubMeasures,
    pose: Pose,
    sees_shoulder: bool,
}

impl AtBall<'_> {
    /// The numbers by this pose, with each length off by so many standard deviations.
    fn numbers(&self, pose: &Pose, by: [f64; LENGTHS]) -> [f64; NUMBERS] {
        let levers = Levers::off_by(self.motion, self.arm, self.club, by);
        let wrist = pose.wrist_from_node(&levers).filter(|_| self.sees_shoulder);
        let shoulder = wrist.map(|wrist| wrist - pose.wrist_from_arm(&levers));
        numbers(pose, &levers, &shoulder.unwrap_or_default())
    }

    /// Variances of the numbers: from the lengths, the other things that may be off, a shoulder that is not seen, a shaft
    /// that bends, and the level frame.
    fn variance(&self, best: &[f64; NUMBERS], others: &[Pose; OTHERS], frame_sd_deg: f64) -> [f64; NUMBERS] {
        let lengths = (0..LENGTHS).map(|which| {
            let mut by = [0.0; LENGTHS];
            by[which] = 1.0;
            self.numbers(&self.pose, by)
        });
        let others = others.iter().map(|pose| self.numbers(pose, [0.0; LENGTHS]));
        let mut variance = [0.0; NUMBERS];
        for row in lengths.chain(others).chain(self.with_unseen_shoulder()) {
            for (sum, (off, best)) in variance.iter_mut().zip(row.iter().zip(best)) {
                *sum += (off - best).powi(2);
            }
        }
        variance[3] += (BEND_SD * best[3]).powi(2);
        variance[8] += frame_sd_deg.powi(2);
        variance[9] += frame_sd_deg.powi(2);
        variance
    }

    /// The numbers with a shoulder that moves along each axis, where none is seen.
    fn with_unseen_shoulder(&self) -> Vec<[f64; NUMBERS]> {
        if self.sees_shoulder {
            return Vec::new();
        }
        let levers = Levers::of(self.motion, self.arm, self.club);
        let axes = [Vector3::x(), Vector3::y(), Vector3::z()];
        axes.map(|axis| numbers(&self.pose, &levers, &(axis * SHOULDER_SD_MPS))).into()
    }
}

/// The numbers under their names.
fn told(best: &[f64; NUMBERS], variance: &[f64; NUMBERS], sees_shoulder: bool) -> HeadSpeed {
    let figure = |i: usize| Ok(Measured::new(best[i], variance[i].sqrt()));
    let with_shoulder = |i: usize| if sees_shoulder { figure(i) } else { Err(NO_SHOULDER) };
    HeadSpeed {
        hand_mps: figure(0),
        wrist_from_arm_mps: figure(1),
        wrist_from_accelerometer_mps: with_shoulder(2),
        head_mps: figure(3),
        from_body_mps: with_shoulder(4),
        from_arm_mps: figure(5),
        from_wrist_mps: figure(6),
        from_roll_mps: figure(7),
        attack_deg: figure(8),
        shaft_lean_deg: figure(9),
    }
}

fn frame_sd_deg(swing: &Swing) -> f64 {
    let hinge_sd = swing.hinge_deg.top.map_or(NO_HINGE_SD_DEG, |hinge| hinge.sd);
    FRAME_SD_DEG.hypot(hinge_sd).hypot(swing.motion.mended_sd.to_degrees())
}

/// The pose with each of the other things off by one standard deviation.
fn others(
    swing: &Swing,
    motion: &SwingMotion,
    ball: DeviceTime,
    pose: &Pose,
    carried_off_mps: &Vector3<f64>,
) -> [Pose; OTHERS] {
    let moved =
        |by: Vector3<f64>| Pose { node_velocity: pose.node_velocity.map(|velocity| velocity + by), ..*pose };
    let drifted = |axis: Vector3<f64>| moved(axis * motion.velocity_sd_mps);
    // The glove's hand frame is off about the axes that the wrist does not turn about.
    let seated = |axis: Vector3<f64>| Pose {
        level_from_hand: pose.level_from_hand
            * UnitQuaternion::from_scaled_axis(axis * frame_sd_deg(swing).to_radians()),
        ..*pose
    };
    // A node that sits elsewhere on the hand moves otherwise.
    let placed =
        |axis: Vector3<f64>| moved(-pose.hand_rate.cross(&(pose.level_from_hand * (axis * NODE_SD_M))));
    let axis = Unit::new_normalize(pose.arm);
    let other_arm = |x: f64, y: f64| Pose { arm: moved_axis(&axis, x, y).into_inner(), ..*pose };
    let hidden = (pose.hand_rate - pose.arm_rate) * motion.tissue_sd;
    let clipped = swing.flags.contains(&Flag::GyroClipped);
    let scale = 1.0 + if clipped { CLIPPED_RATE_SD } else { RATE_SD };
    [
        drifted(Vector3::x()),
        drifted(Vector3::y()),
        drifted(Vector3::z()),
        moved(*carried_off_mps),
        placed(Vector3::x()),
        placed(Vector3::z()),
        seated(Vector3::y()),
        seated(Vector3::z()),
        Pose { hand_rate: pose.hand_rate * scale, ..*pose },
        Pose { arm_rate: pose.arm_rate * scale, ..*pose },
        other_arm(motion.arm_axis_sd, 0.0),
        other_arm(0.0, motion.arm_axis_sd),
        Pose { arm_rate: pose.arm_rate - hidden, hand_rate: pose.hand_rate + hidden, ..*pose },
        pose_at_ball(motion, ball.plus_seconds(-ball_sd_s(swing))).unwrap_or(*pose),
    ]
}
