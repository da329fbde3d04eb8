//! The hand against the forearm at one instant, and how far each unknown turns it.

use super::{CLOCK, JOINT, OWN, SHARED, State, TISSUE, UNKNOWNS};
use crate::fusion::clock::ClockMap;
use crate::fusion::errors::{GYRO, GloveErrors, NODE, NodeErrors};
use crate::fusion::soft_tissue::given_back;
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::fusion::track::{Sensitivity, Track};
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
    /// Variance from what had to be mended in both tracks since their still poses, rad².
    pub mended: f64,
}

/// What a node's track says of one instant. It stays the same while the errors are still looked for.
#[derive(Clone, Debug)]
pub struct NodeAt {
    level_from_sensor: UnitQuaternion<f64>,
    /// Angular rate in the sensor frame, rad/s.
    pub(super) rate: Vector3<f64>,
    sensitivity: Sensitivity,
    /// How far the accelerometer's bias has tilted the still pose.
    tilt: Matrix3<f64>,
    /// Variance from what had to be mended since the still pose, rad².
    mended: f64,
}

impl NodeAt {
    /// Of `track` at `t_s` of its node's clock.
    #[must_use]
    pub fn of(track: &Track, t_s: f64) -> NodeAt {
        let (level_from_sensor, rate) = track.at(t_s);
        let tilt = tilt_by_acc_bias(&track.still_level_from_sensor);
        let mended = track.mended_variance_between(track.still_s.1, t_s);
        NodeAt { level_from_sensor, rate, sensitivity: track.sensitivity_at(t_s), tilt, mended }
    }

    /// The orientation with `errors` taken out of the track.
    fn with_errors_out(&self, errors: &NodeErrors) -> UnitQuaternion<f64> {
        let gyro = errors.as_vector().fixed_rows::<GYRO>(0).into_owned();
        let turned = self.sensitivity * gyro;
        let tilted = self.tilt * errors.acc_bias_g;
        UnitQuaternion::from_scaled_axis(tilted - turned) * self.level_from_sensor
    }
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
        self.of(&NodeAt::of(hand, t_s), forearm, t_s)
    }

    /// The same with what the hand's track says of `t_s` looked up before.
    #[must_use]
    pub fn of(&self, hand: &NodeAt, forearm: &Track, t_s: f64) -> Relative {
        let forearm = NodeAt::of(forearm, self.clock.forearm_s(t_s));
        let forearm_now = forearm.with_errors_out(&self.errors.forearm);
        let hand_seen = self.start * hand.with_errors_out(&self.errors.hand);
        let bend = bend(self.axes, &forearm_now, &hand_seen);
        let s = self.start.to_rotation_matrix().into_inner();
        let mut effect = Effect::zeros();
        let by_clock = -(forearm_now * forearm.rate);
        effect.set_column(CLOCK, &by_clock);
        let from_reference_s = t_s - self.clock.reference_s;
        effect.set_column(CLOCK + 1, &(by_clock * from_reference_s));
        for (i, by_bend) in self.clock.bends.polynomials_at(from_reference_s).into_iter().enumerate() {
            effect.set_column(CLOCK + 2 + i, &(by_clock * by_bend));
        }
        effect.set_column(TISSUE, &(bend / (1.0 - self.tissue).powi(2)));
        let (hand_at, forearm_at) = (JOINT, JOINT + NODE);
        effect.fixed_columns_mut::<GYRO>(hand_at).copy_from(&(-s * hand.sensitivity));
        effect.fixed_columns_mut::<3>(hand_at + GYRO).copy_from(&(s * hand.tilt));
        effect.fixed_columns_mut::<GYRO>(forearm_at).copy_from(&forearm.sensitivity);
        effect.fixed_columns_mut::<3>(forearm_at + GYRO).copy_from(&-forearm.tilt);
        effect.fixed_columns_mut::<OWN>(SHARED).copy_from(&Matrix3::identity());
        let more = UnitQuaternion::from_scaled_axis(bend * given_back(self.tissue));
        let mended = hand.mended + forearm.mended;
        Relative { forearm: forearm_now, hand: more * hand_seen, effect, mended }
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

/// The pair of window `k`'s tracks where the estimate stands.
pub(super) fn of_window(forearm: &Track, k: usize, (t_s, hand): &(f64, NodeAt), state: &State) -> Relative {
    let State { axes, clock, errors, starts, .. } = state;
    let pair = Pair { axes, clock, tissue: state.tissue, errors, start: &starts[k] };
    pair.of(hand, forearm, *t_s)
}
