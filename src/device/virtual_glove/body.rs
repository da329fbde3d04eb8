//! The lead arm as a rigid chain: from joint curves to what a point on the forearm or the hand feels.
//!
//! The world has x towards the target, z up, and a right-handed player's ball on the −y side. The chain is
//! built for the left lead arm of a right-handed player; a left-handed player's is its exact mirror y → −y,
//! in which segment frames mirror their z (Wu et al. 2005 for the frames, the mirror rule from memory).
//!
//! hub (between the shoulders) → heading → lift off the vertical → turn of the shoulders → arm in the swing
//! plane → out of that plane → turn of the upper arm → elbow → roll of the forearm → flexion → hinge.
//!
//! Rate and acceleration are carried along the chain exactly (the forward pass of the recursive
//! Newton-Euler method, in body coordinates), so nothing is differentiated by numbers.

use super::curve::Jet;
use super::vector::{IDENTITY, Mat3, Vec3, add, cross};
use crate::sample::NodeRole;
use crate::units::GRAVITY_MPS2;
use crate::units::PlayerHand;

/// The hub to the lead shoulder, in the frame that turns with the shoulders, m.
const SHOULDER_M: Vec3 = [-0.17, -0.04, 0.0];
/// The lead shoulder to the elbow, in the frame of the upper arm, m.
pub(super) const UPPER_ARM_M: Vec3 = [0.0, -0.30, 0.0];
/// The elbow to the wrist, in the frame of the forearm, m.
const FOREARM_M: Vec3 = [0.0, -0.26, 0.0];

/// One degree of freedom. Angles are in degrees, positions in metres, until [`Joint::si_factor`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Joint {
    /// Hub towards the target, m.
    HubX,
    /// Hub away from a right-handed player's ball, m.
    HubY,
    /// Hub up, m.
    HubZ,
    /// The whole player about the vertical.
    Heading,
    /// The arm's plane off the vertical; 90° minus this is the plane's angle from the horizontal.
    Lift,
    /// Shoulders turned in the plane, away from the target positive.
    Trunk,
    /// Arm turned in the plane from pointing at the ball, away from the target positive.
    Swing,
    /// Arm out of the plane, away from the body positive.
    OutOfPlane,
    /// Upper arm about its long axis, inwards positive: with it the hand rolls as by pronation.
    UpperArm,
    /// Elbow bent.
    Elbow,
    /// Forearm about its long axis, pronation positive.
    Roll,
    /// Wrist, palmar flexion positive.
    Flexion,
    /// Wrist, radial deviation positive.
    Hinge,
    /// Wrist about the hand's long axis, which no muscle turns: the little that it gives.
    Give,
}

/// Number of joints.
pub const JOINTS: usize = 14;

impl Joint {
    /// Every joint, in the order of its number.
    pub const ALL: [Joint; JOINTS] = [
        Joint::HubX,
        Joint::HubY,
        Joint::HubZ,
        Joint::Heading,
        Joint::Lift,
        Joint::Trunk,
        Joint::Swing,
        Joint::OutOfPlane,
        Joint::UpperArm,
        Joint::Elbow,
        Joint::Roll,
        Joint::Flexion,
        Joint::Hinge,
        Joint::Give,
    ];

    /// What its value is multiplied with to get radians or metres.
    #[must_use]
    pub fn si_factor(self) -> f64 {
        match self {
            Joint::HubX | Joint::HubY | Joint::HubZ => 1.0,
            _ => std::f64::consts::PI / 180.0,
        }
    }
}

/// The value of every joint, degrees and metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Posture(pub [f64; JOINTS]);

impl Posture {
    /// The arm hanging beside a player who stands upright.
    #[must_use]
    pub fn hanging() -> Posture {
        Posture([0.0; JOINTS]).with(Joint::HubZ, 1.42).with(Joint::Lift, 6.0).with(Joint::Elbow, 12.0)
    }

    /// The same posture with one joint changed.
    #[must_use]
    pub fn with(mut self, joint: Joint, value: f64) -> Posture {
        self.0[joint as usize] = value;
        self
    }

    /// The value of one joint, degrees or metres.
    #[must_use]
    pub fn get(&self, joint: Joint) -> f64 {
        self.0[joint as usize]
    }
}

/// How a rigid segment moves. `rate` and all vectors but the position are in the segment's own frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SegmentMotion {
    /// Its orientation: `v_world = R v_segment`.
    pub world_from_segment: Mat3,
    /// Where its origin (the joint nearer to the body) is, world frame, m.
    pub position_m: Vec3,
    /// Angular rate, rad/s.
    pub rate_rps: Vec3,
    /// Angular acceleration, rad/s².
    pub rate_change_rps2: Vec3,
    /// Acceleration of the origin minus gravity, m/s².
    pub specific_force_mps2: Vec3,
}

impl SegmentMotion {
    /// A frame that moves with the hub but does not turn.
    pub(super) fn at_hub(joints: &[Jet; JOINTS]) -> SegmentMotion {
        let [x, y, z] = [joints[0], joints[1], joints[2]];
        SegmentMotion {
            world_from_segment: IDENTITY,
            position_m: [x.value, y.value, z.value],
            rate_rps: [0.0; 3],
            rate_change_rps2: [0.0; 3],
            specific_force_mps2: [x.accel, y.accel, z.accel + GRAVITY_MPS2],
        }
    }

    /// Goes over to a frame that turns by `angle` (rad) about the coordinate axis `axis` of this one.
    pub(super) fn turn(&mut self, axis: usize, angle: Jet) {
        let (i, j) = ((axis + 1) % 3, (axis + 2) % 3);
        let (sin, cos) = angle.value.sin_cos();
        let into_turned = |v: &mut Vec3| {
            (v[i], v[j]) = (cos * v[i] + sin * v[j], cos * v[j] - sin * v[i]);
        };
        into_turned(&mut self.rate_rps);
        into_turned(&mut self.rate_change_rps2);
        into_turned(&mut self.specific_force_mps2);
        self.world_from_segment.iter_mut().for_each(into_turned);
        // The parent's rate, seen from the turning frame, changes by rate × (angle.rate · axis).
        self.rate_change_rps2[i] += self.rate_rps[j] * angle.rate;
        self.rate_change_rps2[j] -= self.rate_rps[i] * angle.rate;
        self.rate_change_rps2[axis] += angle.accel;
        self.rate_rps[axis] += angle.rate;
    }

    /// Goes over to axes that point as the forearm's at address in a vertical swing plane:
    /// x away from the target, y up, z away from the ball.
    fn face_ball(&mut self) {
        let reframe = |v: &mut Vec3| *v = [-v[0], v[2], v[1]];
        reframe(&mut self.rate_rps);
        reframe(&mut self.rate_change_rps2);
        reframe(&mut self.specific_force_mps2);
        self.world_from_segment.iter_mut().for_each(reframe);
    }

    /// Goes over to the axes of a trunk that faces the ball upright: x forwards, y up, z to the right, away from
    /// the target.
    pub(super) fn stand_facing_ball(&mut self) {
        let reframe = |v: &mut Vec3| *v = [-v[1], v[2], -v[0]];
        reframe(&mut self.rate_rps);
        reframe(&mut self.rate_change_rps2);
        reframe(&mut self.specific_force_mps2);
        self.world_from_segment.iter_mut().for_each(reframe);
    }

    /// Turns the whole frame by small angles (degrees) along flexion and hinge about a point of it.
    fn give_way(&mut self, pivot_m: Vec3, [flexion, hinge]: [Jet; 2]) {
        let to_rad = std::f64::consts::PI / 180.0;
        self.shift(pivot_m);
        self.turn(2, flexion.times(to_rad));
        self.turn(0, hinge.times(to_rad));
        self.shift(pivot_m.map(|v| -v));
    }

    /// Moves the origin within the segment.
    fn shift(&mut self, offset_m: Vec3) {
        self.specific_force_mps2 = self.specific_force_at(offset_m);
        self.position_m = self.position_of(offset_m);
    }

    /// Acceleration minus gravity of a point fixed in the segment, segment frame, m/s².
    #[must_use]
    pub fn specific_force_at(&self, point_m: Vec3) -> Vec3 {
        let tangential = cross(self.rate_change_rps2, point_m);
        let centripetal = cross(self.rate_rps, cross(self.rate_rps, point_m));
        add(self.specific_force_mps2, add(tangential, centripetal))
    }

    /// World position of a point fixed in the segment, m.
    #[must_use]
    pub fn position_of(&self, point_m: Vec3) -> Vec3 {
        add(self.position_m, super::vector::apply(&self.world_from_segment, point_m))
    }

    /// The mirror image y → −y of this motion. The mirrored segment has its z mirrored to stay
    /// right-handed; a rate is an axial vector, so it mirrors with the opposite signs.
    #[must_use]
    pub fn mirrored(&self) -> SegmentMotion {
        let polar = |v: Vec3| [v[0], v[1], -v[2]];
        let axial = |v: Vec3| [-v[0], -v[1], v[2]];
        let [x, y, z] = self.world_from_segment;
        let [px, py, pz] = self.position_m;
        SegmentMotion {
            world_from_segment: [polar(x), polar(y).map(|v| -v), polar(z)],
            position_m: [px, -py, pz],
            rate_rps: axial(self.rate_rps),
            rate_change_rps2: axial(self.rate_change_rps2),
            specific_force_mps2: polar(self.specific_force_mps2),
        }
    }
}

/// How the forearm moves; its origin is the elbow.
fn forearm(joints: &[Jet; JOINTS]) -> SegmentMotion {
    let joint = |j: Joint| joints[j as usize].times(j.si_factor());
    let mut frame = SegmentMotion::at_hub(joints);
    frame.turn(2, joint(Joint::Heading));
    frame.face_ball();
    frame.turn(0, joint(Joint::Lift));
    frame.turn(2, joint(Joint::Trunk));
    frame.shift(SHOULDER_M);
    frame.turn(2, joint(Joint::Swing).plus(joint(Joint::Trunk).times(-1.0)));
    frame.turn(0, joint(Joint::OutOfPlane));
    frame.shift(UPPER_ARM_M);
    // Pronation is a turn about +y on a right arm, so about −y on this left one; the upper arm's likewise.
    frame.turn(1, joint(Joint::UpperArm).times(-1.0));
    frame.turn(0, joint(Joint::Elbow));
    frame.turn(1, joint(Joint::Roll).times(-1.0));
    frame
}

/// How the segment under a node moves: `joints` are curves in degrees and metres.
///
/// The hand's origin is the wrist, the forearm's the elbow. The trunk is none of this chain ([`super::trunk`]):
/// asked for it, this answers with the forearm.
#[must_use]
pub fn segment_motion(role: NodeRole, player_hand: PlayerHand, joints: &[Jet; JOINTS]) -> SegmentMotion {
    let frame = left_arm_motion(role, joints);
    match player_hand {
        PlayerHand::Right => frame,
        PlayerHand::Left => frame.mirrored(),
    }
}

/// How the soft tissue under a node moves: the segment's motion, turned by `give_deg` along flexion and hinge
/// about `pivot_m`, which is told for a left lead arm.
#[must_use]
pub fn tissue_motion(
    role: NodeRole,
    player_hand: PlayerHand,
    joints: &[Jet; JOINTS],
    pivot_m: Vec3,
    give_deg: [Jet; 2],
) -> SegmentMotion {
    let mut frame = left_arm_motion(role, joints);
    frame.give_way(pivot_m, give_deg);
    match player_hand {
        PlayerHand::Right => frame,
        PlayerHand::Left => frame.mirrored(),
    }
}

fn left_arm_motion(role: NodeRole, joints: &[Jet; JOINTS]) -> SegmentMotion {
    let mut frame = forearm(joints);
    if role == NodeRole::Hand {
        let joint = |j: Joint| joints[j as usize].times(j.si_factor());
        frame.shift(FOREARM_M);
        frame.turn(2, joint(Joint::Flexion));
        // Rx(s·ulnar) with s = −1 on a left arm and ulnar = −hinge.
        frame.turn(0, joint(Joint::Hinge));
        frame.turn(1, joint(Joint::Give));
    }
    frame
}

/// Angle between the shaft and the hand's long axis, towards the thumb, degrees.
const GRIP_DEG: f64 = 31.0;
/// Where the shaft is gripped, in the hand of a left lead arm, m: in the palm, near the knuckles.
pub(super) const GRIPPED_M: Vec3 = [0.022, -0.075, 0.0];

/// Where the head of a club is in the hand, m. The virtual player's clubs are of usual lengths, gripped 70 mm from
/// the end and stiff, with the head's middle 20 mm before the other end.
#[must_use]
pub fn head_in_hand_m(club: &str, player_hand: PlayerHand) -> Vec3 {
    let length_m = if club.contains("driver") {
        1.143
    } else if club.contains("wedge") {
        0.895
    } else {
        0.94
    };
    let from_grip_m = length_m - 0.09;
    let (sin, cos) = GRIP_DEG.to_radians().sin_cos();
    let towards_thumb = player_hand.lead_arm_sign() * from_grip_m * sin;
    add(GRIPPED_M, [0.0, -from_grip_m * cos, towards_thumb])
}
