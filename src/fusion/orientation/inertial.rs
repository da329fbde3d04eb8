//! A causal orientation filter: strapdown, held level by the fact that a hand stays within reach.
//!
//! The specific force, turned into a level frame that hardly rotates, is gravity and the hand's acceleration.
//! The latter, integrated twice, is a place that never goes far; what would carry it away is tilt, and what
//! makes the tilt grow again and again is gyro bias. A Kalman filter weighs this, and the gyro's mean at rest.
//! (Correcting in a nearly inertial frame and the bias by a Kalman filter from motion and rest: Laidig & Seel
//! 2023, Inf Fusion 91:187-204. There a low-pass stands where the model of the place stands here.)

use super::super::rest::{Rest, RestDetector, RestParams};
use super::super::strapdown;
use super::block::{
    Block, Covariance, Errors, FORCE_BIAS, GYRO_BIAS, GYRO_SCALE, PLACE, Part, TILT, UNKNOWNS, Update,
    VELOCITY, rest_variance,
};
use super::wander::Wander;
use super::{GAP_S, OrientationFilter, Step};
use crate::units::GRAVITY_MPS2;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};
use serde::{Deserialize, Serialize};

/// Settings. Angles in rad, times in s.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct InertialParams {
    /// A rate is the mean over the step that ends with it, as behind a decimating filter of unknown corner;
    /// otherwise the rate at its instant, as after a correction of the filter's delay.
    pub rate_over_step: bool,
    /// White noise of the gyro, rad/s/√Hz.
    pub gyro_noise: f64,
    /// Scale and cross-axis errors of the gyro, as a share (standard deviation).
    pub gyro_scale: f64,
    /// What of them is not constant: temperature, bent lines, timing (standard deviation).
    pub gyro_unsteady: f64,
    /// A turn keeps its direction about so long, s.
    pub turn_s: f64,
    /// How far the bias walks in a second, rad/s/√s.
    pub bias_walk: f64,
    /// How large a bias may be before any was seen, rad/s (standard deviation).
    pub bias_sd: f64,
    /// How well the mean over a moment of rest shows the bias at best, rad/s (standard deviation).
    pub rest_sd: f64,
    /// White noise of the accelerometer, and whatever shakes it, g/√Hz.
    pub force_noise_g: f64,
    /// Offset of the accelerometer, g (standard deviation).
    pub force_bias_sd_g: f64,
    /// How far it walks in a second, g/√s.
    pub force_bias_walk_g: f64,
    /// Share of the change between two readings that sampling loses.
    pub missed: f64,
    /// How far a hand goes from where it usually is, m (standard deviation).
    pub reach_m: f64,
    /// How fast it is, m/s (standard deviation).
    pub speed_m_s: f64,
    /// Places closer in time than this are one and the same evidence, s.
    pub reach_s: f64,
    /// How far the player strolls in a second, m/√s.
    pub stroll_m: f64,
    /// What is learnt is worked in so often, s.
    pub block_s: f64,
    /// Rest.
    pub rest: RestParams,
}

impl Default for InertialParams {
    /// Noise, bias and scale as cheap sensors have them (common practice); reach and speed of an arm.
    fn default() -> InertialParams {
        InertialParams {
            rate_over_step: true,
            gyro_noise: 0.01_f64.to_radians(),
            gyro_scale: 0.005,
            gyro_unsteady: 0.003,
            turn_s: 0.1,
            bias_walk: 0.002_f64.to_radians(),
            bias_sd: 1.0_f64.to_radians(),
            rest_sd: 0.02_f64.to_radians(),
            force_noise_g: 0.002,
            force_bias_sd_g: 0.01,
            force_bias_walk_g: 5e-5,
            missed: 0.2,
            reach_m: 0.3,
            speed_m_s: 1.0,
            reach_s: 1.0,
            stroll_m: 0.2,
            block_s: 0.0135,
            rest: RestParams::default(),
        }
    }
}

/// Where the filter stands between two readings. It can be saved and taken up again, bit for bit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct State {
    level_from_sensor: UnitQuaternion<f64>,
    bias: Vector3<f64>,
    /// What is to be taken off the rate, as a share of it.
    gyro_scale: Matrix3<f64>,
    /// m/s and m in the level frame.
    velocity: Vector3<f64>,
    place: Vector3<f64>,
    /// m/s² in the sensor frame.
    force_bias: Vector3<f64>,
    covariance: Covariance,
    block: Block,
    last_rate: Vector3<f64>,
    last_force_g: Vector3<f64>,
    seen_s: f64,
    rest: RestDetector,
    rest_seen: Option<Rest>,
    wander: Wander,
}

/// The filter. One step per reading; serialisable as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InertialFilter {
    params: InertialParams,
    state: Option<State>,
}

/// A block that has come to its end: what the way back needs of it.
pub(super) struct Closing<'a> {
    pub block: &'a Block,
    pub predicted: &'a Covariance,
    pub filtered: &'a Covariance,
    pub correction: &'a Errors,
}

/// What a reading did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Taken {
    Nothing,
    Started,
    Within,
    Closed,
}

impl InertialFilter {
    /// A filter that has seen nothing yet.
    #[must_use]
    pub fn new(params: InertialParams) -> InertialFilter {
        InertialFilter { params, state: None }
    }

    /// Whether the last second that was judged was one of rest.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        self.state.as_ref().is_some_and(|state| state.rest.is_resting())
    }

    /// How well the bias is known, rad/s (standard deviation per axis of the sensor).
    #[must_use]
    pub fn bias_sd(&self) -> Vector3<f64> {
        let unknown = Vector3::from_element(self.params.bias_sd);
        self.state.as_ref().map_or(unknown, |state| {
            Vector3::from_fn(|i, _| state.covariance[(GYRO_BIAS + i, GYRO_BIAS + i)].max(0.0).sqrt())
        })
    }

    /// A step, and what became of it. A block that comes to its end is shown to `closing`.
    pub(super) fn take(&mut self, step: &Step, closing: impl FnOnce(&Closing)) -> Taken {
        match &mut self.state {
            None if step.force_g.iter().chain(&step.rate).all(|value| value.is_finite()) => {
                self.state = Some(State::start(step, &self.params));
                Taken::Started
            }
            Some(state) if step.is_usable() && step.dt_s > GAP_S => {
                state.level_anew(step, &self.params);
                Taken::Started
            }
            Some(state) if step.is_usable() => state.advance(step, &self.params, closing),
            _ => Taken::Nothing,
        }
    }
}

impl OrientationFilter for InertialFilter {
    fn step(&mut self, step: &Step) {
        self.take(step, |_| {});
    }

    fn level_from_sensor(&self) -> UnitQuaternion<f64> {
        self.state.as_ref().map_or_else(UnitQuaternion::identity, |state| state.level_from_sensor)
    }

    fn bias(&self) -> Vector3<f64> {
        self.state.as_ref().map_or_else(Vector3::zeros, |state| state.bias)
    }

    fn bias_wander(&self) -> Vector3<f64> {
        self.state.as_ref().map_or_else(Vector3::zeros, |state| state.wander.variance().map(f64::sqrt))
    }
}

impl State {
    fn start(step: &Step, params: &InertialParams) -> State {
        let mut covariance = Covariance::zeros();
        set_variance(&mut covariance, GYRO_BIAS, params.bias_sd);
        set_variance(&mut covariance, FORCE_BIAS, params.force_bias_sd_g * GRAVITY_MPS2);
        (0..9).for_each(|i| covariance[(GYRO_SCALE + i, GYRO_SCALE + i)] = params.gyro_scale.powi(2));
        let mut state = State {
            level_from_sensor: UnitQuaternion::identity(),
            bias: Vector3::zeros(),
            gyro_scale: Matrix3::zeros(),
            velocity: Vector3::zeros(),
            place: Vector3::zeros(),
            force_bias: Vector3::zeros(),
            covariance,
            block: Block::default(),
            last_rate: step.rate,
            last_force_g: step.force_g,
            seen_s: 0.0,
            rest: RestDetector::new(params.rest),
            rest_seen: None,
            wander: Wander::default(),
        };
        state.level_anew(step, params);
        state
    }

    /// Starts from the force of one reading. The biases stay as they are known.
    fn level_anew(&mut self, step: &Step, params: &InertialParams) {
        self.level_from_sensor = strapdown::level(&step.force_g);
        (self.velocity, self.place) = (Vector3::zeros(), Vector3::zeros());
        for row in [TILT, VELOCITY, PLACE] {
            self.covariance.fixed_view_mut::<3, UNKNOWNS>(row, 0).fill(0.0);
            self.covariance.fixed_view_mut::<UNKNOWNS, 3>(0, row).fill(0.0);
        }
        // One reading is level to about 3°, worse by what its size tells of motion.
        set_variance(&mut self.covariance, TILT, 0.05 + (step.force_g.norm() - 1.0).abs().min(0.5));
        self.covariance[(TILT + 2, TILT + 2)] = 0.0;
        set_variance(&mut self.covariance, VELOCITY, params.speed_m_s);
        set_variance(&mut self.covariance, PLACE, params.reach_m);
        self.block = Block::default();
        (self.last_rate, self.last_force_g) = (step.rate, step.force_g);
        self.rest = RestDetector::new(params.rest);
        self.rest_seen = None;
    }

    fn advance(&mut self, step: &Step, params: &InertialParams, closing: impl FnOnce(&Closing)) -> Taken {
        self.watch_for_rest(step);
        self.strapdown(step, params);
        (self.last_rate, self.last_force_g) = (step.rate, step.force_g);
        if self.block.dt_s < params.block_s {
            return Taken::Within;
        }
        self.close_block(params, closing);
        Taken::Closed
    }

    fn watch_for_rest(&mut self, step: &Step) {
        self.seen_s += step.dt_s;
        if let Some(rest) = self.rest.push(self.seen_s, &step.rate, &step.force_g, &self.bias) {
            self.rest_seen = Some(rest);
        }
    }

    fn strapdown(&mut self, step: &Step, params: &InertialParams) {
        let true_rate = |rate: &Vector3<f64>| {
            let unbiased = rate - self.bias;
            unbiased - self.gyro_scale * unbiased
        };
        let (rate, last_rate) = (true_rate(&step.rate), true_rate(&self.last_rate));
        let mean_rate = if params.rate_over_step { rate } else { (rate + last_rate) * 0.5 };
        let turn = strapdown::step(&mean_rate, &last_rate, &rate, step.dt_s);
        let middle = self.level_from_sensor * UnitQuaternion::from_scaled_axis(turn.scaled_axis() * 0.5);
        let force = middle * ((step.force_g + self.last_force_g) * (0.5 * GRAVITY_MPS2) - self.force_bias);
        let acceleration = force - Vector3::z() * GRAVITY_MPS2;
        self.place += (self.velocity + acceleration * (0.5 * step.dt_s)) * step.dt_s;
        self.velocity += acceleration * step.dt_s;
        self.level_from_sensor *= turn;
        self.level_from_sensor.renormalize_fast();
        let part = Part {
            dt_s: step.dt_s,
            orientation: middle.to_rotation_matrix().into_inner(),
            force,
            rate,
            rate_change: step.rate - self.last_rate,
            force_change: (step.force_g - self.last_force_g) * GRAVITY_MPS2,
        };
        self.block.add(&part, params);
    }

    fn close_block(&mut self, params: &InertialParams, closing: impl FnOnce(&Closing)) {
        let block = std::mem::take(&mut self.block);
        let mut predicted = block.predict(&self.covariance, params);
        let rest = self.rest_seen.take();
        if let Some(rest) = &rest {
            self.follow_wander(rest, &mut predicted, params);
        }
        let mut update = Update::new(predicted);
        update.within_reach(&self.place, &self.velocity, block.dt_s, params);
        if let Some(rest) = rest {
            update.at_rest(&rest, &self.bias, params);
        }
        let Update { errors, covariance } = update.done();
        self.correct(&errors);
        closing(&Closing {
            block: &block,
            predicted: &predicted,
            filtered: &covariance,
            correction: &errors,
        });
        self.covariance = covariance;
    }

    /// A bias that runs away from what is known is known less well than was thought.
    fn follow_wander(&mut self, rest: &Rest, predicted: &mut Covariance, params: &InertialParams) {
        let seen = rest_variance(rest, params);
        let expected = Vector3::from_fn(|i, _| predicted[(GYRO_BIAS + i, GYRO_BIAS + i)] + seen);
        let more = self.wander.push(&(rest.mean_rate - self.bias), &expected);
        (0..3).for_each(|i| predicted[(GYRO_BIAS + i, GYRO_BIAS + i)] += more[i]);
    }

    fn correct(&mut self, errors: &Errors) {
        let part = |row: usize| -> Vector3<f64> { errors.fixed_rows::<3>(row).into_owned() };
        self.level_from_sensor = UnitQuaternion::from_scaled_axis(part(TILT)) * self.level_from_sensor;
        self.bias += part(GYRO_BIAS);
        self.velocity += part(VELOCITY);
        self.place += part(PLACE);
        self.force_bias += part(FORCE_BIAS);
        for i in 0..3 {
            let mut column = self.gyro_scale.column_mut(i);
            column += part(GYRO_SCALE + 3 * i);
        }
    }
}

fn set_variance(covariance: &mut Covariance, row: usize, sd: f64) {
    (row..row + 3).for_each(|i| covariance[(i, i)] = sd * sd);
}
