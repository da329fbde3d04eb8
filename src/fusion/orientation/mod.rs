//! The inclination and the gyro bias of one node at any time, between swings as well, without a magnetometer:
//! a causal filter of our own, the same model looked at from both ends, and two well-known filters beside it.
//!
//! The level frame has z up and a heading that drifts freely.

mod block;
mod comparison;
mod inertial;
mod two_sided;
mod wander;

pub use comparison::{Madgwick, Mahony};
pub use inertial::{InertialFilter, InertialParams};
pub use two_sided::{Smoothed, smooth};

use nalgebra::{UnitQuaternion, Vector3};
use serde::{Deserialize, Serialize};
use std::str::FromStr;

/// A gap longer than this leaves nothing of the orientation, s.
pub const GAP_S: f64 = 0.5;

/// What one node says at an instant, and the time since it last spoke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Angular rate in the sensor frame, rad/s, bias included.
    pub rate: Vector3<f64>,
    /// Specific force in the sensor frame, g.
    pub force_g: Vector3<f64>,
    /// Time since the step before, s; of no meaning for the first.
    pub dt_s: f64,
}

impl Step {
    /// Finite numbers and a time that goes forwards.
    fn is_usable(&self) -> bool {
        let finite = self.rate.iter().chain(&self.force_g).all(|value| value.is_finite());
        finite && self.dt_s.is_finite() && self.dt_s > 0.0
    }
}

/// A causal filter for one node: one step per reading.
pub trait OrientationFilter: std::fmt::Debug + Send {
    /// Takes the next reading. One that is no number, or does not lie after the one before, is passed over.
    fn step(&mut self, step: &Step);

    /// `level_from_sensor` after the last step.
    fn level_from_sensor(&self) -> UnitQuaternion<f64>;

    /// Gyro bias as far as the filter knows it, rad/s in the sensor frame.
    fn bias(&self) -> Vector3<f64>;

    /// How far the bias may have run away from that, rad/s (standard deviation per axis); none where the filter cannot
    /// tell.
    fn bias_wander(&self) -> Vector3<f64> {
        Vector3::zeros()
    }
}

/// Which filter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OrientationMethod {
    /// [`InertialFilter`].
    #[default]
    Own,
    /// Madgwick's gradient descent, from the crate `ahrs`, for comparison.
    Madgwick,
    /// Mahony's complementary filter, from the crate `ahrs`, for comparison.
    Mahony,
}

impl OrientationMethod {
    /// Every method.
    pub const ALL: [OrientationMethod; 3] =
        [OrientationMethod::Own, OrientationMethod::Madgwick, OrientationMethod::Mahony];

    /// The word in settings and on the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            OrientationMethod::Own => "own",
            OrientationMethod::Madgwick => "madgwick",
            OrientationMethod::Mahony => "mahony",
        }
    }

    /// A filter that has seen nothing yet, with its usual settings.
    #[must_use]
    pub fn filter(self) -> Box<dyn OrientationFilter> {
        match self {
            OrientationMethod::Own => Box::new(InertialFilter::new(InertialParams::default())),
            OrientationMethod::Madgwick => Box::new(Madgwick::default()),
            OrientationMethod::Mahony => Box::new(Mahony::default()),
        }
    }
}

/// A word that names no method.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected own, madgwick or mahony, found {0}")]
pub struct NoSuchMethod(String);

impl FromStr for OrientationMethod {
    type Err = NoSuchMethod;

    fn from_str(word: &str) -> Result<OrientationMethod, NoSuchMethod> {
        let named = OrientationMethod::ALL.into_iter().find(|method| method.word() == word);
        named.ok_or_else(|| NoSuchMethod(word.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_method_is_found_by_its_word_and_holds_a_still_pose() {
        for method in OrientationMethod::ALL {
            assert_eq!(method.word().parse(), Ok(method));
            let mut filter = method.filter();
            for _ in 0..500 {
                filter.step(&Step { rate: Vector3::zeros(), force_g: Vector3::x(), dt_s: 0.005 });
            }
            let up = filter.level_from_sensor() * Vector3::x();
            assert!(up.angle(&Vector3::z()).to_degrees() < 0.1, "{method:?}: {up:?}");
        }
        assert_eq!("other".parse::<OrientationMethod>(), Err(NoSuchMethod("other".to_owned())));
    }
}
