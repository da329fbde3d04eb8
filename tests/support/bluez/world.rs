//! What there is on the air, and what goes wrong with it.

use firmware_protocol::notifications;
use hingeclock::device::host_clock::HostClock;
use hingeclock::device::{Peer, PeerScript, faults::Faults};
use hingeclock::units::HostTime;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// A glove whose host has asked for nothing for so long is quiet, µs.
const QUIET_US: i64 = 3_000_000;
/// How often a glove that has nothing to say shows that it is there, µs.
const ALIVE_EVERY_US: i64 = 100_000;
/// Readings that a glove keeps: a minute of two nodes.
const KEPT: usize = 60_000;

/// Something that happens to a glove at some time of its script.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Happening {
    /// The connection ends.
    Disconnect,
    /// The next connections fail.
    FailConnections(u32),
    /// The connection stays, but nothing comes through it until it is made anew.
    Hang,
    /// The radio is unplugged for so long, s.
    AdapterGone(f64),
}

/// How a glove is and fares.
#[derive(Clone, Debug)]
pub struct Plan {
    pub address: &'static str,
    pub name: &'static str,
    pub serial: &'static str,
    /// Length of a value, bytes.
    pub value_len: usize,
    /// Share of values that are lost.
    pub loss: f64,
    /// Share of values that come twice.
    pub doubled: f64,
    /// From here on nothing is lost, s of the script: what nothing follows cannot be missed.
    pub faults_until_s: f64,
    pub seed: u64,
    /// In order of time, s of the script.
    pub happenings: Vec<(f64, Happening)>,
}

impl Plan {
    /// A glove with which nothing goes wrong.
    pub fn good(address: &'static str, name: &'static str, serial: &'static str) -> Plan {
        Plan {
            address,
            name,
            serial,
            value_len: 100,
            loss: 0.0,
            doubled: 0.0,
            faults_until_s: 0.0,
            seed: 1,
            happenings: Vec::new(),
        }
    }
}

/// What was sent over the air, and how long breaks took.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// Values that the glove sent.
    pub sent: u64,
    /// Values that reached the bus, doubles included.
    pub delivered: u64,
    pub lost: u64,
    pub lost_in_breaks: u64,
    pub doubled: u64,
    pub failed_connections: u64,
    pub connections: u64,
    /// From the moment at which a connection hung to the host's letting go of it, ms.
    pub noticed_ms: Vec<f64>,
    /// From the end of a connection to the next value asked for, ms.
    pub back_ms: Vec<f64>,
}

/// A glove on the air.
pub struct Glove {
    pub plan: Plan,
    pub peer: Peer,
    pub counts: Counts,
    pub connected: bool,
    pub resolved: bool,
    pub subscribed: bool,
    /// Who asked for the values.
    pub host: String,
    pub hangs: bool,
    failing: u32,
    clock: HostClock,
    started: Option<HostTime>,
    hung_at: Option<HostTime>,
    ended_at: Option<HostTime>,
    heard_at: HostTime,
    alive_at: HostTime,
    next_happening: usize,
    rng: StdRng,
}

impl Glove {
    pub fn new(plan: Plan, script: PeerScript) -> Glove {
        let peer = Peer::new(script, Faults::default()).with_kept(KEPT);
        let (clock, rng) = (HostClock::start(), StdRng::seed_from_u64(plan.seed));
        Glove {
            plan,
            peer,
            counts: Counts::default(),
            connected: false,
            resolved: false,
            subscribed: false,
            host: String::new(),
            hangs: false,
            failing: 0,
            clock,
            started: None,
            hung_at: None,
            ended_at: None,
            heard_at: clock.now(),
            alive_at: clock.now(),
            next_happening: 0,
            rng,
        }
    }

    /// Where its objects are on the bus.
    pub fn path(&self) -> String {
        format!("/org/bluez/hci0/dev_{}", self.plan.address.replace(':', "_"))
    }

    pub fn is_over_and_quiet(&self) -> bool {
        self.peer.is_over() && self.clock.now().0 - self.heard_at.0 > QUIET_US
    }

    /// A connection is asked for. False when it fails.
    pub fn connect(&mut self) -> bool {
        if self.failing > 0 {
            self.failing -= 1;
            self.counts.failed_connections += 1;
            return false;
        }
        self.counts.connections += 1;
        self.connected = true;
        true
    }

    /// The connection has ended, by either side.
    pub fn disconnected(&mut self) {
        let now = self.clock.now();
        if self.connected {
            self.ended_at = Some(now);
        }
        if let Some(hung_at) = self.hung_at.take() {
            self.counts.noticed_ms.push((now.0 - hung_at.0) as f64 * 1e-3);
        }
        (self.connected, self.resolved, self.subscribed, self.hangs) = (false, false, false, false);
    }

    /// The host asks for values.
    pub fn subscribe(&mut self, host: Option<String>) {
        self.subscribed = true;
        self.host = host.unwrap_or_default();
        if let Some(ended_at) = self.ended_at.take() {
            self.counts.back_ms.push((self.clock.now().0 - ended_at.0) as f64 * 1e-3);
        }
    }

    /// The host wrote.
    pub fn hear(&mut self, bytes: &[u8]) {
        self.heard_at = self.clock.now();
        self.peer.hear(bytes);
        if self.started.is_none() && self.peer.is_running() {
            self.started = Some(self.heard_at);
        }
    }

    /// Seconds since the host first started the glove.
    fn script_s(&self) -> Option<f64> {
        self.started.map(|started| self.clock.now().seconds_since(started))
    }

    /// What happens to it now, if anything does.
    pub fn happening(&mut self) -> Option<Happening> {
        let (at_s, happening) = *self.plan.happenings.get(self.next_happening)?;
        if self.script_s()? < at_s {
            return None;
        }
        self.next_happening += 1;
        match happening {
            Happening::FailConnections(count) => self.failing = count,
            Happening::Hang => {
                self.hangs = true;
                self.hung_at = Some(self.clock.now());
            }
            Happening::Disconnect | Happening::AdapterGone(_) => {}
        }
        Some(happening)
    }

    /// The values that reach the host now.
    pub fn values(&mut self) -> Vec<Vec<u8>> {
        let Some(passed_s) = self.script_s() else { return Vec::new() };
        let now = HostTime(self.peer.start().0 + (passed_s * 1e6) as i64);
        let mut bytes = Vec::new();
        self.peer.poll(now, &mut bytes);
        if self.peer.is_over() && bytes.is_empty() {
            return self.sign_of_life();
        }
        let faulty = passed_s < self.plan.faults_until_s;
        let mut values = Vec::new();
        for value in notifications(&bytes, self.plan.value_len) {
            self.counts.sent += 1;
            let draw: f64 = if faulty { self.rng.random() } else { 1.0 };
            let copies = match draw {
                _ if !self.subscribed || self.hangs => {
                    self.counts.lost_in_breaks += 1;
                    0
                }
                draw if draw < self.plan.loss => {
                    self.counts.lost += 1;
                    0
                }
                draw if draw < self.plan.loss + self.plan.doubled => {
                    self.counts.doubled += 1;
                    2
                }
                _ => 1,
            };
            self.counts.delivered += copies;
            values.extend((0..copies).map(|_| value.to_vec()));
        }
        values
    }
}

impl Glove {
    /// A glove that has nothing to say sends a delimiter now and then, so that its host need not make the
    /// connection anew.
    fn sign_of_life(&mut self) -> Vec<Vec<u8>> {
        let now = self.clock.now();
        if !self.subscribed || self.hangs || now.0 - self.alive_at.0 < ALIVE_EVERY_US {
            return Vec::new();
        }
        self.alive_at = now;
        vec![vec![0]]
    }
}

/// Everything within reach.
pub struct World {
    pub gloves: Vec<Glove>,
    pub powered: bool,
    pub discovering: bool,
    /// The test is over.
    pub ended: bool,
}

impl World {
    pub fn new(gloves: Vec<Glove>) -> World {
        World { gloves, powered: false, discovering: false, ended: false }
    }
}
