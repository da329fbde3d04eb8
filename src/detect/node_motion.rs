//! What one node did during a part of the calibration: how still it was, about which axis it turned, how
//! often and how far.

use crate::fusion::rest::turns_nothing;
use crate::fusion::series::{Reading, middle};
use nalgebra::{Matrix3, SymmetricEigen, Unit, Vector3};

/// Slower than this is no part of a movement, rad/s.
const MOVING_FROM: f64 = 0.35;
/// A turn of less than this between two turning points is no movement there or back, rad.
const LEAST_TURN: f64 = 8.0_f64.to_radians();
/// The turn under way counts from this share of the usual one on.
const UNDER_WAY_FROM: f64 = 0.7;
/// Stillness is judged in slices of this length, so that the tremor of a living hand averages out, s.
pub const SLICE_S: f64 = 0.25;
/// A slice's mean rate at rest is no farther than this from the gyro bias: slow sway, rad/s.
const REST_MEAN: f64 = 5.0_f64.to_radians();
/// A bias that nobody knows yet shows in half of the slices at least, within this, rad/s …
const BIAS_WITHIN: f64 = 2.0_f64.to_radians();
/// … and is smaller than this, rad/s.
const BIAS_MAX: f64 = 60.0_f64.to_radians();
/// A rest as long as this is a pose, s.
const POSE_S: f64 = 0.5;
/// The scatter of a slice at rest, tremor included (8 to 12 Hz, a few °/s), rad/s.
const REST_SCATTER: f64 = 6.0_f64.to_radians();

/// The movement of one node, rates less the gyro bias.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeMotion {
    /// Root mean square of the rate, rad/s.
    pub rms: f64,
    /// Largest rate, rad/s.
    pub peak: f64,
    /// A rate reached the sensor's full scale.
    pub clipped: bool,
    /// Main axis in the sensor frame, either way round; none where nothing moved.
    pub axis: Option<Unit<Vector3<f64>>>,
    /// Share of the motion that lies along the main axis, 0 to 1.
    pub share: f64,
    /// Sizes of the turns there and back about the main axis, rad, in order of time.
    pub turns: Vec<f64>,
    /// Longest rest, s.
    pub still_s: f64,
    /// Mean rate over that rest, bias included: the gyro bias where it was a real rest, rad/s.
    pub still_rate: Option<Vector3<f64>>,
    /// How far the means over [`SLICE_S`] scatter about it, rad/s: sway and breath of whoever wears the node.
    pub still_sway: f64,
    /// Mean specific force over the last rest of half a second or more, g.
    pub pose_force_g: Option<Vector3<f64>>,
}

impl NodeMotion {
    /// Measures readings in order of time.
    #[must_use]
    pub fn of(readings: &[Reading], bias: &Vector3<f64>) -> NodeMotion {
        let rates = || readings.iter().map(|reading| reading.rate - bias);
        let count = readings.len().max(1) as f64;
        let (axis, share) = main_axis(rates());
        let rests = Rest::all(&slices(readings), bias);
        let rest = rests.iter().max_by_key(|rest| rest.slices);
        let pose = rests.iter().rev().find(|rest| rest.slices as f64 * SLICE_S >= POSE_S);
        NodeMotion {
            rms: (rates().map(|rate| rate.norm_squared()).sum::<f64>() / count).sqrt(),
            peak: rates().map(|rate| rate.norm()).fold(0.0, f64::max),
            clipped: readings.iter().any(|reading| reading.clipped),
            axis,
            share,
            turns: axis.map_or_else(Vec::new, |axis| turns(readings, bias, &axis)),
            still_s: rest.map_or(0.0, |rest| rest.slices as f64 * SLICE_S),
            still_rate: rest.map(|rest| rest.rate / rest.slices as f64),
            still_sway: rest.map_or(0.0, Rest::sway),
            pose_force_g: pose.map(Rest::mean_force_g),
        }
    }

    /// How often it went there and back.
    #[must_use]
    pub fn repetitions(&self) -> usize {
        self.turns.len() / 2
    }

    /// The middle one of the turns' sizes, rad; 0 for none.
    #[must_use]
    pub fn usual_turn(&self) -> f64 {
        middle(self.turns.iter().copied()).unwrap_or(0.0)
    }
}

/// The axis with the largest share of the motion, and that share.
fn main_axis(rates: impl Iterator<Item = Vector3<f64>>) -> (Option<Unit<Vector3<f64>>>, f64) {
    let moment: Matrix3<f64> =
        rates.filter(|rate| rate.norm() > MOVING_FROM).map(|rate| rate * rate.transpose()).sum();
    if moment.trace() <= 0.0 {
        return (None, 0.0);
    }
    let eigen = SymmetricEigen::new(moment);
    let main = eigen.eigenvalues.imax();
    let axis = Unit::new_normalize(eigen.eigenvectors.column(main).into_owned());
    (Some(axis), eigen.eigenvalues[main] / eigen.eigenvalues.sum())
}

/// The turns about an axis between turning points, the one under way included once it is worth it.
fn turns(readings: &[Reading], bias: &Vector3<f64>, axis: &Unit<Vector3<f64>>) -> Vec<f64> {
    let mut found = Vec::new();
    // The last turning point, and the farthest that the turn under way has got.
    let (mut angle, mut from, mut far) = (0.0_f64, 0.0_f64, 0.0_f64);
    for pair in readings.windows(2) {
        angle += (pair[1].rate - bias).dot(axis) * (pair[1].t_s - pair[0].t_s);
        let is_turn = (far - from).abs() >= LEAST_TURN;
        let goes_on = if is_turn {
            (angle - far) * (far - from) > 0.0
        } else {
            (angle - from).abs() > (far - from).abs()
        };
        if goes_on {
            far = angle;
        } else if is_turn && (angle - far).abs() >= LEAST_TURN {
            found.push((far - from).abs());
            (from, far) = (far, angle);
        }
    }
    let under_way = (far - from).abs();
    if under_way >= LEAST_TURN.max(UNDER_WAY_FROM * middle(found.iter().copied()).unwrap_or(0.0)) {
        found.push(under_way);
    }
    found
}

/// A run of restful slices: sums of their means.
#[derive(Clone, Debug)]
struct Rest {
    slices: usize,
    rate: Vector3<f64>,
    rate_squares: f64,
    force_g: Vector3<f64>,
}

impl Rest {
    fn of(rate: Vector3<f64>, force_g: Vector3<f64>) -> Rest {
        Rest { slices: 1, rate, rate_squares: rate.norm_squared(), force_g }
    }

    fn with(&self, next: &Rest) -> Rest {
        Rest {
            slices: self.slices + next.slices,
            rate: self.rate + next.rate,
            rate_squares: self.rate_squares + next.rate_squares,
            force_g: self.force_g + next.force_g,
        }
    }

    /// Standard deviation of the slices' mean rates.
    fn sway(&self) -> f64 {
        let count = self.slices as f64;
        (self.rate_squares / count - (self.rate / count).norm_squared()).max(0.0).sqrt()
    }

    /// The runs of restful slices, in order of time; `known` is what is known of the gyro bias, rad/s.
    fn all(slices: &[Slice], known: &Vector3<f64>) -> Vec<Rest> {
        let bias = lasting_rate(slices).filter(|rate| (rate - known).norm() > REST_MEAN).unwrap_or(*known);
        let mut runs: Vec<(i64, Rest)> = Vec::new();
        for slice in slices.iter().filter(|slice| slice.is_restful(&bias)) {
            let rest = Rest::of(slice.rate, slice.force_g);
            match runs.last_mut() {
                Some((before, run)) if *before + 1 == slice.number => {
                    *before = slice.number;
                    *run = run.with(&rest);
                }
                _ => runs.push((slice.number, rest)),
            }
        }
        runs.into_iter().map(|(_, run)| run).collect()
    }

    fn mean_force_g(&self) -> Vector3<f64> {
        self.force_g / self.slices as f64
    }
}

/// The readings of [`SLICE_S`]: means, and how much the rate scatters about its own.
struct Slice {
    number: i64,
    rate: Vector3<f64>,
    force_g: Vector3<f64>,
    scatter: f64,
}

impl Slice {
    fn of(number: i64, readings: &[Reading]) -> Slice {
        let count = readings.len().max(1) as f64;
        let rate = readings.iter().map(|reading| reading.rate).sum::<Vector3<f64>>() / count;
        let force_g = readings.iter().map(|reading| reading.force_g).sum::<Vector3<f64>>() / count;
        let squares = readings.iter().map(|reading| (reading.rate - rate).norm_squared()).sum::<f64>();
        Slice { number, rate, force_g, scatter: (squares / count).sqrt() }
    }

    fn is_restful(&self, bias: &Vector3<f64>) -> bool {
        (self.rate - bias).norm() < REST_MEAN && self.scatter < REST_SCATTER
    }
}

/// The slices of readings in order of time. The last one, which is not full yet, is left out.
fn slices(readings: &[Reading]) -> Vec<Slice> {
    let Some((first, last)) = readings.first().zip(readings.last()) else { return Vec::new() };
    let number_of = |reading: &Reading| ((reading.t_s - first.t_s) / SLICE_S) as i64;
    let numbered = readings
        .chunk_by(|a, b| number_of(a) == number_of(b))
        .filter_map(|slice| Some((number_of(slice.first()?), slice)));
    let full = numbered.filter(|(number, _)| *number < number_of(last));
    full.map(|(number, slice)| Slice::of(number, slice)).collect()
}

/// A rate that most slices agree on though gravity does not turn with it, rad/s: the bias of a gyro that was not
/// seen at rest before.
fn lasting_rate(slices: &[Slice]) -> Option<Vector3<f64>> {
    let component = |i: usize| middle(slices.iter().map(|slice| slice.rate[i])).unwrap_or(0.0);
    let rate = Vector3::from_fn(|i, _| component(i));
    let near: Vec<&Slice> = slices.iter().filter(|slice| (slice.rate - rate).norm() < BIAS_WITHIN).collect();
    let (first, last) = near.first().zip(near.last())?;
    let lasted_s = (last.number - first.number) as f64 * SLICE_S;
    let is_bias = 2 * near.len() >= slices.len()
        && rate.norm() < BIAS_MAX
        && turns_nothing(&rate, &first.force_g, &last.force_g, lasted_s);
    is_bias.then_some(rate)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rests for 2 s, then swings to and fro about x between 0 and `turn_deg`, a cosine per repetition.
    fn rocking(turn_deg: f64, repetitions: usize, rep_s: f64) -> Vec<Reading> {
        let turn = turn_deg.to_radians();
        let moving_s = rep_s * repetitions as f64;
        (0..((2.0 + moving_s + 0.5) * 200.0) as i32)
            .map(|i| {
                let t_s = f64::from(i) * 0.005;
                let at_s = t_s - 2.0;
                let w = std::f64::consts::TAU / rep_s;
                let rate =
                    if (0.0..moving_s).contains(&at_s) { 0.5 * turn * w * (w * at_s).sin() } else { 0.0 };
                Reading { t_s, rate: Vector3::new(rate, 0.0, 0.01), force_g: Vector3::y(), clipped: false }
            })
            .collect()
    }

    /// Five seconds of a steady rate about x, °/s, while gravity turns by `true_dps`.
    fn steady(rate_dps: f64, true_dps: f64) -> Vec<Reading> {
        let reading = |i: i32| {
            let t_s = f64::from(i) * 0.005;
            let angle = true_dps.to_radians() * t_s;
            let rate = Vector3::x() * (rate_dps.to_radians() + 0.02 * (3.0 * t_s).sin());
            let force_g = Vector3::new(0.0, angle.sin(), angle.cos());
            Reading { t_s, rate, force_g, clipped: false }
        };
        (0..1000).map(reading).collect()
    }

    #[test]
    fn a_gyro_with_a_large_bias_is_seen_at_rest_and_a_steady_turn_is_not() {
        let still = NodeMotion::of(&steady(9.0, 0.0), &Vector3::zeros());
        assert!(still.still_s > 4.0, "{}", still.still_s);
        let told = still.still_rate.unwrap().x.to_degrees();
        assert!((told - 9.0).abs() < 0.5, "{told}");
        assert_eq!(NodeMotion::of(&steady(9.0, 9.0), &Vector3::zeros()).still_s, 0.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]
        #[test]
        fn repetitions_are_counted(turn_deg in 15.0..100.0_f64, repetitions in 1..8_usize, rep_s in 0.7..2.0_f64) {
            let motion = NodeMotion::of(&rocking(turn_deg, repetitions, rep_s), &Vector3::zeros());
            prop_assert_eq!(motion.repetitions(), repetitions);
            prop_assert!((motion.usual_turn().to_degrees() - turn_deg).abs() < 2.0);
            prop_assert!(motion.share > 0.99 && motion.still_s >= 1.75);
        }

        #[test]
        fn any_numbers_are_taken(values in prop::collection::vec((-50.0..50.0_f64, 0.0..0.4_f64), 0..200)) {
            let mut t_s = 0.0;
            let readings: Vec<Reading> = values.iter().map(|(rate, step_s)| {
                t_s += step_s;
                Reading { t_s, rate: Vector3::new(*rate, -rate, 1.0), force_g: Vector3::z(), clipped: false }
            }).collect();
            let motion = NodeMotion::of(&readings, &Vector3::zeros());
            prop_assert!(motion.share <= 1.0 + 1e-9 && motion.still_s <= t_s);
        }
    }

    #[test]
    fn small_trembling_is_no_repetition() {
        let motion = NodeMotion::of(&rocking(4.0, 6, 0.8), &Vector3::zeros());
        assert_eq!(motion.repetitions(), 0);
    }

    #[test]
    fn a_rest_tells_bias_and_gravity() {
        let motion = NodeMotion::of(&rocking(40.0, 2, 1.0), &Vector3::zeros());
        assert!((motion.still_rate.unwrap() - Vector3::new(0.0, 0.0, 0.01)).norm() < 1e-9);
        assert!((motion.pose_force_g.unwrap() - Vector3::y()).norm() < 1e-9);
    }
}
