//! Gyro bias from moments of rest.

use super::series::Reading;
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Settings of the bias tracker.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RestParams {
    /// Length of a slice whose mean smooths tremor away, s.
    pub slice_s: f64,
    /// Slices that are judged together.
    pub slices: usize,
    /// Largest scatter of the slices' mean rates at rest, rad/s (standard deviation, per axis).
    pub rate_sd_max: f64,
    /// Largest scatter of the slices' mean specific force at rest, g.
    pub force_sd_max_g: f64,
    /// Largest mean rate at rest: a bias is smaller than this, rad/s.
    pub mean_max: f64,
    /// Scatter at which a block counts half, rad/s.
    pub calm_sd: f64,
    /// Weight of the memory: about so many calm blocks.
    pub memory_blocks: f64,
}

impl Default for RestParams {
    /// A hand trembles at 8 to 12 Hz by a few °/s, so means over 0.25 s are compared; a body sways slowly by
    /// about 1 °/s, so blocks count the less the more they scatter (judgement; margins are wide).
    fn default() -> RestParams {
        RestParams {
            slice_s: 0.25,
            slices: 4,
            rate_sd_max: 1.5_f64.to_radians(),
            force_sd_max_g: 0.02,
            mean_max: 3.0_f64.to_radians(),
            calm_sd: 0.3_f64.to_radians(),
            memory_blocks: 60.0,
        }
    }
}

/// Sums over one slice.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Slice {
    start_s: f64,
    rate: Vector3<f64>,
    force_g: Vector3<f64>,
    count: f64,
}

/// A moment of rest.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rest {
    /// Mean rate: the bias, and what sway is left, rad/s.
    pub mean_rate: Vector3<f64>,
    /// Scatter of the slices' mean rates, rad/s (standard deviation, worst axis).
    pub scatter: f64,
}

/// Looks for moments of rest in one node's readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RestDetector {
    params: RestParams,
    slice: Option<Slice>,
    block: Vec<Slice>,
    resting: bool,
}

impl RestDetector {
    /// A detector that has seen nothing yet.
    #[must_use]
    pub fn new(params: RestParams) -> RestDetector {
        RestDetector { params, slice: None, block: Vec::new(), resting: false }
    }

    /// Whether the last moment that was judged was one of rest.
    #[must_use]
    pub fn is_resting(&self) -> bool {
        self.resting
    }

    /// Takes the next reading: rate in rad/s, specific force in g. Gives a moment of rest when one is over.
    pub fn push(&mut self, t_s: f64, rate: &Vector3<f64>, force_g: &Vector3<f64>) -> Option<Rest> {
        let fresh = Slice { start_s: t_s, rate: Vector3::zeros(), force_g: Vector3::zeros(), count: 0.0 };
        let slice = self.slice.get_or_insert(fresh);
        let full = !(0.0..self.params.slice_s).contains(&(t_s - slice.start_s));
        let closed = full.then(|| std::mem::replace(slice, fresh));
        slice.rate += rate;
        slice.force_g += force_g;
        slice.count += 1.0;
        closed.and_then(|slice| self.close_slice(slice))
    }

    fn close_slice(&mut self, slice: Slice) -> Option<Rest> {
        self.block.push(slice);
        if self.block.len() < self.params.slices {
            return None;
        }
        let rest = self.rest_in_block();
        self.block.clear();
        self.resting = rest.is_some();
        rest
    }

    /// Mean rate and its scatter, if the block is at rest.
    fn rest_in_block(&self) -> Option<Rest> {
        let n = self.block.len() as f64;
        let (mean_rate, rate_sd) = mean_and_sd(self.block.iter().map(|slice| slice.rate / slice.count), n);
        let (_, force_sd_g) = mean_and_sd(self.block.iter().map(|slice| slice.force_g / slice.count), n);
        let still = rate_sd.max() < self.params.rate_sd_max
            && force_sd_g.max() < self.params.force_sd_max_g
            && mean_rate.amax() < self.params.mean_max;
        still.then(|| Rest { mean_rate, scatter: rate_sd.max() })
    }
}

/// Follows the gyro bias of one node through the session.
#[derive(Clone, Debug)]
pub struct BiasTracker {
    params: RestParams,
    detector: RestDetector,
    bias: Vector3<f64>,
    weight: f64,
}

impl BiasTracker {
    /// A tracker that knows nothing yet: its bias is zero.
    #[must_use]
    pub fn new(params: RestParams) -> BiasTracker {
        BiasTracker { params, detector: RestDetector::new(params), bias: Vector3::zeros(), weight: 0.0 }
    }

    /// The bias so far, rad/s in the sensor frame.
    #[must_use]
    pub fn bias(&self) -> Vector3<f64> {
        self.bias
    }

    /// Whether any rest was seen.
    #[must_use]
    pub fn is_known(&self) -> bool {
        self.weight > 0.0
    }

    /// Takes the next reading.
    pub fn push(&mut self, reading: Reading) {
        let Some(rest) = self.detector.push(reading.t_s, &reading.rate, &reading.force_g) else { return };
        let calm = 1.0 / (1.0 + (rest.scatter / self.params.calm_sd).powi(2));
        let old = self.weight * (1.0 - calm / self.params.memory_blocks);
        self.weight = old + calm;
        self.bias = (self.bias * old + rest.mean_rate * calm) / self.weight;
    }
}

fn mean_and_sd(values: impl Iterator<Item = Vector3<f64>> + Clone, n: f64) -> (Vector3<f64>, Vector3<f64>) {
    let mean = values.clone().sum::<Vector3<f64>>() / n;
    let variance =
        values.map(|value| (value - mean).component_mul(&(value - mean))).sum::<Vector3<f64>>() / n;
    (mean, variance.map(f64::sqrt))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn feed(tracker: &mut BiasTracker, from_s: f64, rate: impl Fn(f64) -> Vector3<f64>) {
        for i in 0..1000 {
            let t_s = from_s + f64::from(i) * 0.002;
            tracker.push(Reading { t_s, rate: rate(t_s), force_g: Vector3::z(), clipped: false });
        }
    }

    #[test]
    fn rest_tells_the_bias_and_motion_does_not() {
        let bias = Vector3::new(0.01, -0.02, 0.005);
        let mut tracker = BiasTracker::new(RestParams::default());
        feed(&mut tracker, 0.0, |t| Vector3::new((20.0 * t).sin(), 0.3, 0.0));
        assert!(!tracker.is_known());
        feed(&mut tracker, 10.0, |_| bias);
        feed(&mut tracker, 20.0, |t| Vector3::new((20.0 * t).sin(), 0.3, 0.0));
        assert!(tracker.is_known());
        assert!((tracker.bias() - bias).norm() < 1e-9);
    }
}
