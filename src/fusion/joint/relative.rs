//! The hand against the forearm at one instant, and how far each unknown turns it.

use super::{CLOCK, JOINT, JointWindow, OWN, SHARED, State, UNKNOWNS};
use crate::fusion::clock::ClockMap;
use crate::fusion::errors::{GYRO, GloveErrors, NODE, NodeErrors};
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::fusion::track::Track;
use nalgebra::{Matrix3, SMatrix, UnitQuaternion};

/// How far each unknown turns the hand against the forearm, as a small rotation in the forearm's level frame.
pub type Effect = SMatrix<f64, 3, UNKNOWNS>;

/// Both nodes at one instant, in the forearm's level frame.
#[derive(Clone, Debug)]
pub struct Relative {
    /// `level_from_sensor` of the forearm node.
    pub forearm: UnitQuaternion<f64>,
    /// `forearm level from hand sensor`.
    pub hand: UnitQuaternion<f64>,
    /// How far each unknown turns the hand against the forearm; nothing for the axes, which turn neither.
    pub effect: Effect,
}

/// A node's orientation at an instant with `errors` taken out of its track.
pub(super) fn mended(track: &Track, t_s: f64, errors: &NodeErrors) -> UnitQuaternion<f64> {
    let gyro = errors.as_vector().fixed_rows::<GYRO>(0).into_owned();
    let turned = track.sensitivity_at(t_s) * gyro;
    let tilted = tilt_by_acc_bias(&track.still_level_from_sensor) * errors.acc_bias_g;
    UnitQuaternion::from_scaled_axis(tilted - turned) * track.at(t_s).0
}

/// The pair of tracks at `t_s` (hand clock) for given knowledge.
#[must_use]
pub fn at(
    (hand, forearm): (&Track, &Track),
    t_s: f64,
    clock: &ClockMap,
    errors: &GloveErrors,
    start: &UnitQuaternion<f64>,
) -> Relative {
    let there_s = clock.forearm_s(t_s);
    let forearm_now = mended(forearm, there_s, &errors.forearm);
    let hand_now = start * mended(hand, t_s, &errors.hand);
    let s = start.to_rotation_matrix().into_inner();
    let mut effect = Effect::zeros();
    let by_clock = -(forearm_now * forearm.at(there_s).1);
    effect.set_column(CLOCK, &by_clock);
    effect.set_column(CLOCK + 1, &(by_clock * (t_s - clock.reference_s)));
    let tilt = |track: &Track| tilt_by_acc_bias(&track.still_level_from_sensor);
    let (hand_at, forearm_at) = (JOINT, JOINT + NODE);
    effect.fixed_columns_mut::<GYRO>(hand_at).copy_from(&(-s * hand.sensitivity_at(t_s)));
    effect.fixed_columns_mut::<3>(hand_at + GYRO).copy_from(&(s * tilt(hand)));
    effect.fixed_columns_mut::<GYRO>(forearm_at).copy_from(&forearm.sensitivity_at(there_s));
    effect.fixed_columns_mut::<3>(forearm_at + GYRO).copy_from(&-tilt(forearm));
    effect.fixed_columns_mut::<OWN>(SHARED).copy_from(&Matrix3::identity());
    Relative { forearm: forearm_now, hand: hand_now, effect }
}

/// The pair of a window's tracks where the estimate stands.
pub(super) fn of_window(window: &JointWindow, k: usize, t_s: f64, state: &State) -> Relative {
    at((&window.hand, &window.forearm), t_s, &state.clock, &state.errors, &state.starts[k])
}
