//! From a glove's frames to arrivals: names for numbers, units for counts, 64 bits for times. Pure.
//!
//! Nothing is put in order and nothing is left out here: what came twice or late is handed on as it came.

use crate::device::gaps::{Gap, Gaps};
use crate::sample::{
    Arrival, DeviceDescription, ImuSample, Marker, NodeDescription, NodeRole, is_rotation, nominal_mounting,
};
use crate::units::{DeviceTime, HostTime, PlayerHand};
use firmware_protocol::{
    Ack, Battery, Button, ClockUnwrap, DeviceInfo, Frame, Hello, NodeInfo, Reading, Samples, Version,
    VersionMismatch, negotiate,
};
use std::collections::BTreeMap;
use thiserror::Error;

/// A node whose clock steps back by more than this has started anew, µs.
const RESTART_STEP_US: i64 = 1_000_000;
/// A node whose clock steps ahead by more than this cannot be unwrapped by its samples alone, µs.
const EPOCH_STEP_US: i64 = 1 << 30;

/// A greeting and the description of a node come within this, µs: a lost one is made up for in seconds.
const TOGETHER_US: u64 = 60_000_000;

/// What a frame said, beside the arrivals it gave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// Readings; the gaps in front of them that are new.
    Samples {
        /// Where the node sits.
        role: NodeRole,
        /// The node's index on the wire, to ask for what is missing.
        node: u8,
        /// Runs of missing readings.
        gaps: Vec<Gap>,
        /// So many readings at the frame's end are newer than all before; the others came late or twice.
        live: usize,
        /// How often the node had started anew by then, as far as it told.
        restarts: u32,
    },
    /// A marker.
    Marker,
    /// The glove greeted; both ends will speak this version.
    Greeting {
        /// The glove's number.
        glove_id: u64,
        /// The version agreed on.
        version: Version,
    },
    /// The description of the glove is the one given before.
    DescriptionSame,
    /// The description of the glove is new or has changed.
    DescriptionChanged,
    /// The answer to a command.
    Ack(Ack),
    /// A sound frame that this version does not know, or one that only a host sends.
    Passed {
        /// Its type.
        frame_type: u8,
    },
}

/// Why a sound frame could not be used. The stream goes on.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum AssemblyError {
    /// The glove speaks another version.
    #[error(transparent)]
    Version(#[from] VersionMismatch),
    /// A frame of a node that has not introduced itself.
    #[error("expected a NodeInfo of node {node} before its other frames, found none{}", known_words(known))]
    UnknownNode {
        /// The index in the frame.
        node: u8,
        /// The indices that are known.
        known: Vec<u8>,
    },
}

fn known_words(known: &[u8]) -> String {
    let list: Vec<String> = known.iter().map(u8::to_string).collect();
    if list.is_empty() { String::new() } else { format!("; described so far: {}", list.join(", ")) }
}

/// A node that has introduced itself.
#[derive(Clone, Debug)]
struct Node {
    description: NodeDescription,
    clock: ClockUnwrap,
    gaps: Gaps,
    restarts: u32,
    /// The mounting that it told is no rotation, so the usual one is taken.
    odd_mounting: bool,
}

/// Turns frames into arrivals, and knows what the glove has said of itself.
#[derive(Clone, Debug)]
pub struct Assembler {
    description: DeviceDescription,
    nodes: BTreeMap<u8, Node>,
    version: Option<Version>,
    /// The glove's last greeting was in a version that this end does not speak.
    refused: Option<VersionMismatch>,
    /// The time of node 0 in the last greeting, µs, and whether it came high byte first.
    greeted_us: Option<u64>,
    swapped_greeting: bool,
    unknown_node_readings: u64,
}

impl Default for Assembler {
    fn default() -> Assembler {
        Assembler::new()
    }
}

impl Assembler {
    /// Knows nothing of the glove yet; a player is taken for right-handed until the glove says otherwise.
    #[must_use]
    pub fn new() -> Assembler {
        Assembler::for_player(PlayerHand::Right)
    }

    /// Knows nothing of the glove yet, but the player's hand, which holds until the glove says otherwise.
    #[must_use]
    pub fn for_player(player_hand: PlayerHand) -> Assembler {
        let description = DeviceDescription { player_hand, nodes: Vec::new(), serial: None, firmware: None };
        Assembler {
            description,
            nodes: BTreeMap::new(),
            version: None,
            refused: None,
            greeted_us: None,
            swapped_greeting: false,
            unknown_node_readings: 0,
        }
    }

    /// What the glove has said of itself.
    #[must_use]
    pub fn description(&self) -> &DeviceDescription {
        &self.description
    }

    /// The version agreed on, once the glove has greeted.
    #[must_use]
    pub fn version(&self) -> Option<Version> {
        self.version
    }

    /// What came and what is missing, node by node.
    pub fn gaps(&self) -> impl Iterator<Item = (NodeRole, &Gaps)> {
        self.nodes.values().map(|node| (node.description.role, &node.gaps))
    }

    /// How often each node has started anew.
    pub fn restarts(&self) -> impl Iterator<Item = (NodeRole, u32)> {
        self.nodes.values().map(|node| (node.description.role, node.restarts))
    }

    /// Where the nodes sit, by their index on the wire.
    pub fn places(&self) -> impl Iterator<Item = (u8, NodeRole)> {
        self.nodes.iter().map(|(index, node)| (*index, node.description.role))
    }

    /// A sentence for each thing in what the glove says of itself that cannot be: a mounting that is none, two nodes of
    /// one role, a clock with its bytes the other way round.
    pub fn oddities(&self) -> impl Iterator<Item = String> {
        let mountings = self.nodes.values().filter(|node| node.odd_mounting).map(|node| {
            let place = node.description.role.word();
            format!(
                "expected a rotation as the {place} node's mounting, found none: the usual mounting is taken"
            )
        });
        let twice = NodeRole::ALL.into_iter().filter_map(|role| {
            let places = self.places().filter(|(_, other)| *other == role);
            let indices: Vec<String> = places.map(|(index, _)| index.to_string()).collect();
            let place = role.word();
            (indices.len() > 1).then(|| {
                format!(
                    "expected one {place} node, found {}: their readings cannot be told apart",
                    indices.join(" and ")
                )
            })
        });
        let swapped = self.swapped_greeting.then(|| {
            "expected Hello's now_us low byte first, found it high byte first: with its bytes the other way round it is the \
             time that node 0 tells"
                .to_owned()
        });
        mountings.chain(twice).chain(swapped)
    }

    /// Readings of nodes that had not introduced themselves; they are in the raw pieces only.
    #[must_use]
    pub fn unknown_node_readings(&self) -> u64 {
        self.unknown_node_readings
    }

    /// Takes only what the frame says of the glove itself. Whoever has all frames at hand runs this over
    /// them first: a damaged introduction at the start then costs nothing.
    pub fn describe(&mut self, frame: &Frame<'_>) {
        match frame {
            Frame::DeviceInfo(info) => drop(self.take_device_info(info)),
            Frame::NodeInfo(info) if !self.nodes.contains_key(&info.node) => drop(self.take_node_info(info)),
            _ => {}
        }
    }

    /// Takes the next frame, which came at `received`; appends the arrivals it gives.
    ///
    /// # Errors
    /// [`AssemblyError`] when the frame cannot be used; it then gave no arrival.
    pub fn take(
        &mut self,
        frame: &Frame<'_>,
        received: Option<HostTime>,
        arrivals: &mut Vec<Arrival>,
    ) -> Result<Heard, AssemblyError> {
        // In another version the same bytes may mean something else, but for what the two agree on a version by.
        if let (Some(refused), false) = (self.refused, matches!(frame, Frame::Hello(_) | Frame::Ack(_))) {
            return Err(refused.into());
        }
        let mut mark = |marker| {
            arrivals.push(Arrival::Marker { received, marker });
            Ok(Heard::Marker)
        };
        match frame {
            Frame::Samples(samples) => self.take_samples(samples, received, arrivals),
            Frame::Annotation(said) => mark(Marker::from_fields(said.kind, said.value)),
            Frame::Battery(battery) => mark(self.battery_marker(battery)?),
            Frame::Button(button) => mark(self.button_marker(button)?),
            Frame::Hello(hello) => self.take_hello(hello),
            Frame::DeviceInfo(info) => Ok(self.take_device_info(info)),
            Frame::NodeInfo(info) => Ok(self.take_node_info(info)),
            Frame::Ack(ack) => Ok(Heard::Ack(*ack)),
            Frame::HostHello(_) | Frame::Command(_) | Frame::Unknown { .. } => {
                Ok(Heard::Passed { frame_type: frame.frame_type() })
            }
        }
    }

    fn take_samples(
        &mut self,
        samples: &Samples<'_>,
        received: Option<HostTime>,
        arrivals: &mut Vec<Arrival>,
    ) -> Result<Heard, AssemblyError> {
        let Some(node) = self.nodes.get_mut(&samples.node()) else {
            self.unknown_node_readings += samples.count() as u64;
            return Err(self.unknown(samples.node()));
        };
        arrivals.reserve(samples.count());
        let role = node.description.role;
        let (mut gaps, mut live) = (Vec::new(), 0);
        for sample in samples {
            let t = DeviceTime(node.clock.extend(sample.t_us));
            gaps.extend(node.gaps.note(sample.seq, t));
            live = if node.gaps.is_newest(sample.seq) { live + 1 } else { 0 };
            let (rate_dps, specific_force_g) = in_units(&sample.reading, &node.description);
            let sample = ImuSample { role, seq: sample.seq, t, rate_dps, specific_force_g, received };
            arrivals.push(Arrival::Sample(sample));
        }
        Ok(Heard::Samples { role, node: samples.node(), gaps, live, restarts: node.restarts })
    }

    fn take_hello(&mut self, hello: &Hello) -> Result<Heard, AssemblyError> {
        let agreed = negotiate(Version::CURRENT, hello.version);
        self.refused = agreed.err();
        let version = agreed?;
        self.version = Some(version);
        self.greeted_us = Some(hello.now_us);
        // The greeting tells the time of node 0, which may have started anew since.
        if let Some(node) = self.nodes.get_mut(&0) {
            node.tell_time(hello.now_us);
        }
        Ok(Heard::Greeting { glove_id: hello.glove_id, version })
    }

    fn take_device_info(&mut self, info: &DeviceInfo<'_>) -> Heard {
        let known = |text: &str| (!text.is_empty()).then(|| text.to_owned());
        let mut new = self.description.clone();
        new.serial = known(info.serial);
        new.firmware = known(info.firmware);
        if let Some(hand) = info.player_hand {
            new.player_hand = player_hand(hand);
        }
        self.replace_description(new)
    }

    fn take_node_info(&mut self, info: &NodeInfo) -> Heard {
        let (description, odd_mounting) = node_description(info);
        let clock = ClockUnwrap::from_epoch(info.now_us);
        let node = self.nodes.entry(info.node).or_insert_with(|| Node {
            description: description.clone(),
            clock,
            gaps: Gaps::default(),
            restarts: 0,
            odd_mounting,
        });
        node.tell_time(info.now_us);
        let greeted_us = self.greeted_us.filter(|_| info.node == 0);
        self.swapped_greeting |= greeted_us.is_some_and(|greeted_us| is_swapped(greeted_us, info.now_us));
        (node.description, node.odd_mounting) = (description, odd_mounting);
        let mut new = self.description.clone();
        new.nodes = self.nodes.values().map(|node| node.description.clone()).collect();
        new.nodes.sort_by_key(|node| node.role);
        self.replace_description(new)
    }

    fn replace_description(&mut self, new: DeviceDescription) -> Heard {
        if new == self.description {
            return Heard::DescriptionSame;
        }
        self.description = new;
        Heard::DescriptionChanged
    }

    /// In the words of a markers file: `hand=4.100V`.
    fn battery_marker(&self, battery: &Battery) -> Result<Marker, AssemblyError> {
        let place = self.place(battery.node)?;
        let (volts, millivolts) = (battery.millivolts / 1000, battery.millivolts % 1000);
        let percent =
            battery.percent.map_or_else(String::new, |percent| format!(";{place}_percent={percent}"));
        let value = format!("{place}={volts}.{millivolts:03}V{percent}");
        Ok(Marker::Note { kind: "battery".to_owned(), value })
    }

    /// Place, button and what was done to it: `hand 0 press`.
    fn button_marker(&self, button: &Button) -> Result<Marker, AssemblyError> {
        use firmware_protocol::ButtonAction::{LongPress, Press, Release};
        let action = match button.action {
            Press => "press",
            Release => "release",
            LongPress => "long-press",
        };
        let value = format!("{} {} {action}", self.place(button.node)?, button.button);
        Ok(Marker::Note { kind: "button".to_owned(), value })
    }

    fn place(&self, node: u8) -> Result<&'static str, AssemblyError> {
        let node = self.nodes.get(&node).ok_or_else(|| self.unknown(node))?;
        Ok(node.description.role.word())
    }

    fn unknown(&self, node: u8) -> AssemblyError {
        AssemblyError::UnknownNode { node, known: self.nodes.keys().copied().collect() }
    }
}

impl Node {
    /// Takes a full time that the node told. As a rule it agrees with its samples; where it does not, the
    /// node has started anew, or was silent for so long that its 32-bit times are ambiguous.
    fn tell_time(&mut self, now_us: u64) {
        let told = ClockUnwrap::from_epoch(now_us);
        let step_us = told.latest_us().saturating_sub(self.clock.latest_us());
        if step_us < -RESTART_STEP_US {
            self.gaps.restart();
            self.restarts += 1;
        }
        if !(-RESTART_STEP_US..EPOCH_STEP_US).contains(&step_us) {
            self.clock = told;
        }
    }
}

/// Whether a time is another one with its bytes the other way round, where the two should be told together.
fn is_swapped(time_us: u64, other_us: u64) -> bool {
    let together = |time_us: u64| time_us.abs_diff(other_us) < TOGETHER_US;
    !together(time_us) && together(time_us.swap_bytes())
}

/// The values in °/s and g that a reading stands for.
fn in_units(reading: &Reading, node: &NodeDescription) -> ([f64; 3], [f64; 3]) {
    match reading {
        Reading::Counts(counts) => {
            let value = |axis: usize, full_scale| counts_to_units(counts[axis], full_scale);
            (
                [0, 1, 2].map(|axis| value(axis, node.gyro_full_scale_dps)),
                [3, 4, 5].map(|axis| value(axis, node.acc_full_scale_g)),
            )
        }
        Reading::Floats(values) => {
            // What is no number is dropped where readings are interpreted; it stays in the raw pieces.
            ([0, 1, 2].map(|axis| f64::from(values[axis])), [3, 4, 5].map(|axis| f64::from(values[axis])))
        }
    }
}

/// The value that `counts` stand for, in the unit of `full_scale`.
#[must_use]
pub fn counts_to_units(counts: i16, full_scale: f64) -> f64 {
    f64::from(counts) * full_scale / 32768.0
}

/// What a node says of itself, and whether its mounting had to be replaced.
fn node_description(info: &NodeInfo) -> (NodeDescription, bool) {
    let m = info.segment_from_sensor.map(f64::from);
    let told = [[m[0], m[1], m[2]], [m[3], m[4], m[5]], [m[6], m[7], m[8]]];
    let (role, is_odd) = (node_role(info.role), !is_rotation(&told));
    let description = NodeDescription {
        role,
        rate_hz: f64::from(info.rate_hz),
        gyro_full_scale_dps: f64::from(info.gyro_full_scale_dps),
        acc_full_scale_g: f64::from(info.acc_full_scale_g),
        bandwidth_hz: info.bandwidth_hz.map(f64::from),
        segment_from_sensor_nominal: if is_odd { nominal_mounting(role) } else { told },
    };
    (description, is_odd)
}

fn node_role(role: firmware_protocol::Role) -> NodeRole {
    match role {
        firmware_protocol::Role::Hand => NodeRole::Hand,
        firmware_protocol::Role::Forearm => NodeRole::Forearm,
        firmware_protocol::Role::Chest => NodeRole::Chest,
        firmware_protocol::Role::Belt => NodeRole::Belt,
    }
}

fn player_hand(hand: firmware_protocol::PlayerHand) -> PlayerHand {
    match hand {
        firmware_protocol::PlayerHand::Right => PlayerHand::Right,
        firmware_protocol::PlayerHand::Left => PlayerHand::Left,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node_info(mounting: [f32; 9]) -> NodeInfo {
        NodeInfo {
            node: 0,
            role: firmware_protocol::Role::Hand,
            rate_hz: 500.0,
            gyro_full_scale_dps: 2000.0,
            acc_full_scale_g: 16.0,
            bandwidth_hz: None,
            temperature_centi_c: None,
            segment_from_sensor: mounting,
            now_us: 0,
        }
    }

    fn introduced(mounting: [f32; 9]) -> Assembler {
        let mut assembler = Assembler::new();
        assembler.take(&Frame::NodeInfo(node_info(mounting)), None, &mut Vec::new()).unwrap();
        assembler
    }

    #[test]
    fn a_mounting_that_is_no_rotation_is_told_and_the_usual_one_is_taken() {
        let mounting = |assembler: &Assembler| assembler.description().nodes[0].segment_from_sensor_nominal;
        for wrong in [[0.0; 9], [1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, -1.0]] {
            let assembler = introduced(wrong);
            assert_eq!(mounting(&assembler), nominal_mounting(NodeRole::Hand));
            let told: Vec<String> = assembler.oddities().collect();
            assert!(told.len() == 1 && told[0].contains("hand"), "{told:?}");
        }
        let assembler = introduced([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
        assert_eq!(mounting(&assembler), [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);
        assert_eq!(assembler.oddities().count(), 0);
    }

    #[test]
    fn two_nodes_of_one_role_are_told() {
        let mut assembler = introduced([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
        let twin = NodeInfo { node: 3, ..node_info([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]) };
        assembler.take(&Frame::NodeInfo(twin), None, &mut Vec::new()).unwrap();
        let told: Vec<String> = assembler.oddities().collect();
        assert_eq!(told, ["expected one hand node, found 0 and 3: their readings cannot be told apart"]);
    }

    #[test]
    fn a_greeting_whose_clock_comes_high_byte_first_is_told() {
        let told = |greeted_us: u64| -> Vec<String> {
            let mut assembler = introduced([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]);
            let info =
                NodeInfo { now_us: 7_000_500, ..node_info([1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0]) };
            let hello = Hello { version: Version::CURRENT, glove_id: 1, now_us: greeted_us };
            assembler.take_hello(&hello).unwrap();
            assembler.take_node_info(&info);
            assembler.oddities().collect()
        };
        assert_eq!([7_000_000, 0, 900_000_000, u64::MAX].map(told).concat(), [""; 0]);
        let swapped = told(7_000_000_u64.swap_bytes());
        assert!(swapped.len() == 1 && swapped[0].contains("Hello's now_us low byte first"), "{swapped:?}");
    }

    #[test]
    fn what_comes_in_another_version_is_not_taken_until_the_glove_greets_in_this_one() {
        let hello =
            |major| Frame::Hello(Hello { version: Version { major, minor: 0 }, glove_id: 1, now_us: 0 });
        let mut assembler = Assembler::new();
        let mut take = |frame: &Frame<'_>| assembler.take(frame, None, &mut Vec::new());
        let introduction = Frame::NodeInfo(node_info([0.0; 9]));
        assert!(matches!(take(&hello(2)), Err(AssemblyError::Version(_))));
        assert!(matches!(take(&introduction), Err(AssemblyError::Version(_))));
        assert!(take(&hello(1)).is_ok() && take(&introduction) == Ok(Heard::DescriptionChanged));
    }
}
