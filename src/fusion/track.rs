//! The orientation of one node over a window of time, and of two nodes side by side.

use super::series::{Reading, stillest};
use super::strapdown;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

/// Length of the still pose that a track starts from, s.
pub const STILL_S: f64 = 0.3;

/// Orientation and rate of one node over a window, from one still pose. The level frame has z up and a
/// heading of its own.
#[derive(Clone, Debug)]
pub struct Track {
    /// Node clock, s.
    pub t_s: Vec<f64>,
    /// Orientation at each instant.
    pub level_from_sensor: Vec<UnitQuaternion<f64>>,
    /// Angular rate in the sensor frame, bias removed, rad/s.
    pub rate: Vec<Vector3<f64>>,
    /// Integral of the orientation from the still pose, s: a bias that is off by `b` has turned the level
    /// frame by `turn · b` by then.
    pub turn: Vec<Matrix3<f64>>,
    /// Root mean square rate over the still pose, rad/s: how still it was.
    pub still_rms: f64,
}

impl Track {
    /// Integrates from the stillest stretch of the readings between `from_s` and `to_s` (node clock).
    /// `None` when that stretch is too short.
    #[must_use]
    pub fn from_stillest(readings: &[Reading], bias: &Vector3<f64>, from_s: f64, to_s: f64) -> Option<Track> {
        let start = readings.partition_point(|reading| reading.t_s < from_s);
        let end = readings.partition_point(|reading| reading.t_s < to_s);
        let (still, still_rms) = stillest(readings.get(start..end)?, bias, STILL_S)?;
        let still = start + still.start..start + still.end;
        let t_s: Vec<f64> = readings.iter().map(|reading| reading.t_s).collect();
        let level_from_sensor = strapdown::integrate(readings, bias, still.clone());
        let turn = turns(&t_s, &level_from_sensor, (still.start + still.end) / 2);
        Some(Track {
            t_s,
            level_from_sensor,
            turn,
            rate: readings.iter().map(|reading| reading.rate - bias).collect(),
            still_rms,
        })
    }

    /// Index of the reading before an instant, and how far the instant lies towards the next.
    fn place(&self, t_s: f64) -> (usize, f64) {
        let after = self.t_s.partition_point(|t| *t <= t_s).clamp(1, self.t_s.len() - 1);
        let before = after - 1;
        (before, ((t_s - self.t_s[before]) / (self.t_s[after] - self.t_s[before])).clamp(0.0, 1.0))
    }

    /// How far a bias that is off has turned the level frame by an instant (see [`Track::turn`]), s.
    #[must_use]
    pub fn turn_at(&self, t_s: f64) -> Matrix3<f64> {
        let (before, part) = self.place(t_s);
        self.turn[before] + (self.turn[before + 1] - self.turn[before]) * part
    }

    /// Orientation and rate at an instant of the node's clock; held at the ends.
    #[must_use]
    pub fn at(&self, t_s: f64) -> (UnitQuaternion<f64>, Vector3<f64>) {
        let (before, part) = self.place(t_s);
        let after = before + 1;
        let (q0, q1) = (self.level_from_sensor[before], self.level_from_sensor[after]);
        let turn = (q0.inverse() * q1).scaled_axis() * part;
        let rate = self.rate[before] + (self.rate[after] - self.rate[before]) * part;
        (q0 * UnitQuaternion::from_scaled_axis(turn), rate)
    }
}

/// Integral of the orientation both ways from `start`, by the trapezoid rule.
fn turns(t_s: &[f64], orientation: &[UnitQuaternion<f64>], start: usize) -> Vec<Matrix3<f64>> {
    let matrices: Vec<Matrix3<f64>> =
        orientation.iter().map(|q| q.to_rotation_matrix().into_inner()).collect();
    let mut turns = vec![Matrix3::zeros(); t_s.len()];
    for i in 1..t_s.len() {
        turns[i] = turns[i - 1] + (matrices[i - 1] + matrices[i]) * (0.5 * (t_s[i] - t_s[i - 1]));
    }
    let zero = turns[start];
    turns.iter().map(|turn| turn - zero).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_two_instants_the_track_turns_evenly() {
        let readings: Vec<Reading> = (0..500)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let rate = if t_s < 0.4 { Vector3::zeros() } else { Vector3::new(0.0, 0.0, 2.0) };
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect();
        let track = Track::from_stillest(&readings, &Vector3::zeros(), 0.0, 1.0).unwrap();
        let turned = track.at(0.9005).0.angle_to(&track.at(0.8005).0);
        assert!((turned - 0.2).abs() < 1e-6, "{turned}");
        assert!(track.still_rms < 1e-9);
    }

    #[test]
    fn a_bias_turns_the_level_frame_as_told() {
        let readings: Vec<Reading> = (0..1000)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let rate =
                    if t_s < 0.4 { Vector3::zeros() } else { Vector3::new((3.0 * t_s).sin(), 1.0, 0.5) };
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect();
        let off = Vector3::new(0.002, -0.001, 0.003);
        let track = Track::from_stillest(&readings, &Vector3::zeros(), 0.0, 2.0).unwrap();
        let biased = Track::from_stillest(&readings, &off, 0.0, 2.0).unwrap();
        let told = UnitQuaternion::from_scaled_axis(-(track.turn_at(1.9) * off)) * track.at(1.9).0;
        assert!(told.angle_to(&biased.at(1.9).0) < 1e-5);
    }
}
