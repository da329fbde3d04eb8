//! A glove's firmware as a pure state machine: commands in, frames out. It plays a script.

use crate::device::faults::{Fate, FaultSource, Faults};
use crate::device::peer_script::{PeerScript, device_info, node_info};
use crate::sample::{Arrival, NodeRole};
use crate::units::HostTime;
use firmware_protocol::{
    Ack, AckStatus, Annotation, BatchBuilder, Command, CommandKind, Decoder, Frame, Hello, HostHello,
    MAX_WIRE, Samples, Version, WireSample, encode, negotiate,
};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;

/// The number by which every peer greets.
const PEER_GLOVE_ID: u64 = 0x5EED;
/// Readings that are kept so that they can be sent again, unless set otherwise.
const KEPT_READINGS: usize = 8192;
/// A glove introduces itself again this often, µs, so that a damaged introduction costs little.
const INTRODUCE_EVERY_US: i64 = 2_000_000;
/// Bytes handed out at a time.
const OUTPUT_CHUNK: usize = 4096;
/// Bytes of replies that may wait; beyond them the glove is busy.
const MAX_REPLIES: usize = 256 * 1024;
/// Readings in a frame unless set otherwise: five make 10 ms at 500 Hz.
const DEFAULT_BATCH: usize = 5;

/// What the peer sent of its script: replies and introductions left aside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PeerCounts {
    /// Frames in all.
    pub frames: u64,
    /// Frames that were lost.
    pub lost: u64,
    /// Frames that were sent twice.
    pub doubled: u64,
    /// Frames that were damaged.
    pub damaged: u64,
}

/// The next frame of the script.
#[derive(Clone, Debug)]
struct Next {
    due: HostTime,
    end: usize,
    batch: Option<Box<BatchBuilder>>,
}

/// A glove that plays a script. Introductions and answers to commands are never faulty; readings are, those that are
/// sent again, too.
#[derive(Clone, Debug)]
pub struct Peer {
    script: PeerScript,
    version: Version,
    agreed: bool,
    running: bool,
    batch_limit: usize,
    kept_limit: usize,
    faults: FaultSource,
    /// Those of readings that are sent again, apart, so that the script's do not depend on what is asked for.
    faults_again: FaultSource,
    decoder: Decoder,
    replies: Vec<u8>,
    cursor: usize,
    next: Option<Next>,
    introduced: Option<HostTime>,
    clock_starts_us: BTreeMap<NodeRole, i64>,
    clocks_us: BTreeMap<NodeRole, i64>,
    kept: VecDeque<(u8, WireSample)>,
    counts: PeerCounts,
    spoilt: Vec<Range<usize>>,
}

impl Peer {
    /// A glove that is on and waits for a host.
    #[must_use]
    pub fn new(script: PeerScript, faults: Faults) -> Peer {
        let clock_starts_us: BTreeMap<NodeRole, i64> = script
            .description()
            .nodes
            .iter()
            .map(|node| (node.role, script.clock_start_us(node.role)))
            .collect();
        let mut peer = Peer {
            script,
            version: Version::CURRENT,
            agreed: false,
            running: false,
            batch_limit: DEFAULT_BATCH,
            kept_limit: KEPT_READINGS,
            faults: FaultSource::new(faults),
            faults_again: FaultSource::new(Faults { seed: faults.seed.wrapping_add(1), ..faults }),
            decoder: Decoder::new(),
            replies: Vec::new(),
            cursor: 0,
            next: None,
            introduced: None,
            clocks_us: clock_starts_us.clone(),
            clock_starts_us,
            kept: VecDeque::new(),
            counts: PeerCounts::default(),
            spoilt: Vec::new(),
        };
        peer.prepare(peer.script.start());
        peer
    }

    /// Puts at most `readings` into a frame, at least 1; the frame's size limits it too.
    #[must_use]
    pub fn with_batch_limit(mut self, readings: usize) -> Peer {
        self.batch_limit = readings.max(1);
        self.prepare(self.script.start());
        self
    }

    /// Keeps so many readings, so that they can be sent again.
    #[must_use]
    pub fn with_kept(mut self, readings: usize) -> Peer {
        self.kept_limit = readings;
        self
    }

    /// Speaks another version of the protocol.
    #[must_use]
    pub fn with_version(mut self, version: Version) -> Peer {
        self.version = version;
        self
    }

    /// Whether the host has started it.
    #[must_use]
    pub fn is_running(&self) -> bool {
        self.running
    }

    /// Whether everything has been handed out.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.next.is_none() && self.replies.is_empty()
    }

    /// The first time of the script.
    #[must_use]
    pub fn start(&self) -> HostTime {
        self.script.start()
    }

    /// When there is something to say; none while there is nothing.
    #[must_use]
    pub fn next_due(&self) -> Option<HostTime> {
        if !self.replies.is_empty() {
            return Some(self.script.start());
        }
        self.next.as_ref().filter(|_| self.running).map(|next| next.due)
    }

    /// What was sent so far.
    #[must_use]
    pub fn counts(&self) -> PeerCounts {
        self.counts
    }

    /// The script's items that were lost or damaged on the way, as ranges of their index.
    #[must_use]
    pub fn spoilt(&self) -> &[Range<usize>] {
        &self.spoilt
    }

    /// Takes bytes from the host, of any number.
    pub fn hear(&mut self, mut bytes: &[u8]) {
        while let Some(outcome) = self.decoder.pull(&mut bytes) {
            match outcome {
                Ok(Frame::HostHello(hello)) => self.greet(hello),
                Ok(Frame::Command(command)) => self.obey(command),
                // A glove passes over what it does not know and what was damaged.
                Ok(_) | Err(_) => {}
            }
        }
    }

    /// Appends what is due at `now` to `out`, a few thousand bytes at a time.
    pub fn poll(&mut self, now: HostTime, out: &mut Vec<u8>) {
        out.append(&mut self.replies);
        let enough = out.len() + OUTPUT_CHUNK;
        while self.running && out.len() < enough {
            match self.next.take() {
                Some(next) if next.due <= now => self.send(next, out),
                waiting => {
                    self.next = waiting;
                    break;
                }
            }
        }
    }

    fn greet(&mut self, hello: HostHello) {
        self.agreed = negotiate(self.version, hello.version).is_ok();
        if !self.agreed {
            self.set_running(false);
        }
        let mut replies = std::mem::take(&mut self.replies);
        self.introduce(&mut replies);
        self.replies = replies;
    }

    fn obey(&mut self, command: Command) {
        let status = match command.kind {
            _ if !self.agreed => AckStatus::Version,
            _ if self.replies.len() > MAX_REPLIES => AckStatus::Busy,
            CommandKind::Start => self.set_running(true),
            CommandKind::Stop => self.set_running(false),
            CommandKind::Identify => AckStatus::Done,
            CommandKind::SetRate { node, rate_hz } => {
                self.only_if(node, |node| node.rate_hz as f32 == rate_hz)
            }
            CommandKind::SetRanges { node, gyro_full_scale_dps, acc_full_scale_g } => {
                self.only_if(node, |node| {
                    node.gyro_full_scale_dps as f32 == gyro_full_scale_dps
                        && node.acc_full_scale_g as f32 == acc_full_scale_g
                })
            }
            CommandKind::RequestMissed { node, first_seq, count } => self.repeat(node, first_seq, count),
            CommandKind::Other { .. } => AckStatus::UnknownCommand,
        };
        write(&mut self.replies, &Frame::Ack(Ack { command_id: command.id, status }));
    }

    fn set_running(&mut self, running: bool) -> AckStatus {
        self.running = running;
        AckStatus::Done
    }

    /// A script is what it is: a setting is accepted only when it holds already.
    fn only_if(&self, node: u8, holds: impl Fn(&crate::sample::NodeDescription) -> bool) -> AckStatus {
        let node = NodeRole::from_number(node).and_then(|role| self.script.description().node(role));
        if node.is_some_and(holds) { AckStatus::Done } else { AckStatus::BadArgument }
    }

    /// Sends readings again, as far as they are kept.
    fn repeat(&mut self, node: u8, first_seq: u32, count: u16) -> AckStatus {
        let wanted = |sample: &WireSample| sample.seq.wrapping_sub(first_seq) < u32::from(count);
        let found: Vec<WireSample> = self
            .kept
            .iter()
            .filter(|(kept, sample)| *kept == node && wanted(sample))
            .map(|kept| kept.1)
            .collect();
        let mut batch: Option<BatchBuilder> = None;
        for sample in &found {
            if batch.as_mut().is_some_and(|batch| batch.push(*sample).is_ok()) {
                continue;
            }
            batch.take().into_iter().for_each(|full| self.send_again(&full.samples()));
            batch = BatchBuilder::new(node, *sample).ok();
        }
        batch.into_iter().for_each(|last| self.send_again(&last.samples()));
        if found.len() == usize::from(count) { AckStatus::Done } else { AckStatus::NotKept }
    }

    fn send_again(&mut self, samples: &Samples<'_>) {
        let mut wire = Vec::new();
        write(&mut wire, &Frame::Samples(*samples));
        match self.faults_again.fate() {
            Fate::Lost => return,
            Fate::Damaged => self.faults_again.flip_bit(&mut wire),
            Fate::Whole | Fate::Doubled => {}
        }
        self.replies.extend(wire);
    }

    /// Works out the next frame, which is not due before `earliest`.
    fn prepare(&mut self, earliest: HostTime) {
        let delay_us = self.faults.delay_us();
        self.next = self.script.items().get(self.cursor).map(|(at, _)| {
            let due = HostTime(at.0 + delay_us).max(earliest);
            let clock_us = |sample: &crate::sample::ImuSample| {
                let origin_us = self.clock_starts_us.get(&sample.role).copied().unwrap_or(0);
                self.faults.skewed_us(sample.role, sample.t.0, origin_us)
            };
            match self.script.batch(self.cursor, self.batch_limit, clock_us) {
                Some((batch, end)) => Next { due, end, batch: Some(Box::new(batch)) },
                None => Next { due, end: self.cursor + 1, batch: None },
            }
        });
    }

    fn send(&mut self, next: Next, out: &mut Vec<u8>) {
        let stale = |since: HostTime| next.due.0 - since.0 >= INTRODUCE_EVERY_US;
        if self.introduced.is_none_or(stale) {
            self.introduce(out);
            self.introduced = Some(next.due);
        }
        let mut wire = Vec::new();
        match &next.batch {
            Some(batch) => {
                self.keep(&batch.samples());
                write(&mut wire, &Frame::Samples(batch.samples()));
            }
            None => self.write_marker(&mut wire),
        }
        self.send_with_faults(wire, self.cursor..next.end, out);
        self.cursor = next.end;
        self.prepare(next.due);
    }

    fn send_with_faults(&mut self, mut wire: Vec<u8>, items: Range<usize>, out: &mut Vec<u8>) {
        self.counts.frames += 1;
        match self.faults.fate() {
            Fate::Whole => out.append(&mut wire),
            Fate::Lost => {
                self.counts.lost += 1;
                self.spoilt.push(items);
            }
            Fate::Doubled => {
                self.counts.doubled += 1;
                out.extend_from_slice(&wire);
                out.append(&mut wire);
            }
            Fate::Damaged => {
                self.counts.damaged += 1;
                self.spoilt.push(items);
                self.faults.flip_bit(&mut wire);
                out.append(&mut wire);
            }
        }
    }

    fn write_marker(&self, wire: &mut Vec<u8>) {
        if let Some((_, Arrival::Marker { marker, .. })) = self.script.items().get(self.cursor) {
            let (kind, value) = marker.fields();
            let t_us = self.clock_us(NodeRole::Hand) as u32;
            write(wire, &Frame::Annotation(Annotation { t_us, kind, value }));
        }
    }

    fn keep(&mut self, samples: &Samples<'_>) {
        for sample in samples {
            self.kept.push_back((samples.node(), sample));
            if self.kept.len() > self.kept_limit {
                self.kept.pop_front();
            }
        }
        let role = NodeRole::from_number(samples.node());
        if let (Some(role), Some(last)) = (role, samples.iter().last()) {
            let mut clock = firmware_protocol::ClockUnwrap::from_epoch(self.clock_us(role) as u64);
            let now_us = clock.extend(last.t_us).max(self.clock_us(role));
            self.clocks_us.insert(role, now_us);
        }
    }

    fn clock_us(&self, role: NodeRole) -> i64 {
        self.clocks_us.get(&role).copied().unwrap_or(0)
    }

    fn introduce(&self, out: &mut Vec<u8>) {
        let now_us = self.clock_us(NodeRole::Hand) as u64;
        write(out, &Frame::Hello(Hello { version: self.version, glove_id: PEER_GLOVE_ID, now_us }));
        write(out, &Frame::DeviceInfo(device_info(self.script.description())));
        for node in &self.script.description().nodes {
            write(out, &Frame::NodeInfo(node_info(node, self.clock_us(node.role))));
        }
    }
}

/// Appends a frame's bytes. The script was checked, so every frame of it can be sent.
fn write(out: &mut Vec<u8>, frame: &Frame<'_>) {
    let mut wire = [0; MAX_WIRE];
    match encode(frame, &mut wire) {
        Ok(bytes) => out.extend_from_slice(bytes),
        Err(error) => tracing::error!(%error, "a frame of the script could not be sent"),
    }
}
