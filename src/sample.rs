//! What a glove says, in the order in which it arrived: samples and markers, and the glove's own description.
//!
//! Numbers stay in the sensor's units (°/s and g), just as they were sent; `fusion` converts at its edge.

use crate::units::{DeviceTime, HostTime, PlayerHand};
use serde::{Deserialize, Serialize};

/// Where a node sits on the player.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NodeRole {
    /// On the back of the lead hand.
    Hand,
    /// On the cuff above the lead wrist.
    Forearm,
    /// On the breastbone.
    Chest,
    /// On the belt, at the back.
    Belt,
}

impl NodeRole {
    /// Every role, in the order of its number.
    pub const ALL: [NodeRole; 4] = [NodeRole::Hand, NodeRole::Forearm, NodeRole::Chest, NodeRole::Belt];

    /// The number of this role in the raw CSV and on the wire.
    #[must_use]
    pub fn number(self) -> u8 {
        self as u8
    }

    /// The role with this number, if there is one.
    #[must_use]
    pub fn from_number(number: u8) -> Option<NodeRole> {
        NodeRole::ALL.get(usize::from(number)).copied()
    }

    /// The word for it in markers, files and sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            NodeRole::Hand => "hand",
            NodeRole::Forearm => "forearm",
            NodeRole::Chest => "chest",
            NodeRole::Belt => "belt",
        }
    }
}

/// One reading of one node.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImuSample {
    /// The node that took it.
    pub role: NodeRole,
    /// The node's running number, unwrapped; a step of more than one is a loss.
    pub seq: u32,
    /// When it was taken, on the node's clock.
    pub t: DeviceTime,
    /// Angular rate in the sensor frame, °/s.
    pub rate_dps: [f64; 3],
    /// Specific force in the sensor frame, g: at rest +1 g along the upward axis.
    pub specific_force_g: [f64; 3],
    /// When it reached the host, where that is known.
    pub received: Option<HostTime>,
}

/// One part of the calibration that the player is led through.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum CalibrationPart {
    /// Arm and hand still.
    Still,
    /// Bend the wrist to the palm and back.
    Flex,
    /// Hinge the wrist to the thumb and back.
    Hinge,
    /// Turn the forearm, wrist kept still.
    Roll,
    /// Stand at the ball.
    Address,
}

impl CalibrationPart {
    /// Every part, in the order in which it is asked for, with the word that stands in a marker.
    pub const ALL: [(CalibrationPart, &'static str); 5] = [
        (CalibrationPart::Still, "still"),
        (CalibrationPart::Flex, "calib_flex"),
        (CalibrationPart::Hinge, "calib_hinge"),
        (CalibrationPart::Roll, "calib_roll"),
        (CalibrationPart::Address, "address"),
    ];

    /// The word that stands in a marker.
    #[must_use]
    pub fn word(self) -> &'static str {
        CalibrationPart::ALL[self as usize].1
    }

    /// The part that a marker's word names, if any.
    #[must_use]
    pub fn from_word(word: &str) -> Option<CalibrationPart> {
        CalibrationPart::ALL.iter().find(|(_, w)| *w == word).map(|(part, _)| *part)
    }
}

/// Something said beside the samples: a calibration prompt, a change of club, a battery reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Marker {
    /// The player was asked for this part of the calibration.
    Prompt(CalibrationPart),
    /// From here on the player uses this club.
    Club(String),
    /// Anything else, kept as it came: kind and value as in the markers file.
    Note {
        /// What it is about: `battery`, `time`, `mark` …
        kind: String,
        /// What it says.
        value: String,
    },
}

impl Marker {
    /// Reads the two text fields of a markers file or an annotation frame.
    #[must_use]
    pub fn from_fields(kind: &str, value: &str) -> Marker {
        match (kind, CalibrationPart::from_word(value)) {
            ("prompt", Some(part)) => Marker::Prompt(part),
            ("club", _) => Marker::Club(value.to_owned()),
            _ => Marker::Note { kind: kind.to_owned(), value: value.to_owned() },
        }
    }

    /// The two text fields of a markers file or an annotation frame: kind and value.
    #[must_use]
    pub fn fields(&self) -> (&str, &str) {
        match self {
            Marker::Prompt(part) => ("prompt", part.word()),
            Marker::Club(club) => ("club", club),
            Marker::Note { kind, value } => (kind, value),
        }
    }
}

/// One thing that reached the host. The order of arrivals is kept everywhere: a marker belongs to the
/// samples that stand after it.
#[derive(Clone, Debug, PartialEq)]
pub enum Arrival {
    /// A reading.
    Sample(ImuSample),
    /// Something said beside the samples, and when.
    Marker {
        /// Arrival on the host clock, where known.
        received: Option<HostTime>,
        /// What was said.
        marker: Marker,
    },
}

impl Arrival {
    /// When it was received, on the host clock, where known.
    #[must_use]
    pub fn received(&self) -> Option<HostTime> {
        match self {
            Arrival::Sample(sample) => sample.received,
            Arrival::Marker { received, .. } => *received,
        }
    }
}

/// What is known of one node.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeDescription {
    /// Where it sits.
    pub role: NodeRole,
    /// Nominal sampling rate, Hz.
    pub rate_hz: f64,
    /// Angular rate at which it clips, °/s.
    pub gyro_full_scale_dps: f64,
    /// Specific force at which it clips, g.
    pub acc_full_scale_g: f64,
    /// Corner of its low-pass filter (second order), Hz, where known: it tells the delay of the samples.
    pub bandwidth_hz: Option<f64>,
    /// Nominal mounting, row by row: `v_segment = R v_sensor`.
    pub segment_from_sensor_nominal: [[f64; 3]; 3],
}

/// What is known of a glove and of the hand it sits on.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceDescription {
    /// The side the player plays from.
    pub player_hand: PlayerHand,
    /// The nodes, in order of their role.
    pub nodes: Vec<NodeDescription>,
    /// The glove's serial number, where it has one.
    pub serial: Option<String>,
    /// The glove's firmware version, where it says one.
    pub firmware: Option<String>,
}

/// Nominal mounting of a node on the arm: sensor x along the arm towards the fingers, sensor z out of the back of
/// the hand. The ISB axes are x volar, y proximal, z = x × y.
pub const NOMINAL_MOUNTING: [[f64; 3]; 3] = [[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]];

/// Nominal mounting of a node in this role. On the trunk, whose ISB axes are x forwards, y up, z to the right,
/// the sensor's x points up and its z out of the body: forwards on the breastbone, backwards on the belt.
#[must_use]
pub fn nominal_mounting(role: NodeRole) -> [[f64; 3]; 3] {
    match role {
        NodeRole::Hand | NodeRole::Forearm => NOMINAL_MOUNTING,
        NodeRole::Chest => [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        NodeRole::Belt => [[0.0, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0]],
    }
}

/// Whether rows are those of a rotation, within a thousandth: orthonormal, the third the cross product of the first two.
#[must_use]
pub fn is_rotation(m: &[[f64; 3]; 3]) -> bool {
    let dot = |a: &[f64; 3], b: &[f64; 3]| a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
    let cross = [
        m[0][1] * m[1][2] - m[0][2] * m[1][1],
        m[0][2] * m[1][0] - m[0][0] * m[1][2],
        m[0][0] * m[1][1] - m[0][1] * m[1][0],
    ];
    let near = |found: f64, expected: f64| (found - expected).abs() <= 1e-3;
    near(dot(&m[0], &m[0]), 1.0)
        && near(dot(&m[1], &m[1]), 1.0)
        && near(dot(&m[0], &m[1]), 0.0)
        && near(dot(&cross, &m[2]), 1.0)
        && near(dot(&m[2], &m[2]), 1.0)
}

impl DeviceDescription {
    /// The description of the node in this role, if the glove has one.
    #[must_use]
    pub fn node(&self, role: NodeRole) -> Option<&NodeDescription> {
        self.nodes.iter().find(|node| node.role == role)
    }
}

impl NodeDescription {
    /// A node of which nothing is known but its role: 500 Hz, ±4000 °/s and ±32 g, nominally mounted.
    #[must_use]
    pub fn nominal(role: NodeRole) -> NodeDescription {
        NodeDescription {
            role,
            rate_hz: 500.0,
            gyro_full_scale_dps: 4000.0,
            acc_full_scale_g: 32.0,
            bandwidth_hz: None,
            segment_from_sensor_nominal: nominal_mounting(role),
        }
    }
}

impl Default for DeviceDescription {
    /// A right-handed player's glove with two nodes at 500 Hz, ±4000 °/s and ±32 g, nominally mounted.
    fn default() -> DeviceDescription {
        DeviceDescription {
            player_hand: PlayerHand::Right,
            nodes: [NodeRole::Hand, NodeRole::Forearm].map(NodeDescription::nominal).into(),
            serial: None,
            firmware: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn markers_survive_their_two_fields() {
        for (kind, value) in
            [("prompt", "calib_flex"), ("prompt", "dance"), ("club", "iron"), ("battery", "hand=4.1V")]
        {
            assert_eq!(Marker::from_fields(kind, value).fields(), (kind, value));
        }
        assert_eq!(Marker::from_fields("prompt", "still"), Marker::Prompt(CalibrationPart::Still));
    }

    #[test]
    fn roles_survive_their_number() {
        for role in NodeRole::ALL {
            assert_eq!(NodeRole::from_number(role.number()), Some(role));
        }
        assert_eq!(NodeRole::from_number(4), None);
    }
}
