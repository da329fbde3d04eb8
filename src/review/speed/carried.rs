//! The node's velocity where the accelerometer had reached its full scale before the ball: the arm's turning goes on
//! being seen by the gyros, and the shoulder is taken to go on as it did.

use super::hub::Pose;
use super::levers::Levers;
use crate::detect::{MotionPoint, SwingMotion};
use crate::fusion::polynomial;

/// The shoulder's velocity is followed over so much time before it is carried on, s.
const FOLLOWED_S: f64 = 0.03;
/// What is farther than this from the last velocity is not carried on to, s.
const CARRIED_MAX_S: f64 = 0.08;
/// The shoulder's acceleration may change by so much while it is not seen, per axis, m/s² (judgement).
const CHANGE_MPS2: f64 = 8.0;

/// The motion with velocities up to the ball, if they end before it and can be carried on.
#[must_use]
pub fn carried_on(motion: &SwingMotion, levers: &Levers) -> Option<SwingMotion> {
    let ball = motion.ball?;
    let before = motion.points.partition_point(|point| point.t < ball);
    let seen = motion.points[..before].iter().position(|point| point.node_velocity_mps.is_none())?;
    let last = motion.points.get(seen.checked_sub(1)?)?.t;
    let lasted_s = ball.seconds_since(last);
    if lasted_s > CARRIED_MAX_S {
        return None;
    }
    let since_s = |point: &MotionPoint| point.t.seconds_since(last);
    let shoulder = |point: &MotionPoint| {
        let pose = Pose::of(point);
        Some((since_s(point), pose.wrist_from_node(levers)? - pose.wrist_from_arm(levers)))
    };
    let followed = motion.points[..seen].iter().filter(|point| since_s(point) >= -FOLLOWED_S);
    let fit = polynomial::derivatives::<2, 3>(followed.filter_map(shoulder), FOLLOWED_S)?;
    let mut carried = motion.clone();
    for point in &mut carried.points[seen..before] {
        let pose = Pose::of(point);
        let shoulder = fit.row(0).transpose() + fit.row(1).transpose() * since_s(point);
        let node = point.hand_rate_rps.cross(&(point.level_from_hand * levers.node));
        point.node_velocity_mps = Some(pose.wrist_from_arm(levers) + shoulder + node);
    }
    carried.velocity_sd_mps = motion.velocity_sd_mps.hypot(CHANGE_MPS2 * lasted_s);
    carried.place_sd_m = motion.place_sd_m.hypot(0.5 * CHANGE_MPS2 * lasted_s * lasted_s);
    Some(carried)
}
