//! The truth of a swing, measured on the noiseless pose by the definitions of its events.

use super::activity::{Activity, Restlessness};
use super::body::{Joint, head_in_hand_m, segment_motion};
use super::clock::NodeClock;
use super::swing::{SwingPlan, SwingSize};
use super::trunk_truth::BodyTruth;
use super::truth_speed::{self, Player, TrueSpeed};
use super::vector::{Vec3, add, apply, dot, norm, scale};
use crate::sample::NodeRole;
use crate::units::{DeviceTime, PlayerHand};

/// Step of the measured curve, s; crossings are interpolated within it.
const STEP_S: f64 = 1e-3;
/// In-plane rate that marks the takeaway, °/s.
const TAKEAWAY_DPS: f64 = 10.0;
/// Forearm rate under which the swing is finished, °/s, and for how long, s.
const FINISH: (f64, f64) = (30.0, 0.150);
/// How much of the time from top to impact counts for the largest hinge.
const WINDOW_AFTER_TOP: f64 = 0.4;
/// Every how many steps the true curve has a point.
const CURVE_EVERY: usize = 5;
/// Stillness over which the address value is the mean, s.
const ADDRESS_S: f64 = 0.3;
/// A set that a degree moves by more than this is ill-conditioned, ms.
const SHIFT_MAX_MS: f64 = 50.0;
/// Hinge range under which there is no set, degrees.
const LEAST_RANGE_DEG: f64 = 8.0;

/// Instants at which the hinge crossed parts of its range, on the hand node's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueSet {
    /// 10 % of the range.
    pub onset: DeviceTime,
    /// 50 %.
    pub half: DeviceTime,
    /// 90 %: the set.
    pub set: DeviceTime,
    /// 95 %.
    pub nearly_full: DeviceTime,
    /// The set against the top, ms; negative before the top.
    pub set_to_top_ms: f64,
    /// Arm travel at the set, as a fraction of that at the top.
    pub arm_travel_at_set: f64,
    /// How fast the hinge passed the set, °/s: a small value makes the set hard to time.
    pub hinge_rate_at_set_dps: f64,
    /// A level 1° lower or higher would move the set by no more than 50 ms.
    pub well_conditioned: bool,
    /// Time from the set to the nearest boundary between two classes, ms.
    pub class_margin_ms: f64,
}

/// One angle at the events of a swing, degrees. All but `address` count from the address value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueAngle {
    /// Mean over the last 0.3 s of stillness.
    pub address: f64,
    /// At the set.
    pub set: Option<f64>,
    /// At the top.
    pub top: f64,
    /// Largest between takeaway and impact.
    pub max: f64,
    /// Where the arm passes the horizontal in the downswing, if it was above.
    pub arm_horizontal_down: Option<f64>,
    /// At impact, or where the arm is back at its address angle.
    pub impact: f64,
}

/// One point of a swing's true curve. Angles count from the address value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TruePoint {
    /// When, on the hand node's clock.
    pub t: DeviceTime,
    /// Hinge, degrees.
    pub hinge_deg: f64,
    /// Flexion, degrees.
    pub flexion_deg: f64,
    /// Roll of the forearm, pronation positive, degrees.
    pub roll_deg: f64,
    /// Arm travel: 0 at takeaway, 1 at the top.
    pub arm_travel: f64,
}

/// What is exactly true of one swing. Times are on the hand node's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingTruth {
    /// The club in use.
    pub club: String,
    /// Full, pitch or chip.
    pub size: SwingSize,
    /// Start of the backswing.
    pub takeaway: DeviceTime,
    /// The arm's turning point.
    pub top: DeviceTime,
    /// The shock; an air swing has none.
    pub impact: Option<DeviceTime>,
    /// The arm back at its angle at takeaway, ball or not.
    pub arm_back: DeviceTime,
    /// From here the forearm stays under 30 °/s for 150 ms.
    pub finish: Option<DeviceTime>,
    /// The set, counted to the largest hinge up to well into the downswing.
    pub set: Option<TrueSet>,
    /// The same, counted to the largest hinge up to the top only.
    pub set_backswing_only: Option<TrueSet>,
    /// Largest hinge in the window minus that at address, degrees.
    pub hinge_range_deg: f64,
    /// Class of the set with the usual bands: `early`, `middle`, `late`, `at-top`, `after-top`, `none`.
    pub class: &'static str,
    /// Hinge at the events.
    pub hinge_deg: TrueAngle,
    /// Flexion at the events.
    pub flexion_deg: TrueAngle,
    /// Arm travel from takeaway to top, degrees.
    pub arm_travel_top_deg: f64,
    /// Fastest in-plane rate of the forearm in the downswing, °/s.
    pub peak_arm_dps: f64,
    /// Speed of the head of a stiff club at impact (or with the arm back), m/s: [`super::body::head_in_hand_m`].
    pub head_speed_mps: f64,
    /// Speed of the wrist then, m/s.
    pub wrist_speed_mps: f64,
    /// Where the speed comes from; none where the truth comes from elsewhere and does not tell.
    pub speed: Option<TrueSpeed>,
    /// Unit normal of the swing plane, world frame.
    pub plane_normal_world: Vec3,
    /// How often the glove's seat on the arm had changed by then.
    pub fit_epoch: u32,
    /// The seat was this one when the calibration was done.
    pub fit_calibrated: bool,
    /// The trunk, where the player wears nodes on it.
    pub body: Option<BodyTruth>,
    /// The angles from address to the end of the swing, every 5 ms.
    pub curve: Vec<TruePoint>,
}

impl SwingTruth {
    /// Duration from takeaway to top, s.
    #[must_use]
    pub fn backswing_s(&self) -> f64 {
        self.top.seconds_since(self.takeaway)
    }

    /// Duration from the top until the arm is back at its address angle, s.
    #[must_use]
    pub fn downswing_s(&self) -> f64 {
        self.impact.unwrap_or(self.arm_back).seconds_since(self.top)
    }
}

/// The noiseless swing at equal steps.
struct Trace {
    start_s: f64,
    /// u × du/dt of the forearm's long axis, world frame, rad/s.
    sweep_world_rps: Vec<Vec3>,
    forearm_dps: Vec<f64>,
    hinge_deg: Vec<f64>,
    flexion_deg: Vec<f64>,
    roll_deg: Vec<f64>,
    /// Vertical part of the forearm's distal direction: positive above the horizontal.
    elevation: Vec<f64>,
}

impl Trace {
    fn new(activity: &Activity, restless: &Restlessness, hand: PlayerHand) -> Trace {
        let count = (activity.duration_s / STEP_S) as usize;
        let mut trace = Trace {
            start_s: activity.start_s,
            sweep_world_rps: Vec::with_capacity(count),
            forearm_dps: Vec::with_capacity(count),
            hinge_deg: Vec::with_capacity(count),
            flexion_deg: Vec::with_capacity(count),
            roll_deg: Vec::with_capacity(count),
            elevation: Vec::with_capacity(count),
        };
        for i in 0..count {
            let t_s = activity.start_s + i as f64 * STEP_S;
            let mut joints = activity.joints(t_s);
            restless.add_to(&mut joints, t_s);
            let forearm = segment_motion(NodeRole::Forearm, hand, &joints);
            // With u fixed in the segment along −y, u × du/dt is the rate without its part along u.
            let [x, _, z] = forearm.rate_rps;
            trace.sweep_world_rps.push(apply(&forearm.world_from_segment, [x, 0.0, z]));
            trace.forearm_dps.push(norm(forearm.rate_rps).to_degrees());
            trace.hinge_deg.push(joints[Joint::Hinge as usize].value);
            trace.flexion_deg.push(joints[Joint::Flexion as usize].value);
            trace.roll_deg.push(joints[Joint::Roll as usize].value);
            trace.elevation.push(-forearm.world_from_segment[2][1]);
        }
        trace
    }

    /// The position of an instant in steps, within the trace.
    fn position(&self, t_s: f64) -> f64 {
        ((t_s - self.start_s) / STEP_S).clamp(0.0, (self.hinge_deg.len() - 1) as f64)
    }

    fn time_s(&self, position: f64) -> f64 {
        self.start_s + position * STEP_S
    }

    fn in_plane_dps(&self, normal: Vec3) -> Vec<f64> {
        self.sweep_world_rps.iter().map(|sweep| dot(*sweep, normal).to_degrees()).collect()
    }

    /// Unit vector of the sum of the sweep between two positions.
    fn normal(&self, from: f64, to: f64) -> Vec3 {
        let sum =
            self.sweep_world_rps[from as usize..=to as usize].iter().fold([0.0; 3], |sum, v| add(sum, *v));
        scale(sum, 1.0 / norm(sum))
    }
}

/// A curve's value between its points.
fn value_at(curve: &[f64], position: f64) -> f64 {
    let i = (position as usize).min(curve.len() - 2);
    curve[i] + (position - i as f64) * (curve[i + 1] - curve[i])
}

/// The last position before `end` (a point) where the curve passes `level` upwards, `rising`, or downwards.
pub(super) fn last_crossing(curve: &[f64], end: usize, level: f64, rising: bool) -> Option<f64> {
    let side = |i: usize| (curve[i] >= level) == rising;
    let i = (1..=end).rev().find(|i| side(*i) && !side(*i - 1))?;
    Some((i - 1) as f64 + (level - curve[i - 1]) / (curve[i] - curve[i - 1]))
}

fn index_of_max(curve: &[f64], from: usize, to: usize) -> usize {
    (from..=to).max_by(|a, b| curve[*a].total_cmp(&curve[*b])).unwrap_or(from)
}

/// Positions of the events in a trace.
struct Events {
    normal: Vec3,
    takeaway: f64,
    top: f64,
    /// The arm back at its angle at takeaway.
    back: f64,
    /// Impact, or `back` where there is no ball.
    end: f64,
    /// Running integral of the in-plane rate, degrees.
    travel_deg: Vec<f64>,
    peak_arm_dps: f64,
}

impl Events {
    /// The plane's normal and the events depend on each other: three rounds settle them.
    fn find(trace: &Trace, plan: &SwingPlan) -> Option<Events> {
        let planned = [plan.still_until_s, plan.top_s, plan.impact_s].map(|t| trace.position(t));
        let [mut takeaway, mut top, impact] = planned;
        let mut normal = [0.0; 3];
        let mut in_plane = Vec::new();
        let mut fastest_down = 0;
        for _ in 0..3 {
            normal = trace.normal(takeaway, top);
            in_plane = trace.in_plane_dps(normal);
            let fastest_back = index_of_max(&in_plane, 0, top as usize);
            takeaway = last_crossing(&in_plane, fastest_back, TAKEAWAY_DPS, true)?;
            let slowest = |a: &usize, b: &usize| in_plane[*a].total_cmp(&in_plane[*b]);
            fastest_down = (top as usize..=impact as usize).min_by(slowest)?;
            top = last_crossing(&in_plane, fastest_down, 0.0, false)?;
        }
        let travel_deg = integral(&in_plane);
        let start = value_at(&travel_deg, takeaway);
        let after_top = (top as usize + 1)..travel_deg.len();
        let back = after_top.clone().find(|i| travel_deg[*i] <= start)?;
        let back = last_crossing(&travel_deg, back, start, false)?;
        let end = if plan.air { back } else { impact };
        Some(Events { normal, takeaway, top, back, end, travel_deg, peak_arm_dps: -in_plane[fastest_down] })
    }

    fn travel_fraction(&self, position: f64) -> f64 {
        let at = |p: f64| value_at(&self.travel_deg, p);
        (at(position) - at(self.takeaway)) / (at(self.top) - at(self.takeaway))
    }
}

/// Running integral by the trapezium rule.
fn integral(rate: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    let mut before = rate.first().copied().unwrap_or(0.0);
    let step = |r: &f64| {
        sum += 0.5 * (before + r) * STEP_S;
        before = *r;
        sum
    };
    rate.iter().map(step).collect()
}

/// The set in a trace, with the largest hinge taken between takeaway and `until`.
fn find_set(
    trace: &Trace,
    events: &Events,
    address_deg: f64,
    until: f64,
    clock: &NodeClock,
) -> (f64, Option<TrueSet>) {
    let hinge = &trace.hinge_deg;
    let peak = index_of_max(hinge, events.takeaway as usize, until as usize);
    let range_deg = hinge[peak] - address_deg;
    if range_deg < LEAST_RANGE_DEG {
        return (range_deg, None);
    }
    let crossing_at = |deg: f64| last_crossing(hinge, peak, address_deg + deg, true);
    let crossing = |part: f64| crossing_at(part * range_deg);
    let stamp = |position: f64| clock.stamp(trace.time_s(position));
    let found = || {
        let (onset, half, set, nearly) = (crossing(0.1)?, crossing(0.5)?, crossing(0.9)?, crossing(0.95)?);
        let i = set as usize;
        let higher_deg = (0.9 * range_deg + 1.0).min(range_deg);
        let moved_ms = |to: f64| (to - set).abs() * STEP_S * 1e3;
        let moved = [crossing_at(0.9 * range_deg - 1.0), crossing_at(higher_deg)].map(|to| to.map(moved_ms));
        Some(TrueSet {
            onset: stamp(onset),
            half: stamp(half),
            set: stamp(set),
            nearly_full: stamp(nearly),
            set_to_top_ms: (set - events.top) * STEP_S * 1e3,
            arm_travel_at_set: events.travel_fraction(set),
            hinge_rate_at_set_dps: (hinge[i + 1] - hinge[i]) / STEP_S,
            well_conditioned: moved.iter().all(|ms| ms.is_some_and(|ms| ms <= SHIFT_MAX_MS)),
            class_margin_ms: class_margin_ms(events, set),
        })
    };
    (range_deg, found())
}

/// Time from a set to the nearest of the boundaries between classes, ms.
fn class_margin_ms(events: &Events, set: f64) -> f64 {
    let around_top = [-30.0, 30.0].map(|ms| events.top + ms * 1e-3 / STEP_S);
    let from = value_at(&events.travel_deg, events.takeaway);
    let range = value_at(&events.travel_deg, events.top) - from;
    let at_travel = [0.40, 0.70]
        .map(|part| last_crossing(&events.travel_deg, events.top as usize, from + part * range, true));
    let boundaries = around_top.into_iter().chain(at_travel.into_iter().flatten());
    boundaries.map(|at| (at - set).abs() * STEP_S * 1e3).fold(f64::INFINITY, f64::min)
}

/// The class of a set with the usual bands.
fn class(set: Option<&TrueSet>) -> &'static str {
    match set {
        None => "none",
        Some(set) if set.set_to_top_ms > 30.0 => "after-top",
        Some(set) if set.set_to_top_ms >= -30.0 => "at-top",
        Some(set) if set.arm_travel_at_set < 0.40 => "early",
        Some(set) if set.arm_travel_at_set < 0.70 => "middle",
        Some(_) => "late",
    }
}

/// The first position after `from` from which the forearm stays slow for long enough.
fn finish(trace: &Trace, from: f64) -> Option<f64> {
    let (slow_dps, long_s) = FINISH;
    let long = (long_s / STEP_S) as usize;
    let rates = &trace.forearm_dps;
    let last = rates.len().checked_sub(long)?;
    let first = (from as usize..last).find(|i| rates[*i..*i + long].iter().all(|rate| *rate < slow_dps))?;
    let above = first.checked_sub(1).map(|before| rates[before]).filter(|above| *above >= slow_dps);
    Some(first as f64 - above.map_or(0.0, |above| (slow_dps - rates[first]) / (above - rates[first])))
}

/// Mean over the last stillness before the swing.
fn mean_at_address(curve: &[f64], still: f64) -> f64 {
    let from = (still - ADDRESS_S / STEP_S).max(0.0) as usize;
    let window = &curve[from..still as usize];
    window.iter().sum::<f64>() / window.len() as f64
}

fn angle_at_events(trace: &Trace, curve: &[f64], events: &Events, still: f64, set: Option<f64>) -> TrueAngle {
    let address = mean_at_address(curve, still);
    let at = |position: f64| value_at(curve, position) - address;
    let max = curve[index_of_max(curve, events.takeaway as usize, events.end as usize)] - address;
    TrueAngle {
        address,
        set: set.map(|t_s| at(trace.position(t_s))),
        top: at(events.top),
        max,
        arm_horizontal_down: last_crossing(&trace.elevation, events.end as usize, 0.0, false)
            .filter(|position| *position > events.top)
            .map(at),
        impact: at(events.end),
    }
}

/// The angles every few steps from the stillness on.
fn true_curve(trace: &Trace, events: &Events, still: f64, clock: &NodeClock) -> Vec<TruePoint> {
    let from = (still - ADDRESS_S / STEP_S).max(0.0) as usize;
    let [hinge, flexion, roll] =
        [&trace.hinge_deg, &trace.flexion_deg, &trace.roll_deg].map(|curve| mean_at_address(curve, still));
    let point = |i: usize| TruePoint {
        t: clock.stamp(trace.time_s(i as f64)),
        hinge_deg: trace.hinge_deg[i] - hinge,
        flexion_deg: trace.flexion_deg[i] - flexion,
        roll_deg: trace.roll_deg[i] - roll,
        arm_travel: events.travel_fraction(i as f64),
    };
    (from..trace.hinge_deg.len()).step_by(CURVE_EVERY).map(point).collect()
}

/// Speed of a point that is fixed in the hand, m/s, by a difference of places.
fn speed_of_hand_point(
    activity: &Activity,
    restless: &Restlessness,
    hand: PlayerHand,
    (t_s, point_m): (f64, Vec3),
) -> f64 {
    let place = |t_s: f64| {
        let mut joints = activity.joints(t_s);
        restless.add_to(&mut joints, t_s);
        segment_motion(NodeRole::Hand, hand, &joints).position_of(point_m)
    };
    let half_s = 1e-4;
    let moved = add(place(t_s + half_s), scale(place(t_s - half_s), -1.0));
    norm(moved) / (2.0 * half_s)
}

/// Measures the truth of a swing. `None` for an activity that is no swing, or one without its events.
#[must_use]
pub fn measure(
    activity: &Activity,
    restless: &Restlessness,
    player_hand: PlayerHand,
    hand_clock: &NodeClock,
) -> Option<SwingTruth> {
    let plan = activity.swing.as_ref()?;
    let trace = Trace::new(activity, restless, player_hand);
    let events = Events::find(&trace, plan)?;
    let still = trace.position(plan.still_until_s);
    let angle = |curve, set| angle_at_events(&trace, curve, &events, still, set);
    let address_deg = angle(&trace.hinge_deg, None).address;
    let window_end = events.top + WINDOW_AFTER_TOP * (events.end - events.top);
    let (hinge_range_deg, set) = find_set(&trace, &events, address_deg, window_end, hand_clock);
    let (_, set_backswing_only) = find_set(&trace, &events, address_deg, events.top, hand_clock);
    let set_s = set.map(|set| trace.time_s(events.top) + set.set_to_top_ms * 1e-3);
    let stamp = |position: f64| hand_clock.stamp(trace.time_s(position));
    let speed =
        |point_m| speed_of_hand_point(activity, restless, player_hand, (trace.time_s(events.end), point_m));
    let player = Player { activity, restless, hand: player_hand, club: &plan.club };
    let times_s = [events.takeaway, events.top, events.end].map(|position| trace.time_s(position));
    Some(SwingTruth {
        club: plan.club.clone(),
        size: plan.size,
        takeaway: stamp(events.takeaway),
        top: stamp(events.top),
        impact: (!plan.air).then(|| stamp(events.end)),
        arm_back: stamp(events.back),
        finish: finish(&trace, events.end).map(stamp),
        set,
        set_backswing_only,
        hinge_range_deg,
        class: class(set.as_ref()),
        hinge_deg: angle(&trace.hinge_deg, set_s),
        flexion_deg: angle(&trace.flexion_deg, set_s),
        arm_travel_top_deg: value_at(&events.travel_deg, events.top)
            - value_at(&events.travel_deg, events.takeaway),
        peak_arm_dps: events.peak_arm_dps,
        head_speed_mps: speed(head_in_hand_m(&plan.club, player_hand)),
        wrist_speed_mps: speed([0.0; 3]),
        speed: Some(truth_speed::measure(&player, times_s)),
        plane_normal_world: events.normal,
        fit_epoch: activity.fit.epoch,
        fit_calibrated: activity.fit.calibrated_epoch == Some(activity.fit.epoch),
        body: None,
        curve: true_curve(&trace, &events, still, hand_clock),
    })
}
