//! Moments of rest, whose mean rate is the gyro bias.

use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Settings of the rest detector.
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
    /// A mean rate no farther than this from none, or from the bias that is known, is one of rest, rad/s. A larger
    /// one is, too, where gravity does not turn as it would have it turn …
    pub mean_max: f64,
    /// … and it is smaller than any bias can be, rad/s.
    pub bias_max: f64,
}

impl Default for RestParams {
    /// A hand trembles at 8 to 12 Hz by a few °/s, so means over 0.25 s are compared; a body sways slowly by
    /// about 1 °/s (judgement; margins are wide).
    fn default() -> RestParams {
        RestParams {
            slice_s: 0.25,
            slices: 4,
            rate_sd_max: 1.5_f64.to_radians(),
            force_sd_max_g: 0.02,
            mean_max: 3.0_f64.to_radians(),
            bias_max: 60.0_f64.to_radians(),
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

    /// Takes the next reading: rate in rad/s, specific force in g; `bias` is what is known of it, rad/s. Gives a
    /// moment of rest when one is over.
    pub fn push(
        &mut self,
        t_s: f64,
        rate: &Vector3<f64>,
        force_g: &Vector3<f64>,
        bias: &Vector3<f64>,
    ) -> Option<Rest> {
        let fresh = Slice { start_s: t_s, rate: Vector3::zeros(), force_g: Vector3::zeros(), count: 0.0 };
        let slice = self.slice.get_or_insert(fresh);
        let full = !(0.0..self.params.slice_s).contains(&(t_s - slice.start_s));
        let closed = full.then(|| std::mem::replace(slice, fresh));
        slice.rate += rate;
        slice.force_g += force_g;
        slice.count += 1.0;
        closed.and_then(|slice| self.close_slice(slice, bias))
    }

    fn close_slice(&mut self, slice: Slice, bias: &Vector3<f64>) -> Option<Rest> {
        self.block.push(slice);
        if self.block.len() < self.params.slices {
            return None;
        }
        let rest = self.rest_in_block(bias);
        self.block.clear();
        self.resting = rest.is_some();
        rest
    }

    /// Mean rate and its scatter, if the block is at rest.
    fn rest_in_block(&self, bias: &Vector3<f64>) -> Option<Rest> {
        let n = self.block.len() as f64;
        let (mean_rate, rate_sd) = mean_and_sd(self.block.iter().map(|slice| slice.rate / slice.count), n);
        let (_, force_sd_g) = mean_and_sd(self.block.iter().map(|slice| slice.force_g / slice.count), n);
        let still = rate_sd.max() < self.params.rate_sd_max
            && force_sd_g.max() < self.params.force_sd_max_g
            && (mean_rate.amax() < self.params.mean_max
                || (mean_rate - bias).amax() < self.params.mean_max
                || self.is_bias(&mean_rate));
        still.then(|| Rest { mean_rate, scatter: rate_sd.max() })
    }

    /// Whether gravity stays although this rate would turn it: then it is a bias.
    fn is_bias(&self, rate: &Vector3<f64>) -> bool {
        let force_g = |slice: &Slice| slice.force_g / slice.count;
        let Some((first, last)) = self.block.first().zip(self.block.last()) else { return false };
        let lasted_s = last.start_s - first.start_s;
        rate.norm() < self.params.bias_max
            && turned_g(rate, &force_g(first), lasted_s) > self.params.mean_max * lasted_s
            && turns_nothing(rate, &force_g(first), &force_g(last), lasted_s)
    }
}

/// How far a rate, rad/s, turns gravity in this time, g.
fn turned_g(rate: &Vector3<f64>, force_g: &Vector3<f64>, lasts_s: f64) -> f64 {
    rate.cross(force_g).norm() * lasts_s
}

/// Whether gravity turned by less than half of what this rate, rad/s, would have turned it by from the first to the last
/// specific force, g: then the rate is no turn, but a bias. About the vertical nobody can tell.
#[must_use]
pub fn turns_nothing(
    rate: &Vector3<f64>,
    first_g: &Vector3<f64>,
    last_g: &Vector3<f64>,
    lasted_s: f64,
) -> bool {
    turned_g(rate, first_g, lasted_s) > 2.0 * (last_g - first_g).norm()
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

    /// Moments of rest in two seconds of readings, gravity along z.
    fn rests(detector: &mut RestDetector, from_s: f64, rate: impl Fn(f64) -> Vector3<f64>) -> Vec<Rest> {
        let times = (0..1000).map(|i| from_s + f64::from(i) * 0.002);
        let none = Vector3::zeros();
        times.filter_map(|t_s| detector.push(t_s, &rate(t_s), &Vector3::z(), &none)).collect()
    }

    /// Moments of rest in two seconds of a steady rate about x, °/s, while gravity turns by `true_dps`.
    fn rests_at(rate_dps: f64, true_dps: f64, known_dps: f64) -> usize {
        let mut detector = RestDetector::new(RestParams::default());
        let about_x = |dps: f64| Vector3::x() * dps.to_radians();
        let times = (0..1000).map(|i| f64::from(i) * 0.002);
        let rest = |t_s: f64| {
            let angle = true_dps.to_radians() * t_s;
            let force_g = Vector3::new(0.0, angle.sin(), angle.cos());
            detector.push(t_s, &about_x(rate_dps), &force_g, &about_x(known_dps))
        };
        times.filter_map(rest).count()
    }

    #[test]
    fn a_large_bias_is_told_from_a_steady_turn() {
        assert_eq!(rests_at(8.0, 0.0, 0.0), 1, "gravity stays: a bias");
        assert_eq!(rests_at(8.0, 8.0, 0.0), 0, "gravity turns along");
        assert_eq!(rests_at(90.0, 0.0, 0.0), 0, "no gyro is off by so much");
        let upright = |bias_dps: f64| {
            let mut detector = RestDetector::new(RestParams::default());
            let (rate, bias) = (Vector3::z() * 8.0_f64.to_radians(), Vector3::z() * bias_dps.to_radians());
            let times = (0..1000).map(|i| f64::from(i) * 0.002);
            times.filter_map(|t_s| detector.push(t_s, &rate, &Vector3::z(), &bias)).count()
        };
        assert_eq!(upright(0.0), 0, "about the vertical nobody can tell");
        assert_eq!(upright(7.5), 1, "unless the bias is known");
    }

    #[test]
    fn rest_tells_the_bias_and_motion_does_not() {
        let bias = Vector3::new(0.01, -0.02, 0.005);
        let moving = |t: f64| Vector3::new((20.0 * t).sin(), 0.3, 0.0);
        let mut detector = RestDetector::new(RestParams::default());
        assert_eq!(rests(&mut detector, 0.0, moving), []);
        let found = rests(&mut detector, 10.0, |_| bias);
        assert!(detector.is_resting() && !found.is_empty());
        let last = found[found.len() - 1];
        assert!((last.mean_rate - bias).norm() < 1e-9 && last.scatter < 1e-9);
        rests(&mut detector, 20.0, moving);
        assert!(!detector.is_resting());
    }
}
