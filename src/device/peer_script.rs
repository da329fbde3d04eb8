//! What a firmware peer plays: a glove's description and timed arrivals, put into frames. Pure.

use crate::device::frames::counts_to_units;
use crate::device::replay::scheduled;
use crate::sample::{Arrival, DeviceDescription, ImuSample, NodeDescription, NodeRole};
use crate::units::{HostTime, PlayerHand};
use firmware_protocol::constants::{MAX_ANNOTATION_KIND, MAX_ANNOTATION_VALUE, MAX_INFO_TEXT};
use firmware_protocol::{BatchBuilder, DeviceInfo, NodeInfo, Reading, Role, WireSample};
use thiserror::Error;

/// A glove and everything it will say.
#[derive(Clone, Debug, PartialEq)]
pub struct PeerScript {
    description: DeviceDescription,
    items: Vec<(HostTime, Arrival)>,
}

/// Why something cannot be played.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ScriptError {
    /// A reading of a node that the description lacks.
    #[error("arrival {index}: expected a node of the description, found {role:?}")]
    UnknownNode {
        /// Which arrival, from 0.
        index: usize,
        /// The role in the reading.
        role: NodeRole,
    },
    /// A reading with an infinity or a NaN, or one too large for the wire.
    #[error("arrival {index}: expected finite readings, found an infinity, a NaN or one too large")]
    NotFinite {
        /// Which arrival, from 0.
        index: usize,
    },
    /// A text that is too long for its frame.
    #[error("{field}: expected at most {limit} bytes, found {found}: {text:?}")]
    TooLong {
        /// Which text.
        field: &'static str,
        /// Most bytes that it may have.
        limit: usize,
        /// The bytes that it has.
        found: usize,
        /// The text.
        text: String,
    },
    /// A rate or range that cannot be: not above 0, or not finite.
    #[error("{role:?}: expected a rate and full scales above 0, found {found}")]
    Range {
        /// The node's role.
        role: NodeRole,
        /// What was found.
        found: String,
    },
    /// Times that go back.
    #[error("arrival {index}: expected a time of at least {expected} µs, found {found} µs")]
    Order {
        /// Which arrival, from 0.
        index: usize,
        /// The time before it.
        expected: i64,
        /// Its time.
        found: i64,
    },
}

impl PeerScript {
    /// A script from arrivals and the times they are due at, in order of time.
    ///
    /// # Errors
    /// [`ScriptError`] when something cannot be said in frames.
    pub fn new(
        description: DeviceDescription,
        items: Vec<(HostTime, Arrival)>,
    ) -> Result<PeerScript, ScriptError> {
        check_description(&description)?;
        let mut latest = None;
        for (index, (at, arrival)) in items.iter().enumerate() {
            check_time(index, latest, *at)?;
            check_arrival(index, &description, arrival)?;
            latest = Some(*at);
        }
        Ok(PeerScript { description, items })
    }

    /// A script that plays stored arrivals as they reached the host then.
    ///
    /// # Errors
    /// [`ScriptError`] when something cannot be said in frames.
    pub fn from_arrivals(
        description: DeviceDescription,
        arrivals: Vec<Arrival>,
    ) -> Result<PeerScript, ScriptError> {
        PeerScript::new(description, scheduled(arrivals))
    }

    /// The glove.
    #[must_use]
    pub fn description(&self) -> &DeviceDescription {
        &self.description
    }

    /// Everything it will say, with the time it is due at.
    #[must_use]
    pub fn items(&self) -> &[(HostTime, Arrival)] {
        &self.items
    }

    /// The first time in it.
    #[must_use]
    pub fn start(&self) -> HostTime {
        self.items.first().map_or(HostTime(0), |(at, _)| *at)
    }

    /// The time on the clock of the node in this role when the script starts, µs.
    #[must_use]
    pub fn clock_start_us(&self, role: NodeRole) -> i64 {
        let first = self.items.iter().find_map(|(_, arrival)| match arrival {
            Arrival::Sample(sample) if sample.role == role => Some(sample.t.0),
            _ => None,
        });
        first.unwrap_or(0)
    }

    /// The readings from item `from` on that go into one frame of at most `limit` readings: one node,
    /// arriving together, with consecutive numbers. `clock_us` gives the time to be sent. None when the
    /// item is no reading.
    pub(super) fn batch(
        &self,
        from: usize,
        limit: usize,
        clock_us: impl Fn(&ImuSample) -> i64,
    ) -> Option<(BatchBuilder, usize)> {
        let (at, Arrival::Sample(first)) = self.items.get(from)? else { return None };
        let node = self.description.node(first.role)?;
        let wire = |sample: &ImuSample| wire_sample(sample, node, clock_us(sample));
        let mut batch = BatchBuilder::new(first.role.number(), wire(first)).ok()?;
        let mut end = from + 1;
        while let Some((next_at, Arrival::Sample(next))) = self.items.get(end) {
            let apart = next_at != at || next.role != first.role || batch.count() >= limit;
            // A reading that the batch refuses starts the next one.
            if apart || batch.push(wire(next)).is_err() {
                break;
            }
            end += 1;
        }
        Some((batch, end))
    }
}

/// A reading as it goes over the wire: in counts where that loses nothing, else in floats.
pub(crate) fn wire_sample(sample: &ImuSample, node: &NodeDescription, t_us: i64) -> WireSample {
    let ranges =
        [(node.gyro_full_scale_dps, sample.rate_dps), (node.acc_full_scale_g, sample.specific_force_g)];
    let mut counts = [0; 6];
    let mut exact = true;
    for (index, (full_scale, value)) in
        ranges.iter().flat_map(|(full_scale, values)| values.map(|value| (*full_scale, value))).enumerate()
    {
        match exact_counts(value, f64::from(full_scale as f32)) {
            Some(count) => counts[index] = count,
            None => exact = false,
        }
    }
    let floats = || {
        let [[gx, gy, gz], [ax, ay, az]] = ranges.map(|(_, values)| values.map(|value| value as f32));
        Reading::Floats([gx, gy, gz, ax, ay, az])
    };
    let reading = if exact { Reading::Counts(counts) } else { floats() };
    // The wire carries the low 32 bits.
    WireSample { seq: sample.seq, t_us: t_us as u32, reading }
}

/// The counts that stand for exactly this value, if there are such.
fn exact_counts(value: f64, full_scale: f64) -> Option<i16> {
    let counts = (value * 32768.0 / full_scale).round();
    let in_range = (f64::from(i16::MIN)..=f64::from(i16::MAX)).contains(&counts);
    let counts = in_range.then_some(counts as i16)?;
    // Bit for bit: a printed −0.0 is no count, either.
    (counts_to_units(counts, full_scale).to_bits() == value.to_bits()).then_some(counts)
}

/// The frame that introduces the glove.
pub(crate) fn device_info(description: &DeviceDescription) -> DeviceInfo<'_> {
    let player_hand = match description.player_hand {
        PlayerHand::Right => firmware_protocol::PlayerHand::Right,
        PlayerHand::Left => firmware_protocol::PlayerHand::Left,
    };
    DeviceInfo {
        player_hand: Some(player_hand),
        serial: description.serial.as_deref().unwrap_or(""),
        firmware: description.firmware.as_deref().unwrap_or(""),
        hardware: "",
    }
}

/// The frame that introduces a node whose clock shows `now_us`.
pub(crate) fn node_info(node: &NodeDescription, now_us: i64) -> NodeInfo {
    let rows = node.segment_from_sensor_nominal;
    let role = match node.role {
        NodeRole::Hand => Role::Hand,
        NodeRole::Forearm => Role::Forearm,
        NodeRole::Chest => Role::Chest,
        NodeRole::Belt => Role::Belt,
    };
    NodeInfo {
        node: node.role.number(),
        role,
        rate_hz: node.rate_hz as f32,
        gyro_full_scale_dps: node.gyro_full_scale_dps as f32,
        acc_full_scale_g: node.acc_full_scale_g as f32,
        bandwidth_hz: node.bandwidth_hz.map(|hz| hz as f32),
        temperature_centi_c: None,
        segment_from_sensor: std::array::from_fn(|index| rows[index / 3][index % 3] as f32),
        now_us: now_us as u64,
    }
}

fn check_description(description: &DeviceDescription) -> Result<(), ScriptError> {
    check_text("serial", description.serial.as_deref().unwrap_or(""), MAX_INFO_TEXT)?;
    check_text("firmware", description.firmware.as_deref().unwrap_or(""), MAX_INFO_TEXT)?;
    for node in &description.nodes {
        let numbers = [node.rate_hz, node.gyro_full_scale_dps, node.acc_full_scale_g];
        let sendable = |value: f64| (value as f32).is_finite() && value as f32 > 0.0;
        let bandwidth = node.bandwidth_hz.is_none_or(sendable);
        if !numbers.into_iter().all(sendable) || !bandwidth {
            let found = format!("{numbers:?}, bandwidth {:?}", node.bandwidth_hz);
            return Err(ScriptError::Range { role: node.role, found });
        }
    }
    Ok(())
}

fn check_time(index: usize, latest: Option<HostTime>, at: HostTime) -> Result<(), ScriptError> {
    match latest {
        Some(latest) if at < latest => Err(ScriptError::Order { index, expected: latest.0, found: at.0 }),
        _ => Ok(()),
    }
}

fn check_arrival(
    index: usize,
    description: &DeviceDescription,
    arrival: &Arrival,
) -> Result<(), ScriptError> {
    match arrival {
        Arrival::Sample(sample) => {
            let sendable = |value: &f64| (*value as f32).is_finite();
            if description.node(sample.role).is_none() {
                return Err(ScriptError::UnknownNode { index, role: sample.role });
            }
            if !sample.rate_dps.iter().chain(&sample.specific_force_g).all(sendable) {
                return Err(ScriptError::NotFinite { index });
            }
            Ok(())
        }
        Arrival::Marker { marker, .. } => {
            let (kind, value) = marker.fields();
            check_text("marker kind", kind, MAX_ANNOTATION_KIND)?;
            check_text("marker value", value, MAX_ANNOTATION_VALUE)
        }
    }
}

fn check_text(field: &'static str, text: &str, limit: usize) -> Result<(), ScriptError> {
    let found = text.len();
    if found <= limit {
        return Ok(());
    }
    Err(ScriptError::TooLong { field, limit, found, text: text.to_owned() })
}
