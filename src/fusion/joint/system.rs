//! The normal equations of the joint estimate: an arrow of the shared unknowns and each window's own.

use super::relative::{mended, of_window};
use super::{
    Coupling, JOINT, JointParams, JointWindow, OWN, SHARED, SharedMatrix, SharedVector, State, instants,
    tangents,
};
use crate::fusion::errors::{GYRO, NODE, NodeErrors};
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::fusion::track::Track;
use nalgebra::{Matrix3, SMatrix, Vector3};

/// One window's part of the normal equations.
struct WindowPart {
    own: Matrix3<f64>,
    coupling: Coupling,
    vector: Vector3<f64>,
}

/// The normal equations where the estimate stands.
pub(super) struct Normal {
    shared: SharedMatrix,
    vector: SharedVector,
    parts: Vec<WindowPart>,
    /// Root mean square residual, rad.
    pub rms: f64,
    /// The same, from the median, which outliers do not move.
    pub robust_rms: f64,
}

/// Weight that keeps outliers from ruling (Huber 1964).
fn robust(residual: f64, sd: f64) -> f64 {
    (2.0 * sd / residual.abs().max(1e-12)).min(1.0)
}

impl Normal {
    /// Priors and residuals.
    pub fn at(windows: &[&JointWindow], state: &State, residual_sd: f64, params: &JointParams) -> Normal {
        let mut normal = Normal::of_priors(state, params);
        let mut all = Vec::new();
        for (k, window) in windows.iter().enumerate() {
            let weight = (params.spacing_s / window.correlation_s).min(1.0) / residual_sd.powi(2);
            for t_s in instants(window, params.spacing_s) {
                let (residual, shared, own) = joint_row(window, k, t_s, state);
                all.push(residual.abs());
                normal.add(k, residual, &shared, &own, weight * robust(residual, residual_sd));
            }
            normal.add_still_end(&window.hand, &state.errors.hand, JOINT, params);
            normal.add_still_end(&window.forearm, &state.errors.forearm, JOINT + NODE, params);
        }
        all.sort_by(f64::total_cmp);
        normal.rms = (all.iter().map(|r| r * r).sum::<f64>() / all.len().max(1) as f64).sqrt();
        // Median of absolute values over 0.6745 is the standard deviation of normal residuals.
        normal.robust_rms = all.get(all.len() / 2).map_or(normal.rms, |median| median / 0.6745);
        normal
    }

    fn of_priors(state: &State, params: &JointParams) -> Normal {
        let shared = prior_sd(params).map(|sd| 1.0 / (sd * sd));
        // The heading between two nodes is free; their levels are not.
        let own = Vector3::new(params.level_sd, params.level_sd, 10.0).map(|sd| 1.0 / (sd * sd));
        let part = |moved: &Vector3<f64>| WindowPart {
            own: Matrix3::from_diagonal(&own),
            coupling: Coupling::zeros(),
            vector: -own.component_mul(moved),
        };
        Normal {
            shared: SharedMatrix::from_diagonal(&shared),
            vector: -shared.component_mul(&state.shared_moved),
            parts: state.window_moved.iter().map(part).collect(),
            rms: 0.0,
            robust_rms: 0.0,
        }
    }

    fn add(&mut self, window: usize, residual: f64, shared: &SharedVector, own: &Vector3<f64>, weight: f64) {
        self.shared.ger(weight, shared, shared, 1.0);
        self.vector.axpy(-weight * residual, shared, 1.0);
        let part = &mut self.parts[window];
        part.own.ger(weight, own, own, 1.0);
        part.coupling.ger(weight, shared, own, 1.0);
        part.vector.axpy(-weight * residual, own, 1.0);
    }

    /// At a still pose after the motion the accelerometer tells which way is up: what the gyro has made of
    /// the way there must agree (the idea of Tedaldi, Pretto & Menegatti 2014, ICRA).
    fn add_still_end(&mut self, track: &Track, errors: &NodeErrors, first: usize, params: &JointParams) {
        let Some(end) = track.end else { return };
        let sd = params.up_sd.hypot(params.up_sd_by_rate * end.rms);
        let force_g = end.force_g - errors.acc_bias_g;
        let orientation = mended(track, end.t_s, errors);
        let up = (orientation * force_g).normalize();
        let mut by = SMatrix::<f64, 3, NODE>::zeros();
        let by_turn = up.cross_matrix();
        by.fixed_columns_mut::<GYRO>(0).copy_from(&(by_turn * track.sensitivity_at(end.t_s)));
        let tilt = tilt_by_acc_bias(&track.still_level_from_sensor);
        let by_acc = -by_turn * tilt - orientation.to_rotation_matrix().into_inner() / force_g.norm();
        by.fixed_columns_mut::<3>(GYRO).copy_from(&by_acc);
        for i in 0..2 {
            let mut row = SharedVector::zeros();
            row.fixed_rows_mut::<NODE>(first).copy_from(&by.row(i).transpose());
            let weight = robust(up[i], sd) / (sd * sd);
            self.shared.ger(weight, &row, &row, 1.0);
            self.vector.axpy(-weight * up[i], &row, 1.0);
        }
    }

    /// Each window's own inverse, and its coupling times that.
    fn eliminated(&self) -> Vec<(Matrix3<f64>, Coupling)> {
        let inverse = |part: &WindowPart| part.own.try_inverse().unwrap_or_else(Matrix3::zeros);
        self.parts.iter().map(|part| (inverse(part), part.coupling * inverse(part))).collect()
    }

    /// What is left for the shared unknowns when each window's own are eliminated (Schur complement).
    fn reduced(&self, eliminated: &[(Matrix3<f64>, Coupling)]) -> (SharedMatrix, SharedVector) {
        let parts = self.parts.iter().zip(eliminated);
        parts.fold((self.shared, self.vector), |(matrix, vector), (part, (_, through))| {
            (matrix - through * part.coupling.transpose(), vector - through * part.vector)
        })
    }

    /// The step: of the shared unknowns, and of each window's own.
    pub fn solve(&self) -> Option<(SharedVector, Vec<Vector3<f64>>)> {
        let eliminated = self.eliminated();
        let (matrix, vector) = self.reduced(&eliminated);
        let shared = matrix.cholesky()?.solve(&vector);
        let own = |(part, (inverse, _)): (&WindowPart, &(Matrix3<f64>, Coupling))| {
            inverse * (part.vector - part.coupling.transpose() * shared)
        };
        Some((shared, self.parts.iter().zip(&eliminated).map(own).collect()))
    }

    /// Covariances: of the shared unknowns, and of each window's own with them. Where the equations cannot be
    /// solved nothing was learnt, and the priors stand.
    pub fn covariances(&self, params: &JointParams) -> (SharedMatrix, Vec<(Matrix3<f64>, Coupling)>) {
        let eliminated = self.eliminated();
        let (matrix, _) = self.reduced(&eliminated);
        let prior = || SharedMatrix::from_diagonal(&prior_sd(params).map(|sd| sd * sd));
        let shared = matrix.cholesky().map_or_else(prior, |factor| factor.inverse());
        let window = |(inverse, through): &(Matrix3<f64>, Coupling)| {
            let with_shared = -(shared * through);
            (inverse - through.transpose() * with_shared, with_shared)
        };
        let windows = eliminated.iter().map(window).collect();
        (shared, windows)
    }
}

/// Standard deviation of each shared unknown before any motion was seen.
fn prior_sd(params: &JointParams) -> SharedVector {
    let mut sd = SharedVector::zeros();
    let JointParams { axes_sd, offset_sd_s, skew_sd, .. } = *params;
    sd.fixed_rows_mut::<JOINT>(0).copy_from_slice(&[axes_sd, axes_sd, axes_sd, axes_sd, offset_sd_s, skew_sd]);
    for first in [JOINT, JOINT + NODE] {
        sd.fixed_rows_mut::<3>(first).fill(params.bias_sd);
        sd.fixed_rows_mut::<9>(first + 3).fill(params.gyro_matrix_sd);
        sd.fixed_rows_mut::<3>(first + GYRO).fill(params.acc_bias_sd_g);
    }
    sd
}

/// Cosine of the angle between the two axes at one instant, and its derivatives by the shared unknowns and
/// by the window's own.
fn joint_row(
    window: &JointWindow,
    k: usize,
    t_s: f64,
    state: &State,
) -> (f64, SharedVector, Vector3<f64>) {
    let relative = of_window(window, k, t_s, state);
    let flexion = relative.forearm * state.axes.flexion_in_forearm.into_inner();
    let deviation = relative.hand * state.axes.deviation_in_hand.into_inner();
    // Turning the hand by a small rotation adds its scalar product with this.
    let by_turn = deviation.cross(&flexion);
    let all = relative.effect.tr_mul(&by_turn);
    let mut shared = all.fixed_rows::<SHARED>(0).into_owned();
    let e1 = tangents(&state.axes.flexion_in_forearm);
    let e2 = tangents(&state.axes.deviation_in_hand);
    for i in 0..2 {
        shared[i] = (relative.forearm * e1.column(i).into_owned()).dot(&deviation);
        shared[2 + i] = flexion.dot(&(relative.hand * e2.column(i).into_owned()));
    }
    (flexion.dot(&deviation), shared, all.fixed_rows::<OWN>(SHARED).into_owned())
}
