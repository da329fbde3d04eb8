//! Power and work of the wrist on the club, by Newton and Euler from the measured motion.
//!
//! Hand and club turn as one rigid body with the club's mass; the hand's own mass is the arm's. Its measured motion
//! takes a force and a couple at the wrist. The couple with the wrist's own rate (the hand's less the forearm's, the
//! forearm's roll not counted) is what the wrist gives. What the arm gives through the force, and by turning the
//! couple along with the forearm, is not in it: nearly all of the club's energy comes that way.

use super::flat_wrist::Released;
use super::hub::{BEFORE_BALL_S, Pose};
use super::levers::{LENGTHS, Levers};
use super::{Figure, NO_MOTION};
use crate::detect::{Flag, MotionPoint, Swing};
use crate::fusion::polynomial;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::units::{GRAVITY_MPS2, Measured};
use nalgebra::Vector3;

/// Accelerations are read off so much of the motion on either side, s.
const HALF_S: f64 = 0.008;
/// How well a club's mass is known, share (judgement, as the next two: clubs of one kind differ).
pub const MASS_SHARE: f64 = 0.04;
/// How well its inertia is known, share.
pub const INERTIA_SHARE: f64 = 0.08;
/// How well the place of its centre of mass is known, m.
pub const BALANCE_SD_M: f64 = 0.015;
/// How well accelerations are known, shares: of the node, and angular (judgement: what a local parabola and the sensors'
/// scales leave).
const ACCELERATION_SHARE: f64 = 0.02;
/// The wrist's own rate is a difference of two rates, through soft tissue: share (judgement).
const WRIST_RATE_SHARE: f64 = 0.04;
/// The same where a gyro was clipped, for rates and accelerations (judgement).
const CLIPPED_SHARE: f64 = 0.15;

/// What the wrist gives from the release to the ball.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WristWork {
    /// Its power, W: the mean from the release to the ball; negative where it holds back.
    pub power_w: Figure,
    /// Its work until the ball, J.
    pub work_j: Figure,
}

/// One instant between release and ball, level frame, SI.
struct Instant {
    since_ball_s: f64,
    pose: Pose,
    node_change: Vector3<f64>,
    hand_rate_change: Vector3<f64>,
}

/// What may be off by a share, beside the lengths.
#[derive(Clone, Copy, Default)]
struct Shares {
    node_change: f64,
    hand_rate_change: f64,
    wrist_rate: f64,
}

impl Instant {
    /// Power of the couple at the wrist with the wrist's own rate, W.
    fn power_w(&self, levers: &Levers, club: &ClubMeasures, off: &Shares) -> f64 {
        let level = |v: Vector3<f64>| self.pose.level_from_hand * v;
        let (rate, change) = (self.pose.hand_rate, self.hand_rate_change * (1.0 + off.hand_rate_change));
        // Acceleration of a vector that is fixed in the hand.
        let turned = |v: &Vector3<f64>| change.cross(v) + rate.cross(&rate.cross(v));
        let balance = levers.on_shaft(club.balance_m);
        let from_node = level(balance - levers.node);
        let gravity = Vector3::new(0.0, 0.0, -GRAVITY_MPS2);
        let pulled = self.node_change * (1.0 + off.node_change) + turned(&from_node) - gravity;
        let shaft = level(levers.shaft);
        let couple =
            level(balance).cross(&(pulled * club.mass_kg)) + shaft.cross(&turned(&shaft)) * club.inertia_kgm2;
        couple.dot(&(rate - self.pose.arm_rate)) * (1.0 + off.wrist_rate)
    }
}

/// The instants from the release to the ball, each with the slopes of the readings around it.
fn instants(swing: &Swing, released: &Released) -> Option<Vec<Instant>> {
    let ball = swing.motion.ball?;
    let since = |point: &MotionPoint| point.t.seconds_since(ball);
    let used: Vec<&MotionPoint> =
        swing.motion.points.iter().filter(|point| since(point) < -BEFORE_BALL_S.1).collect();
    let slope = |at_s: f64, value: fn(&MotionPoint) -> Option<Vector3<f64>>| {
        let first = used.partition_point(|point| since(point) < at_s - HALF_S);
        // Five readings at least, at the ball those before it.
        let first = first.min(used.len().checked_sub(5)?);
        let near = used[first..].iter().take_while(|point| since(point) <= at_s + HALF_S);
        let points: Option<Vec<_>> = near.map(|point| Some((since(point) - at_s, value(point)?))).collect();
        polynomial::derivatives::<3, 3>(points?, HALF_S).map(|fit| fit.row(1).transpose())
    };
    let within = used.iter().filter(|point| since(point) >= released.at_s);
    within
        .map(|point| {
            let since_ball_s = since(point);
            Some(Instant {
                since_ball_s,
                pose: Pose::of(point),
                node_change: slope(since_ball_s, |point| point.node_velocity_mps)?,
                hand_rate_change: slope(since_ball_s, |point| Some(point.hand_rate_rps))?,
            })
        })
        .collect()
}

/// Work from the release to the ball, J. The first and the last stretch are as their neighbours.
fn work_j(instants: &[Instant], from_s: f64, power: impl Fn(&Instant) -> f64) -> f64 {
    let power: Vec<(f64, f64)> = instants.iter().map(|at| (at.since_ball_s, power(at))).collect();
    let within = |pair: &[(f64, f64)]| 0.5 * (pair[0].1 + pair[1].1) * (pair[1].0 - pair[0].0);
    let before = power.first().map_or(0.0, |(since_ball_s, power_w)| (since_ball_s - from_s) * power_w);
    let after = power.last().map_or(0.0, |(since_ball_s, power_w)| -since_ball_s * power_w);
    before + power.windows(2).map(within).sum::<f64>() + after
}

/// Power and work of the wrist on the club from the release to the ball.
#[must_use]
pub fn wrist_work(
    swing: &Swing,
    arm: &ArmMeasures,
    club: &ClubMeasures,
    released: Result<Released, &'static str>,
) -> WristWork {
    let missing = |reason| WristWork { power_w: Err(reason), work_j: Err(reason) };
    let released = match released {
        Ok(released) => released,
        Err(reason) => return missing(reason),
    };
    let Some(instants) = instants(swing, &released).filter(|instants| instants.len() > 3) else {
        return missing(NO_MOTION);
    };
    let motion = &swing.motion;
    let with = |by: [f64; LENGTHS], club: &ClubMeasures, off: &Shares| {
        let levers = Levers::off_by(motion, arm, club, by);
        work_j(&instants, released.at_s, |at| at.power_w(&levers, club, off))
    };
    let (none, exact) = ([0.0; LENGTHS], Shares::default());
    let best = with(none, club, &exact);
    let mut variance = 0.0;
    let mut add = |off: f64| variance += (off - best).powi(2);
    for which in 0..LENGTHS {
        let mut by = none;
        by[which] = 1.0;
        add(with(by, club, &exact));
    }
    for off in [
        ClubMeasures { mass_kg: club.mass_kg * (1.0 + MASS_SHARE), ..*club },
        ClubMeasures { balance_m: club.balance_m + BALANCE_SD_M, ..*club },
        ClubMeasures { inertia_kgm2: club.inertia_kgm2 * (1.0 + INERTIA_SHARE), ..*club },
    ] {
        add(with(none, &off, &exact));
    }
    let clipped = if swing.flags.contains(&Flag::GyroClipped) { CLIPPED_SHARE } else { 0.0 };
    for off in [
        Shares { node_change: ACCELERATION_SHARE, ..exact },
        Shares { hand_rate_change: ACCELERATION_SHARE.hypot(clipped), ..exact },
        Shares { wrist_rate: WRIST_RATE_SHARE.hypot(clipped), ..exact },
    ] {
        add(with(none, club, &off));
    }
    let work = Measured::new(best, variance.sqrt());
    let per_s = -1.0 / released.at_s;
    WristWork { power_w: Ok(Measured::new(work.value * per_s, work.sd * per_s)), work_j: Ok(work) }
}

#[cfg(test)]
mod tests {
    use super::super::pendulum::{Motion, Pendulum};
    use super::*;
    use nalgebra::UnitQuaternion;
    use std::f64::consts::FRAC_PI_2;

    /// A swing in the level frame's plane of y and z, hub still: the pendulum's equations, which go by angles, give
    /// the same power as forces and couples in space.
    #[test]
    fn in_a_plane_it_is_the_pendulums() {
        let club = ClubMeasures::DRIVER;
        for (sign, [arm, arm_rate, arm_change], [hand, hand_rate, hand_change]) in [
            (1.0, [-1.2, 9.0, 40.0], [-2.4, 6.0, 120.0]),
            (-1.0, [-0.3, 14.0, -90.0], [-0.6, 31.0, 400.0]),
            (-1.0, [0.1, 12.0, 10.0], [0.3, 35.0, -700.0]),
        ] {
            let levers = Levers {
                arm_m: 0.6,
                node: Vector3::new(0.0, -0.055, 0.0),
                grip: Vector3::new(0.0, -0.075, 0.0),
                shaft: Vector3::new(0.0, -0.5_f64.cos(), sign * 0.5_f64.sin()),
                shaft_m: 1.05,
            };
            let balance = levers.on_shaft(club.balance_m);
            let about_x = |angle: f64| UnitQuaternion::from_scaled_axis(Vector3::x() * angle);
            let level_from_hand = about_x(hand + FRAC_PI_2);
            let direction = about_x(arm) * -Vector3::z();
            let [turning, turning_more] = [hand_rate, hand_change].map(|rate| Vector3::x() * rate);
            let round = |rate: f64, change: f64, lever: Vector3<f64>| {
                Vector3::x().cross(&lever) * change - lever * (rate * rate)
            };
            let at = Instant {
                since_ball_s: 0.0,
                pose: Pose {
                    arm: direction,
                    arm_rate: Vector3::x() * arm_rate,
                    level_from_hand,
                    hand_rate: turning,
                    node_velocity: None,
                },
                node_change: round(arm_rate, arm_change, direction * levers.arm_m)
                    + round(hand_rate, hand_change, level_from_hand * levers.node),
                hand_rate_change: turning_more,
            };
            let reach = level_from_hand * balance;
            let motion = Motion {
                swept_rate: arm_rate,
                cock: arm - reach.y.atan2(-reach.z),
                cock_rate: arm_rate - hand_rate,
                ..Motion::default()
            };
            let pendulum = Pendulum {
                arm_m: levers.arm_m,
                arm_inertia: 0.4,
                arm_moment: 1.2,
                club_kg: club.mass_kg,
                club_moment: club.mass_kg * balance.norm(),
                club_inertia: club.inertia_kgm2 + club.mass_kg * balance.norm_squared(),
                club_m: 1.1,
            };
            let changes = [arm_change, arm_change - hand_change];
            let [_, torque] = pendulum.torques(&motion, -arm, [GRAVITY_MPS2, 0.0], changes);
            let (found, expected) =
                (at.power_w(&levers, &club, &Shares::default()), torque * motion.cock_rate);
            assert!((found - expected).abs() < 1e-9 * expected.abs(), "{found}, expected {expected}");
        }
    }
}
