//! Arm and shaft, and the release, before the ball, and how long the back of the wrist stays flat after it.

use super::hub::{BEFORE_BALL_S, Pose, ball_sd_s, pose_at_ball};
use super::levers::Levers;
use super::{Figure, NO_MOTION};
use crate::detect::Swing;
use crate::fusion::series::value_at;
use crate::units::{DeviceTime, Measured};

/// The release has begun when this share of the way to the angle at the ball is gone.
pub const RELEASED: f64 = 0.1;
/// An angle between arm and shaft that changes by less has no release, degrees.
const LEAST_RELEASE_DEG: f64 = 8.0;
/// The wrist counts as flat until it has bent back by so much from what it was at the ball, degrees. No source
/// gives a number; common practice says flat for some 76 mm after the ball.
pub const FLAT_WITHIN_DEG: f64 = 5.0;
/// Two angles of one downswing are off against each other by this share of what the hinge is against its address
/// (judgement, from virtual buckets with seeds under 100: most of it they share), and by no less than this, degrees.
const BETWEEN_SHARE: f64 = 0.25;
const BETWEEN_SD_DEG: f64 = 0.1;
/// What is wrong with the flexion at the ball is wrong in another way when the forearm has rolled on: so many times as
/// much lies between the two (judgement, likewise).
const AFTER_BALL_FACTOR: f64 = 1.3;
/// How far the arm has turned since the top is known to so much: half a hundredth of it for the gyros, degrees (judgement;
/// at the top the arm is still, so that its time hardly counts).
const TURNED_SD_DEG: f64 = 0.5;
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

/// The downswing's angle between arm and shaft over time, with how far the arm has turned, up to the ball.
struct Down {
    /// Against the ball.
    t_s: Vec<f64>,
    arm_shaft_deg: Vec<f64>,
    turned_deg: Vec<f64>,
}

impl Down {
    fn of(swing: &Swing, levers: &Levers) -> Option<Down> {
        let motion = &swing.motion;
        let ball = motion.ball?;
        let at_ball = pose_at_ball(motion, ball)?;
        let since = |t: DeviceTime| t.seconds_since(ball);
        let (top_s, last_s) = (since(swing.top), -BEFORE_BALL_S.1);
        let seen = motion.points.iter().filter(|point| (top_s..last_s).contains(&since(point.t)));
        let mut poses: Vec<(f64, Pose)> = seen.map(|point| (since(point.t), Pose::of(point))).collect();
        poses.push((0.0, at_ball));
        let mut turned_deg = vec![0.0];
        for pair in poses.windows(2) {
            let rate = 0.5 * (pair[0].1.swing_rate().norm() + pair[1].1.swing_rate().norm());
            let before = turned_deg.last().copied().unwrap_or_default();
            turned_deg.push(before + (rate * (pair[1].0 - pair[0].0)).to_degrees());
        }
        (poses.len() > 6).then(|| Down {
            t_s: poses.iter().map(|(t_s, _)| *t_s).collect(),
            arm_shaft_deg: poses.iter().map(|(_, pose)| pose.arm_shaft_deg(levers)).collect(),
            turned_deg,
        })
    }

    fn at_ball_deg(&self) -> f64 {
        self.arm_shaft_deg.last().copied().unwrap_or_default()
    }

    /// The smallest angle. Before the release it hardly changes, so where its errors wander the smallest of them all is
    /// too small; the mean of those that are no farther above it than the errors reach stands for it.
    fn least_deg(&self, off_deg: f64) -> f64 {
        let least = self.arm_shaft_deg.iter().copied().fold(f64::INFINITY, f64::min);
        let near = self.arm_shaft_deg.iter().filter(|angle| **angle <= least + off_deg);
        let (sum, count) = near.fold((0.0, 0.0), |(sum, count), angle| (sum + angle, count + 1.0));
        sum / count
    }

    /// Where the angle passes this level for the last time before the ball, s against the ball.
    fn passes_s(&self, level_deg: f64) -> Option<f64> {
        let before = self.arm_shaft_deg.iter().rposition(|angle| *angle <= level_deg)?;
        let (t0, a0) = (self.t_s[before], self.arm_shaft_deg[before]);
        let (t1, a1) = (*self.t_s.get(before + 1)?, self.arm_shaft_deg[before + 1]);
        Some(t0 + (t1 - t0) * (level_deg - a0) / (a1 - a0))
    }
}

/// When the release begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Released {
    /// Before the ball, s; negative.
    pub at_s: f64,
    /// How well it is known, s.
    pub sd_s: f64,
}

/// Arm and shaft, and the release; beside the figures when it begins, or why there is none.
pub fn release(swing: &Swing, levers: &Levers) -> (Release, Result<Released, &'static str>) {
    let missing = |reason| Release {
        arm_shaft_arm_horizontal_deg: Err(reason),
        arm_shaft_at_release_deg: Err(reason),
        arm_shaft_at_ball_deg: Err(reason),
        release_before_ball_ms: Err(reason),
        arm_from_top_at_release_deg: Err(reason),
    };
    let Some((down, ball)) = Down::of(swing, levers).zip(swing.motion.ball) else {
        return (missing(NO_MOTION), Err(NO_MOTION));
    };
    let at = |t_s: f64| value_at(&down.t_s, &down.arm_shaft_deg, t_s);
    let absolute = |deg: f64| Ok(Measured::new(deg, ZERO_SD_DEG));
    let horizontal = swing.motion.arm_horizontal.map(|t| at(t.seconds_since(ball)));
    let known = Release {
        arm_shaft_arm_horizontal_deg: horizontal.map_or(Err(NEVER_ABOVE), absolute),
        arm_shaft_at_ball_deg: absolute(down.at_ball_deg()),
        ..missing(NO_RELEASE)
    };
    let of_hinge = [swing.hinge_deg.top, swing.hinge_deg.impact].into_iter().flatten();
    let between_deg = of_hinge.map(|hinge| BETWEEN_SHARE * hinge.sd).fold(BETWEEN_SD_DEG, f64::max);
    let least = down.least_deg(between_deg);
    let lost = down.at_ball_deg() - least;
    let level = least + RELEASED * lost;
    let Some(at_s) = down.passes_s(level).filter(|_| lost >= LEAST_RELEASE_DEG) else {
        return (known, Err(NO_RELEASE));
    };
    let passes = |off_deg: f64| down.passes_s((level + off_deg).clamp(least, down.at_ball_deg() - 1e-6));
    let later_s = passes(between_deg).unwrap_or(at_s) - passes(-between_deg).unwrap_or(at_s);
    let released = Released { at_s, sd_s: (0.5 * later_s).hypot(ball_sd_s(swing)) };
    let turned = |t_s: f64| value_at(&down.t_s, &down.turned_deg, t_s);
    let turned_sd = 0.5 * (turned(at_s + released.sd_s) - turned(at_s - released.sd_s)).abs();
    let figures = Release {
        arm_shaft_at_release_deg: absolute(at(at_s)),
        release_before_ball_ms: Ok(Measured::new(-at_s * 1e3, released.sd_s * 1e3)),
        arm_from_top_at_release_deg: Ok(Measured::new(turned(at_s), TURNED_SD_DEG.hypot(turned_sd))),
        ..known
    };
    (figures, Ok(released))
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
    let flexion_at_ball_deg = Ok(Measured::new(address.value + at_ball.value, ZERO_SD_DEG.hypot(at_ball.sd)));
    let after: Vec<(f64, f64)> = swing
        .curve
        .iter()
        .map(|point| (point.t.seconds_since(ball), point.flexion_deg))
        .filter(|(s, _)| *s >= 0.0)
        .collect();
    let level = at_ball.value - FLAT_WITHIN_DEG;
    let passes_s = |level: f64| {
        let i = after.iter().position(|(_, flexion)| *flexion <= level)?;
        let (t1, f1) = after[i];
        let (t0, f0) = if i == 0 { (0.0, at_ball.value) } else { after[i - 1] };
        let share = if f0 > f1 { ((f0 - level) / (f0 - f1)).clamp(0.0, 1.0) } else { 1.0 };
        Some(t0 + (t1 - t0) * share)
    };
    let Some(lasts_s) = passes_s(level) else {
        return FlatWrist { flexion_at_ball_deg, ..missing(STAYS_FLAT) };
    };
    let off_deg = AFTER_BALL_FACTOR * at_ball.sd.max(BETWEEN_SD_DEG);
    let (sooner_s, later_s) = (passes_s(level + off_deg), passes_s(level - off_deg));
    let half_s = 0.5 * (later_s.unwrap_or(2.0 * lasts_s) - sooner_s.unwrap_or(0.0));
    let sd_s = half_s.hypot(ball_sd_s(swing));
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
    let turning_mps = |pose: &Pose| {
        (pose.wrist_from_arm(levers) + pose.hand_rate.cross(&(pose.level_from_hand * levers.head()))).norm()
    };
    let at_ball = turning_mps(&pose_at_ball(&swing.motion, ball)?);
    let share = head_mps / at_ball.max(1.0);
    let (mut way_m, mut before) = (0.0, (0.0, at_ball));
    for point in swing.motion.points.iter().filter(|point| point.t > ball) {
        let here = (point.t.seconds_since(ball), turning_mps(&Pose::of(point)));
        let part = ((lasts_s - before.0) / (here.0 - before.0)).min(1.0);
        let until_mps = before.1 + (here.1 - before.1) * part;
        way_m += 0.5 * (before.1 + until_mps) * part * (here.0 - before.0) * share;
        if part < 1.0 {
            return Some(way_m * 1e3);
        }
        before = here;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn errors_that_wander_over_a_flat_stretch_do_not_lower_the_smallest_angle() {
        // Flat at 100°, off by a slow wave of half a degree, then released.
        let angle = |i: i32| {
            let t_s = f64::from(i) * 0.002;
            let released = (t_s - 0.16).max(0.0);
            100.0 + 0.5 * (40.0 * t_s).sin() + 8000.0 * released * released
        };
        let down = Down {
            t_s: (0..110).map(|i| f64::from(i) * 0.002).collect(),
            arm_shaft_deg: (0..110).map(angle).collect(),
            turned_deg: vec![0.0; 110],
        };
        assert!((down.least_deg(1.0) - 100.0).abs() < 0.2, "{}", down.least_deg(1.0));
        assert!(down.least_deg(0.0) < 99.6);
    }
}
