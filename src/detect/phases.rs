//! The phases of a swing, from the lead arm alone.

use super::over_ball;
use crate::fusion::series::value_at;
use nalgebra::Vector3;

/// The rate under which a backswing has not begun, rad/s: as defined.
pub(super) const TAKEAWAY_RATE: f64 = 10.0 * std::f64::consts::PI / 180.0;
/// The rate under which the forearm is at rest at the finish, rad/s, and for how long, s: as defined.
pub(super) const FINISH: (f64, f64) = (30.0 * std::f64::consts::PI / 180.0, 0.15);

/// The lead arm over a window, at the instants of the hand node. Times in s, rates in rad/s.
#[derive(Clone, Debug, Default)]
pub struct ArmTrack {
    /// Instants.
    pub t_s: Vec<f64>,
    /// Direction of the forearm's long axis, towards the hand, in a frame with z up.
    pub distal: Vec<Vector3<f64>>,
    /// Rate at which that direction turns: u × du/dt.
    pub swing_rate: Vec<Vector3<f64>>,
    /// Rate of the forearm about its long axis, pronation positive.
    pub roll_rate: Vec<f64>,
    /// Norm of the forearm's whole angular rate.
    pub rate: Vec<f64>,
}

impl ArmTrack {
    /// Room for so many instants.
    #[must_use]
    pub fn with_capacity(instants: usize) -> ArmTrack {
        ArmTrack {
            t_s: Vec::with_capacity(instants),
            distal: Vec::with_capacity(instants),
            swing_rate: Vec::with_capacity(instants),
            roll_rate: Vec::with_capacity(instants),
            rate: Vec::with_capacity(instants),
        }
    }
}

/// What makes a movement a swing. Times in s, angles in rad, rates in rad/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseParams {
    /// The rate under which the backswing has not begun.
    pub takeaway_rate: f64,
    /// The rate under which the forearm is at rest at the finish …
    pub finish_rate: f64,
    /// … for so long.
    pub finish_for_s: f64,
    /// Shortest and longest backswing.
    pub backswing_s: (f64, f64),
    /// Shortest and longest time from the top until the arm is back at its address angle.
    pub downswing_s: (f64, f64),
    /// Least arm travel of a backswing.
    pub travel_min: f64,
    /// Most arm travel of a backswing.
    pub travel_max: f64,
    /// Least travel of the arm beyond its address angle after the ball …
    pub through_min: f64,
    /// … and the least share of the travel to the top.
    pub through_share_min: f64,
    /// Least peak rate of the downswing.
    pub peak_min: f64,
    /// The downswing is faster than the backswing by at least this factor.
    pub faster_by: f64,
    /// Least share of the peak rate that is left when the arm is back at its address angle.
    pub rate_left_min: f64,
    /// Before the takeaway the forearm is quiet: its mean rate over some time is below this …
    pub quiet_rate: f64,
    /// … for so long …
    pub quiet_for_s: f64,
    /// … within so long before the takeaway.
    pub quiet_within_s: f64,
    /// At the takeaway the forearm points at least so far below the horizontal (sine).
    pub down_min: f64,
    /// Back at its address angle, the forearm points to within this of where it did.
    pub back_within: f64,
    /// With less arm travel than this a movement may be something else, such as the first step of a walk.
    pub small_travel: f64,
    /// A small swing's plane leans at least so far off the vertical (sine) …
    pub lean_min: f64,
    /// … to its top the forearm turns about itself by no more than this share of its travel …
    pub roll_max: f64,
    /// … its way back takes at least so many times as long as the way down …
    pub tempo_min: f64,
    /// … and unless that is at least this …
    pub tempo_clear: f64,
    /// … and the peak rate this …
    pub peak_clear: f64,
    /// … the arm is watched for so long after it came back …
    pub watched_for_s: f64,
    /// … and has not swung back at this share of its peak rate by then.
    pub rebound_max: f64,
    /// Least share of the arm's way, back and down, that lies in the plane.
    pub in_plane_min: f64,
    /// The way down is over where the direction is nearest to that at the takeaway, not where the angle in the plane is:
    /// the way of a hand lies in no plane, so its angle may still be far off there.
    pub back_where_nearest: bool,
}

impl Default for PhaseParams {
    /// The two rates and 150 ms are the project's definitions; the rest separates swings, chips included,
    /// from other movements with wide margins around common practice.
    fn default() -> PhaseParams {
        PhaseParams {
            takeaway_rate: TAKEAWAY_RATE,
            finish_rate: FINISH.0,
            finish_for_s: FINISH.1,
            backswing_s: (0.25, 2.2),
            downswing_s: (0.10, 0.62),
            travel_min: 15.0_f64.to_radians(),
            travel_max: 250.0_f64.to_radians(),
            through_min: 8.0_f64.to_radians(),
            through_share_min: 0.15,
            peak_min: 90.0_f64.to_radians(),
            faster_by: 1.2,
            rate_left_min: 0.12,
            quiet_rate: 20.0_f64.to_radians(),
            quiet_for_s: 0.3,
            quiet_within_s: 1.2,
            down_min: 0.3,
            back_within: 30.0_f64.to_radians(),
            small_travel: 60.0_f64.to_radians(),
            lean_min: 0.12,
            roll_max: 0.9,
            tempo_min: 1.2,
            tempo_clear: 2.2,
            peak_clear: 200.0_f64.to_radians(),
            watched_for_s: 0.55,
            rebound_max: 0.6,
            in_plane_min: 0.85,
            back_where_nearest: false,
        }
    }
}

/// The phases. Times on the hand clock, s.
#[derive(Clone, Debug)]
pub struct Phases {
    /// Unit normal of the swing plane; the backswing turns about it by the right-hand rule.
    pub normal: Vector3<f64>,
    /// Start of the backswing.
    pub takeaway_s: f64,
    /// The arm's turning point.
    pub top_s: f64,
    /// The arm back at its address angle.
    pub back_s: f64,
    /// The arm passing the horizontal from above in the downswing.
    pub arm_horizontal_s: Option<f64>,
    /// The arm at rest.
    pub finish_s: Option<f64>,
    /// Arm travel from the takeaway on, rad, at each instant of the track.
    pub travel: Vec<f64>,
    /// Arm travel at the top, rad.
    pub travel_at_top: f64,
    /// In-plane angular acceleration at the top, rad/s².
    pub top_bend: f64,
}

impl Phases {
    /// The same with the backswing begun at another instant, from which the travel counts.
    pub(super) fn begun_at(mut self, arm: &ArmTrack, takeaway_s: f64) -> Phases {
        let zero = value_at(&arm.t_s, &self.travel, takeaway_s);
        self.travel.iter_mut().for_each(|travel| *travel -= zero);
        Phases { takeaway_s, travel_at_top: self.travel_at_top - zero, ..self }
    }
}

/// Why a movement is no swing.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NoSwing {
    /// Nothing fast enough.
    #[error("the arm was never fast enough")]
    Slow,
    /// No turning point before the fastest instant.
    #[error("the arm did not turn before its fastest instant")]
    NoTop,
    /// The backswing is no backswing.
    #[error("no backswing of a swing's size and length before the turning point")]
    NoBackswing,
    /// A press towards the target: what comes back from it is the backswing that follows.
    #[error("the arm went towards the target first, as in a forward press")]
    Pressed,
    /// The arm did not come back in time.
    #[error("the arm did not come back to its address angle as in a downswing")]
    NoDownswing,
    /// There was no stillness before it.
    #[error("the arm was not quiet before the takeaway")]
    NoAddress,
    /// The arm pointed elsewhere than at a ball, or moved elsewhere than in a swing's plane.
    #[error("the arm did not move as over a ball")]
    NotOverBall,
    /// It stopped at the ball.
    #[error("the arm did not swing through")]
    NoFollowThrough,
}

/// The phases of the swing whose downswing is fastest at `peak`; `before` is a swing that it may follow. Then the way
/// back from that one's finish may go over into the backswing, and be faster.
pub(super) fn find_around(
    arm: &ArmTrack,
    peak: usize,
    before: Option<&Phases>,
    params: &PhaseParams,
) -> Result<Phases, NoSwing> {
    let found = find_since(arm, (f64::NEG_INFINITY, peak), before, params);
    match before {
        Some(before) if found.is_err() => {
            let down = arm.swing_rate[peak];
            let top = (0..peak).rev().find(|i| arm.swing_rate[*i].dot(&down) <= 0.0).unwrap_or(0);
            let at_ball_s = over_ball::back_at_address_s(arm, before, arm.t_s[top]);
            find_since(arm, (at_ball_s, peak), Some(before), params).or(found)
        }
        _ => found,
    }
}

/// The same of a backswing that is fastest after `since_s`.
fn find_since(
    arm: &ArmTrack,
    (since_s, peak): (f64, usize),
    before: Option<&Phases>,
    params: &PhaseParams,
) -> Result<Phases, NoSwing> {
    let peak_rate = arm.swing_rate[peak].norm();
    // The first normal comes from the downswing, the next ones from the backswing, as defined.
    let mut normal = -arm.swing_rate[peak] / peak_rate;
    let mut span = span_of(arm, &normal, (since_s, peak), params)?;
    for _ in 0..3 {
        let sum: Vector3<f64> = arm.swing_rate[span.takeaway..=span.top].iter().sum();
        normal = sum.try_normalize(1e-9).ok_or(NoSwing::NoBackswing)?;
        span = span_of(arm, &normal, (since_s, peak), params)?;
    }
    let phases = describe(arm, normal, &span, params)?;
    check(&phases, &span, peak_rate, params)?;
    if !before.is_some_and(|before| over_ball::follows(arm, &phases, before, params)) {
        over_ball::check_quiet(arm, span.takeaway, params)?;
    }
    over_ball::check(arm, &phases, (span.takeaway, span.top), peak_rate, params)?;
    Ok(phases)
}

/// Backswing as indices: the last instant before takeaway, the fastest, and the last before the top.
struct Span {
    takeaway: usize,
    top: usize,
    takeaway_s: f64,
    top_s: f64,
    fastest_back: f64,
}

fn span_of(
    arm: &ArmTrack,
    normal: &Vector3<f64>,
    (since_s, peak): (f64, usize),
    params: &PhaseParams,
) -> Result<Span, NoSwing> {
    let rate = |i: usize| normal.dot(&arm.swing_rate[i]);
    let top = (0..peak).rev().find(|i| rate(*i) >= 0.0).ok_or(NoSwing::NoTop)?;
    let earliest_s = since_s.max(arm.t_s[top] - params.backswing_s.1);
    let fastest = (0..=top)
        .rev()
        .take_while(|i| arm.t_s[*i] >= earliest_s)
        .max_by(|a, b| rate(*a).total_cmp(&rate(*b)))
        .ok_or(NoSwing::NoBackswing)?;
    let takeaway =
        (0..fastest).rev().find(|i| rate(*i) < params.takeaway_rate).ok_or(NoSwing::NoBackswing)?;
    Ok(Span {
        takeaway,
        top,
        takeaway_s: crossing(arm, takeaway, params.takeaway_rate, rate),
        top_s: crossing(arm, top, 0.0, rate),
        fastest_back: rate(fastest),
    })
}

/// Instant at which `value` passes `level` between `i` and `i + 1`.
fn crossing(arm: &ArmTrack, i: usize, level: f64, value: impl Fn(usize) -> f64) -> f64 {
    let (a, b) = (value(i), value(i + 1));
    let part = if (b - a).abs() < 1e-12 { 0.5 } else { ((level - a) / (b - a)).clamp(0.0, 1.0) };
    arm.t_s[i] + part * (arm.t_s[i + 1] - arm.t_s[i])
}

fn describe(
    arm: &ArmTrack,
    normal: Vector3<f64>,
    span: &Span,
    params: &PhaseParams,
) -> Result<Phases, NoSwing> {
    let n = arm.t_s.len();
    let travel = travel_from(arm, &normal, span);
    let travel_at_top = travel[span.top];
    let (back, back_s) = if params.back_where_nearest {
        let nearest = nearest_to_address(arm, span, params).ok_or(NoSwing::NoDownswing)?;
        (nearest, arm.t_s[nearest])
    } else {
        let back = (span.top + 1..n - 1).find(|i| travel[*i + 1] <= 0.0).ok_or(NoSwing::NoDownswing)?;
        (back, crossing(arm, back, 0.0, |i| travel[i]))
    };
    // The bend is taken over some 20 ms, so that noise does not decide it.
    let (a, b) = (span.top.saturating_sub(5), (span.top + 6).min(n - 1));
    let rate = |i: usize| normal.dot(&arm.swing_rate[i]);
    Ok(Phases {
        normal,
        takeaway_s: span.takeaway_s,
        top_s: span.top_s,
        back_s,
        arm_horizontal_s: (span.top..=back)
            .find(|i| arm.distal[*i].z > 0.0 && arm.distal[i + 1].z <= 0.0)
            .map(|i| crossing(arm, i, 0.0, |i| arm.distal[i].z)),
        finish_s: rests_s(arm, back, (params.finish_rate, params.finish_for_s)),
        travel_at_top,
        travel,
        top_bend: (rate(b) - rate(a)) / (arm.t_s[b] - arm.t_s[a]),
    })
}

/// Where, in the time of a downswing, the arm points nearest to where it did at the takeaway; none while it is still on
/// its way there.
fn nearest_to_address(arm: &ArmTrack, span: &Span, params: &PhaseParams) -> Option<usize> {
    let address = arm.distal[span.takeaway];
    let latest_s = span.top_s + params.downswing_s.1;
    let down = (span.top + 1..arm.t_s.len() - 1).take_while(|i| arm.t_s[*i] <= latest_s);
    let nearness = |i: usize| arm.distal[i].dot(&address);
    let nearest = down.max_by(|a, b| nearness(*a).total_cmp(&nearness(*b)))?;
    (nearness(nearest) > nearness(nearest + 1)).then_some(nearest)
}

/// In-plane rate integrated both ways from the takeaway, by the trapezoid rule.
fn travel_from(arm: &ArmTrack, normal: &Vector3<f64>, span: &Span) -> Vec<f64> {
    let n = arm.t_s.len();
    let rate: Vec<f64> = arm.swing_rate.iter().map(|w| normal.dot(w)).collect();
    let mut travel = vec![0.0; n];
    for i in 1..n {
        travel[i] = travel[i - 1] + 0.5 * (rate[i - 1] + rate[i]) * (arm.t_s[i] - arm.t_s[i - 1]);
    }
    let at = span.takeaway;
    let part = (span.takeaway_s - arm.t_s[at]) / (arm.t_s[at + 1] - arm.t_s[at]);
    let zero = travel[at] + part * (travel[at + 1] - travel[at]);
    travel.iter().map(|value| value - zero).collect()
}

/// When the forearm falls below a rate, rad/s, for so long, s, the first time from index `from` on.
pub(super) fn rests_s(arm: &ArmTrack, from: usize, (rate, for_s): (f64, f64)) -> Option<f64> {
    let mut since: Option<usize> = None;
    for i in from..arm.t_s.len() {
        if arm.rate[i] >= rate {
            since = None;
        } else if let Some(first) = since {
            if arm.t_s[i] - arm.t_s[first] >= for_s {
                let before = first.checked_sub(1).filter(|before| *before >= from);
                return Some(before.map_or(arm.t_s[first], |i| crossing(arm, i, rate, |i| arm.rate[i])));
            }
        } else {
            since = Some(i);
        }
    }
    None
}

fn check(phases: &Phases, span: &Span, peak_rate: f64, params: &PhaseParams) -> Result<(), NoSwing> {
    let within = |value: f64, range: (f64, f64)| range.0 <= value && value <= range.1;
    if !within(phases.travel_at_top, (params.travel_min, params.travel_max))
        || !within(phases.top_s - phases.takeaway_s, params.backswing_s)
    {
        return Err(NoSwing::NoBackswing);
    }
    let faster = peak_rate > params.faster_by * span.fastest_back;
    if !faster || !within(phases.back_s - phases.top_s, params.downswing_s) {
        return Err(NoSwing::NoDownswing);
    }
    let through = phases.travel.iter().skip(span.top).copied().fold(f64::INFINITY, f64::min);
    let through_min = params.through_min.max(params.through_share_min * phases.travel_at_top);
    if -through < through_min { Err(NoSwing::NoFollowThrough) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use super::super::search::find;
    use super::*;

    /// How far the plane leans off the vertical.
    const LEAN: f64 = 0.6;

    /// An arm that points down and turns in a leaning plane by `angle_deg(t)`, at 500 Hz for `length_s`.
    fn arm(length_s: f64, angle_deg: impl Fn(f64) -> f64) -> ArmTrack {
        let mut arm = ArmTrack::default();
        for i in 0..(length_s * 500.0) as i32 {
            let t_s = f64::from(i) * 0.002;
            let angle = angle_deg(t_s).to_radians();
            let rate = (angle_deg(t_s + 1e-4) - angle_deg(t_s - 1e-4)).to_radians() / 2e-4;
            arm.t_s.push(t_s);
            arm.distal.push(Vector3::new(angle.sin(), angle.cos() * LEAN.sin(), -angle.cos() * LEAN.cos()));
            arm.swing_rate.push(Vector3::new(0.0, -LEAN.cos(), -LEAN.sin()) * rate);
            arm.roll_rate.push(0.0);
            arm.rate.push(rate.abs());
        }
        arm
    }

    /// From 0 to 1 with rest at both ends (minimum jerk).
    fn smooth(from_s: f64, to_s: f64, t_s: f64) -> f64 {
        let u = ((t_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
        u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
    }

    /// Back by `travel` degrees within `back_s`, then through to −120° within `down_s`.
    fn swing(travel: f64, back_s: f64, down_s: f64) -> ArmTrack {
        let top_s = 1.0 + back_s;
        arm(4.5, |t| travel * smooth(1.0, top_s, t) - (travel + 120.0) * smooth(top_s, top_s + down_s, t))
    }

    fn found(arm: &ArmTrack) -> Result<Phases, NoSwing> {
        find(arm, &PhaseParams::default())
    }

    #[test]
    fn a_full_swing_has_its_phases() {
        let phases = found(&swing(120.0, 0.8, 0.6)).unwrap();
        assert!((phases.top_s - 1.8).abs() < 1e-3, "{}", phases.top_s);
        assert!((phases.back_s - 2.1).abs() < 1e-3, "half way, by symmetry: {}", phases.back_s);
        assert!((phases.travel_at_top.to_degrees() - 120.0).abs() < 0.5);
        assert!((phases.normal - Vector3::new(0.0, -LEAN.cos(), -LEAN.sin())).norm() < 1e-9);
        // The rate 120/0.8 · 30 u²(1−u)² °/s reaches 10 °/s at u = 0.0488.
        assert!((phases.takeaway_s - (1.0 + 0.0488 * 0.8)).abs() < 1e-3, "{}", phases.takeaway_s);
        let horizontal = phases.arm_horizontal_s.unwrap();
        assert!(horizontal > phases.top_s && horizontal < phases.back_s);
        assert!(phases.finish_s.unwrap() > phases.back_s);
    }

    #[test]
    fn a_chip_is_a_swing_too() {
        assert!(found(&swing(30.0, 0.55, 0.7)).is_ok());
    }

    #[test]
    fn a_pause_at_the_top_belongs_to_the_backswing() {
        let paused = arm(4.5, |t| 110.0 * smooth(1.0, 1.8, t) - 230.0 * smooth(2.2, 2.75, t));
        let phases = found(&paused).unwrap();
        assert!(phases.top_s >= 1.79 && phases.top_s <= 2.21, "{}", phases.top_s);
    }

    #[test]
    fn the_first_step_of_a_walk_is_told_from_a_chip_by_what_comes_after() {
        let to_and_fro = |t| 22.0 * smooth(1.0, 1.5, t) - 40.0 * smooth(1.5, 2.05, t);
        assert!(found(&arm(4.5, to_and_fro)).is_ok());
        let walk = arm(4.5, |t| to_and_fro(t) + 40.0 * smooth(2.05, 2.6, t) - 40.0 * smooth(2.6, 3.15, t));
        assert!(found(&walk).is_err());
        assert_eq!(
            found(&arm(2.1, to_and_fro)).unwrap_err(),
            NoSwing::NotOverBall,
            "not seen for long enough"
        );
    }

    #[test]
    fn a_swing_comes_from_a_quiet_pose_that_points_down() {
        let restless = arm(4.5, |t| {
            let turn = 110.0 * smooth(1.0, 1.8, t) - 230.0 * smooth(1.8, 2.4, t);
            turn + 4.0 * (12.0 * t).sin()
        });
        assert!(found(&restless).is_err());
        let mut raised = swing(110.0, 0.8, 0.6);
        raised.distal.iter_mut().for_each(|distal| distal.z = -distal.z);
        assert_eq!(found(&raised).unwrap_err(), NoSwing::NotOverBall);
    }

    #[test]
    fn a_faster_movement_after_the_swing_does_not_hide_it() {
        let then = arm(6.0, |t| {
            110.0 * smooth(1.0, 1.8, t) - 230.0 * smooth(1.8, 2.4, t) + 300.0 * smooth(3.5, 3.9, t)
        });
        assert!((found(&then).unwrap().top_s - 1.8).abs() < 1e-3);
    }

    #[test]
    fn what_is_no_swing_is_refused() {
        let waggle = arm(4.0, |t| if t < 1.0 { 0.0 } else { 4.0 * (6.0 * (t - 1.0)).sin() });
        assert_eq!(found(&waggle).unwrap_err(), NoSwing::Slow);
        let rehearsal = found(&swing(110.0, 1.2, 2.2));
        assert_eq!(rehearsal.unwrap_err(), NoSwing::NoDownswing);
        let aborted = arm(4.0, |t| 70.0 * smooth(1.0, 1.8, t) - 70.0 * smooth(2.2, 3.4, t));
        assert!(found(&aborted).is_err());
        let stopped = arm(4.0, |t| 70.0 * smooth(1.0, 1.8, t) - 71.0 * smooth(1.8, 2.3, t));
        assert!(matches!(found(&stopped), Err(NoSwing::NoFollowThrough | NoSwing::NoDownswing)));
        let lowered = arm(4.0, |t| -120.0 * smooth(1.0, 1.6, t));
        assert!(found(&lowered).is_err());
    }
}
