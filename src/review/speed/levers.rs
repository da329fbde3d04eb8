//! Arm, hand and club as levers: where wrist, grip and head lie from the hand's node.

use crate::detect::SwingMotion;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use nalgebra::Vector3;

/// The middle of the lead hand grips so far from the grip's end, m: half a hand's breadth, and what of the grip
/// stands out (judgement).
pub const GRIPPED_AT_M: f64 = 0.07;
/// The head's middle lies so far before the end of the club's length, m. With both, a driver of 1.143 m reaches
/// 1.053 m from the hands; the swing of C.-C. Chiang's report of 2016 has 1.05 m.
const HEAD_BEFORE_END_M: f64 = 0.02;
/// The wrist's middle to the hand's node: so much of the hand's length along it, and so far behind it, m
/// (judgement: on the back of the hand).
const NODE_ALONG: f64 = 0.55;
const NODE_BEHIND_M: f64 = 0.022;
/// How well the node's place on the hand is known besides, per axis, m (judgement).
pub const NODE_SD_M: f64 = 0.006;
/// The middle of the gripped shaft: so much of the hand's length from the wrist, and so far into the palm, m.
const GRIP_ALONG: f64 = 0.75;
const GRIP_INSIDE_M: f64 = 0.022;

/// How many lengths may be off: see [`Levers::off_by`].
pub const LENGTHS: usize = 5;

/// The levers, hand frame (x volar, y proximal), m.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levers {
    /// Shoulder to wrist.
    pub arm_m: f64,
    /// Wrist to the hand's node.
    pub node: Vector3<f64>,
    /// Wrist to the gripped shaft.
    pub grip: Vector3<f64>,
    /// Unit vector down the shaft.
    pub shaft: Vector3<f64>,
    /// Gripped shaft to the head's middle; how far that lies beside the shaft's line is left out.
    pub shaft_m: f64,
}

impl Levers {
    /// The levers as far as they are known.
    #[must_use]
    pub fn of(motion: &SwingMotion, arm: &ArmMeasures, club: &ClubMeasures) -> Levers {
        Levers::off_by(motion, arm, club, [0.0; LENGTHS])
    }

    /// The levers when club, grip, grip angle, arm and hand are off by so many standard deviations.
    #[must_use]
    pub fn off_by(
        motion: &SwingMotion,
        arm: &ArmMeasures,
        club: &ClubMeasures,
        by: [f64; LENGTHS],
    ) -> Levers {
        let [length, gripped, angle, arm_length, hand_length] = by;
        let hand_m = arm.hand_length_m * (1.0 + 0.1 * hand_length);
        let grip = motion.grip + 5.0_f64.to_radians() * angle;
        Levers {
            arm_m: arm.arm_length_m + arm.arm_length_sd_m * arm_length,
            node: Vector3::new(-NODE_BEHIND_M, -NODE_ALONG * hand_m, 0.0),
            grip: Vector3::new(GRIP_INSIDE_M, -GRIP_ALONG * hand_m, 0.0),
            shaft: Vector3::new(0.0, -grip.cos(), motion.lead_arm_sign * grip.sin()),
            shaft_m: club.length_m + club.length_sd_m * length
                - HEAD_BEFORE_END_M
                - (GRIPPED_AT_M + 0.015 * gripped),
        }
    }

    /// Wrist to the head's middle.
    #[must_use]
    pub fn head(&self) -> Vector3<f64> {
        self.grip + self.shaft * self.shaft_m
    }

    /// Wrist to a point of the shaft, told from the grip's end.
    #[must_use]
    pub fn on_shaft(&self, from_end_m: f64) -> Vector3<f64> {
        self.grip + self.shaft * (from_end_m - GRIPPED_AT_M)
    }
}
