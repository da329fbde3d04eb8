//! Readings mended before they are integrated: a rate that reached full scale is carried on over the clipped
//! stretch, rate and force are bridged over a gap, all by the cubic that fits the values and slopes at the two ends
//! (Hermite), and how far that may be off is told.

use super::series::{Reading, usual_step_s};
use nalgebra::Vector3;
use std::ops::Range;

/// A step longer than so many usual ones is a gap.
const GAP_STEPS: f64 = 1.6;
/// A component this near to the largest among clipped readings is clipped, a share of it.
const AT_FULL_SCALE: f64 = 0.998;
/// A bridge may be off by this share of what it differs from a straight line (judgement) …
const BRIDGE_SHARE: f64 = 0.5;
/// … and, over a gap, by this share of what was turned.
const GAP_SHARE: f64 = 0.01;
/// Gaps of so many readings and more are not bridged: the motion at their ends says nothing of what came between …
const TOO_LONG: f64 = 200.0;
/// … so any turn may have been made in them, rad².
const ANY_TURN: f64 = std::f64::consts::PI * std::f64::consts::PI / 3.0;
/// No bridge carries a rate farther than this share above full scale: a wilder cubic is no motion of an arm.
const MOST_ABOVE: f64 = 0.5;

/// Mended readings.
#[derive(Clone, Debug)]
pub struct Mended {
    /// The readings, those that bridge gaps among them.
    pub readings: Vec<Reading>,
    /// Variance of the rotation over the step that ends at each reading, rad².
    pub variance: Vec<f64>,
    /// Variance of the sum of the force over that step, (g s)².
    pub force_variance: Vec<f64>,
}

/// Mends readings that are in order of time.
#[must_use]
pub fn mend(readings: &[Reading]) -> Mended {
    let mut mended = readings.to_vec();
    let mut variance = vec![0.0; readings.len()];
    let full_scale =
        readings.iter().filter(|r| r.clipped).map(|r| r.rate.amax()).fold(0.0, f64::max) * AT_FULL_SCALE;
    if full_scale > 0.0 {
        for axis in 0..3 {
            for run in clipped_runs(readings, axis, full_scale) {
                unclip(&mut mended, &mut variance, axis, &run, full_scale);
            }
        }
    }
    bridge(&mended, &variance)
}

/// Stretches over which one axis stands at full scale.
fn clipped_runs(readings: &[Reading], axis: usize, full_scale: f64) -> Vec<Range<usize>> {
    let mut runs: Vec<Range<usize>> = Vec::new();
    for (i, reading) in readings.iter().enumerate() {
        if reading.clipped && reading.rate[axis].abs() >= full_scale {
            match runs.last_mut() {
                Some(run) if run.end == i => run.end = i + 1,
                _ => runs.push(i..i + 1),
            }
        }
    }
    runs
}

/// The cubic through two ends with their values and slopes, at `part` (0 to 1) of the way of `length_s`.
fn hermite(ends: [f64; 2], slopes: [f64; 2], length_s: f64, part: f64) -> f64 {
    let (p, q) = (part, 1.0 - part);
    ends[0] * q * q * (1.0 + 2.0 * p)
        + ends[1] * p * p * (3.0 - 2.0 * p)
        + length_s * (slopes[0] * p * q * q - slopes[1] * p * p * q)
}

/// Slope of rate or force between two neighbours, per s.
fn slope(a: &Reading, b: &Reading, of: impl Fn(&Reading) -> &Vector3<f64>) -> Vector3<f64> {
    (of(b) - of(a)) / (b.t_s - a.t_s).max(1e-6)
}

/// Carries one axis on over a clipped stretch. Without two readings on either side it stays as it is, and
/// counts as unknown by a fifth.
fn unclip(readings: &mut [Reading], variance: &mut [f64], axis: usize, run: &Range<usize>, full_scale: f64) {
    let sides = run.start.checked_sub(2).and_then(|first| readings.get(first..run.end + 2));
    let bridged = sides.map(|around| {
        let n = around.len();
        let (left, right) = (around[1], around[n - 2]);
        let slope = |a, b| slope(a, b, |reading| &reading.rate)[axis];
        let slopes = [slope(&around[0], &left), slope(&right, &around[n - 1])];
        let length_s = right.t_s - left.t_s;
        let at = |t_s: f64| {
            hermite([left.rate[axis], right.rate[axis]], slopes, length_s, (t_s - left.t_s) / length_s)
        };
        around[2..n - 2].iter().map(|reading| at(reading.t_s)).collect::<Vec<f64>>()
    });
    for i in run.clone() {
        let read = readings[i].rate[axis];
        let dt_s = i.checked_sub(1).map_or(0.0, |before| readings[i].t_s - readings[before].t_s);
        let wanted = bridged
            .as_ref()
            .map_or(0.2 * full_scale, |values| values[i - run.start] * read.signum() - read.abs());
        let excess = wanted.clamp(0.0, MOST_ABOVE * full_scale);
        // A cubic that had to be held back tells little more than that the rate went far above.
        let held_back = wanted > excess;
        let unsure = if held_back { wanted.min(2.0 * full_scale) } else { BRIDGE_SHARE * excess };
        if bridged.is_some() {
            readings[i].rate[axis] = read + excess * read.signum();
        }
        // What is wrong over one stretch is wrong the same way: shares of it add up as they are.
        variance[i] += (unsure * dt_s).powi(2) * run.len() as f64;
    }
}

/// Puts readings into gaps.
fn bridge(readings: &[Reading], variance: &[f64]) -> Mended {
    let usual_s = usual_step_s(readings).unwrap_or(f64::INFINITY);
    let mut mended = Mended {
        readings: Vec::with_capacity(readings.len()),
        variance: Vec::with_capacity(readings.len()),
        force_variance: Vec::with_capacity(readings.len()),
    };
    for (i, reading) in readings.iter().enumerate() {
        let before = i.checked_sub(1).and_then(|at| readings.get(at));
        let gap_s = before.map_or(0.0, |before| reading.t_s - before.t_s);
        let missing = (gap_s / usual_s).round() - 1.0;
        let (mut turned, mut pushed) = (0.0, 0.0);
        if missing >= TOO_LONG {
            (turned, pushed) = (ANY_TURN, (reading.force_g.norm() * gap_s).powi(2));
        } else if gap_s > GAP_STEPS * usual_s {
            let bridge = Bridge::over(readings, i);
            let filled = bridge.readings(missing as usize);
            let share = 1.0 / (filled.len() + 1) as f64;
            turned = bridge.variance(&filled, |reading| &reading.rate) * share;
            pushed = bridge.variance(&filled, |reading| &reading.force_g) * share;
            mended.variance.extend(filled.iter().map(|_| turned));
            mended.force_variance.extend(filled.iter().map(|_| pushed));
            mended.readings.extend(filled);
        }
        mended.variance.push(turned + variance[i]);
        mended.force_variance.push(pushed);
        mended.readings.push(*reading);
    }
    mended
}

/// The readings beside a gap, and those beyond them.
struct Bridge {
    before: Option<Reading>,
    left: Reading,
    right: Reading,
    behind: Option<Reading>,
}

impl Bridge {
    /// The gap that ends at reading `i`.
    fn over(readings: &[Reading], i: usize) -> Bridge {
        let before = i.checked_sub(2).map(|before| readings[before]);
        Bridge { before, left: readings[i - 1], right: readings[i], behind: readings.get(i + 1).copied() }
    }

    fn length_s(&self) -> f64 {
        self.right.t_s - self.left.t_s
    }

    /// So many readings over the gap.
    fn readings(&self, count: usize) -> Vec<Reading> {
        let part = |k: usize| k as f64 / (count + 1) as f64;
        let reading = |part: f64| Reading {
            t_s: self.left.t_s + part * self.length_s(),
            rate: self.value(part, |reading| &reading.rate),
            force_g: self.value(part, |reading| &reading.force_g),
            clipped: false,
        };
        (1..=count).map(|k| reading(part(k))).collect()
    }

    /// The cubic at `part` of the way; the parabola where a slope is not known.
    fn value(&self, part: f64, of: impl Fn(&Reading) -> &Vector3<f64>) -> Vector3<f64> {
        let Bridge { before, left, right, behind } = self;
        let slope = |a, b| slope(a, b, &of);
        let straight = slope(left, right);
        let first = before.as_ref().map(|before| slope(before, left));
        let last = behind.as_ref().map(|behind| slope(right, behind));
        let mirrored = |known: Option<Vector3<f64>>| known.map_or(straight, |known| straight * 2.0 - known);
        let (first, last) =
            (first.unwrap_or_else(|| mirrored(last)), last.unwrap_or_else(|| mirrored(first)));
        let (left, right) = (of(left), of(right));
        let length_s = self.length_s();
        Vector3::from_fn(|i, _| hermite([left[i], right[i]], [first[i], last[i]], length_s, part))
    }

    /// How far the sum over the gap of what was filled in may be off, squared.
    fn variance(&self, filled: &[Reading], of: impl Fn(&Reading) -> &Vector3<f64>) -> f64 {
        let straight = (of(&self.left) + of(&self.right)) * 0.5;
        let bridged = filled.iter().map(of).sum::<Vector3<f64>>();
        let mean = (bridged + straight) / (filled.len() + 1) as f64;
        // A parabola tells little more than that it is no straight line.
        let share = if self.before.is_some() && self.behind.is_some() { BRIDGE_SHARE } else { 1.0 };
        let off = (mean - straight).norm() * share;
        (off * self.length_s()).powi(2) + (GAP_SHARE * straight.norm() * self.length_s()).powi(2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A downswing: the rate rises to 45 rad/s and falls again.
    fn downswing(limit: f64) -> Vec<Reading> {
        (0..200)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let rate = 45.0 * (-((t_s - 0.2) / 0.06).powi(2)).exp();
                let clipped = rate > limit;
                let rate = Vector3::new(rate.min(limit), -0.3 * rate, 0.0);
                Reading { t_s, rate, force_g: Vector3::z(), clipped }
            })
            .collect()
    }

    fn turned(readings: &[Reading]) -> f64 {
        readings.windows(2).map(|w| 0.5 * (w[0].rate.x + w[1].rate.x) * (w[1].t_s - w[0].t_s)).sum()
    }

    #[test]
    fn a_clipped_peak_is_carried_on_and_its_error_told() {
        let (truth, clipped) = (downswing(f64::INFINITY), downswing(34.9));
        let mended = mend(&clipped);
        let (before, after) = (turned(&truth) - turned(&clipped), turned(&truth) - turned(&mended.readings));
        let told = mended.variance.iter().sum::<f64>().sqrt();
        assert!(before > 0.2, "clipping costs {before} rad");
        assert!(after.abs() < 0.3 * before && after.abs() < 2.0 * told, "{after} of {before}, told {told}");
        assert!(mended.readings.iter().zip(&truth).all(|(a, b)| a.rate.y == b.rate.y), "other axes stay");
    }

    #[test]
    fn a_peak_far_above_the_sensors_range_is_told_as_unknown() {
        let (truth, clipped) = (downswing(f64::INFINITY), downswing(15.0));
        let mended = mend(&clipped);
        let after = turned(&truth) - turned(&mended.readings);
        let told = mended.variance.iter().sum::<f64>().sqrt();
        assert!(after.abs() > 0.5 && after.abs() < 2.0 * told, "{after}, told {told}");
    }

    #[test]
    fn a_gap_is_bridged_and_its_error_told() {
        let truth = downswing(f64::INFINITY);
        let torn: Vec<Reading> =
            truth.iter().enumerate().filter(|(i, _)| !(84..92).contains(i)).map(|(_, r)| *r).collect();
        let mended = mend(&torn);
        let (before, after) = (turned(&truth) - turned(&torn), turned(&truth) - turned(&mended.readings));
        let told = mended.variance.iter().sum::<f64>().sqrt();
        assert_eq!(mended.readings.len(), truth.len());
        assert!(
            after.abs() < 0.3 * before.abs() && after.abs() < 2.0 * told,
            "{after} of {before}, told {told}"
        );
    }

    #[test]
    fn the_force_over_a_gap_is_bridged_and_its_error_told() {
        let pushed = |readings: &[Reading]| -> f64 {
            readings.windows(2).map(|w| 0.5 * (w[0].force_g.y + w[1].force_g.y) * (w[1].t_s - w[0].t_s)).sum()
        };
        let mut truth = downswing(f64::INFINITY);
        truth.iter_mut().for_each(|reading| reading.force_g.y = (reading.rate.x / 12.0).powi(2));
        for (lost, ends) in [(84..104, 200), (94..104, 105)] {
            let kept = |(i, reading): (usize, &Reading)| (!lost.contains(&i)).then_some(*reading);
            let torn: Vec<Reading> = truth[..ends].iter().enumerate().filter_map(kept).collect();
            let mended = mend(&torn);
            let off = pushed(&truth[..ends]) - pushed(&mended.readings);
            let (before, told) =
                (pushed(&truth[..ends]) - pushed(&torn), mended.force_variance.iter().sum::<f64>().sqrt());
            assert!(
                off.abs() < 0.3 * before.abs() && off.abs() < 2.0 * told,
                "{lost:?}: {off} of {before}, told {told}"
            );
        }
    }

    #[test]
    fn a_gap_that_is_too_long_for_a_bridge_is_told_as_unknown() {
        let truth: Vec<Reading> = (0..500)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let rate = Vector3::x() * 45.0 * (-((t_s - 0.5) / 0.06).powi(2)).exp();
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect();
        let torn: Vec<Reading> =
            truth.iter().enumerate().filter(|(i, _)| !(140..360).contains(i)).map(|(_, r)| *r).collect();
        let mended = mend(&torn);
        assert_eq!(mended.readings, torn);
        let (off, told) = (turned(&truth) - turned(&torn), mended.variance.iter().sum::<f64>().sqrt());
        assert!(off > 1.0 && told > 1.5, "off by {off} rad, told {told}");
    }

    #[test]
    fn whole_readings_stay_as_they_are() {
        let whole = downswing(f64::INFINITY);
        let mended = mend(&whole);
        assert_eq!(mended.readings, whole);
        assert!(mended.variance.iter().chain(&mended.force_variance).all(|v| *v == 0.0));
    }

    #[test]
    fn a_peak_at_the_end_of_the_readings_is_left_and_unsure() {
        let cut: Vec<Reading> = downswing(34.9)[..100].to_vec();
        let mended = mend(&cut);
        assert_eq!(mended.readings, cut);
        assert!(mended.variance.iter().sum::<f64>() > 0.0);
    }
}
