//! Arm and shaft, and the release, before the ball, and how long the back of the wrist stays flat after it.

use super::hub::Pose;
use super::levers::Levers;
use super::{Figure, NO_MOTION};
use crate::detect::{MotionPoint, Swing};
use crate::units::{DeviceTime, Measured};

/// The release has begun when this share of the way to the angle at the ball is gone.
pub const RELEASED: f64 = 0.1;
/// An angle between arm and shaft that changes by less has no release, degrees.
const LEAST_RELEASE_DEG: f64 = 8.0;
/// The wrist counts as flat until it has bent back by so much from what it was at the ball, degrees. No source
/// gives a number; common practice says flat for some 76 mm after the ball.
pub const FLAT_WITHIN_DEG: f64 = 5.0;
/// How far two angles of one swing may be off against each other, degrees.
const BETWEEN_SD_DEG: f64 = 0.5;
/// How well the zero of an anatomical angle, and the grip's, are known, degrees.
const ZERO_SD_DEG: f64 = 5.0;

const NO_RELEASE: &str = "the angle between arm and shaft hardly changes in the downswing";
const NEVER_ABOVE: &str = "the arm does not pass the horizontal in the downswing";
const NO_BALL: &str = "no shock of a ball was seen";
const STAYS_FLAT: &str = "the wrist was still flat where the swing is no longer followed";

/// What happens before the ball.
#[derive(Clone, Debug, PartialEq)]
pub struct Release {
    /// Angle between arm and shaft with the arm horizontal in the downswing, degrees; 180 is a straight line.
    pub arm_shaft_arm_horizontal_deg: Figure,
    /// The same when the release begins.
    pub arm_shaft_at_release_deg: Figure,
    /// The same at the ball.
    pub arm_shaft_at_ball_deg: Figure,
    /// The release begins so long before the ball, ms.
    pub release_before_ball_ms: Figure,
    /// The arm has turned so far from the top by then, degrees.
    pub arm_from_top_at_release_deg: Figure,
}

/// How flat the wrist is at the ball and after it.
#[derive(Clone, Debug, PartialEq)]
pub struct FlatWrist {
    /// Flexion at the ball, palmar positive, degrees, from the best zero there is.
    pub flexion_at_ball_deg: Figure,
    /// How long after the ball the wrist has not bent back, ms.
    pub flat_after_ball_ms: Figure,
    /// How far the head has come by then, mm.
    pub flat_after_ball_mm: Figure,
}

/// Angle between arm and shaft, degrees; 180 is a straight line.
fn arm_shaft_deg(point: &MotionPoint, levers: &Levers) -> f64 {
    (point.level_from_hand * levers.shaft).angle(&-point.arm).to_degrees()
}

/// Arm and shaft, and the release.
#[must_use]
pub fn release(swing: &Swing, levers: &Levers) -> Release {
    let motion = &swing.motion;
    let points = &motion.points;
    let within =
        |point: &&MotionPoint| point.t >= swing.top && motion.ball.is_some_and(|ball| point.t <= ball);
    let down: Vec<&MotionPoint> = points.iter().filter(within).collect();
    let missing = |reason| Release {
        arm_shaft_arm_horizontal_deg: Err(reason),
        arm_shaft_at_release_deg: Err(reason),
        arm_shaft_at_ball_deg: Err(reason),
        release_before_ball_ms: Err(reason),
        arm_from_top_at_release_deg: Err(reason),
    };
    let (Some(last), Some(ball), true) = (down.last(), motion.ball, down.len() > 5) else {
        return missing(NO_MOTION);
    };
    let angles: Vec<f64> = down.iter().map(|point| arm_shaft_deg(point, levers)).collect();
    let at_ball = arm_shaft_deg(last, levers);
    let at = |t: DeviceTime| down.iter().find(|point| point.t >= t).map(|point| arm_shaft_deg(point, levers));
    let absolute = |deg: f64| Ok(Measured::new(deg, ZERO_SD_DEG));
    let known = Release {
        arm_shaft_arm_horizontal_deg: motion.arm_horizontal.and_then(at).map_or(Err(NEVER_ABOVE), absolute),
        arm_shaft_at_ball_deg: absolute(at_ball),
        ..missing(NO_RELEASE)
    };
    let least = angles.iter().copied().fold(f64::INFINITY, f64::min);
    if at_ball - least < LEAST_RELEASE_DEG {
        return known;
    }
    let level = least + RELEASED * (at_ball - least);
    let Some(begins) = angles.iter().rposition(|angle| *angle <= level) else { return known };
    let next = (begins + 1).min(down.len() - 1);
    let slope = (angles[next] - angles[begins]).abs() / down[next].t.seconds_since(down[begins].t).max(1e-4);
    let sd_s = BETWEEN_SD_DEG / slope.max(10.0);
    let turned = |to: &MotionPoint| {
        let between = |pair: &[&MotionPoint]| {
            Pose::of(pair[0]).swing_rate().norm() * pair[1].t.seconds_since(pair[0].t)
        };
        down.windows(2).filter(|pair| pair[1].t <= to.t).map(between).sum::<f64>().to_degrees()
    };
    let arm_deg_per_s = Pose::of(down[begins]).swing_rate().norm().to_degrees();
    Release {
        arm_shaft_at_release_deg: absolute(angles[begins]),
        release_before_ball_ms: Ok(Measured::new(ball.seconds_since(down[begins].t) * 1e3, sd_s * 1e3)),
        arm_from_top_at_release_deg: Ok(Measured::new(
            turned(down[begins]),
            1.0_f64.hypot(sd_s * arm_deg_per_s),
        )),
        ..known
    }
}

/// How long the wrist stays flat. `head_mps` is the head's speed at the ball.
#[must_use]
pub fn flat_wrist(swing: &Swing, levers: &Levers, head_mps: Option<f64>) -> FlatWrist {
    let missing = |reason| FlatWrist {
        flexion_at_ball_deg: Err(reason),
        flat_after_ball_ms: Err(reason),
        flat_after_ball_mm: Err(reason),
    };
    let (Some(ball), Some(address)) = (swing.impact, swing.flexion_deg.address) else {
        return missing(if swing.impact.is_none() { NO_BALL } else { NO_MOTION });
    };
    let Some(at_ball) = swing.flexion_deg.impact else { return missing(NO_MOTION) };
    let flexion_at_ball_deg = Ok(Measured::new(address.value + at_ball.value, ZERO_SD_DEG));
    let after: Vec<(f64, f64)> = swing
        .curve
        .iter()
        .map(|point| (point.t.seconds_since(ball), point.flexion_deg))
        .filter(|(s, _)| *s >= 0.0)
        .collect();
    let level = at_ball.value - FLAT_WITHIN_DEG;
    let Some(i) = after.iter().position(|(_, flexion)| *flexion <= level) else {
        return FlatWrist { flexion_at_ball_deg, ..missing(STAYS_FLAT) };
    };
    let (t1, f1) = after[i];
    let (t0, f0) = if i == 0 { (0.0, at_ball.value) } else { after[i - 1] };
    let share = if f0 > f1 { ((f0 - level) / (f0 - f1)).clamp(0.0, 1.0) } else { 1.0 };
    let lasts_s = t0 + (t1 - t0) * share;
    let slope = ((f0 - f1) / (t1 - t0).max(1e-4)).max(10.0);
    let sd_s = (BETWEEN_SD_DEG / slope).hypot(0.0007);
    let way = head_mps.map(|head| head_way_mm(swing, levers, ball, (lasts_s, head)).ok_or(STAYS_FLAT));
    FlatWrist {
        flexion_at_ball_deg,
        flat_after_ball_ms: Ok(Measured::new(lasts_s * 1e3, sd_s * 1e3)),
        flat_after_ball_mm: match (way, head_mps) {
            // The ball slows the head, and the shaft's spring is not seen: a tenth.
            (Some(Ok(mm)), Some(head)) => Ok(Measured::new(mm, (head * sd_s * 1e3).hypot(0.1 * mm))),
            (Some(Err(reason)), _) => Err(reason),
            _ => Err(NO_MOTION),
        },
    }
}

/// How far the head comes in `lasts_s` after the ball, mm: at its speed there, which then changes as arm and hand turn
/// slower or faster. None where the motion is not followed for so long.
fn head_way_mm(
    swing: &Swing,
    levers: &Levers,
    ball: DeviceTime,
    (lasts_s, head_mps): (f64, f64),
) -> Option<f64> {
    let turning_mps = |point: &MotionPoint| {
        let pose = Pose::of(point);
        (pose.wrist_from_arm(levers) + pose.hand_rate.cross(&(pose.level_from_hand * levers.head()))).norm()
    };
    let points = &swing.motion.points;
    let before = points.iter().rev().find(|point| point.t <= ball)?;
    let share = head_mps / turning_mps(before).max(1.0);
    let (mut way_m, mut reached_s) = (0.0, 0.0);
    for point in points.iter().filter(|point| point.t > ball) {
        let until_s = point.t.seconds_since(ball).min(lasts_s);
        way_m += (until_s - reached_s) * share * turning_mps(point);
        reached_s = until_s;
    }
    (reached_s >= lasts_s).then_some(way_m * 1e3)
}
