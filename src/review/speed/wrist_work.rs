//! Power and work of the wrist on the club, by Newton and Euler from the measured motion.
//!
//! Hand and club turn as one rigid body with the club's mass; the hand's own mass is the arm's. Its measured motion
//! takes a force and a couple at the wrist. The couple with the wrist's own rate (the hand's less the forearm's, the
//! forearm's roll not counted) is what the wrist gives. What the arm gives through the force, and by turning the
//! couple along with the forearm, is not in it: nearly all of the club's energy comes that way.

use super::flat_wrist::Released;
use super::hub::Pose;
use super::levers::{LENGTHS, Levers};
use super::{Figure, NO_MOTION};
use crate::detect::{Flag, MotionPoint, Swing};
use crate::fusion::polynomial;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::units::{GRAVITY_MPS2, Measured};
use nalgebra::Vector3;

/// Accelerations are read off so much of the motion on either side, s.
const HALF_S: f64 = 0.008;
/// Readings nearer to the ball than this may show the shock, s.
const BEFORE_BALL_S: f64 = 0.0012;
/// How well a club's mass and inertia (shares) and its balance (m) are known (judgement: clubs of one kind differ).
pub const MASS_SHARE: f64 = 0.04;
/// Share.
pub const INERTIA_SHARE: f64 = 0.08;
/// m.
pub const BALANCE_SD_M: f64 = 0.015;
/// How well accelerations are known, shares: of the node, and angular (judgement: what a local parabola and the sensors'
/// scales leave).
const ACCELERATION_SHARE: f64 = 0.02;
/// The wrist's own rate is a difference of two rates, through soft tissue: share (judgement).
const WRIST_RATE_SHARE: f64 = 0.04;
/// The same where a gyro was clipped, for rates and accelerations (judgement).
const CLIPPED_SHARE: f64 = 0.15;

const NO_RELEASE: &str = "without a release there is no work of it";

/// What the wrist gives from the release to the ball.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WristWork {
    /// Its largest power into the club, W; negative where it only holds back.
    pub power_w: Figure,
    /// Its work, J.
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
        let couple = level(balance).cross(&(pulled * club.mass_kg))
            + shaft.cross(&turned(&shaft)) * club.inertia_kgm2;
        couple.dot(&(rate - self.pose.arm_rate)) * (1.0 + off.wrist_rate)
    }
}

/// The instants from the release to the ball, each with the slopes of the readings around it.
fn instants(swing: &Swing, released: &Released) -> Option<Vec<Instant>> {
    let ball = swing.motion.ball?;
    let since = |point: &MotionPoint| point.t.seconds_since(ball);
    let used: Vec<&MotionPoint> =
        swing.motion.points.iter().filter(|point| since(point) < -BEFORE_BALL_S).collect();
    let slope = |at_s: f64, value: fn(&MotionPoint) -> Option<Vector3<f64>>| {
        let first = used.partition_point(|point| since(point) < at_s - HALF_S);
        // Five readings at least, at the ball those before it.
        let first = first.min(used.len().checked_sub(5)?);
        let near = used[first..].iter().take_while(|point| since(point) <= at_s + HALF_S);
        let points: Option<Vec<_>> =
            near.map(|point| Some((since(point) - at_s, value(point)?))).collect();
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

/// Largest power and work.
fn sums(instants: &[Instant], power: impl Fn(&Instant) -> f64) -> [f64; 2] {
    let power: Vec<(f64, f64)> = instants.iter().map(|at| (at.since_ball_s, power(at))).collect();
    let most = power.iter().map(|(_, power_w)| *power_w).fold(f64::NEG_INFINITY, f64::max);
    let within = |pair: &[(f64, f64)]| 0.5 * (pair[0].1 + pair[1].1) * (pair[1].0 - pair[0].0);
    // The last stretch to the ball goes on as it was.
    let rest = power.last().map_or(0.0, |(since_ball_s, power_w)| -since_ball_s * power_w);
    [most, power.windows(2).map(within).sum::<f64>() + rest]
}

/// Power and work of the wrist on the club from the release to the ball.
#[must_use]
pub fn wrist_work(
    swing: &Swing,
    arm: &ArmMeasures,
    club: &ClubMeasures,
    released: Option<&Released>,
) -> WristWork {
    let missing = |reason| WristWork { power_w: Err(reason), work_j: Err(reason) };
    let Some(released) = released else { return missing(NO_RELEASE) };
    let Some(instants) = instants(swing, released).filter(|instants| instants.len() > 3) else {
        return missing(NO_MOTION);
    };
    let motion = &swing.motion;
    let with = |by: [f64; LENGTHS], club: &ClubMeasures, off: &Shares| {
        let levers = Levers::off_by(motion, arm, club, by);
        sums(&instants, |at| at.power_w(&levers, club, off))
    };
    let (none, exact) = ([0.0; LENGTHS], Shares::default());
    let best = with(none, club, &exact);
    let mut variance = [0.0; 2];
    let mut add = |off: [f64; 2]| {
        for (sum, (off, best)) in variance.iter_mut().zip(off.iter().zip(best)) {
            *sum += (off - best).powi(2);
        }
    };
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
    let figure = |i: usize| Ok(Measured::new(best[i], variance[i].sqrt()));
    WristWork { power_w: figure(0), work_j: figure(1) }
}
