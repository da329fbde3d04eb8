//! The hand's path from the takeaway to the ball, as the player stands: towards the target, up, away from the body.
//!
//! The accelerometer gives the node's velocity, the node's turning the lever from it to the grip. No node knows where
//! the target is: the horizontal line in the arm's plane stands for it.

use super::hub::{BEFORE_BALL_S, Pose, ball_sd_s, pose_at_ball};
use super::levers::{Levers, NODE_SD_M};
use super::{Figure, NO_MOTION};
use crate::detect::{MotionPoint, Swing};
use crate::fusion::polynomial;
use crate::units::Measured;
use nalgebra::{Matrix3, Vector3};

/// The arc at the ball is read off so much of the motion before it, s.
const ARC_S: f64 = 0.02;
/// How well an arc's radius is known besides the hand's velocity, share: of the acceleration across the way (judgement);
/// …
const RADIUS_SHARE: f64 = 0.025;
/// … and where the accelerometer clipped, since it sees just that acceleration (judgement).
const CLIPPED_RADIUS_SHARE: f64 = 0.12;
/// Points that are told lie at least so far apart, but for the one at the ball, s.
const APART_S: f64 = 0.01;

const NO_PATH: &str = "the accelerometer tells no path from takeaway to ball";

/// One point of the path: s against the ball, and where hand and hub (lead shoulder) are, m from where the hand was at
/// the takeaway: towards the target, up, away from the body.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PathPoint {
    /// Against the ball, s.
    pub t_s: f64,
    /// Whether it comes after the top.
    pub down: bool,
    /// The middle of the lead hand on the grip, m.
    pub hand_m: Vector3<f64>,
    /// The lead shoulder, m: the hand less an arm of the told length.
    pub hub_m: Vector3<f64>,
}

/// The path of one swing and its key figures.
#[derive(Clone, Debug, PartialEq)]
pub struct HandPath {
    /// In order of time, thinned; the last one is at the ball.
    pub points: Vec<PathPoint>,
    /// How far a point at the ball may be off along a level axis, m; less before it, in proportion to the time.
    pub at_ball_sd_m: f64,
    /// Largest speed of the hand from the top to the ball, m/s.
    pub peak_mps: Figure,
    /// So long before the ball, ms.
    pub peak_before_ball_ms: Figure,
    /// Radius of the hand's arc at the ball, m.
    pub radius_m: Figure,
    /// How far the hub is at the ball from where it was at the top, m.
    pub hub_travel_m: Figure,
    /// From takeaway to ball: towards the target, m. Likewise the others.
    pub forward_at_ball_m: Figure,
    /// Up, m.
    pub up_at_ball_m: Figure,
    /// Away from the body, m.
    pub away_at_ball_m: Figure,
}

/// Where the player stands, as far as the swing shows it: rows towards the target, up, away from the body.
fn player_from_level(down: &[Step], lead_arm_sign: f64, velocity: &Vector3<f64>) -> Option<Matrix3<f64>> {
    let sum: Vector3<f64> = down.iter().map(|step| Pose::of(step.point).swing_rate()).sum();
    let along = sum.cross(&Vector3::z()).try_normalize(1e-6)?;
    let target = if along.dot(velocity) < 0.0 { -along } else { along };
    // A right-handed player has the target at the left.
    let away = Vector3::z().cross(&target) * lead_arm_sign;
    Some(Matrix3::from_rows(&[target.transpose(), Vector3::z().transpose(), away.transpose()]))
}

/// One followed instant, level frame.
struct Step<'a> {
    point: &'a MotionPoint,
    t_s: f64,
    velocity: Vector3<f64>,
    grip: Vector3<f64>,
    hub: Vector3<f64>,
}

fn follow<'a>(swing: &'a Swing, levers: &Levers) -> Option<Vec<Step<'a>>> {
    let ball = swing.motion.ball?;
    let mut steps: Vec<Step> = Vec::new();
    let mut node = Vector3::zeros();
    let mut before: Option<(f64, Vector3<f64>)> = None;
    for point in swing.motion.points.iter().filter(|point| point.t < ball) {
        let (t_s, node_velocity) = (point.t.seconds_since(ball), point.node_velocity_mps?);
        if let Some((before_s, velocity)) = before {
            node += (velocity + node_velocity) * (0.5 * (t_s - before_s));
        }
        before = Some((t_s, node_velocity));
        let from_node = |lever: Vector3<f64>| point.level_from_hand * (lever - levers.node);
        steps.push(Step {
            point,
            t_s,
            velocity: node_velocity + point.hand_rate_rps.cross(&from_node(levers.grip)),
            grip: node + from_node(levers.grip),
            hub: node + from_node(Vector3::zeros()) - point.arm * levers.arm_m,
        });
    }
    (steps.len() > 20).then_some(steps)
}

/// The path of a swing. `arm_length_sd_m` is how well the arm's length is known, `carried_off_mps` how far the node's
/// velocity at the ball may be off where it was carried on.
///
/// # Errors
/// Why there is none.
pub fn hand_path(
    swing: &Swing,
    levers: &Levers,
    arm_length_sd_m: f64,
    carried_off_mps: &Vector3<f64>,
) -> Result<HandPath, &'static str> {
    if swing.motion.points.is_empty() {
        return Err(NO_MOTION);
    }
    let steps = follow(swing, levers).ok_or(NO_PATH)?;
    let top = steps.partition_point(|step| step.point.t < swing.top);
    let (Some(first), Some(at_top), Some(last)) = (steps.first(), steps.get(top), steps.last()) else {
        return Err(NO_PATH);
    };
    let (down, sign) = (&steps[top..], swing.motion.lead_arm_sign);
    let player = player_from_level(down, sign, &last.velocity).ok_or(NO_PATH)?;
    let velocity_sd = swing.motion.velocity_sd_mps.hypot(carried_off_mps.norm() / 3.0_f64.sqrt());
    let place_m2 = player * swing.motion.place_m2 * player.transpose();
    // The last reading lies before the ball by up to a step, and those next to it may show the shock.
    let clean_to = steps.partition_point(|step| step.t_s <= -BEFORE_BALL_S.1);
    let clean = clean_to.checked_sub(1).and_then(|place| steps.get(place)).unwrap_or(last);
    let hand_m = player * (clean.grip - clean.velocity * clean.t_s - first.grip);
    let mut points = thinned(&steps[..clean_to], top, &player);
    points.push(PathPoint { t_s: 0.0, down: true, hand_m, hub_m: player * (last.hub - first.grip) });
    let by_time = player * clean.velocity * ball_sd_s(swing);
    let [forward_at_ball_m, up_at_ball_m, away_at_ball_m] = way(&hand_m, &place_m2, &by_time);
    let at_ball =
        swing.motion.ball.and_then(|ball| Speed::at_ball(&pose_at_ball(&swing.motion, ball)?, levers));
    let speeds = steps[top..clean_to.max(top)].iter().map(Speed::of).chain(at_ball);
    let (peak_mps, peak_before_ball_ms) = peak(&speeds.collect::<Vec<_>>(), velocity_sd);
    Ok(HandPath {
        points,
        at_ball_sd_m: (0.5 * (place_m2[(0, 0)] + place_m2[(2, 2)])).max(0.0).sqrt(),
        peak_mps,
        peak_before_ball_ms,
        radius_m: radius(&steps, velocity_sd, carried_off_mps.norm() > 0.0),
        hub_travel_m: hub_travel(at_top, last, &player, velocity_sd, arm_length_sd_m),
        forward_at_ball_m,
        up_at_ball_m,
        away_at_ball_m,
    })
}

/// The way to the ball along the player's axes, as unsure as the place is and as the ball's time moves it.
fn way(hand_m: &Vector3<f64>, place_m2: &Matrix3<f64>, by_time: &Vector3<f64>) -> [Figure; 3] {
    [0, 1, 2].map(|axis| {
        let sd_m = place_m2[(axis, axis)].max(0.0).sqrt();
        Ok(Measured::new(hand_m[axis], sd_m.hypot(NODE_SD_M).hypot(by_time[axis])))
    })
}

/// How fast the hand moves at an instant: s against the ball, m/s, and how fast it turns, rad/s.
#[derive(Clone, Copy)]
struct Speed {
    t_s: f64,
    mps: f64,
    turning_rps: f64,
}

impl Speed {
    fn of(step: &Step) -> Speed {
        let turning_rps = step.point.hand_rate_rps.norm();
        Speed { t_s: step.t_s, mps: step.velocity.norm(), turning_rps }
    }

    /// At the ball itself, where the readings before it lead.
    fn at_ball(pose: &Pose, levers: &Levers) -> Option<Speed> {
        let grip = pose.hand_rate.cross(&(pose.level_from_hand * levers.grip));
        let mps = (pose.wrist_from_node(levers)? + grip).norm();
        Some(Speed { t_s: 0.0, mps, turning_rps: pose.hand_rate.norm() })
    }
}

/// The largest speed of the downswing, and how long before the ball, ms.
fn peak(speeds: &[Speed], velocity_sd: f64) -> (Figure, Figure) {
    let Some(peak) = speeds.iter().max_by(|a, b| a.mps.total_cmp(&b.mps)) else {
        return (Err(NO_PATH), Err(NO_PATH));
    };
    let peak_sd = velocity_sd.hypot(NODE_SD_M * peak.turning_rps);
    let width_ms = peak_width_s(speeds, peak, velocity_sd) * 1e3;
    (Ok(Measured::new(peak.mps, peak_sd)), Ok(Measured::new(-peak.t_s * 1e3, width_ms)))
}

/// How far the hub goes from the top to the last reading.
fn hub_travel(
    at_top: &Step,
    last: &Step,
    player: &Matrix3<f64>,
    velocity_sd: f64,
    arm_length_sd_m: f64,
) -> Figure {
    let moved = player * (last.hub - at_top.hub);
    let arm_turned = (last.point.arm - at_top.point.arm).norm();
    let sd = velocity_sd * (last.t_s - at_top.t_s);
    Ok(Measured::new(moved.norm(), sd.hypot(arm_length_sd_m * arm_turned)))
}

/// A flat peak is badly timed: half of the time within which the speed is nearer to it than the speed's changing error,
/// a tenth of the velocity's.
fn peak_width_s(speeds: &[Speed], peak: &Speed, velocity_sd: f64) -> f64 {
    let near = |speed: &&Speed| speed.mps >= peak.mps - 0.1 * velocity_sd;
    let mut near = speeds.iter().filter(near).map(|speed| speed.t_s);
    let first = near.next().unwrap_or(peak.t_s);
    0.5 * (near.next_back().unwrap_or(first) - first).max(0.002)
}

/// v² over the acceleration across the way, at the ball.
fn radius(steps: &[Step], velocity_sd: f64, clipped: bool) -> Figure {
    let near: Vec<&Step> =
        steps.iter().filter(|step| (-ARC_S..-BEFORE_BALL_S.1).contains(&step.t_s)).collect();
    if near.len() < 5 {
        return Err(NO_PATH);
    }
    // Velocity as a cubic in time, to the ball: its value and slope there. A parabola would make the arc 1.5 % tighter:
    // the hand turns by a third of a radian meanwhile.
    let points = near.iter().map(|step| (step.t_s, step.velocity));
    let fit = polynomial::derivatives::<4, 3>(points, ARC_S).ok_or(NO_PATH)?;
    let (velocity, change) = (fit.row(0).transpose(), fit.row(1).transpose());
    let way = velocity.try_normalize(1e-3).ok_or(NO_PATH)?;
    let across = change - way * way.dot(&change);
    let radius = velocity.norm_squared() / across.norm().max(1e-3);
    let share = if clipped { CLIPPED_RADIUS_SHARE } else { RADIUS_SHARE };
    Ok(Measured::new(radius, radius * share.hypot(2.0 * velocity_sd / velocity.norm())))
}

fn thinned(steps: &[Step], top: usize, player: &Matrix3<f64>) -> Vec<PathPoint> {
    let mut points: Vec<PathPoint> = Vec::new();
    for (i, step) in steps.iter().enumerate() {
        let next_s = points.last().map_or(f64::NEG_INFINITY, |point| point.t_s + APART_S - 1e-4);
        if step.t_s < next_s && i != top {
            continue;
        }
        points.push(PathPoint {
            t_s: step.t_s,
            down: i >= top,
            hand_m: player * (step.grip - steps[0].grip),
            hub_m: player * (step.hub - steps[0].grip),
        });
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::SwingMotion;
    use crate::record::measures::Measures;
    use crate::units::DeviceTime;
    use nalgebra::UnitQuaternion;

    const RATE_RPS: f64 = 12.0;
    const RADIUS_M: f64 = 0.6;

    /// A hand that goes round a still hub, evenly, in an upright plane towards x, for a right-handed player.
    fn circle() -> Swing {
        let at = |i: i64| {
            let t_s = i as f64 * 0.002;
            let angle = RATE_RPS * t_s;
            // Hanging at 0.25 s, where the ball is.
            let turned = UnitQuaternion::from_scaled_axis(-Vector3::y() * (angle - RATE_RPS * 0.25));
            let rate = -Vector3::y() * RATE_RPS;
            let arm = turned * -Vector3::z();
            let point = MotionPoint {
                t: DeviceTime(i * 2000),
                arm,
                arm_rate_rps: rate,
                level_from_hand: turned,
                hand_rate_rps: rate,
                node_velocity_mps: None,
                clipped_along: None,
            };
            (point, turned, rate)
        };
        let motion = SwingMotion {
            ball: Some(DeviceTime(250_000)),
            lead_arm_sign: -1.0,
            grip: 31.0_f64.to_radians(),
            velocity_sd_mps: 0.1,
            place_m2: Matrix3::identity() * 0.05_f64.powi(2),
            ..SwingMotion::default()
        };
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&motion, &Measures::default().arm, &club);
        let points = (0..125).map(|i| {
            let (mut point, turned, rate) = at(i);
            // The grip is a radius under the hub, the node where the levers have it.
            let hub_to_node = turned * (Vector3::new(0.0, 0.0, -RADIUS_M) + levers.node - levers.grip);
            point.node_velocity_mps = Some(rate.cross(&hub_to_node));
            point
        });
        let motion = SwingMotion { points: points.collect(), ..motion };
        Swing { motion, ..Swing::bare(DeviceTime(0), DeviceTime(50_000)) }
    }

    #[test]
    fn an_even_circle_has_its_radius_its_speed_and_its_way() {
        let swing = circle();
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&swing.motion, &Measures::default().arm, &club);
        let path = hand_path(&swing, &levers, 0.0, &Vector3::zeros()).unwrap();
        let close = |figure: Figure, expected: f64, within: f64| {
            let value = figure.unwrap().value;
            assert!((value - expected).abs() < within, "{value}, expected {expected}");
        };
        close(path.radius_m, RADIUS_M, 0.005);
        // At the ball the arc is taken for a parabola.
        close(path.peak_mps, RATE_RPS * RADIUS_M, 1e-3);
        // From 3 rad before hanging to the ball; the trapezium rule loses a thousandth.
        let (from, to) = (-3.0_f64, 0.0_f64);
        close(path.forward_at_ball_m, RADIUS_M * (to.sin() - from.sin()), 1e-3);
        close(path.up_at_ball_m, RADIUS_M * (from.cos() - to.cos()), 1e-3);
        close(path.away_at_ball_m, 0.0, 1e-9);
        let end = path.points.last().unwrap();
        let told =
            [path.forward_at_ball_m, path.up_at_ball_m, path.away_at_ball_m].map(|at| at.unwrap().value);
        assert!(end.down && (end.t_s, end.hand_m) == (0.0, Vector3::from(told)), "{end:?}, told {told:?}");
        assert!(path.points.windows(2).all(|pair| pair[0].t_s < pair[1].t_s));
    }

    /// A hand that grows ever faster is fastest at the ball, where no reading is.
    #[test]
    fn the_largest_speed_may_be_that_at_the_ball_itself() {
        let mut swing = circle();
        for point in &mut swing.motion.points {
            let share = point.t.0 as f64 / 250_000.0;
            point.hand_rate_rps *= share;
            point.node_velocity_mps = point.node_velocity_mps.map(|velocity| velocity * share);
        }
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&swing.motion, &Measures::default().arm, &club);
        let path = hand_path(&swing, &levers, 0.0, &Vector3::zeros()).unwrap();
        assert!((path.peak_mps.unwrap().value - RATE_RPS * RADIUS_M).abs() < 1e-3, "{:?}", path.peak_mps);
        assert_eq!(path.peak_before_ball_ms.unwrap().value, 0.0);
    }

    #[test]
    fn without_a_velocity_there_is_no_path() {
        let mut swing = circle();
        let club = Measures::default().club("iron").unwrap();
        let levers = Levers::of(&swing.motion, &Measures::default().arm, &club);
        swing.motion.points[3].node_velocity_mps = None;
        assert_eq!(hand_path(&swing, &levers, 0.0, &Vector3::zeros()), Err(NO_PATH));
        swing.motion = SwingMotion::default();
        assert_eq!(hand_path(&swing, &levers, 0.0, &Vector3::zeros()), Err(NO_MOTION));
    }
}
