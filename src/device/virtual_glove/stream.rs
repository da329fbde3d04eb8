//! The glove at work: plays a scenario lazily, sample by sample, in flat memory.

use super::activity::{Activity, Jolt, Restlessness};
use super::body::{Joint, SegmentMotion, segment_motion, tissue_motion};
use super::clock::NodeClock;
use super::link::Link;
use super::scenario::{ClockSettings, Scenario, Script};
use super::sensor::{Sensor, SensorTruth, node_position_m};
use super::tissue::Tissue;
use super::trunk::{self, Segment, Trunk, Wobble, wobbled};
use super::trunk_truth;
use super::truth::{SwingTruth, measure};
use super::vector::{Vec3, add, scale};
use crate::sample::{Arrival, DeviceDescription, ImuSample, NodeRole};
use crate::units::{DeviceTime, PlayerHand};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use std::collections::VecDeque;

/// Truths that wait to be taken; older ones are given up, so that memory stays flat.
const TRUTHS_KEPT: usize = 256;
/// Node time before which no sample is taken, s: the first packet does not start at a round instant.
const FIRST_SAMPLE_S: f64 = 0.0007;
/// The shock at impact: decay time, s, and ringing frequency, Hz (order of magnitude, common practice).
const SHOCK: (f64, f64) = (0.007, 95.0);
/// Direction of the shock in the segment: mostly along the arm.
const SHOCK_DIRECTION: Vec3 = [0.36, 0.80, 0.48];
/// How much of the shock at the hand reaches the forearm.
const SHOCK_AT_FOREARM: f64 = 0.35;

/// The decaying burst that a ball sends up the club and the arm, or another knock through the arm, segment
/// frame, g.
fn shock_g(jolt: Jolt, role: NodeRole, player_hand: PlayerHand, true_s: f64) -> Vec3 {
    let (share, delay_s) = match Segment::under(role) {
        Some(segment) => trunk::knock(segment),
        None if role == NodeRole::Hand => (1.0, 0.0),
        None => (SHOCK_AT_FOREARM, 0.0),
    };
    if true_s < jolt.at_s + delay_s {
        return [0.0; 3];
    }
    let (decay_s, ring_hz) = SHOCK;
    let since_s = true_s - (jolt.at_s + delay_s);
    let ring = (-since_s / decay_s).exp() * (std::f64::consts::TAU * ring_hz * since_s).sin();
    let [x, y, z] = SHOCK_DIRECTION;
    // The first half-wave reaches 0.70 of the undamped ring.
    scale([x, y, -player_hand.lead_arm_sign() * z], jolt.peak_g * share * ring / 0.70)
}

/// One node: its clock, its sensor and how far it has got.
#[derive(Clone, Debug)]
struct Node {
    role: NodeRole,
    clock: NodeClock,
    sensor: Sensor,
    tissue: Tissue,
    wobble: Wobble,
    period_s: f64,
    taken: u64,
    rng: StdRng,
}

impl Node {
    fn node_s(&self) -> f64 {
        FIRST_SAMPLE_S + self.taken as f64 * self.period_s
    }

    /// When the next sample is due, s of true time.
    fn due_s(&self) -> f64 {
        self.clock.true_s(self.node_s())
    }

    /// Takes the next sample of what the player does.
    fn take(&mut self, timeline: &Timeline) -> ImuSample {
        let node_s = self.node_s();
        let inner = self.sensor.inner_per_sample();
        for step in (0..inner).rev() {
            let inner_s = node_s - f64::from(step) * self.period_s / f64::from(inner);
            let true_s = self.clock.true_s(inner_s);
            let strap = (&mut self.tissue, &mut self.wobble);
            let reading = timeline.ideal_reading(self.role, self.sensor.truth(), strap, true_s);
            self.sensor.feed(reading);
        }
        let (rate_dps, specific_force_g) = self.sensor.sample(self.clock.true_s(node_s));
        let jitter_s = self.clock.jitter_us * 1e-6 * self.rng.sample::<f64, _>(StandardNormal);
        let t = DeviceTime(0).plus_seconds(self.clock.offset_s + node_s + jitter_s);
        let seq = self.taken as u32;
        self.taken += 1;
        ImuSample { role: self.role, seq, t, rate_dps, specific_force_g, received: None }
    }
}

/// The activities around the present.
#[derive(Clone, Debug)]
struct Timeline {
    script: Script,
    live: VecDeque<Activity>,
    restless: Restlessness,
    player_hand: PlayerHand,
    trunk: Trunk,
}

impl Timeline {
    /// The next activity, if the present has reached the end of the last one known.
    fn open_next(&mut self, now_s: f64) -> Option<&Activity> {
        if self.live.back().is_some_and(|last| now_s < last.end_s()) {
            return None;
        }
        let activity = self.script.next()?;
        self.trunk.follow(&activity);
        self.live.push_back(activity);
        self.live.back()
    }

    fn held(&self) -> usize {
        self.live.len() + self.script.held() + self.trunk.held()
    }

    /// Drops what no node can ask for any more.
    fn forget_before(&mut self, t_s: f64) {
        while self.live.len() > 1 && self.live.front().is_some_and(|first| first.end_s() < t_s) {
            self.live.pop_front();
        }
        self.trunk.forget_before(t_s);
    }

    fn ended(&self, now_s: f64) -> bool {
        self.live.back().is_none_or(|last| now_s >= last.end_s())
    }

    fn ideal_reading(
        &self,
        role: NodeRole,
        sensor: &SensorTruth,
        (tissue, wobble): (&mut Tissue, &mut Wobble),
        true_s: f64,
    ) -> (Vec3, Vec3) {
        let found = self.live.iter().find(|activity| true_s < activity.end_s()).or(self.live.back());
        let Some(activity) = found else { return ([0.0; 3], [0.0; 3]) };
        let mut joints = activity.joints(true_s);
        let shoulders = joints[Joint::Trunk as usize];
        if !activity.glove_off {
            self.restless.add_to(&mut joints, true_s);
        }
        let [flexion, hinge] = [Joint::Flexion, Joint::Hinge].map(|joint| joints[joint as usize]);
        let on_arm = |tissue: &mut Tissue| match tissue.give(true_s, flexion, hinge) {
            None => segment_motion(role, self.player_hand, &joints),
            Some(give_deg) => {
                let pivot_m = tissue.pivot_m(node_position_m(role, PlayerHand::Right));
                tissue_motion(role, self.player_hand, &joints, pivot_m, give_deg)
            }
        };
        let motion: SegmentMotion = match Segment::under(role) {
            Some(segment) => {
                let motion = self.trunk.motion(segment, self.player_hand, true_s, &joints, shoulders);
                wobbled(motion, wobble, true_s)
            }
            None => on_arm(tissue),
        };
        let knock = |sum, jolt: &Jolt| add(sum, shock_g(*jolt, role, self.player_hand, true_s));
        let shock = activity.jolts.iter().fold([0.0; 3], knock);
        let mounting = activity.fit.mounting(role, &sensor.segment_from_sensor);
        sensor.ideal_reading(&motion, &mounting, shock)
    }
}

/// Plays a scenario: an iterator over what reaches the host, in order of arrival.
///
/// Memory stays flat however long the scenario is: what is held is the activities of one cue, the packets
/// in flight and at most 256 truths that nobody took.
#[derive(Clone, Debug)]
pub struct GloveStream {
    device: DeviceDescription,
    timeline: Timeline,
    nodes: Vec<Node>,
    link: Link,
    ready: VecDeque<Arrival>,
    truths: VecDeque<SwingTruth>,
    over: bool,
}

/// Every part has its own stream of random numbers, so that a change to one leaves the others alone.
fn part_rng(seed: u64, part: u64) -> StdRng {
    StdRng::seed_from_u64(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(part))
}

fn draw_clock(settings: &ClockSettings, index: usize, rng: &mut StdRng) -> NodeClock {
    let mut around = |size: f64| size * rng.random_range(-1.0..=1.0);
    let apart_s = if index == 0 { 0.0 } else { around(settings.offset_s) };
    NodeClock {
        offset_s: settings.origin_s + apart_s,
        skew_ppm: around(settings.skew_ppm),
        wander_us: around(settings.wander_us),
        wander_period_s: 400.0,
        jitter_us: settings.jitter_us,
    }
}

impl GloveStream {
    /// Sets a scenario up. The same scenario and seed give the same arrivals.
    #[must_use]
    pub fn new(scenario: &Scenario, seed: u64) -> GloveStream {
        let script = Script::new(scenario, part_rng(seed, 0));
        let restless = script.restlessness().clone();
        let player_hand = scenario.player_hand;
        let trunk = Trunk::new(part_rng(seed, 50));
        let node = |(index, role): (usize, &NodeRole)| {
            let mut rng = part_rng(seed, 10 + u64::from(role.number()));
            let clock = draw_clock(&scenario.clocks, index, &mut rng);
            let mut more = part_rng(seed, 30 + u64::from(role.number()));
            let truth = SensorTruth::draw(&scenario.sensor, *role, player_hand, &mut rng, &mut more);
            let noise = part_rng(seed, 20 + u64::from(role.number()));
            let sensor = Sensor::new(scenario.sensor.clone(), truth, noise);
            let tissue = Tissue::new(&scenario.tissue, *role);
            let wobble = match Segment::under(*role) {
                Some(_) => scenario.strap.wobble(&mut part_rng(seed, 60 + u64::from(role.number()))),
                None => Wobble::default(),
            };
            let period_s = 1.0 / scenario.sensor.rate_hz;
            Node { role: *role, clock, sensor, tissue, wobble, period_s, taken: 0, rng }
        };
        GloveStream {
            device: DeviceDescription {
                player_hand,
                nodes: scenario.roles.iter().map(|role| scenario.sensor.describe(*role)).collect(),
                serial: Some("KP-0001".to_owned()),
                firmware: Some("virtual".to_owned()),
            },
            timeline: Timeline { script, live: VecDeque::new(), restless, player_hand, trunk },
            nodes: scenario.roles.iter().enumerate().map(node).collect(),
            link: Link::new(scenario.link.clone(), part_rng(seed, 1), part_rng(seed, 2)),
            ready: VecDeque::new(),
            truths: VecDeque::new(),
            over: false,
        }
    }

    /// What the glove says of itself.
    #[must_use]
    pub fn device(&self) -> &DeviceDescription {
        &self.device
    }

    /// The truths of the swings begun since the last call. A swing's truth is known from its start on,
    /// so it comes before the samples that show it.
    pub fn take_truth(&mut self) -> Vec<SwingTruth> {
        self.truths.drain(..).collect()
    }

    /// How many activities, packets, arrivals and truths are held: what a soak test watches.
    #[must_use]
    pub fn held(&self) -> usize {
        self.timeline.held() + self.link.held() + self.ready.len() + self.truths.len()
    }

    /// One node's real mounting, as the glove was first put on, and its errors.
    #[must_use]
    pub fn sensor_truth(&self, role: NodeRole) -> Option<&SensorTruth> {
        self.nodes.iter().find(|node| node.role == role).map(|node| node.sensor.truth())
    }

    /// One node's clock against true time.
    #[must_use]
    pub fn clock(&self, role: NodeRole) -> Option<&NodeClock> {
        self.nodes.iter().find(|node| node.role == role).map(|node| &node.clock)
    }

    /// The activities that are still to come, without playing them.
    pub fn activities(&self) -> impl Iterator<Item = Activity> {
        self.timeline.script.clone()
    }

    /// Opens the activities that have begun by `now_s`: says their markers, measures their truth.
    fn open_activities(&mut self, now_s: f64) {
        let hand_clock = self.clock(NodeRole::Hand).copied();
        let player_hand = self.timeline.player_hand;
        let restless = self.timeline.restless.clone();
        let has_trunk = self.nodes.iter().any(|node| Segment::under(node.role).is_some());
        while let Some(activity) = self.timeline.open_next(now_s) {
            for marker in &activity.markers {
                self.link.mark(activity.start_s, marker.clone());
            }
            let activity = activity.clone();
            let mut truth = hand_clock.and_then(|clock| measure(&activity, &restless, player_hand, &clock));
            if let (Some(truth), Some(clock), true) = (&mut truth, &hand_clock, has_trunk) {
                truth.body = trunk_truth::measure(
                    &activity,
                    &restless,
                    (&self.timeline.trunk, clock),
                    truth,
                    player_hand,
                );
            }
            if self.truths.len() >= TRUTHS_KEPT {
                self.truths.pop_front();
            }
            self.truths.extend(truth);
        }
    }

    /// Takes one sample of the node that is due next, and receives what arrives before it.
    fn advance(&mut self) {
        let earliest = |a: &&mut Node, b: &&mut Node| a.due_s().total_cmp(&b.due_s());
        let Some(now_s) = self.nodes.iter_mut().min_by(earliest).map(|node| node.due_s()) else {
            self.over = true;
            return;
        };
        if self.timeline.ended(now_s) {
            self.open_activities(now_s);
        }
        if self.timeline.ended(now_s) {
            self.link.flush(now_s);
            self.link.receive(None, &mut self.ready);
            self.over = true;
            return;
        }
        self.timeline.forget_before(now_s - 0.01);
        self.link.receive(Some(now_s), &mut self.ready);
        if let Some(node) = self.nodes.iter_mut().min_by(earliest) {
            let sample = node.take(&self.timeline);
            self.link.take(sample, now_s);
        }
    }
}

impl Iterator for GloveStream {
    type Item = Arrival;

    fn next(&mut self) -> Option<Arrival> {
        while self.ready.is_empty() && !self.over {
            self.advance();
        }
        self.ready.pop_front()
    }
}
