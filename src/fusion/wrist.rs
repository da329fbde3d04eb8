//! Wrist angles from the relative orientation of two segments (ISB, Wu et al. 2005, J Biomech 38:981-992).

use crate::sample::{DeviceDescription, NOMINAL_MOUNTING, NodeRole};
use nalgebra::{Matrix3, Rotation3, Unit, UnitQuaternion, Vector3};

/// The wrist's three angles, rad, by the project's signs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WristAngles {
    /// Radial deviation positive.
    pub hinge: f64,
    /// Palmar flexion positive.
    pub flexion: f64,
    /// Rotation of the hand about its own long axis against the forearm; pronation positive. Near zero:
    /// the wrist has two axes.
    pub axial: f64,
}

/// Angles of `forearm_from_hand`, intrinsic Z, X', Y''. `lead_arm_sign` is +1 for a right lead arm and −1
/// for a left one, whose z axis is mirrored.
#[must_use]
pub fn angles(forearm_from_hand: &UnitQuaternion<f64>, lead_arm_sign: f64) -> WristAngles {
    let r = forearm_from_hand.to_rotation_matrix();
    let m = r.matrix();
    // Mirroring z turns the signs of the rotations about x and y, and leaves that about z.
    let ulnar = lead_arm_sign * m[(2, 1)].clamp(-1.0, 1.0).asin();
    WristAngles {
        hinge: -ulnar,
        flexion: (-m[(0, 1)]).atan2(m[(1, 1)]),
        axial: lead_arm_sign * (-m[(2, 0)]).atan2(m[(2, 2)]),
    }
}

/// `forearm_from_hand` of a wrist with this hinge and flexion, rad, and nothing about its third axis: what
/// [`angles`] takes apart.
#[must_use]
pub fn bent(hinge: f64, flexion: f64, lead_arm_sign: f64) -> UnitQuaternion<f64> {
    UnitQuaternion::from_axis_angle(&Vector3::z_axis(), flexion)
        * UnitQuaternion::from_axis_angle(&Vector3::x_axis(), -lead_arm_sign * hinge)
}

/// The axes of one wrist in the frames of the two sensors: what the mounting comes down to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WristAxes {
    /// Flexion axis (z of the forearm) in the forearm sensor's frame.
    pub flexion_in_forearm: Unit<Vector3<f64>>,
    /// Deviation axis (x of the hand) in the hand sensor's frame.
    pub deviation_in_hand: Unit<Vector3<f64>>,
    /// Long axis of the forearm (y, proximal) in the forearm sensor's frame; need not be quite
    /// perpendicular to the flexion axis.
    pub long_in_forearm: Unit<Vector3<f64>>,
    /// Long axis of the hand (y, proximal) in the hand sensor's frame.
    pub long_in_hand: Unit<Vector3<f64>>,
}

impl WristAxes {
    /// The axes of nominally mounted sensors, from `v_segment = R v_sensor` of each.
    #[must_use]
    pub fn nominal(forearm: &[[f64; 3]; 3], hand: &[[f64; 3]; 3]) -> WristAxes {
        let row = |rows: &[[f64; 3]; 3], i: usize| Unit::new_normalize(Vector3::from(rows[i]));
        WristAxes {
            flexion_in_forearm: row(forearm, 2),
            deviation_in_hand: row(hand, 0),
            long_in_forearm: row(forearm, 1),
            long_in_hand: row(hand, 1),
        }
    }

    /// The axes where this glove should have them.
    #[must_use]
    pub fn of_glove(device: &DeviceDescription) -> WristAxes {
        let mounting =
            |role| device.node(role).map_or(NOMINAL_MOUNTING, |node| node.segment_from_sensor_nominal);
        WristAxes::nominal(&mounting(NodeRole::Forearm), &mounting(NodeRole::Hand))
    }

    /// Mounting of the forearm sensor, `segment_from_sensor`: z is the flexion axis, y lies as near as
    /// can be to the long axis.
    #[must_use]
    pub fn forearm_from_sensor(&self) -> UnitQuaternion<f64> {
        let z = self.flexion_in_forearm.into_inner();
        let x = self.long_in_forearm.cross(&z).normalize();
        from_rows(x, z.cross(&x), z)
    }

    /// Mounting of the hand sensor, `segment_from_sensor`: x is the deviation axis, y lies as near as can
    /// be to the long axis.
    #[must_use]
    pub fn hand_from_sensor(&self) -> UnitQuaternion<f64> {
        let x = self.deviation_in_hand.into_inner();
        let z = x.cross(&self.long_in_hand).normalize();
        from_rows(x, z.cross(&x), z)
    }
}

fn from_rows(x: Vector3<f64>, y: Vector3<f64>, z: Vector3<f64>) -> UnitQuaternion<f64> {
    let matrix = Matrix3::from_rows(&[x.transpose(), y.transpose(), z.transpose()]);
    UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(matrix))
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Quaternion;
    use proptest::prelude::*;

    fn check(wxyz: [f64; 4], sign: f64, flexion: f64, ulnar: f64, axial: f64) {
        let q = UnitQuaternion::from_quaternion(Quaternion::new(wxyz[0], wxyz[1], wxyz[2], wxyz[3]));
        let found = angles(&q, sign);
        for (angle, expected) in [(found.flexion, flexion), (-found.hinge, ulnar), (found.axial, axial)] {
            assert!((angle.to_degrees() - expected).abs() < 1e-3, "{found:?}");
        }
    }

    /// Quaternions of Z-X-Y angles, computed from the ISB order apart from this code.
    #[test]
    fn isb_quaternions_give_their_angles() {
        check([0.951_251, -0.167_731, -0.044_943, 0.254_887], 1.0, 30.0, -20.0, 0.0);
        check([0.980_555, 0.146_545, -0.019_293, -0.129_092], 1.0, -15.0, 17.0, 0.0);
    }

    proptest! {
        #[test]
        fn a_wrist_is_put_together_as_it_is_taken_apart(
            hinge in -0.9..0.9, flexion in -0.9..0.9, sign in prop::sample::select(vec![-1.0, 1.0]),
        ) {
            let found = angles(&bent(hinge, flexion, sign), sign);
            prop_assert!((found.hinge - hinge).abs() < 1e-9 && (found.flexion - flexion).abs() < 1e-9);
            prop_assert!(found.axial.abs() < 1e-9);
        }
    }

    /// A rotation (30, −20, 10)° mirrored z to −z is (30, 20, −10)°: the player's angles stay.
    #[test]
    fn a_left_arm_is_mirrored() {
        let turn = |axis: Unit<Vector3<f64>>, degrees: f64| {
            UnitQuaternion::from_axis_angle(&axis, degrees.to_radians())
        };
        let (x, y, z) = (Vector3::x_axis(), Vector3::y_axis(), Vector3::z_axis());
        let right = turn(z, 30.0) * turn(x, -20.0) * turn(y, 10.0);
        let left = turn(z, 30.0) * turn(x, 20.0) * turn(y, -10.0);
        let (a, b) = (angles(&right, 1.0), angles(&left, -1.0));
        assert!(
            (a.hinge - b.hinge).abs() + (a.flexion - b.flexion).abs() + (a.axial - b.axial).abs() < 1e-12
        );
        assert!((a.hinge.to_degrees() - 20.0).abs() < 1e-9);
    }

    #[test]
    fn axes_make_right_handed_mountings() {
        let axes = WristAxes::nominal(&crate::sample::NOMINAL_MOUNTING, &crate::sample::NOMINAL_MOUNTING);
        for q in [axes.forearm_from_sensor(), axes.hand_from_sensor()] {
            assert!((q * Vector3::x() - Vector3::new(0.0, -1.0, 0.0)).norm() < 1e-12);
            assert!((q * Vector3::z() - Vector3::new(-1.0, 0.0, 0.0)).norm() < 1e-12);
        }
    }
}
