//! The linear model that the inertial filter and its two-sided form share: what becomes of small errors over a
//! block of readings, and what is learnt at its end.
//!
//! Unknowns: tilt of the level frame, gyro bias, velocity, place, accelerometer bias, three each, and the nine
//! scale and cross-axis errors of the gyro, column by column (error-state strapdown mechanisation: any text on
//! inertial navigation, e.g. Groves 2013, from memory).

use super::super::rest::Rest;
use super::inertial::InertialParams;
use crate::units::GRAVITY_MPS2;
use nalgebra::{Matrix3, SMatrix, SVector, Vector3};
use serde::{Deserialize, Serialize};

/// Number of unknowns.
pub const UNKNOWNS: usize = 24;
/// First row of each group of three.
pub const TILT: usize = 0;
pub const GYRO_BIAS: usize = 3;
pub const VELOCITY: usize = 6;
pub const PLACE: usize = 9;
pub const FORCE_BIAS: usize = 12;
pub const GYRO_SCALE: usize = 15;

pub type Covariance = SMatrix<f64, UNKNOWNS, UNKNOWNS>;
pub type Errors = SVector<f64, UNKNOWNS>;

/// Sums over the readings of a block.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Block {
    /// Length, s.
    pub dt_s: f64,
    /// Integral of the orientation, s.
    turned: Matrix3<f64>,
    /// Integral of the orientation times each component of the rate, rad.
    turned_by: [Matrix3<f64>; 3],
    /// Integral of the specific force in the level frame, m/s.
    pushed: Vector3<f64>,
    /// Variance that the rates add to the tilt, rad² per axis.
    tilt_variance: f64,
    /// Variance that the forces add to the velocity, (m/s)² per axis.
    velocity_variance: f64,
}

/// What one reading adds to a block.
pub struct Part {
    pub dt_s: f64,
    /// `level_from_sensor` in the middle of the step.
    pub orientation: Matrix3<f64>,
    /// Specific force in the level frame, m/s².
    pub force: Vector3<f64>,
    pub rate: Vector3<f64>,
    pub rate_change: Vector3<f64>,
    pub force_change: Vector3<f64>,
}

impl Block {
    pub fn add(&mut self, part: &Part, params: &InertialParams) {
        let dt_s = part.dt_s;
        self.dt_s += dt_s;
        self.turned += part.orientation * dt_s;
        for (turned_by, rate) in self.turned_by.iter_mut().zip(part.rate.iter()) {
            *turned_by += part.orientation * (rate * dt_s);
        }
        self.pushed += part.force * dt_s;
        // What is not constant in a scale error turns the frame by a share of the turn; turns that keep their
        // direction for `turn_s` and then take another make a random walk of it.
        let scale = 2.0 * params.gyro_unsteady.powi(2) * params.turn_s * part.rate.norm_squared() / 3.0;
        let missed = |change: &Vector3<f64>| (params.missed * dt_s).powi(2) * change.norm_squared() / 3.0;
        self.tilt_variance += (params.gyro_noise.powi(2) + scale) * dt_s + missed(&part.rate_change);
        self.velocity_variance +=
            (params.force_noise_g * GRAVITY_MPS2).powi(2) * dt_s + missed(&part.force_change);
    }

    /// How errors before the block show after it, to the first order of its length.
    pub fn transition(&self) -> Covariance {
        let mut transition = Covariance::identity();
        for (row, column, value) in self.effects() {
            transition.fixed_view_mut::<3, 3>(row, column).copy_from(&value);
        }
        transition
    }

    /// What the transition has beside the identity: rows and columns of three, and what stands there.
    fn effects(&self) -> [(usize, usize, Matrix3<f64>); 7] {
        let by_scale = |i: usize| (TILT, GYRO_SCALE + 3 * i, -self.turned_by[i]);
        [
            (TILT, GYRO_BIAS, -self.turned),
            by_scale(0),
            by_scale(1),
            by_scale(2),
            (VELOCITY, TILT, -self.pushed.cross_matrix()),
            (VELOCITY, FORCE_BIAS, -self.turned),
            (PLACE, VELOCITY, Matrix3::identity() * self.dt_s),
        ]
    }

    /// The covariance carried through the transition, of which all but a few blocks is the identity.
    fn carried(&self, before: &Covariance) -> Covariance {
        let effects = self.effects();
        let mut half = *before;
        for (row, column, value) in &effects {
            let mut rows = half.fixed_rows_mut::<3>(*row);
            rows += value * before.fixed_rows::<3>(*column);
        }
        let mut after = half;
        for (row, column, value) in &effects {
            let mut columns = after.fixed_columns_mut::<3>(*row);
            columns += half.fixed_columns::<3>(*column) * value.transpose();
        }
        after
    }

    /// Covariance after the block, from that before it.
    pub fn predict(&self, before: &Covariance, params: &InertialParams) -> Covariance {
        let mut after = self.carried(before);
        let mut add = |row: usize, variance: f64| {
            (row..row + 3).for_each(|i| after[(i, i)] += variance);
        };
        add(TILT, self.tilt_variance);
        add(GYRO_BIAS, params.bias_walk.powi(2) * self.dt_s);
        add(VELOCITY, self.velocity_variance);
        add(PLACE, params.stroll_m.powi(2) * self.dt_s);
        add(FORCE_BIAS, (params.force_bias_walk_g * GRAVITY_MPS2).powi(2) * self.dt_s);
        after
    }
}

/// How well a moment of rest shows the bias, (rad/s)².
pub fn rest_variance(rest: &Rest, params: &InertialParams) -> f64 {
    rest.scatter.powi(2) + params.rest_sd.powi(2)
}

/// What is learnt at the end of a block, one number after the other.
pub struct Update {
    pub errors: Errors,
    pub covariance: Covariance,
}

impl Update {
    pub fn new(covariance: Covariance) -> Update {
        Update { errors: Errors::zeros(), covariance }
    }

    /// Unknown `i` was seen `off` from where the filter had it, with this variance.
    fn see(&mut self, i: usize, off: f64, variance: f64) {
        let column: Errors = self.covariance.column(i).into_owned();
        let gain = column / (column[i] + variance);
        self.errors += gain * (off - self.errors[i]);
        self.covariance.ger(-1.0, &gain, &column, 1.0);
    }

    fn see_all(&mut self, row: usize, off: &Vector3<f64>, variance: f64) {
        (0..3).for_each(|i| self.see(row + i, off[i], variance));
    }

    /// A hand stays within reach and does not fly: place and velocity are about zero at any time.
    pub fn within_reach(
        &mut self,
        place: &Vector3<f64>,
        velocity: &Vector3<f64>,
        dt_s: f64,
        params: &InertialParams,
    ) {
        let thinned = params.reach_s / dt_s;
        self.see_all(PLACE, &-place, params.reach_m.powi(2) * thinned);
        self.see_all(VELOCITY, &-velocity, params.speed_m_s.powi(2) * thinned);
    }

    /// At rest the mean rate is the bias, but for sway.
    pub fn at_rest(&mut self, rest: &Rest, bias: &Vector3<f64>, params: &InertialParams) {
        self.see_all(GYRO_BIAS, &(rest.mean_rate - bias), rest_variance(rest, params));
    }

    pub fn done(mut self) -> Update {
        let transposed = self.covariance.transpose();
        self.covariance += transposed;
        self.covariance *= 0.5;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_covariance_is_carried_as_by_the_whole_transition() {
        let matrix = |by: f64| Matrix3::from_fn(|i, j| by * (1.0 + i as f64 - 0.3 * j as f64).sin());
        let block = Block {
            dt_s: 0.013,
            turned: matrix(0.013),
            turned_by: [matrix(0.1), matrix(-0.2), matrix(0.3)],
            pushed: Vector3::new(0.1, -0.2, 0.13),
            tilt_variance: 0.0,
            velocity_variance: 0.0,
        };
        let root = Covariance::from_fn(|i, j| ((3 * i + 7 * j) as f64).cos());
        let before = root * root.transpose();
        let transition = block.transition();
        let expected = transition * before * transition.transpose();
        assert!((block.carried(&before) - expected).amax() < 1e-12 * expected.amax());
    }
}
