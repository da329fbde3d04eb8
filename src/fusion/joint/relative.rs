//! The hand against the forearm at one instant, and how far each unknown turns it.

use super::{CLOCK, JOINT, OWN, SHARED, TISSUE, UNKNOWNS};
use crate::fusion::clock::ClockMap;
use crate::fusion::clock_bends::BENDS;
use crate::fusion::errors::{GYRO, GloveErrors, NODE, NodeErrors};
use crate::fusion::soft_tissue::{bend, given_back};
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::fusion::track::{Sensitivity, Track};
use crate::fusion::wrist::WristAxes;
use nalgebra::{Matrix3, SVector, UnitQuaternion, Vector3};

/// Both nodes at one instant, in the forearm's level frame.
#[derive(Clone, Debug)]
pub struct Relative<'a> {
    /// `level_from_sensor` of the forearm node.
    pub forearm: UnitQuaternion<f64>,
    /// `forearm level from hand sensor`, what soft tissue hides given back.
    pub hand: UnitQuaternion<f64>,
    /// Variance from what had to be mended in both tracks since their still poses, rad².
    pub mended: f64,
    hand_at: &'a NodeAt,
    forearm_at: NodeAt,
    start: Matrix3<f64>,
    /// The forearm's rate with its sign turned: what a forearm clock that is ahead does.
    by_clock: Vector3<f64>,
    /// What clock skew and bends have made of an offset by now.
    by_drift: [f64; 1 + BENDS],
    by_tissue: Vector3<f64>,
}

impl Relative<'_> {
    /// How far each unknown turns the hand against the forearm about `axis` of the forearm's level frame, as a small
    /// rotation; nothing for the axes, which turn neither.
    #[must_use]
    pub fn effect_about(&self, axis: &Vector3<f64>) -> SVector<f64, UNKNOWNS> {
        let mut effect = SVector::<f64, UNKNOWNS>::zeros();
        effect[CLOCK] = self.by_clock.dot(axis);
        for (i, by_drift) in self.by_drift.iter().enumerate() {
            effect[CLOCK + 1 + i] = effect[CLOCK] * by_drift;
        }
        effect[TISSUE] = self.by_tissue.dot(axis);
        let hand = self.hand_at.effect_about(&-self.start.tr_mul(axis));
        effect.fixed_rows_mut::<NODE>(JOINT).copy_from(&hand);
        effect.fixed_rows_mut::<NODE>(JOINT + NODE).copy_from(&self.forearm_at.effect_about(axis));
        effect.fixed_rows_mut::<OWN>(SHARED).copy_from(axis);
        effect
    }
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

    /// How far errors of the node turn the other node about `axis` of its level frame.
    fn effect_about(&self, axis: &Vector3<f64>) -> SVector<f64, NODE> {
        let mut effect = SVector::<f64, NODE>::zeros();
        effect.fixed_rows_mut::<GYRO>(0).copy_from(&self.sensitivity.tr_mul(axis));
        effect.fixed_rows_mut::<3>(GYRO).copy_from(&-self.tilt.tr_mul(axis));
        effect
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
#[derive(Clone, Debug)]
pub struct Pair<'a> {
    clock: &'a ClockMap,
    errors: &'a GloveErrors,
    start: &'a UnitQuaternion<f64>,
    tissue: f64,
    straight: Straight,
}

impl<'a> Pair<'a> {
    /// `tissue` is the share of the wrist's bend that soft tissue hides, `errors` are those of the nodes beyond those
    /// that their tracks were made with, `start` is `forearm level from hand level`.
    #[must_use]
    pub fn new(
        axes: &WristAxes,
        clock: &'a ClockMap,
        tissue: f64,
        errors: &'a GloveErrors,
        start: &'a UnitQuaternion<f64>,
    ) -> Pair<'a> {
        Pair { clock, errors, start, tissue, straight: Straight::of(axes) }
    }

    /// The pair at `t_s` of the hand clock, `hand` being what its track says of that.
    #[must_use]
    pub fn at<'b>(&self, hand: &'b NodeAt, forearm: &Track, t_s: f64) -> Relative<'b> {
        let forearm_at = NodeAt::of(forearm, self.clock.forearm_s(t_s));
        let forearm = forearm_at.with_errors_out(&self.errors.forearm);
        let hand_seen = self.start * hand.with_errors_out(&self.errors.hand);
        let bend = self.straight.level_from_forearm(&forearm) * self.straight.bend(&forearm, &hand_seen);
        let from_reference_s = t_s - self.clock.reference_s;
        let mut by_drift = [from_reference_s; 1 + BENDS];
        by_drift[1..].copy_from_slice(&self.clock.bends.polynomials_at(from_reference_s));
        Relative {
            forearm,
            hand: UnitQuaternion::from_scaled_axis(bend * given_back(self.tissue)) * hand_seen,
            mended: hand.mended + forearm_at.mended,
            hand_at: hand,
            start: self.start.to_rotation_matrix().into_inner(),
            by_clock: -(forearm * forearm_at.rate),
            by_drift,
            by_tissue: bend / (1.0 - self.tissue).powi(2),
            forearm_at,
        }
    }
}

/// The sensors' mountings, by which it shows how far the wrist is bent from straight.
#[derive(Clone, Copy, Debug)]
pub struct Straight {
    sensor_from_forearm: UnitQuaternion<f64>,
    sensor_from_hand: UnitQuaternion<f64>,
}

impl Straight {
    /// For these axes.
    #[must_use]
    pub fn of(axes: &WristAxes) -> Straight {
        Straight {
            sensor_from_forearm: axes.forearm_from_sensor().inverse(),
            sensor_from_hand: axes.hand_from_sensor().inverse(),
        }
    }

    /// The forearm in its level frame, seen by its node's `level_from_sensor`.
    #[must_use]
    pub fn level_from_forearm(&self, forearm: &UnitQuaternion<f64>) -> UnitQuaternion<f64> {
        forearm * self.sensor_from_forearm
    }

    /// How far the wrist seems bent, as a rotation in the forearm: `forearm` is `level_from_sensor`, `hand`
    /// `forearm level from hand sensor`.
    #[must_use]
    pub fn bend(&self, forearm: &UnitQuaternion<f64>, hand: &UnitQuaternion<f64>) -> Vector3<f64> {
        let level_from_hand = hand * self.sensor_from_hand;
        bend(&(self.level_from_forearm(forearm).inverse() * level_from_hand))
    }
}
