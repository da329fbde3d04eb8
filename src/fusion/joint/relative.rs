//! The hand against the forearm at one instant, and how far each unknown turns it.

use super::{CLOCK, JOINT, JointWindow, OWN, SHARED, State, TISSUE, UNKNOWNS};
use crate::fusion::clock::ClockMap;
use crate::fusion::errors::{GYRO, GloveErrors, NODE, NodeErrors};
use crate::fusion::soft_tissue::given_back;
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::fusion::track::Track;
use crate::fusion::wrist::WristAxes;
use nalgebra::{Matrix3, SMatrix, UnitQuaternion, Vector3};

/// How far each unknown turns the hand against the forearm, as a small rotation in the forearm's level frame.
pub type Effect = SMatrix<f64, 3, UNKNOWNS>;

/// Both nodes at one instant, in the forearm's level frame.
#[derive(Clone, Debug)]
pub struct Relative {
    /// `level_from_sensor` of the forearm node.
    pub forearm: UnitQuaternion<f64>,
    /// `forearm level from hand sensor`, what soft tissue hides given back.
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

/// What is known of a pair of nodes.
#[derive(Clone, Copy, Debug)]
pub struct Pair<'a> {
    /// Axes of the wrist.
    pub axes: &'a WristAxes,
    /// Clock of the forearm node.
    pub clock: &'a ClockMap,
    /// Share of the wrist's bend that soft tissue hides.
    pub tissue: f64,
    /// Errors of the nodes beyond those that their tracks were made with.
    pub errors: &'a GloveErrors,
    /// `forearm level from hand level`.
    pub start: &'a UnitQuaternion<f64>,
}

impl Pair<'_> {
    /// The pair of tracks, hand and forearm, at `t_s` of the hand clock.
    #[must_use]
    pub fn at(&self, (hand, forearm): (&Track, &Track), t_s: f64) -> Relative {
        let there_s = self.clock.forearm_s(t_s);
        let forearm_now = mended(forearm, there_s, &self.errors.forearm);
        let hand_seen = self.start * mended(hand, t_s, &self.errors.hand);
        let bend = bend(self.axes, &forearm_now, &hand_seen);
        let s = self.start.to_rotation_matrix().into_inner();
        let mut effect = Effect::zeros();
        let by_clock = -(forearm_now * forearm.at(there_s).1);
        effect.set_column(CLOCK, &by_clock);
        let from_reference_s = t_s - self.clock.reference_s;
        effect.set_column(CLOCK + 1, &(by_clock * from_reference_s));
        for (i, by_bend) in self.clock.bends.polynomials_at(from_reference_s).into_iter().enumerate() {
            effect.set_column(CLOCK + 2 + i, &(by_clock * by_bend));
        }
        effect.set_column(TISSUE, &(bend / (1.0 - self.tissue).powi(2)));
        let tilt = |track: &Track| tilt_by_acc_bias(&track.still_level_from_sensor);
        let (hand_at, forearm_at) = (JOINT, JOINT + NODE);
        effect.fixed_columns_mut::<GYRO>(hand_at).copy_from(&(-s * hand.sensitivity_at(t_s)));
        effect.fixed_columns_mut::<3>(hand_at + GYRO).copy_from(&(s * tilt(hand)));
        effect.fixed_columns_mut::<GYRO>(forearm_at).copy_from(&forearm.sensitivity_at(there_s));
        effect.fixed_columns_mut::<3>(forearm_at + GYRO).copy_from(&-tilt(forearm));
        effect.fixed_columns_mut::<OWN>(SHARED).copy_from(&Matrix3::identity());
        let more = UnitQuaternion::from_scaled_axis(bend * given_back(self.tissue));
        Relative { forearm: forearm_now, hand: more * hand_seen, effect }
    }
}

/// How far the wrist seems bent from straight, as a rotation in the forearm's level frame: `forearm` is
/// `level_from_sensor`, `hand` `forearm level from hand sensor`.
#[must_use]
pub fn bend(axes: &WristAxes, forearm: &UnitQuaternion<f64>, hand: &UnitQuaternion<f64>) -> Vector3<f64> {
    let level_from_forearm = forearm * axes.forearm_from_sensor().inverse();
    let level_from_hand = hand * axes.hand_from_sensor().inverse();
    level_from_forearm * (level_from_forearm.inverse() * level_from_hand).scaled_axis()
}

/// The pair of a window's tracks where the estimate stands.
pub(super) fn of_window(window: &JointWindow, k: usize, t_s: f64, state: &State) -> Relative {
    let State { axes, clock, errors, starts, .. } = state;
    let pair = Pair { axes, clock, tissue: state.tissue, errors, start: &starts[k] };
    pair.at((&window.hand, &window.forearm), t_s)
}
