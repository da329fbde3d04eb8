//! A track with both ends known: where readings had to be mended (clipped, lost), what the bridge got wrong
//! shows in the still pose after the motion, and is taken back along the way. The smoother of Rauch, Tung &
//! Striebel (1965) for a random walk between two known ends, which has a closed form: the correction grows
//! with the variance that was gathered. A pose shows the tilt; the heading stays as it is.

use super::errors::{GYRO, NODE, NodeErrors};
use super::series::{Reading, mean_force_g, stillest};
use super::strapdown::tilt_by_acc_bias;
use super::track::{STILL_S, Track};
use nalgebra::{SMatrix, UnitQuaternion, Vector3};

/// Covariance of a node's errors, in the order of [`NodeErrors::as_vector`].
pub type NodeCovariance = SMatrix<f64, NODE, NODE>;

/// The pose is looked for in so much time at the end of the readings, s.
const WITHIN_S: f64 = 0.8;
/// A pose at rest turns no faster than this, rad/s (root mean square).
const REST_RATE_MAX: f64 = 15.0 * std::f64::consts::PI / 180.0;
/// And its specific force is 1 g but for this, g.
const REST_FORCE_OFF_G: f64 = 0.03;
/// How well a finish tells which way is up, together with the address: sway, a slow turn (judgement), rad.
const UP_SD: f64 = 0.8 * std::f64::consts::PI / 180.0;
/// A bridge that may be off by less than this needs no second end, rad².
const WORTH_IT: f64 = 1e-8;
/// A pose that is farther off than so many standard deviations is no pose.
const BELIEVED: f64 = 4.0;

/// A still pose after a motion.
#[derive(Clone, Copy, Debug, PartialEq)]
struct EndPose {
    /// Its middle, node clock, s.
    at_s: f64,
    /// Mean specific force, g.
    force_g: Vector3<f64>,
}

impl EndPose {
    /// The pose at the end of a node's readings, if they end in one.
    fn find(readings: &[Reading], bias: &Vector3<f64>) -> Option<EndPose> {
        let from_s = readings.last()?.t_s - WITHIN_S;
        let tail = &readings[readings.partition_point(|reading| reading.t_s < from_s)..];
        let (still, rms) = stillest(tail, bias, STILL_S)?;
        let force_g = mean_force_g(&tail[still.clone()]);
        let at_rest = rms < REST_RATE_MAX && (force_g.norm() - 1.0).abs() < REST_FORCE_OFF_G;
        at_rest.then(|| EndPose { at_s: 0.5 * (tail[still.start].t_s + tail[still.end - 1].t_s), force_g })
    }
}

/// Before anything is known of a node but its bias.
#[must_use]
pub fn typical_covariance() -> NodeCovariance {
    NodeCovariance::from_diagonal(&NodeErrors::TYPICAL.as_vector().map(|sd| sd * sd))
}

impl Track {
    /// The track held at the pose that its readings end in, too, if they do. The pose is only looked for where
    /// something was mended.
    #[must_use]
    pub fn held_at_end(
        self,
        readings: &[Reading],
        bias: &Vector3<f64>,
        covariance: &NodeCovariance,
    ) -> Track {
        let mended =
            self.t_s.last().map_or(0.0, |last_s| self.mended_variance_between(self.still_s.1, *last_s));
        if mended < WORTH_IT {
            return self;
        }
        match EndPose::find(readings, bias) {
            Some(pose) => self.held_at(&pose, covariance),
            None => self,
        }
    }

    /// The track held at `pose`, too, where `covariance` tells how far the node's errors may be from those that
    /// it was made with. Unchanged where nothing was mended, or where the pose cannot be believed.
    fn held_at(self, pose: &EndPose, covariance: &NodeCovariance) -> Track {
        let gathered = self.mended_variance_between(self.still_s.1, pose.at_s);
        let end = self.at(pose.at_s).0;
        let off = (end * pose.force_g.normalize()).cross(&Vector3::z());
        let total = gathered + self.tilt_variance(pose.at_s, &end, covariance);
        if gathered < WORTH_IT || off.norm_squared() > BELIEVED * BELIEVED * 2.0 * total {
            return self;
        }
        self.turned_back(&off, pose.at_s, total)
    }

    /// Variance of the tilt that the two poses and the sensors leave between them, rad² about one axis.
    fn tilt_variance(&self, at_s: f64, end: &UnitQuaternion<f64>, covariance: &NodeCovariance) -> f64 {
        let mut by_errors = SMatrix::<f64, 3, NODE>::zeros();
        by_errors.fixed_columns_mut::<GYRO>(0).copy_from(&self.sensitivity_at(at_s));
        let by_acc = tilt_by_acc_bias(end) - tilt_by_acc_bias(&self.still_level_from_sensor);
        by_errors.fixed_columns_mut::<3>(GYRO).copy_from(&by_acc);
        let variance = by_errors * covariance * by_errors.transpose();
        0.5 * (variance[(0, 0)] + variance[(1, 1)]) + UP_SD * UP_SD
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fusion::series::between;

    /// A node that rests, moves and rests again; `lost` are the readings that never came.
    fn swing(lost: std::ops::Range<f64>) -> (Vec<Reading>, Vec<(f64, UnitQuaternion<f64>)>) {
        let (mut q, mut readings, mut truth) = (UnitQuaternion::identity(), Vec::new(), Vec::new());
        let rate_at = |t_s: f64| {
            let x = (t_s - 1.0).clamp(0.0, 1.0);
            let hump = (std::f64::consts::PI * x).sin().powi(2);
            Vector3::new(9.0 * (17.0 * x).sin(), 6.0, 8.0 * (21.0 * x).cos()) * hump
        };
        for i in 0..6000 {
            let t_s = f64::from(i) * 5e-4;
            if i % 4 == 0 {
                truth.push((t_s, q));
                let reading =
                    Reading { t_s, rate: rate_at(t_s), force_g: q.inverse() * Vector3::z(), clipped: false };
                if !lost.contains(&t_s) {
                    readings.push(reading);
                }
            }
            q *= UnitQuaternion::from_scaled_axis(rate_at(t_s + 2.5e-4) * 5e-4);
        }
        (readings, truth)
    }

    /// Root mean square angle between true and tracked up, over the second half of the motion, rad.
    fn off(track: &Track, truth: &[(f64, UnitQuaternion<f64>)]) -> f64 {
        let late: Vec<_> = truth.iter().filter(|(t_s, _)| (1.6..2.9).contains(t_s)).collect();
        let tilt = |(t_s, q): &&(f64, UnitQuaternion<f64>)| {
            let up = track.at(*t_s).0 * (q.inverse() * Vector3::z());
            up.angle(&Vector3::z()).powi(2)
        };
        (late.iter().map(tilt).sum::<f64>() / late.len() as f64).sqrt()
    }

    #[test]
    fn what_a_gap_hid_is_taken_back_from_the_pose_at_the_end() {
        let (readings, truth) = swing(1.38..1.52);
        let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.0, 1.0).unwrap();
        let pose = EndPose::find(&readings, &Vector3::zeros()).unwrap();
        let (before, told) = (off(&track, &truth), track.mended_variance_between(0.9, 2.5).sqrt());
        let held = track.held_at(&pose, &(typical_covariance() * 0.01));
        let (after, told_after) = (off(&held, &truth), held.mended_variance_between(0.9, 2.5).sqrt());
        assert!(before > 0.02 && after < 0.5 * before, "{before} rad, held {after} rad");
        assert!(told_after < 0.8 * told && before < 3.0 * told, "told {told}, held {told_after}");
        assert!(held.at(0.5).0.angle_to(&truth[250].1) < 1e-3, "the start stays");
    }

    #[test]
    fn where_nothing_was_mended_nothing_changes() {
        let (readings, _) = swing(5.0..5.0);
        let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.0, 1.0).unwrap();
        let pose = EndPose { at_s: 2.8, force_g: Vector3::new(0.1, 0.0, 1.0) };
        let held = track.clone().held_at(&pose, &typical_covariance());
        assert_eq!(held.level_from_sensor, track.level_from_sensor);
    }

    #[test]
    fn readings_that_end_in_motion_have_no_pose() {
        let (readings, _) = swing(5.0..5.0);
        assert_eq!(EndPose::find(between(&readings, 0.0, 1.9), &Vector3::zeros()), None);
        assert_eq!(EndPose::find(&[], &Vector3::zeros()), None);
    }
}
