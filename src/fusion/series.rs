//! One node's readings in order of time, in SI units, on its own clock.

use crate::sample::{ImuSample, NodeDescription};
use nalgebra::Vector3;

/// Share of the full scale from which a rate counts as clipped.
const CLIPPED_FROM: f64 = 0.999;

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Node clock, s, corrected for the delay of the node's filter.
    pub t_s: f64,
    /// Angular rate in the sensor frame, rad/s, as read (bias included).
    pub rate: Vector3<f64>,
    /// Specific force in the sensor frame, g.
    pub force_g: Vector3<f64>,
    /// The rate reached the sensor's full scale.
    pub clipped: bool,
}

/// What turns a node's samples into readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    delay_s: f64,
    clip_dps: f64,
}

impl Conversion {
    /// From what is known of the node.
    #[must_use]
    pub fn of(node: Option<&NodeDescription>) -> Conversion {
        let delay_s = node.and_then(|node| node.bandwidth_hz).map_or(0.0, filter_delay_s);
        let clip_dps = node.map_or(f64::INFINITY, |node| node.gyro_full_scale_dps * CLIPPED_FROM);
        Conversion { delay_s, clip_dps }
    }

    /// The instant of a sample, node clock, s.
    #[must_use]
    pub fn instant_s(&self, sample: &ImuSample) -> f64 {
        sample.t.0 as f64 * 1e-6 - self.delay_s
    }

    /// One sample as a reading.
    #[must_use]
    pub fn reading(&self, sample: &ImuSample) -> Reading {
        Reading {
            t_s: self.instant_s(sample),
            rate: Vector3::from(sample.rate_dps).map(f64::to_radians),
            force_g: Vector3::from(sample.specific_force_g),
            clipped: sample.rate_dps.iter().any(|rate| rate.abs() >= self.clip_dps),
        }
    }
}

/// Delay of a second-order Butterworth low-pass for slow signals, s: √2/(2π f), the derivative of its phase
/// at zero frequency (any text on filters).
#[must_use]
fn filter_delay_s(corner_hz: f64) -> f64 {
    std::f64::consts::SQRT_2 / (std::f64::consts::TAU * corner_hz)
}

/// The slice of readings with `from_s <= t_s < to_s`; the readings are in order of time.
#[must_use]
pub fn between(readings: &[Reading], from_s: f64, to_s: f64) -> &[Reading] {
    let start = readings.partition_point(|reading| reading.t_s < from_s);
    let end = readings.partition_point(|reading| reading.t_s < to_s);
    &readings[start..end.max(start)]
}

/// How long nothing was read around an instant: from the reading before it to the one after, s; 0 outside the readings.
#[must_use]
pub fn step_over_s(readings: &[Reading], at_s: f64) -> f64 {
    let after = readings.partition_point(|reading| reading.t_s <= at_s);
    let pair = after.checked_sub(1).and_then(|before| readings.get(before..=after));
    pair.map_or(0.0, |pair| pair[1].t_s - pair[0].t_s)
}

/// The usual step between readings: their median, s. `None` for fewer than two.
#[must_use]
pub fn usual_step_s(readings: &[Reading]) -> Option<f64> {
    median_step_s(readings.iter().map(|reading| reading.t_s))
}

/// The median step between instants in order of time, s. `None` for fewer than two.
pub fn median_step_s(t_s: impl Iterator<Item = f64> + Clone) -> Option<f64> {
    middle(t_s.clone().zip(t_s.skip(1)).map(|(before, after)| after - before))
}

/// The middle one of some values by size, of two the larger; none of none.
pub fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    let place = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(place, f64::total_cmp).1)
}

/// Linear interpolation of a curve, held at its ends.
#[must_use]
pub fn value_at(t_s: &[f64], values: &[f64], at_s: f64) -> f64 {
    let after = t_s.partition_point(|t| *t < at_s);
    match (
        after.checked_sub(1).and_then(|i| Some((t_s.get(i)?, values.get(i)?))),
        t_s.get(after).zip(values.get(after)),
    ) {
        (Some((t0, v0)), Some((t1, v1))) => v0 + (v1 - v0) * (at_s - t0) / (t1 - t0),
        (Some((_, value)), None) | (None, Some((_, value))) => *value,
        (None, None) => 0.0,
    }
}

/// The mean of readings that follow each other: what they turn by is what it turns by. `None` for none.
#[must_use]
pub fn mean(readings: &[Reading]) -> Option<Reading> {
    let share = 1.0 / readings.len() as f64;
    let (first, rest) = readings.split_first()?;
    let sum = rest.iter().fold(*first, |sum, reading| Reading {
        t_s: sum.t_s + reading.t_s,
        rate: sum.rate + reading.rate,
        force_g: sum.force_g + reading.force_g,
        clipped: sum.clipped || reading.clipped,
    });
    Some(Reading { t_s: sum.t_s * share, rate: sum.rate * share, force_g: sum.force_g * share, ..sum })
}

/// Mean of the specific force over the readings, g; zero for none.
#[must_use]
pub fn mean_force_g(readings: &[Reading]) -> Vector3<f64> {
    readings.iter().map(|reading| reading.force_g).sum::<Vector3<f64>>() / readings.len().max(1) as f64
}

/// The stillest stretch of `length_s`: the range of indices whose rates, bias removed, have the least
/// mean square. `None` when the readings do not cover that long.
#[must_use]
pub fn stillest(
    readings: &[Reading],
    bias: &Vector3<f64>,
    length_s: f64,
) -> Option<(std::ops::Range<usize>, f64)> {
    let energies: Vec<f64> = readings.iter().map(|reading| (reading.rate - bias).norm_squared()).collect();
    let (mut start, mut sum) = (0, 0.0);
    let mut best: Option<(std::ops::Range<usize>, f64)> = None;
    for end in 0..readings.len() {
        sum += energies[end];
        while readings[end].t_s - readings[start].t_s > length_s {
            sum -= energies[start];
            start += 1;
        }
        let covered = start > 0 || readings[end].t_s - readings[start].t_s >= 0.95 * length_s;
        let mean = sum / (end + 1 - start) as f64;
        if covered && end > start && best.as_ref().is_none_or(|(_, least)| mean < *least) {
            best = Some((start..end + 1, mean));
        }
    }
    best.map(|(range, mean)| (range, mean.max(0.0).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(t_s: f64, rate: f64) -> Reading {
        Reading { t_s, rate: Vector3::new(rate, 0.0, 0.0), force_g: Vector3::z(), clipped: false }
    }

    #[test]
    fn the_stillest_stretch_is_found() {
        let readings: Vec<Reading> = (0..100)
            .map(|i| at(f64::from(i) * 0.01, if (40..60).contains(&i) { 0.1 } else { 2.0 }))
            .collect();
        let (range, rms) = stillest(&readings, &Vector3::zeros(), 0.15).unwrap();
        assert!(range.start >= 40 && range.end <= 60, "{range:?}");
        assert!((rms - 0.1).abs() < 1e-9);
    }

    #[test]
    fn a_slice_by_time_keeps_its_ends() {
        let readings: Vec<Reading> = (0..10).map(|i| at(f64::from(i), 0.0)).collect();
        assert_eq!(between(&readings, 2.0, 5.0).len(), 3);
        assert_eq!(between(&readings, 20.0, 50.0).len(), 0);
    }
}
