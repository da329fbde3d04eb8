//! A stick figure of lead arm and club over a swing. Pure.
//!
//! The angles are measured, or with the hand node alone worked out; what they are hung on is assumed, since two sensors
//! on one arm see neither shoulder nor ball: the shoulder stays where it is, the arm turns in one inclined plane and
//! hangs straight down in it at the takeaway, with the palm facing away from the target. So it shows how arm, wrist and
//! club belong together, not where the ball would go.
//!
//! World: x to the target, y up, z from the player to the ball, for a right-handed player; a left-handed one's is
//! the mirror image in both views.

use crate::detect::{CurvePoint, Swing};
use crate::fusion::wrist;
use crate::record::measures::USUAL_ARM_M;
use crate::units::PlayerHand;
use nalgebra::{Rotation3, Unit, UnitQuaternion, Vector3};

/// Inclination of the plane, degrees (assumed).
const PLANE_DEG: f64 = 55.0;
/// Wrist to the club's head (assumed), m.
const CLUB_M: f64 = 1.0;
/// The figure is a right-handed player's, whose lead arm is the left one.
const LEFT_ARM: f64 = -1.0;

/// Where a point is seen, m from the shoulder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// To the right, by a viewer who faces the player.
    pub face_on: f64,
    /// To the right, by a viewer who looks along the line to the target.
    pub down_the_line: f64,
    /// Up, by both.
    pub up: f64,
}

/// Arm and club at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pose {
    /// The wrist.
    pub wrist: Seen,
    /// The club's head.
    pub head: Seen,
}

/// The poses of a swing's curve. A wrist that was not seen is drawn as at address.
#[must_use]
pub fn poses(swing: &Swing, hand: PlayerHand) -> Vec<Pose> {
    let value = |angle: Option<crate::units::Measured>| angle.map_or(0.0, |angle| angle.value);
    let address = (value(swing.hinge_deg.address), value(swing.flexion_deg.address));
    let shaft = shaft(swing.motion.grip);
    swing.curve.iter().map(|point| pose(point, address, (hand, shaft))).collect()
}

fn pose(point: &CurvePoint, address_deg: (f64, f64), (hand, shaft): (PlayerHand, Vector3<f64>)) -> Pose {
    let known = |angle: f64| if angle.is_finite() { angle } else { 0.0 };
    let hinge = (known(point.hinge_deg) + address_deg.0).to_radians();
    let flexion = (known(point.flexion_deg) + address_deg.1).to_radians();
    let world_from_forearm = forearm(known(point.arm_travel_deg), known(point.roll_deg));
    let wrist = world_from_forearm * Vector3::new(0.0, -USUAL_ARM_M, 0.0);
    let head = wrist + world_from_forearm * (wrist::bent(hinge, flexion, LEFT_ARM) * shaft * CLUB_M);
    Pose { wrist: seen(wrist, hand), head: seen(head, hand) }
}

/// The left forearm in the world: turned in the plane by the arm travel, and about itself by the roll.
fn forearm(travel_deg: f64, roll_deg: f64) -> UnitQuaternion<f64> {
    let (sin, cos) = PLANE_DEG.to_radians().sin_cos();
    let hanging = Vector3::new(0.0, -sin, cos);
    let away = -Vector3::x();
    let (palm, proximal) = (away, -hanging);
    let at_takeaway = Rotation3::from_basis_unchecked(&[palm, proximal, palm.cross(&proximal)]);
    let about = Unit::new_normalize(hanging.cross(&away));
    let turned = UnitQuaternion::from_axis_angle(&about, travel_deg.to_radians());
    // Pronation turns a left forearm backwards about its proximal axis.
    let rolled = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), -roll_deg.to_radians());
    turned * UnitQuaternion::from_rotation_matrix(&at_takeaway) * rolled
}

/// The shaft in the left hand: between its long axis and the thumb, by the grip's angle, rad.
fn shaft(grip: f64) -> Vector3<f64> {
    Vector3::new(0.0, -grip.cos(), -grip.sin())
}

fn seen(point: Vector3<f64>, hand: PlayerHand) -> Seen {
    let side = match hand {
        PlayerHand::Right => 1.0,
        PlayerHand::Left => -1.0,
    };
    Seen { face_on: side * point.x, down_the_line: side * point.z, up: point.y }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::DeviceTime;
    use proptest::prelude::*;

    const USUAL_GRIP: f64 = 31.0 * std::f64::consts::PI / 180.0;

    fn at(travel: f64, roll: f64, hinge: f64, flexion: f64) -> CurvePoint {
        CurvePoint {
            t: DeviceTime(0),
            hinge_deg: hinge,
            flexion_deg: flexion,
            roll_deg: roll,
            arm_travel_deg: travel,
            arm_travel: 0.0,
        }
    }

    proptest! {
        #[test]
        fn arm_and_club_keep_their_length_and_left_is_the_mirror_image(
            travel in -180.0..200.0, roll in -120.0..120.0, hinge in -40.0..60.0, flexion in -50.0..50.0,
        ) {
            let point = at(travel, roll, hinge, flexion);
            let right = pose(&point, (0.0, 0.0), (PlayerHand::Right, shaft(USUAL_GRIP)));
            let left = pose(&point, (0.0, 0.0), (PlayerHand::Left, shaft(USUAL_GRIP)));
            let far = |a: Seen, b: Seen| {
                (a.face_on - b.face_on).hypot(a.down_the_line - b.down_the_line).hypot(a.up - b.up)
            };
            let shoulder = Seen { face_on: 0.0, down_the_line: 0.0, up: 0.0 };
            prop_assert!((far(right.wrist, shoulder) - USUAL_ARM_M).abs() < 1e-9);
            prop_assert!((far(right.head, right.wrist) - CLUB_M).abs() < 1e-9);
            for (a, b) in [(right.wrist, left.wrist), (right.head, left.head)] {
                prop_assert!((a.face_on + b.face_on).abs() < 1e-9 && (a.up - b.up).abs() < 1e-9);
                prop_assert!((a.down_the_line + b.down_the_line).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn the_club_stands_at_the_grips_angle() {
        for grip_deg in [20.0_f64, 31.0, 45.0] {
            let shaft = shaft(grip_deg.to_radians());
            let Pose { wrist, head } = pose(&at(0.0, 0.0, 0.0, 0.0), (0.0, 0.0), (PlayerHand::Right, shaft));
            let club =
                [head.face_on - wrist.face_on, head.down_the_line - wrist.down_the_line, head.up - wrist.up];
            let arm = [wrist.face_on, wrist.down_the_line, wrist.up];
            let dot: f64 = club.iter().zip(arm).map(|(a, b)| a * b).sum();
            let between = (dot / CLUB_M / USUAL_ARM_M).acos().to_degrees();
            assert!((between - grip_deg).abs() < 1e-6, "{between} for {grip_deg}");
        }
    }

    #[test]
    fn it_stands_and_swings_as_a_right_handed_player_does() {
        let address = pose(&at(0.0, 0.0, 0.0, 0.0), (0.0, 0.0), (PlayerHand::Right, shaft(USUAL_GRIP)));
        assert!(address.head.up < address.wrist.up && address.wrist.up < 0.0, "{address:?}");
        assert!(address.head.down_the_line > address.wrist.down_the_line, "the club reaches to the ball");
        assert!(address.head.face_on.abs() < 1e-9);
        // Arm horizontal going back, rolled and hinged: the club points up.
        let back = pose(&at(90.0, 80.0, 40.0, 0.0), (0.0, 0.0), (PlayerHand::Right, shaft(USUAL_GRIP)));
        assert!((back.wrist.up).abs() < 1e-9 && back.wrist.face_on < 0.0, "{back:?}");
        assert!(back.head.up > 0.5, "{back:?}");
        // Past impact it goes to the target.
        let through = pose(&at(-60.0, -30.0, 0.0, 0.0), (0.0, 0.0), (PlayerHand::Right, shaft(USUAL_GRIP)));
        assert!(through.wrist.face_on > 0.3, "{through:?}");
    }
}
