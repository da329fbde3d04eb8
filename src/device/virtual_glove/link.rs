//! The way from the nodes to the host: packets, latency, loss, duplicates, late packets.

use crate::sample::{Arrival, ImuSample, Marker, NodeRole};
use crate::units::HostTime;
use rand::Rng;
use rand::rngs::StdRng;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

/// How the link behaves.
#[derive(Clone, Debug, PartialEq)]
pub struct LinkSettings {
    /// Samples of one node in a packet. 5.
    pub samples_per_packet: usize,
    /// Least latency, s. 0.004.
    pub latency_s: f64,
    /// What nodes on the trunk are under way longer or less at least, as the difference of two draws from 0 to this,
    /// s. 0.003 (judgement: nodes of one kind).
    pub paths_apart_s: f64,
    /// Mean of what comes on top (exponential), s. 0.002.
    pub latency_spread_s: f64,
    /// Probability that a packet is lost. 0.0005.
    pub loss: f64,
    /// Probability that a packet comes twice. 0.0003.
    pub duplicate: f64,
    /// Probability that a packet is overtaken by later ones. 0.0003.
    pub late: f64,
    /// How much later it comes then, s. 0.03.
    pub late_by_s: f64,
    /// The host's monotonic clock at true time 0, s. 1000.
    pub host_offset_s: f64,
}

impl Default for LinkSettings {
    fn default() -> LinkSettings {
        LinkSettings {
            samples_per_packet: 5,
            latency_s: 0.004,
            paths_apart_s: 0.003,
            latency_spread_s: 0.002,
            loss: 0.0005,
            duplicate: 0.0003,
            late: 0.0003,
            late_by_s: 0.03,
            host_offset_s: 1000.0,
        }
    }
}

impl LinkSettings {
    /// A link that loses and reorders nothing.
    #[must_use]
    pub fn lossless() -> LinkSettings {
        LinkSettings { loss: 0.0, duplicate: 0.0, late: 0.0, ..LinkSettings::default() }
    }
}

/// Something on its way: sorted by when it reaches the host, then by when it was sent.
#[derive(Clone, Debug)]
struct InFlight {
    received_us: i64,
    order: u64,
    load: Load,
}

#[derive(Clone, Debug)]
enum Load {
    Packet(Vec<ImuSample>),
    Marker(Marker),
}

impl PartialEq for InFlight {
    fn eq(&self, other: &InFlight) -> bool {
        (self.received_us, self.order) == (other.received_us, other.order)
    }
}

impl Eq for InFlight {}

impl PartialOrd for InFlight {
    fn partial_cmp(&self, other: &InFlight) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for InFlight {
    fn cmp(&self, other: &InFlight) -> std::cmp::Ordering {
        (self.received_us, self.order).cmp(&(other.received_us, other.order))
    }
}

/// The link at work. It holds what is in flight only: a latency's worth of packets.
#[derive(Clone, Debug)]
pub struct Link {
    settings: LinkSettings,
    in_flight: BinaryHeap<Reverse<InFlight>>,
    filling: BTreeMap<NodeRole, Vec<ImuSample>>,
    last_received_us: BTreeMap<NodeRole, i64>,
    /// Of the nodes on the trunk, s.
    longer_s: BTreeMap<NodeRole, f64>,
    sent: u64,
    rng: StdRng,
    rng_of_trunk: StdRng,
}

impl Link {
    /// An idle link; `rng` decides what happens to packets of the glove, `rng_of_trunk` to those of nodes on the
    /// trunk, so that these change nothing of the others.
    #[must_use]
    pub fn new(settings: LinkSettings, rng: StdRng, rng_of_trunk: StdRng) -> Link {
        // Drawn apart, so that it changes nothing of what happens to packets.
        let mut paths = rng_of_trunk.clone();
        let mut part_s = || settings.paths_apart_s * paths.random::<f64>();
        let longer_s = [NodeRole::Chest, NodeRole::Belt].map(|role| (role, part_s() - part_s())).into();
        Link {
            settings,
            longer_s,
            in_flight: BinaryHeap::new(),
            filling: BTreeMap::new(),
            last_received_us: BTreeMap::new(),
            sent: 0,
            rng,
            rng_of_trunk,
        }
    }

    /// How many packets and markers are in flight.
    #[must_use]
    pub fn held(&self) -> usize {
        self.in_flight.len()
    }

    /// A true instant on the host's clock, µs.
    fn host_us(&self, true_s: f64) -> i64 {
        ((self.settings.host_offset_s + true_s) * 1e6).round() as i64
    }

    fn push(&mut self, received_us: i64, load: Load) {
        self.sent += 1;
        self.in_flight.push(Reverse(InFlight { received_us, order: self.sent, load }));
    }

    /// Says something on the host at a true instant.
    pub fn mark(&mut self, true_s: f64, marker: Marker) {
        self.push(self.host_us(true_s), Load::Marker(marker));
    }

    /// Takes a sample that was taken at `true_s`; sends the node's packet when it is full.
    pub fn take(&mut self, sample: ImuSample, true_s: f64) {
        let packet = self.filling.entry(sample.role).or_default();
        packet.push(sample);
        if packet.len() >= self.settings.samples_per_packet.max(1) {
            let packet = std::mem::take(packet);
            self.send(sample.role, packet, true_s);
        }
    }

    /// Sends the packets that are not full yet.
    pub fn flush(&mut self, true_s: f64) {
        for (role, packet) in std::mem::take(&mut self.filling) {
            if !packet.is_empty() {
                self.send(role, packet, true_s);
            }
        }
    }

    fn send(&mut self, role: NodeRole, packet: Vec<ImuSample>, true_s: f64) {
        let rng = match role {
            NodeRole::Hand | NodeRole::Forearm => &mut self.rng,
            NodeRole::Chest | NodeRole::Belt => &mut self.rng_of_trunk,
        };
        let spread_s = -self.settings.latency_spread_s * (1.0 - rng.random::<f64>()).ln();
        let [lost, doubled, late] = [self.settings.loss, self.settings.duplicate, self.settings.late]
            .map(|probability| rng.random::<f64>() < probability);
        if lost {
            return;
        }
        // A node's packets keep their order, but for the late ones.
        let longer_s = self.longer_s.get(&role).copied().unwrap_or(0.0);
        let least_s = (self.settings.latency_s + longer_s).max(0.0);
        let on_time_us = self.host_us(true_s + least_s + spread_s);
        let last_us = self.last_received_us.entry(role).or_insert(on_time_us);
        let on_time_us = on_time_us.max(*last_us);
        *last_us = on_time_us;
        let late_us = (self.settings.late_by_s * 1e6) as i64;
        let received_us = if late { on_time_us + late_us } else { on_time_us };
        if doubled {
            self.push(received_us + late_us / 2, Load::Packet(packet.clone()));
        }
        self.push(received_us, Load::Packet(packet));
    }

    /// Appends what has reached the host by a true instant, in order; with `None` all that is in flight.
    pub fn receive(&mut self, until_true_s: Option<f64>, arrivals: &mut impl Extend<Arrival>) {
        let until_us = until_true_s.map_or(i64::MAX, |t| self.host_us(t));
        while self.in_flight.peek().is_some_and(|Reverse(next)| next.received_us <= until_us) {
            let Some(Reverse(next)) = self.in_flight.pop() else { return };
            let received = Some(HostTime(next.received_us));
            match next.load {
                Load::Marker(marker) => arrivals.extend([Arrival::Marker { received, marker }]),
                Load::Packet(packet) => arrivals.extend(
                    packet.into_iter().map(|sample| Arrival::Sample(ImuSample { received, ..sample })),
                ),
            }
        }
    }
}
