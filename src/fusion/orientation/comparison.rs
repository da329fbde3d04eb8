//! The filters of Madgwick and Mahony through the crate `ahrs`, with its own default gains, for comparison.

use super::super::strapdown::level;
use super::{GAP_S, OrientationFilter, Step};
use ahrs::Ahrs;
use nalgebra::{UnitQuaternion, Vector3};

/// Madgwick's filter. It knows no bias.
pub type Madgwick = FromCrate<ahrs::Madgwick<f64>>;

/// Mahony's filter. With the default gains it integrates no bias.
pub type Mahony = FromCrate<ahrs::Mahony<f64>>;

/// What the crate's filters have in common, and what it does not say in one trait.
pub trait CrateFilter: Ahrs<f64> + std::fmt::Debug + Send {
    /// `level_from_sensor`.
    fn pose(&mut self) -> &mut UnitQuaternion<f64>;
    /// `level_from_sensor`, to read.
    fn pose_now(&self) -> UnitQuaternion<f64>;
    /// Sets the time to the next reading, s.
    fn set_period_s(&mut self, period_s: f64);
    /// Gyro bias, rad/s.
    fn bias(&self) -> Vector3<f64>;
}

impl CrateFilter for ahrs::Madgwick<f64> {
    fn pose(&mut self) -> &mut UnitQuaternion<f64> {
        self.quat_mut()
    }

    fn pose_now(&self) -> UnitQuaternion<f64> {
        self.quat()
    }

    fn set_period_s(&mut self, period_s: f64) {
        *self.sample_period_mut() = period_s;
    }

    fn bias(&self) -> Vector3<f64> {
        Vector3::zeros()
    }
}

impl CrateFilter for ahrs::Mahony<f64> {
    fn pose(&mut self) -> &mut UnitQuaternion<f64> {
        self.quat_mut()
    }

    fn pose_now(&self) -> UnitQuaternion<f64> {
        self.quat()
    }

    fn set_period_s(&mut self, period_s: f64) {
        *self.sample_period_mut() = period_s;
    }

    fn bias(&self) -> Vector3<f64> {
        // The integral is added to the rate.
        -self.e_int() * self.ki()
    }
}

/// A filter of the crate, started from gravity.
#[derive(Clone, Debug, Default)]
pub struct FromCrate<F> {
    filter: F,
    started: bool,
}

impl<F: CrateFilter> OrientationFilter for FromCrate<F> {
    fn step(&mut self, step: &Step) {
        if !std::mem::replace(&mut self.started, true) || step.dt_s > GAP_S {
            *self.filter.pose() = level(&step.force_g);
        } else if step.is_usable() {
            self.filter.set_period_s(step.dt_s);
            // A force of zero has no direction: the rate alone is left then.
            if self.filter.update_imu(&step.rate, &step.force_g).is_err() {
                self.filter.update_gyro(&step.rate);
            }
        }
    }

    fn level_from_sensor(&self) -> UnitQuaternion<f64> {
        self.filter.pose_now()
    }

    fn bias(&self) -> Vector3<f64> {
        self.filter.bias()
    }
}
