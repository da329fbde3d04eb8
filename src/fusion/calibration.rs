//! First axes of the wrist from the parts of the calibration, before the batch estimate refines them.

use super::series::{Reading, usual_step_s};
use super::wrist::WristAxes;
use nalgebra::{Matrix3, SymmetricEigen, Unit, Vector3};

/// Slower than this is no part of a calibration movement, rad/s.
const MOVING_FROM: f64 = 0.35;
/// So long it has to be faster, s.
const MOVING_S: f64 = 0.2;
/// A functional axis farther than this from the nominal one is a misunderstanding, not a mounting, rad.
const BELIEVED_WITHIN: f64 = 0.9;
/// Least share of the motion that must lie along its main axis.
const LEAST_SHARE: f64 = 0.85;

/// Why a part of the calibration gave no axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AxisError {
    /// Hardly any movement.
    #[error("expected a repeated movement, found hardly any")]
    TooLittleMotion,
    /// The movement had no single axis.
    #[error("expected a movement about one axis, found one about several")]
    ManyAxes,
    /// The axis lies far from where the glove's nominal mounting puts it.
    #[error(
        "expected the axis within 50° of the nominal mounting, found it farther: is the glove on the lead hand, the right way round?"
    )]
    FarFromNominal,
}

/// Main axis of the movement in these readings, in the sensor frame, pointing the way of `nominal`.
///
/// # Errors
/// When the movement is too small, has no single axis, or one far from `nominal`.
pub fn main_axis(
    readings: &[Reading],
    bias: &Vector3<f64>,
    nominal: &Unit<Vector3<f64>>,
) -> Result<Unit<Vector3<f64>>, AxisError> {
    let mut moment = Matrix3::zeros();
    let mut count = 0;
    for rate in readings.iter().map(|reading| reading.rate - bias).filter(|rate| rate.norm() > MOVING_FROM) {
        moment += rate * rate.transpose();
        count += 1;
    }
    if f64::from(count) * usual_step_s(readings).unwrap_or(0.0) < MOVING_S {
        return Err(AxisError::TooLittleMotion);
    }
    let eigen = SymmetricEigen::new(moment);
    let main = eigen.eigenvalues.imax();
    if eigen.eigenvalues[main] < LEAST_SHARE * eigen.eigenvalues.sum() {
        return Err(AxisError::ManyAxes);
    }
    let axis = Unit::new_normalize(eigen.eigenvectors.column(main).into_owned());
    let axis = if axis.dot(nominal) < 0.0 { -axis } else { axis };
    if axis.angle(nominal) > BELIEVED_WITHIN { Err(AxisError::FarFromNominal) } else { Ok(axis) }
}

/// The readings of a calibration's parts, bias removed later.
#[derive(Clone, Copy, Debug, Default)]
pub struct PartReadings<'a> {
    /// Hand node while the wrist was hinged.
    pub hand_in_hinge: &'a [Reading],
    /// Hand node while the forearm was rolled.
    pub hand_in_roll: &'a [Reading],
    /// Forearm node while the forearm was rolled.
    pub forearm_in_roll: &'a [Reading],
}

/// Biases of the two nodes, rad/s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Biases {
    /// Hand node.
    pub hand: Vector3<f64>,
    /// Forearm node.
    pub forearm: Vector3<f64>,
}

/// First axes: those that the parts give, the nominal ones elsewhere. The second value names what went
/// wrong, for the player.
#[must_use]
pub fn first_axes(parts: &PartReadings, biases: &Biases, nominal: &WristAxes) -> (WristAxes, Vec<String>) {
    let mut complaints = Vec::new();
    let mut axis = |what: &str, readings: &[Reading], bias: &Vector3<f64>, nominal: &Unit<Vector3<f64>>| {
        main_axis(readings, bias, nominal).unwrap_or_else(|error| {
            complaints.push(format!("calibration, {what}: {error}; repeat it"));
            *nominal
        })
    };
    let axes = WristAxes {
        flexion_in_forearm: nominal.flexion_in_forearm,
        deviation_in_hand: axis("hinge", parts.hand_in_hinge, &biases.hand, &nominal.deviation_in_hand),
        long_in_forearm: axis("roll", parts.forearm_in_roll, &biases.forearm, &nominal.long_in_forearm),
        long_in_hand: axis("roll", parts.hand_in_roll, &biases.hand, &nominal.long_in_hand),
    };
    // The forearm hardly moves while the wrist flexes, so its flexion axis starts at the nominal one, made
    // perpendicular to the long axis that the roll has shown.
    let long = axes.long_in_forearm.into_inner();
    let flexion = nominal.flexion_in_forearm.into_inner();
    let flexion_in_forearm = Unit::new_normalize(flexion - long * long.dot(&flexion));
    (WristAxes { flexion_in_forearm, ..axes }, complaints)
}

/// The axes of the hand alone, from its readings and its bias while the wrist was hinged and while the forearm
/// was rolled; those of the forearm stay nominal. The second value names what went wrong, for the player.
#[must_use]
pub fn hand_axes(
    hinge: (&[Reading], Vector3<f64>),
    roll: (&[Reading], Vector3<f64>),
    nominal: &WristAxes,
) -> (WristAxes, Vec<String>) {
    let mut complaints = Vec::new();
    let mut axis =
        |what: &str, (readings, bias): (&[Reading], Vector3<f64>), nominal: &Unit<Vector3<f64>>| {
            main_axis(readings, &bias, nominal).unwrap_or_else(|error| {
                complaints.push(format!("calibration, {what}: {error}; repeat it"));
                *nominal
            })
        };
    let axes = WristAxes {
        deviation_in_hand: axis("hinge", hinge, &nominal.deviation_in_hand),
        long_in_hand: axis("roll", roll, &nominal.long_in_hand),
        ..*nominal
    };
    (axes, complaints)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rocking(axis: Vector3<f64>, wobble: f64) -> Vec<Reading> {
        rocking_at(200.0, 5.0, axis, wobble)
    }

    fn rocking_at(rate_hz: f64, lasts_s: f64, axis: Vector3<f64>, wobble: f64) -> Vec<Reading> {
        (0..(lasts_s * rate_hz) as i32)
            .map(|i| {
                let t_s = f64::from(i) / rate_hz;
                let rate = axis.normalize() * (4.0 * t_s).sin() * 2.0
                    + Vector3::new((9.0 * t_s).cos(), (7.0 * t_s).sin(), (5.0 * t_s).cos()) * wobble;
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect()
    }

    fn axis_of(readings: &[Reading]) -> Result<Unit<Vector3<f64>>, AxisError> {
        main_axis(readings, &Vector3::zeros(), &Vector3::x_axis())
    }

    #[test]
    fn a_rocking_movement_shows_its_axis() {
        let axis = axis_of(&rocking(Vector3::new(-1.0, 0.2, 0.1), 0.05)).unwrap();
        assert!(axis.angle(&Vector3::new(1.0, -0.2, -0.1)) < 0.02, "{axis:?}");
    }

    #[test]
    fn other_movements_are_refused() {
        assert_eq!(axis_of(&rocking(Vector3::x(), 2.0)), Err(AxisError::ManyAxes));
        assert_eq!(axis_of(&rocking(Vector3::y(), 0.01)), Err(AxisError::FarFromNominal));
        assert_eq!(axis_of(&rocking(Vector3::x(), 0.01)[..30]), Err(AxisError::TooLittleMotion));
    }

    /// What is enough is a matter of time, not of how often a glove reads.
    #[test]
    fn slow_and_quick_gloves_are_asked_for_as_much() {
        for rate_hz in [50.0, 200.0, 2000.0] {
            let moved = |lasts_s| axis_of(&rocking_at(rate_hz, lasts_s, Vector3::x(), 0.01));
            assert_eq!(moved(0.15).err(), Some(AxisError::TooLittleMotion), "{rate_hz} Hz");
            assert!(moved(0.7).is_ok(), "{rate_hz} Hz");
        }
    }
}
