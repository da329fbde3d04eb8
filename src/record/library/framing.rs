//! From arrivals to the pieces that a glove would have sent: how a raw CSV becomes a recording. Pure.

use crate::device::RawPiece;
use crate::device::peer_script::{device_info, node_info, wire_sample};
use crate::record::recorded::Recorded;
use crate::sample::{Arrival, DeviceDescription, ImuSample, NodeDescription, NodeRole};
use crate::units::{DeviceTime, HostTime};
use firmware_protocol::{BatchBuilder, Frame, MAX_WIRE, encode};
use std::collections::BTreeMap;

/// Readings in a frame: as gloves send them.
const BATCH: usize = 10;
/// Nodes are introduced again after this much of their time, µs, so that damage to the start costs little.
const INTRODUCE_EVERY_US: i64 = 10_000_000;
/// A step back by more than this is a clock that has started anew, µs; readings that were asked for again come
/// later than others, but not so much.
const BACK_US: i64 = 60_000_000;
/// A step ahead by more than this cannot be told from 32 bits, µs.
const AHEAD_US: i64 = 1 << 30;

/// Readings that wait to become a frame.
struct Waiting {
    role: NodeRole,
    received: Option<HostTime>,
    batch: BatchBuilder,
}

/// Puts arrivals into frames, in their order.
pub struct Framer {
    device: DeviceDescription,
    /// There is no device file: a node that is not described is taken for a nominal one.
    is_assumed: bool,
    waiting: Option<Waiting>,
    /// When each node was introduced last, and its newest time.
    nodes: BTreeMap<NodeRole, (DeviceTime, DeviceTime)>,
    /// The host's clock; where arrivals do not tell it, it goes on with the hand node's.
    host: HostTime,
    hand: Option<DeviceTime>,
}

impl Framer {
    /// A framer for a glove; the host's clock shows `host` until an arrival tells it.
    #[must_use]
    pub fn new(device: DeviceDescription, host: HostTime) -> Framer {
        Framer { device, is_assumed: false, waiting: None, nodes: BTreeMap::new(), host, hand: None }
    }

    /// The same for a glove that no file describes: each node that has readings is taken for a nominal one.
    #[must_use]
    pub fn assumed(device: DeviceDescription, host: HostTime) -> Framer {
        Framer { is_assumed: true, ..Framer::new(device, host) }
    }

    /// What the glove says first.
    ///
    /// # Errors
    /// A text is too long for its frame.
    pub fn introduce(&mut self, out: &mut Vec<Recorded>) -> Result<(), String> {
        self.frame(&Frame::DeviceInfo(device_info(&self.device)), out)
    }

    /// What the host's clock shows now.
    #[must_use]
    pub fn host(&self) -> HostTime {
        self.host
    }

    /// Takes the next arrival; appends what it completes.
    ///
    /// # Errors
    /// It cannot be said in frames.
    pub fn take(&mut self, arrival: &Arrival, out: &mut Vec<Recorded>) -> Result<(), String> {
        match arrival {
            Arrival::Sample(sample) => self.sample(sample, out),
            Arrival::Marker { received, marker } => {
                self.finish(out)?;
                self.host = received.unwrap_or(self.host);
                out.push(Recorded::Marker { received: self.host, marker: marker.clone() });
                Ok(())
            }
        }
    }

    /// Appends what waits.
    ///
    /// # Errors
    /// It cannot be said in frames.
    pub fn finish(&mut self, out: &mut Vec<Recorded>) -> Result<(), String> {
        match self.waiting.take() {
            Some(waiting) => self.frame(&Frame::Samples(waiting.batch.samples()), out),
            None => Ok(()),
        }
    }

    fn sample(&mut self, sample: &ImuSample, out: &mut Vec<Recorded>) -> Result<(), String> {
        if self.is_assumed && self.device.node(sample.role).is_none() {
            self.device.nodes.push(NodeDescription::nominal(sample.role));
        }
        let Some(node) = self.device.node(sample.role).cloned() else {
            return Err(format!("a node that the device file lacks: {:?}", sample.role));
        };
        let wire = wire_sample(sample, &node, sample.t.0);
        let introduce = self.is_news(sample);
        if let Some(waiting) = self.waiting.as_mut() {
            let same = waiting.role == sample.role && waiting.received == sample.received;
            if same && !introduce && waiting.batch.count() < BATCH && waiting.batch.push(wire).is_ok() {
                self.note(sample, false);
                return Ok(());
            }
        }
        self.finish(out)?;
        self.note(sample, introduce);
        if introduce {
            self.frame(&Frame::NodeInfo(node_info(&node, sample.t.0)), out)?;
        }
        let batch = BatchBuilder::new(sample.role.number(), wire).map_err(|error| error.to_string())?;
        self.waiting = Some(Waiting { role: sample.role, received: sample.received, batch });
        Ok(())
    }

    /// Whether the node has to be introduced before this reading.
    fn is_news(&self, sample: &ImuSample) -> bool {
        self.nodes.get(&sample.role).is_none_or(|(introduced, newest)| {
            let step_us = sample.t.0.saturating_sub(newest.0);
            !(-BACK_US..AHEAD_US).contains(&step_us)
                || sample.t.0.saturating_sub(introduced.0) >= INTRODUCE_EVERY_US
        })
    }

    fn note(&mut self, sample: &ImuSample, introduced: bool) {
        let before = self.nodes.get(&sample.role).copied();
        let (last, newest) = before.filter(|_| !introduced).unwrap_or((sample.t, sample.t));
        self.nodes.insert(sample.role, (last, newest.max(sample.t)));
        match (sample.received, self.hand) {
            (Some(received), _) => self.host = received,
            (None, Some(hand)) if sample.role == NodeRole::Hand => {
                self.host = HostTime(self.host.0.saturating_add(sample.t.0.saturating_sub(hand.0).max(0)));
            }
            _ => {}
        }
        if sample.role == NodeRole::Hand {
            self.hand = Some(sample.t);
        }
    }

    fn frame(&self, frame: &Frame<'_>, out: &mut Vec<Recorded>) -> Result<(), String> {
        let mut wire = [0; MAX_WIRE];
        let bytes = encode(frame, &mut wire).map_err(|error| error.to_string())?.to_vec();
        out.push(Recorded::Piece(RawPiece { received: self.host, whole: true, bytes }));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::Assembler;
    use firmware_protocol::decode_piece;

    fn back(recorded: &[Recorded]) -> Vec<ImuSample> {
        let (mut assembler, mut arrivals) = (Assembler::new(), Vec::new());
        for piece in recorded {
            let Recorded::Piece(piece) = piece else { continue };
            let mut scratch = [0; firmware_protocol::constants::MAX_DECODED];
            let frame = decode_piece(&piece.bytes, &mut scratch).unwrap();
            assembler.take(&frame, Some(piece.received), &mut arrivals).unwrap();
        }
        let samples = arrivals.into_iter().filter_map(|arrival| match arrival {
            Arrival::Sample(sample) => Some(sample),
            Arrival::Marker { .. } => None,
        });
        samples.collect()
    }

    #[test]
    fn what_is_put_into_frames_comes_out_the_same_over_gaps_restarts_and_long_silences() {
        let mut framer = Framer::new(DeviceDescription::default(), HostTime(0));
        let mut out = Vec::new();
        framer.introduce(&mut out).unwrap();
        let times = [5_000_000_000_i64, 5_000_002_000, 9_900_000_000, 9_900_002_000, 100, 2_100, 4_100];
        let mut samples = Vec::new();
        for (at, t_us) in times.into_iter().enumerate() {
            for role in [NodeRole::Hand, NodeRole::Forearm] {
                let (t, seq) = (DeviceTime(t_us), (at * 3 % 5) as u32);
                let received = Some(HostTime(1000 * at as i64));
                let sample = ImuSample {
                    role,
                    seq,
                    t,
                    rate_dps: [0.25 * at as f64, -1.5, 0.0],
                    specific_force_g: [0.0, 1.0, -0.5],
                    received,
                };
                framer.take(&Arrival::Sample(sample), &mut out).unwrap();
                samples.push(sample);
            }
        }
        framer.finish(&mut out).unwrap();
        assert_eq!(back(&out), samples);
    }
}
