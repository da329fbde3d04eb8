//! The node's velocity past an accelerometer at its full scale. Along the axis that is clipped the velocity is summed
//! up from too little; there the arm's turning, which the gyros go on seeing, stands in, and the shoulder is taken to
//! be pushed along it on as it was before. Across that axis everything is as read.

use super::hub::Pose;
use super::levers::Levers;
use crate::detect::{MotionPoint, SwingMotion};
use crate::fusion::polynomial;
use nalgebra::Vector3;

/// The shoulder is followed over so much time before the accelerometer clips, s.
const FOLLOWED_S: f64 = 0.03;
/// Its acceleration may be another by so much while it is not seen, m/s² (judgement).
const CHANGE_MPS2: f64 = 10.0;

/// A motion that was carried on.
#[derive(Clone, Debug, PartialEq)]
pub struct Carried {
    /// With velocities as they will have been.
    pub motion: SwingMotion,
    /// How far the velocity at the ball may be off for it, in that direction, m/s.
    pub off_mps: Vector3<f64>,
}

/// The motion with velocities carried on past the full scale, where it was reached before the ball.
#[must_use]
pub fn carried_on(motion: &SwingMotion, levers: &Levers) -> Option<Carried> {
    let ball = motion.ball?;
    let before = motion.points.partition_point(|point| point.t < ball);
    let first = motion.points[..before].iter().position(|point| point.clipped_along.is_some())?;
    let from = motion.points[first.checked_sub(1)?].t;
    let since_s = |point: &MotionPoint| point.t.seconds_since(from);
    let turning = |point: &MotionPoint| {
        let node = point.level_from_hand * levers.node;
        Pose::of(point).wrist_from_arm(levers) + point.hand_rate_rps.cross(&node)
    };
    let shoulder = |point: &MotionPoint| Some(point.node_velocity_mps? - turning(point));
    let followed = motion.points[..first].iter().filter(|point| since_s(point) >= -FOLLOWED_S);
    let followed = followed.filter_map(|point| Some((since_s(point), shoulder(point)?)));
    let pushed: Vector3<f64> = polynomial::derivatives::<2, 3>(followed, FOLLOWED_S)?.row(1).transpose();
    let pushed = motion.points[first].clipped_along?.dot(&pushed);
    let mut carried = motion.clone();
    let (mut added, mut off_mps) = (Vector3::zeros(), Vector3::zeros());
    for i in first..before {
        let [last, point] = [i - 1, i].map(|i| &motion.points[i]);
        let (step_s, seen) = (since_s(point) - since_s(last), shoulder(point)? - shoulder(last)?);
        // A step with a clipped reading at either end is one.
        if let Some(along) = point.clipped_along.or(last.clipped_along) {
            added += *along * (pushed * step_s - along.dot(&seen));
            off_mps += *along * (CHANGE_MPS2 * step_s);
        }
        carried.points[i].node_velocity_mps = point.node_velocity_mps.map(|velocity| velocity + added);
    }
    Some(Carried { motion: carried, off_mps })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::measures::Measures;
    use crate::units::DeviceTime;
    use nalgebra::{Unit, UnitQuaternion};

    /// An arm that goes round a shoulder, which is pushed along it all the time; the last readings are clipped along it.
    fn clipped(levers: &Levers) -> (SwingMotion, Vec<Vector3<f64>>) {
        let (rate, push_mps2, lost_mps2, step_s) = (Vector3::y() * -15.0, 6.0, 30.0, 0.002);
        let (mut shoulder, mut lost, mut truth) = (Vector3::new(0.5, 0.0, 0.2), Vector3::zeros(), Vec::new());
        let points = (0..60).map(|i| {
            let turned = UnitQuaternion::from_scaled_axis(rate * (i as f64 * step_s));
            let mut point = MotionPoint {
                t: DeviceTime(i * 2000),
                arm: turned * -Vector3::z(),
                arm_rate_rps: rate,
                level_from_hand: turned,
                hand_rate_rps: rate,
                node_velocity_mps: None,
                clipped_along: (i >= 40).then(|| turned * Unit::new_unchecked(-Vector3::z())),
            };
            shoulder += point.arm * (push_mps2 * step_s);
            if let Some(along) = point.clipped_along {
                lost += *along * (lost_mps2 * step_s);
            }
            let node = rate.cross(&(point.level_from_hand * levers.node));
            let velocity = shoulder + Pose::of(&point).wrist_from_arm(levers) + node;
            truth.push(velocity);
            point.node_velocity_mps = Some(velocity - lost);
            point
        });
        let points: Vec<MotionPoint> = points.collect();
        let ball = Some(DeviceTime(120_000));
        (SwingMotion { points, ball, lead_arm_sign: -1.0, ..SwingMotion::default() }, truth)
    }

    #[test]
    fn what_the_full_scale_took_is_given_back() {
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&SwingMotion::default(), &Measures::default().arm, &club);
        let (motion, truth) = clipped(&levers);
        let carried = carried_on(&motion, &levers).unwrap();
        let off =
            |motion: &SwingMotion, i: usize| (motion.points[i].node_velocity_mps.unwrap() - truth[i]).norm();
        assert!(off(&motion, 59) > 1.0 && off(&motion, 39) == 0.0);
        // The push before is read off a straight line while it turns with the arm.
        assert!((0..60).all(|i| off(&carried.motion, i) < 0.06), "{}", off(&carried.motion, 59));
        assert!((0.1..0.5).contains(&carried.off_mps.norm()), "{}", carried.off_mps.norm());
    }

    #[test]
    fn without_clipping_there_is_nothing_to_carry_on() {
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&SwingMotion::default(), &Measures::default().arm, &club);
        let (mut motion, _) = clipped(&levers);
        motion.points.iter_mut().for_each(|point| point.clipped_along = None);
        assert_eq!(carried_on(&motion, &levers), None);
    }
}
