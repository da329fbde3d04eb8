//! The orientation of one node over a window of time, and how it answers to what is wrong with the sensors.

use super::errors::{GYRO, NodeErrors};
use super::mend::{Mended, mend};
use super::series::{Reading, stillest};
use super::strapdown;
use nalgebra::{Matrix3, SMatrix, UnitQuaternion, Vector3};
use std::ops::Range;
use std::sync::OnceLock;

/// Length of the still pose that a track starts from, s.
pub const STILL_S: f64 = 0.3;
/// Spacing at which the sensitivities are kept, s.
const SPACING_S: f64 = 0.01;

/// How far errors of the gyro have turned the level frame since the still pose: an error vector `e` (bias
/// and matrix, see [`NodeErrors::as_vector`]) has turned it by `sensitivity · e`, rad.
pub type Sensitivity = SMatrix<f64, 3, GYRO>;

/// Orientation and rate of one node over a window, from one still pose. The level frame has z up and a
/// heading of its own.
#[derive(Clone, Debug)]
pub struct Track {
    /// Node clock, s.
    pub t_s: Vec<f64>,
    /// Orientation at each instant.
    pub level_from_sensor: Vec<UnitQuaternion<f64>>,
    /// Angular rate in the sensor frame, known errors removed, rad/s.
    pub rate: Vec<Vector3<f64>>,
    /// First and last instant of the still pose, node clock, s.
    pub still_s: (f64, f64),
    /// Root mean square rate over the still pose, rad/s: how still it was.
    pub still_rms: f64,
    /// Orientation in the middle of the still pose.
    pub still_level_from_sensor: UnitQuaternion<f64>,
    /// Index of the reading in the middle of the still pose.
    middle: usize,
    /// Worked out when first asked for: most movements are no swings, and nobody asks.
    sensitivities: OnceLock<Vec<(f64, Sensitivity)>>,
    /// Sums of the variances of what had to be mended, from the still pose both ways, rad².
    unsure: Vec<f64>,
    /// Variance of the tilt against a second pose that the track is held at, rad².
    held: Option<f64>,
}

impl Track {
    /// Integrates from the stillest stretch of the readings between `from_s` and `to_s` (node clock).
    /// `None` when that stretch is too short.
    #[must_use]
    pub fn from_stillest(readings: &[Reading], errors: &NodeErrors, from_s: f64, to_s: f64) -> Option<Track> {
        let start = readings.partition_point(|reading| reading.t_s < from_s);
        let end = readings.partition_point(|reading| reading.t_s < to_s);
        let (still, still_rms) = stillest(readings.get(start..end)?, &errors.gyro_bias, STILL_S)?;
        Some(Track::from_pose(readings, errors, start + still.start..start + still.end, still_rms))
    }

    /// The same track for other errors: from the same readings and the same pose.
    #[must_use]
    pub fn again(&self, readings: &[Reading], errors: &NodeErrors) -> Track {
        let (first_s, last_s) = self.still_s;
        let start = readings.partition_point(|reading| reading.t_s < first_s);
        let end = readings.partition_point(|reading| reading.t_s <= last_s);
        Track::from_pose(readings, errors, start..end, self.still_rms)
    }

    /// From a pose over these indices of the readings.
    fn from_pose(readings: &[Reading], errors: &NodeErrors, still: Range<usize>, still_rms: f64) -> Track {
        let still_s = (readings[still.start].t_s, readings[still.end - 1].t_s);
        let Mended { readings, variance, .. } = mend(readings);
        let place = |t_s: f64| readings.partition_point(|reading| reading.t_s < t_s);
        let still = place(still_s.0)..place(still_s.1) + 1;
        let middle = (still.start + still.end) / 2;
        let level_from_sensor = strapdown::integrate(&readings, errors, still);
        let rate: Vec<_> = readings.iter().map(|reading| errors.rate(&reading.rate)).collect();
        Track {
            t_s: readings.iter().map(|reading| reading.t_s).collect(),
            middle,
            sensitivities: OnceLock::new(),
            unsure: summed_from(&variance, middle),
            held: None,
            still_s,
            still_level_from_sensor: level_from_sensor[middle],
            level_from_sensor,
            rate,
            still_rms,
        }
    }

    /// Variance of the rotation between two instants from what had to be mended, rad². A second pose has taken
    /// its share of two axes in three.
    #[must_use]
    pub fn mended_variance_between(&self, from_s: f64, to_s: f64) -> f64 {
        let at = |t_s| self.unsure[self.place(t_s).0];
        let gathered = (at(to_s) - at(from_s)).abs();
        gathered - self.held.map_or(0.0, |total| gathered * gathered / total * (2.0 / 3.0))
    }

    /// The track turned back by what it was `off` at `end_s` (rotation in the level frame, no heading in it):
    /// at each instant by the share of `total`, the variance at the end, that was gathered by then.
    #[must_use]
    pub(super) fn turned_back(mut self, off: &Vector3<f64>, end_s: f64, total: f64) -> Track {
        // Along the way as it was integrated: before that is turned.
        let mut sensitivities = self.sensitivities().to_vec();
        let at_end = self.sensitivity_at(end_s);
        let tilt = Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, 0.0));
        let from = self.t_s.partition_point(|t_s| *t_s < self.still_s.0);
        let shares: Vec<f64> = self.unsure.iter().map(|unsure| unsure / total).collect();
        for (level_from_sensor, share) in self.level_from_sensor.iter_mut().zip(&shares).skip(from) {
            *level_from_sensor = UnitQuaternion::from_scaled_axis(off * *share) * *level_from_sensor;
        }
        // What errors of the gyro do to the end is turned back with the rest.
        for (t_s, sensitivity) in &mut sensitivities {
            let at = self.t_s.partition_point(|t| t < t_s).min(shares.len() - 1);
            if at >= from {
                *sensitivity -= tilt * at_end * shares[at];
            }
        }
        self.sensitivities = OnceLock::from(sensitivities);
        self.held = Some(total);
        self
    }

    /// Index of the reading before an instant, and how far the instant lies towards the next.
    fn place(&self, t_s: f64) -> (usize, f64) {
        let after = self.t_s.partition_point(|t| *t <= t_s).clamp(1, self.t_s.len() - 1);
        let before = after - 1;
        (before, ((t_s - self.t_s[before]) / (self.t_s[after] - self.t_s[before])).clamp(0.0, 1.0))
    }

    /// Integrals of [`by_errors`] both ways from the still pose, by the trapezoid rule, kept every [`SPACING_S`].
    fn sensitivities(&self) -> &[(f64, Sensitivity)] {
        self.sensitivities.get_or_init(|| {
            let at = |i: usize| by_errors(&self.level_from_sensor[i], &self.rate[i]);
            let mut sum = Sensitivity::zeros();
            let mut at_start = sum;
            let mut before = at(0);
            let mut kept = vec![(self.t_s[0], sum)];
            for i in 1..self.t_s.len() {
                let here = at(i);
                sum += (before + here) * (0.5 * (self.t_s[i] - self.t_s[i - 1]));
                before = here;
                if i == self.middle {
                    at_start = sum;
                }
                let due = kept.last().is_none_or(|(t_s, _)| self.t_s[i] - t_s >= SPACING_S);
                if due || i + 1 == self.t_s.len() {
                    kept.push((self.t_s[i], sum));
                }
            }
            for (_, sensitivity) in &mut kept {
                *sensitivity -= at_start;
            }
            kept
        })
    }

    /// How far errors of the gyro have turned the level frame by an instant; held at the ends.
    #[must_use]
    pub fn sensitivity_at(&self, t_s: f64) -> Sensitivity {
        let kept = self.sensitivities();
        let after = kept.partition_point(|(t, _)| *t <= t_s);
        match (after.checked_sub(1).and_then(|before| kept.get(before)), kept.get(after)) {
            (Some((t0, s0)), Some((t1, s1))) => s0 + (s1 - s0) * ((t_s - t0) / (t1 - t0)),
            (Some((_, s)), None) | (None, Some((_, s))) => *s,
            (None, None) => Sensitivity::zeros(),
        }
    }

    /// Orientation and rate at an instant of the node's clock; held at the ends.
    #[must_use]
    pub fn at(&self, t_s: f64) -> (UnitQuaternion<f64>, Vector3<f64>) {
        let (before, part) = self.place(t_s);
        if part == 0.0 {
            return (self.level_from_sensor[before], self.rate[before]);
        }
        let after = before + 1;
        let (q0, q1) = (self.level_from_sensor[before], self.level_from_sensor[after]);
        let turn = (q0.inverse() * q1).scaled_axis() * part;
        let rate = self.rate[before] + (self.rate[after] - self.rate[before]) * part;
        (q0 * UnitQuaternion::from_scaled_axis(turn), rate)
    }
}

/// Sums of the steps' variances both ways from reading `start`.
fn summed_from(variance: &[f64], start: usize) -> Vec<f64> {
    let mut sums = vec![0.0; variance.len()];
    for i in start + 1..sums.len() {
        sums[i] = sums[i - 1] + variance[i];
    }
    for i in (0..start).rev() {
        sums[i] = sums[i + 1] + variance[i + 1];
    }
    sums
}

/// The integrand of a sensitivity: `R` for the bias, `R eᵢ ωⱼ` for the matrix.
#[must_use]
pub fn by_errors(level_from_sensor: &UnitQuaternion<f64>, rate: &Vector3<f64>) -> Sensitivity {
    let [x, y, z]: [[f64; 3]; 3] = level_from_sensor.to_rotation_matrix().into_inner().into();
    let times = |axis: [f64; 3], rate: f64| [axis[0] * rate, axis[1] * rate, axis[2] * rate];
    let of = |axis| [times(axis, rate.x), times(axis, rate.y), times(axis, rate.z)];
    let ([xx, xy, xz], [yx, yy, yz], [zx, zy, zz]) = (of(x), of(y), of(z));
    Sensitivity::from([x, y, z, xx, xy, xz, yx, yy, yz, zx, zy, zz])
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::SVector;

    fn readings(rate: impl Fn(f64) -> Vector3<f64>) -> Vec<Reading> {
        (0..1000)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let rate = if t_s < 0.4 { Vector3::zeros() } else { rate(t_s) };
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect()
    }

    #[test]
    fn between_two_instants_the_track_turns_evenly() {
        let readings = readings(|_| Vector3::new(0.0, 0.0, 2.0));
        let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.0, 1.0).unwrap();
        let turned = track.at(0.9005).0.angle_to(&track.at(0.8005).0);
        assert!((turned - 0.2).abs() < 1e-6, "{turned}");
        assert!(track.still_rms < 1e-9);
    }

    #[test]
    fn errors_of_the_gyro_turn_the_level_frame_as_told() {
        let readings = readings(|t_s| Vector3::new((3.0 * t_s).sin(), 1.0, 0.5) * 3.0);
        let off = NodeErrors::from_vector(&SVector::from_fn(|i, _| {
            if i < GYRO { 0.0005 * (i as f64 - 5.0) } else { 0.0 }
        }));
        let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.0, 2.0).unwrap();
        let mended = Track::from_stillest(&readings, &off, 0.0, 2.0).unwrap();
        let turn = track.sensitivity_at(1.9) * off.as_vector().fixed_rows::<GYRO>(0);
        let told = UnitQuaternion::from_scaled_axis(-turn) * track.at(1.9).0;
        let off_by = told.angle_to(&mended.at(1.9).0);
        assert!(turn.norm() > 0.01 && off_by < 0.02 * turn.norm(), "{off_by} of {}", turn.norm());
    }
}
