//! The filters of Madgwick and Mahony through the crate `ahrs`, with its own default gains, for comparison.

use super::super::strapdown::level;
use super::{GAP_S, OrientationFilter, Step};
use ahrs::Ahrs;
use nalgebra::{UnitQuaternion, Vector3};

/// Madgwick's filter. It knows no bias.
#[derive(Clone, Debug, Default)]
pub struct Madgwick {
    filter: ahrs::Madgwick<f64>,
    started: bool,
}

/// Mahony's filter. With the default gains it integrates no bias.
#[derive(Clone, Debug, Default)]
pub struct Mahony {
    filter: ahrs::Mahony<f64>,
    started: bool,
}

impl OrientationFilter for Madgwick {
    fn step(&mut self, step: &Step) {
        if !std::mem::replace(&mut self.started, true) || step.dt_s > GAP_S {
            *self.filter.quat_mut() = level(&step.force_g);
        } else if step.is_usable() {
            *self.filter.sample_period_mut() = step.dt_s;
            update(&mut self.filter, step);
        }
    }

    fn level_from_sensor(&self) -> UnitQuaternion<f64> {
        self.filter.quat()
    }

    fn bias(&self) -> Vector3<f64> {
        Vector3::zeros()
    }
}

impl OrientationFilter for Mahony {
    fn step(&mut self, step: &Step) {
        if !std::mem::replace(&mut self.started, true) || step.dt_s > GAP_S {
            *self.filter.quat_mut() = level(&step.force_g);
        } else if step.is_usable() {
            *self.filter.sample_period_mut() = step.dt_s;
            update(&mut self.filter, step);
        }
    }

    fn level_from_sensor(&self) -> UnitQuaternion<f64> {
        self.filter.quat()
    }

    fn bias(&self) -> Vector3<f64> {
        // The integral is added to the rate.
        -self.filter.e_int() * self.filter.ki()
    }
}

/// A force of zero has no direction: the rate alone is left then.
fn update(filter: &mut impl Ahrs<f64>, step: &Step) {
    if filter.update_imu(&step.rate, &step.force_g).is_err() {
        filter.update_gyro(&step.rate);
    }
}
