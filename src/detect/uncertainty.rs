//! How certain the angles and the set are: the joint estimate's covariance carried through to them, and
//! what the signal itself shows of the model's limits.

use super::candidate::Candidate;
use super::measure::{Curves, Instants, MeasureParams, UNKNOWNS, WristKnowledge, curves, mean_between};
use super::set::{Crossings, HingeCurve, SHARES, value_at};
use crate::fusion::clock::ClockMap;
use crate::fusion::joint::moved_axis;
use crate::fusion::wrist::WristAxes;
use nalgebra::{SMatrix, SVector, UnitQuaternion, Vector3};

/// Angle error that no estimate sees: scale and cross-axis errors of cheap gyros, rad.
const SENSOR_SD: f64 = 0.15 * std::f64::consts::PI / 180.0;
/// Scale and cross-axis errors of one cheap gyro, as a share of the angle turned (data sheets of common parts
/// give 0.3 to 1 %; from memory).
const GYRO_MATRIX_SD: f64 = 0.004;
/// Least timing error: sampling jitter and what is left of filter delays, s.
const TIMING_SD_S: f64 = 0.0005;
/// How well the forearm's long axis is known from a roll, rad.
const LONG_AXIS_SD: f64 = 2.0 * std::f64::consts::PI / 180.0;

/// Derivatives of one angle, counted from address, by the unknowns, over time.
pub(super) struct AngleSpread {
    t_s: Vec<f64>,
    by_unknown: Vec<Vec<f64>>,
    covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    model_sd: f64,
    /// How far the hand has turned since address, rad.
    turned: Vec<f64>,
}

impl AngleSpread {
    fn derivatives_at(&self, t_s: f64) -> SVector<f64, UNKNOWNS> {
        SVector::from_fn(|i, _| value_at(&self.t_s, &self.by_unknown[i], t_s))
    }

    fn sd_of(&self, derivatives: &SVector<f64, UNKNOWNS>) -> f64 {
        (derivatives.dot(&(self.covariance * derivatives)).max(0.0) + self.model_sd * self.model_sd).sqrt()
    }

    /// Standard deviation of the angle against its address value at an instant, rad: scale and cross-axis
    /// errors of two gyros grow with what they have turned.
    pub fn sd_at(&self, t_s: f64) -> f64 {
        let turned = value_at(&self.t_s, &self.turned, t_s);
        self.sd_of(&self.derivatives_at(t_s)).hypot(GYRO_MATRIX_SD * std::f64::consts::SQRT_2 * turned)
    }
}

/// The uncertainty of one swing.
pub(super) struct Spread {
    pub hinge: AngleSpread,
    pub flexion: AngleSpread,
    pub top_sd_s: f64,
}

impl Spread {
    /// Standard deviation of the set, s: the hinge's error at the set, less the share of its error at the
    /// largest hinge that moves the level along, divided by the slope around the set.
    pub fn set_sd_s(&self, curve: &HingeCurve, crossings: &Crossings, from_s: f64) -> f64 {
        let at_set = self.hinge.derivatives_at(crossings.at_s[2]);
        let at_max = self.hinge.derivatives_at(crossings.max_s);
        let level_sd = self.hinge.sd_of(&(at_set - at_max * SHARES[2]));
        let (before, after) = curve.shifts(crossings, from_s, level_sd);
        (0.5 * (after - before).abs()).hypot(TIMING_SD_S)
    }
}

/// Carries the covariance through, one unknown after the other moved by its standard deviation.
pub(super) fn spread(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    params: &MeasureParams,
    instants: &Instants,
    at_best: &Curves,
) -> Spread {
    let (mut hinge, mut flexion) = (Vec::new(), Vec::new());
    for i in 0..UNKNOWNS {
        let by = wrist.covariance[(i, i)].max(0.0).sqrt().max(1e-9);
        let (axes, clock, start) = moved(wrist, i, by);
        let moved = curves(candidate, &axes, &clock, &start, params);
        hinge.push(change(&at_best.t_s, &at_best.hinge, &moved.hinge, instants, by));
        flexion.push(change(&at_best.t_s, &at_best.flexion, &moved.flexion, instants, by));
    }
    let model_sd = third_angle_rms(at_best, instants).hypot(SENSOR_SD);
    let turned = turned_since(candidate, at_best, instants.address_s.1);
    let angle = |by_unknown| AngleSpread {
        turned: turned.clone(),
        t_s: at_best.t_s.clone(),
        by_unknown,
        covariance: wrist.covariance,
        model_sd,
    };
    Spread { hinge: angle(hinge), flexion: angle(flexion), top_sd_s: top_sd_s(candidate) }
}

/// Knowledge with one unknown moved, in the order of the joint estimate.
fn moved(wrist: &WristKnowledge, i: usize, by: f64) -> (WristAxes, ClockMap, UnitQuaternion<f64>) {
    let (mut axes, mut clock, mut start) = (wrist.axes, wrist.clock, wrist.start);
    match i {
        0 => axes.flexion_in_forearm = moved_axis(&axes.flexion_in_forearm, by, 0.0),
        1 => axes.flexion_in_forearm = moved_axis(&axes.flexion_in_forearm, 0.0, by),
        2 => axes.deviation_in_hand = moved_axis(&axes.deviation_in_hand, by, 0.0),
        3 => axes.deviation_in_hand = moved_axis(&axes.deviation_in_hand, 0.0, by),
        4 => clock.offset_s += by,
        5 => clock.skew += by,
        _ => {
            let mut turn = Vector3::zeros();
            turn[i - 6] = by;
            start = UnitQuaternion::from_scaled_axis(turn) * start;
        }
    }
    (axes, clock, start)
}

fn change(t_s: &[f64], best: &[f64], moved: &[f64], instants: &Instants, by: f64) -> Vec<f64> {
    let difference: Vec<f64> = best.iter().zip(moved).map(|(a, b)| (b - a) / by).collect();
    let zero = mean_between(t_s, &difference, instants.address_s);
    difference.iter().map(|value| value - zero).collect()
}

/// A wrist has two axes, so whatever shows about the third is the error of the model: soft tissue, a strap
/// that follows, sensors. The two angles are taken to be as wrong as that one.
pub(super) fn third_angle_rms(curves: &Curves, instants: &Instants) -> f64 {
    let range = curves.t_s.partition_point(|t| *t < instants.takeaway_s)
        ..curves.t_s.partition_point(|t| *t <= instants.window_end_s());
    let zero = mean_between(&curves.t_s, &curves.axial, instants.address_s);
    let n = range.len().max(1) as f64;
    (curves.axial[range].iter().map(|value| (value - zero).powi(2)).sum::<f64>() / n).sqrt()
}

/// How far the hand has turned since an instant, over the curve's instants, rad.
fn turned_since(candidate: &Candidate, curves: &Curves, from_s: f64) -> Vec<f64> {
    let start = candidate.hand.at(from_s).0;
    curves.t_s.iter().map(|t_s| candidate.hand.at(*t_s).0.angle_to(&start)).collect()
}

/// The top is where the arm's in-plane rate passes zero: a long axis that is off lets the roll in.
fn top_sd_s(candidate: &Candidate) -> f64 {
    let phases = &candidate.phases;
    let rate_sd = (LONG_AXIS_SD * phases.top_roll_rate).hypot(0.5_f64.to_radians());
    (rate_sd / phases.top_bend.abs().max(1e-6)).hypot(TIMING_SD_S)
}
