//! The nodes on the trunk, where there are any: their readings put in order, their clocks laid beside the hand
//! node's, and which way was up on them while the player stood upright.
//!
//! They are not rigid with the hand, so no motion is shared that would lay the clocks over each other. What is shared
//! is the way to the host: each node's clock against the host's, from its quickest readings
//! ([`crate::device::clock_view`]); where no host times stand, or readings come at another pace than they were taken,
//! the order of arrival, both ways.

use super::NodeLoss;
use super::intake::{Intake, Taken};
use crate::device::clock_view::{ClockView, ClockViewParams};
use crate::device::gaps::LATE_US;
use crate::fusion::orientation::OrientationMethod;
use crate::fusion::series::{Conversion, Reading, mean_force_g, middle, stillest};
use crate::fusion::trunk::Seat;
use crate::sample::{CalibrationPart, DeviceDescription, ImuSample, NodeRole, nominal_mounting};
use crate::units::{DeviceTime, HostTime};
use nalgebra::{Matrix3, Unit, Vector3};
use std::collections::VecDeque;

/// Two nodes' quickest readings are under way for times that differ by so much, s (standard deviation). Nodes of one
/// kind: each anywhere within 3 ms (judgement), so the difference of two such.
const PATHS_APART_SD_S: f64 = 0.003 / 2.449_489_742_783_178;
/// Turns of arrival that tell the clocks apart where no host times stand.
const TURNS: usize = 400;
/// Longest stretch of standing that is looked at for the upright pose, s.
const STAND_S: f64 = 0.5;
/// A node that moves more than this does not stand, rad/s.
const STAND_RMS: f64 = 0.12;
/// A long axis farther than this off the nominal one was found in no upright pose, rad.
const STAND_OFF: f64 = 40.0 * std::f64::consts::PI / 180.0;
/// Nobody stands quite upright, rad.
const STAND_SD: f64 = 2.0 * std::f64::consts::PI / 180.0;
/// A node that is strapped on by eye, rad.
const NOMINAL_SD: f64 = 10.0 * std::f64::consts::PI / 180.0;

/// A trunk node's clock against the hand node's, near an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrunkClock {
    /// Trunk node's clock less the hand node's at the reference, s.
    pub offset_s: f64,
    /// How much faster the trunk node's clock runs than the hand node's.
    pub skew: f64,
    /// Hand clock, s.
    pub reference_s: f64,
    /// Standard deviation of the offset, s.
    pub sd_s: f64,
}

impl TrunkClock {
    /// The trunk node's clock at an instant of the hand's, s.
    #[must_use]
    pub fn node_s(&self, hand_s: f64) -> f64 {
        hand_s + self.offset_s + self.skew * (hand_s - self.reference_s)
    }

    /// The hand node's clock at an instant of the trunk node's, s.
    #[must_use]
    pub fn hand_s(&self, node_s: f64) -> f64 {
        (node_s - self.offset_s + self.skew * self.reference_s) / (1.0 + self.skew)
    }
}

/// What a node on the trunk said about a stretch, with what was known of it then.
#[derive(Clone, Debug, PartialEq)]
pub struct TrunkReadings {
    /// On its own clock.
    pub readings: Vec<Reading>,
    /// Gyro bias, rad/s.
    pub bias: Vector3<f64>,
    /// Its clock.
    pub clock: TrunkClock,
    /// How it sits.
    pub seat: Seat,
    /// An upright pose was seen; otherwise the long axis is the nominal one.
    pub stood: bool,
}

/// What the trunk said about a stretch; nothing without nodes there.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BodyReadings {
    /// On the breastbone.
    pub chest: Option<TrunkReadings>,
    /// On the belt.
    pub belt: Option<TrunkReadings>,
}

/// A node's clock as the host hears it.
#[derive(Debug)]
struct Heard {
    view: ClockView,
    /// The newest reading.
    newest: Option<DeviceTime>,
    /// A reading every second or so, and when it came: the pace at which they come.
    paced: VecDeque<(DeviceTime, HostTime)>,
}

impl Heard {
    fn new() -> Heard {
        Heard { view: ClockView::new(ClockViewParams::default()), newest: None, paced: VecDeque::new() }
    }

    /// Its clock has jumped: what it showed of the clock until now holds no more.
    fn begin_anew(&mut self) {
        *self = Heard { newest: self.newest, ..Heard::new() };
    }

    fn hear(&mut self, sample: &ImuSample) {
        if let Some(received) = sample.received {
            self.view.hear(sample.t, received);
            self.follow_pace(sample.t, received);
        } else {
            self.paced.clear();
        }
        // One that was long awaited tells nothing of the present.
        let late = |newest: DeviceTime| (0.0..LATE_MAX_S).contains(&newest.seconds_since(sample.t));
        if !self.newest.is_some_and(late) {
            self.newest = Some(sample.t);
        }
    }

    fn follow_pace(&mut self, t: DeviceTime, received: HostTime) {
        let Some((last, _)) = self.paced.back() else { return self.paced.push_back((t, received)) };
        let since_s = t.seconds_since(*last);
        let is_another_clock = since_s.abs() > LATE_MAX_S;
        if is_another_clock {
            self.paced.clear();
        }
        if is_another_clock || since_s >= PACE_STEP_S {
            self.paced.push_back((t, received));
            if self.paced.len() > PACE_STEPS {
                self.paced.pop_front();
            }
        }
    }

    /// Readings come as they are taken: not faster or slower, as from a bucket that is played at another speed.
    fn is_timed(&self) -> bool {
        let ends = self.paced.front().zip(self.paced.back());
        ends.is_some_and(|((t0, h0), (t1, h1))| {
            let (taken_s, came_s) = (t1.seconds_since(*t0), h1.seconds_since(*h0));
            taken_s > 2.0 * PACE_STEP_S && (came_s / taken_s - 1.0).abs() < PACE_OFF
        })
    }
}

/// The pace is looked at so often, s, over so many looks; it may be off by this share, for a link may stall.
const PACE_STEP_S: f64 = 1.0;
const PACE_STEPS: usize = 12;
const PACE_OFF: f64 = 0.05;
/// A reading older than the newest by less than this is late, by more of a clock that has started anew, s.
const LATE_MAX_S: f64 = LATE_US as f64 * 1e-6;

/// One node on the trunk.
#[derive(Debug)]
struct TrunkNode {
    role: NodeRole,
    intake: Intake,
    heard: Heard,
    nominal: Matrix3<f64>,
    up: Option<Unit<Vector3<f64>>>,
    /// The player was asked to stand still; since when, the node's clock.
    stands_since_s: Option<f64>,
    /// Node's clock less hand's at the ends of runs: of its own readings, and of the hand's.
    after_own: VecDeque<f64>,
    after_hand: VecDeque<f64>,
    last_was_own: Option<bool>,
}

/// All nodes on the trunk.
#[derive(Debug)]
pub struct BodyWatch {
    keep_s: f64,
    method: OrientationMethod,
    device: DeviceDescription,
    hand: Heard,
    nodes: Vec<TrunkNode>,
}

impl BodyWatch {
    /// Keeps `keep_s` seconds of each node that is heard.
    #[must_use]
    pub fn new(device: &DeviceDescription, keep_s: f64, method: OrientationMethod) -> BodyWatch {
        BodyWatch { keep_s, method, device: device.clone(), hand: Heard::new(), nodes: Vec::new() }
    }

    /// The glove has described itself anew.
    pub fn redescribe(&mut self, device: &DeviceDescription) {
        self.device = device.clone();
        for node in &mut self.nodes {
            node.intake.convert_by(Conversion::of(device.node(node.role)));
            node.nominal = nominal(device, node.role);
        }
    }

    /// Losses of the nodes that were heard, in order of their role.
    #[must_use]
    pub fn losses(&self) -> Vec<NodeLoss> {
        self.nodes.iter().map(|node| node.intake.loss()).collect()
    }

    /// Takes a sample of any node, in order of arrival. Costs nothing until a node on the trunk was heard.
    pub fn push(&mut self, sample: &ImuSample) {
        match sample.role {
            NodeRole::Forearm => {}
            NodeRole::Hand if self.nodes.is_empty() => {}
            NodeRole::Hand => {
                self.hand_turn();
                self.hand.hear(sample);
            }
            NodeRole::Chest | NodeRole::Belt => {
                let hand_t = self.hand.newest;
                self.node(sample.role).push(sample, hand_t);
            }
        }
    }

    /// The hand's clock has jumped: where it lies is found anew.
    pub fn hand_jumped(&mut self) {
        self.hand.begin_anew();
    }

    /// The player is asked for a part of the calibration.
    pub fn prompt(&mut self, part: CalibrationPart) {
        for node in &mut self.nodes {
            node.end_stand();
            if part == CalibrationPart::Still {
                node.stands_since_s = node.intake.newest().map(|newest| newest.t_s);
            }
        }
    }

    /// What the trunk said from an instant of the hand's clock on.
    #[must_use]
    pub fn since(&self, hand_from_s: f64) -> BodyReadings {
        let of = |role: NodeRole| {
            let node = self.nodes.iter().find(|node| node.role == role)?;
            let clock = self.clock_of(node)?;
            Some(TrunkReadings {
                readings: node.intake.since(clock.node_s(hand_from_s)),
                bias: node.intake.bias(),
                clock,
                seat: node.seat(),
                stood: node.up.is_some(),
            })
        };
        BodyReadings { chest: of(NodeRole::Chest), belt: of(NodeRole::Belt) }
    }

    fn node(&mut self, role: NodeRole) -> &mut TrunkNode {
        let at = self.nodes.partition_point(|node| node.role < role);
        if self.nodes.get(at).is_none_or(|node| node.role != role) {
            let conversion = Conversion::of(self.device.node(role));
            let intake = Intake::new(role, conversion, self.keep_s, self.method);
            self.nodes.insert(at, TrunkNode::new(role, intake, nominal(&self.device, role)));
        }
        &mut self.nodes[at]
    }

    /// A reading of the hand comes: after a run of a node's own readings, that run has ended.
    fn hand_turn(&mut self) {
        let Some(hand_t) = self.hand.newest else { return };
        for node in &mut self.nodes {
            node.turn(false, hand_t);
        }
    }

    /// The node's clock against the hand's; nothing before both were heard.
    fn clock_of(&self, node: &TrunkNode) -> Option<TrunkClock> {
        let (hand_t, node_t) = (self.hand.newest?, node.heard.newest?);
        let reference_s = hand_t.0 as f64 * 1e-6;
        match (self.hand.view.stand(), node.heard.view.stand()) {
            (Some(hand), Some(own)) if self.hand.is_timed() && node.heard.is_timed() => {
                let host_s = reference_s + hand.offset_s.value;
                let node_s = node_t.0 as f64 * 1e-6;
                // The node's own line holds at its newest reading.
                let from_newest_s = host_s - node_s - own.offset_s.value;
                let there_s = node_s + from_newest_s * (1.0 + own.skew.value);
                let sd_s = hand.offset_s.sd.hypot(own.offset_s.sd).hypot(PATHS_APART_SD_S);
                let skew = own.skew.value - hand.skew.value;
                Some(TrunkClock { offset_s: there_s - reference_s, skew, reference_s, sd_s })
            }
            _ => {
                // Anywhere between the two, which lie a packet apart.
                let latest_s = middle(node.after_own.iter().copied())?;
                let earliest_s = middle(node.after_hand.iter().copied())?;
                let sd_s = ((latest_s - earliest_s) / 12.0_f64.sqrt()).hypot(PATHS_APART_SD_S);
                Some(TrunkClock { offset_s: 0.5 * (latest_s + earliest_s), skew: 0.0, reference_s, sd_s })
            }
        }
    }
}

fn nominal(device: &DeviceDescription, role: NodeRole) -> Matrix3<f64> {
    let m = device.node(role).map_or_else(|| nominal_mounting(role), |node| node.segment_from_sensor_nominal);
    Matrix3::from_fn(|i, j| m[i][j])
}

impl TrunkNode {
    fn new(role: NodeRole, intake: Intake, nominal: Matrix3<f64>) -> TrunkNode {
        TrunkNode {
            role,
            intake,
            heard: Heard::new(),
            nominal,
            up: None,
            stands_since_s: None,
            after_own: VecDeque::new(),
            after_hand: VecDeque::new(),
            last_was_own: None,
        }
    }

    fn push(&mut self, sample: &ImuSample, hand_t: Option<DeviceTime>) {
        if let Some(hand_t) = hand_t {
            self.turn(true, hand_t);
        }
        match self.intake.push(sample) {
            Taken::Dropped | Taken::Late(_) => return,
            Taken::Restarted(_) => {
                self.stands_since_s = None;
                self.after_own.clear();
                self.after_hand.clear();
            }
            Taken::Reading(_) => {}
        }
        if self.intake.take_jump().is_some() {
            self.heard.begin_anew();
        }
        self.heard.hear(sample);
    }

    /// The next reading is the node's own or the hand's: where that is a change, a run has ended, and the newest
    /// readings of both tell how far the clocks are apart, by their latencies and half a packet more or less.
    fn turn(&mut self, own: bool, hand_t: DeviceTime) {
        if self.last_was_own.replace(own) == Some(!own)
            && let Some(own_t) = self.heard.newest
        {
            let ended = if own { &mut self.after_hand } else { &mut self.after_own };
            ended.push_back(own_t.seconds_since(hand_t));
            if ended.len() > TURNS {
                ended.pop_front();
            }
        }
    }

    /// The part in which the player stood is over: what was up then is the segment's long axis.
    fn end_stand(&mut self) {
        let Some(since_s) = self.stands_since_s.take() else { return };
        let readings = self.intake.since(since_s);
        let still = stillest(&readings, &self.intake.bias(), STAND_S).filter(|(_, rms)| *rms < STAND_RMS);
        let Some((range, _)) = still else { return };
        let Some(up) = Unit::try_new(mean_force_g(&readings[range]), 0.5) else { return };
        if up.angle(&self.nominal_long()) < STAND_OFF {
            self.up = Some(up);
        }
    }

    fn nominal_long(&self) -> Vector3<f64> {
        self.nominal.row(1).transpose()
    }

    fn seat(&self) -> Seat {
        let nominal = Unit::new_normalize(self.nominal_long());
        Seat {
            long: self.up.unwrap_or(nominal),
            forwards: self.nominal.row(0).transpose(),
            long_sd: if self.up.is_some() { STAND_SD } else { NOMINAL_SD },
        }
    }
}

#[cfg(test)]
#[path = "body_watch_tests.rs"]
mod tests;
