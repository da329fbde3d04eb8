//! NAME.device.json: what is known of the glove that a raw CSV came from.

use super::error::InputError;
use crate::sample::{DeviceDescription, NodeDescription, NodeRole, is_rotation, nominal_mounting};
use crate::units::PlayerHand;
use serde::{Deserialize, Serialize};
use std::path::Path;

#[derive(Debug, Serialize, Deserialize)]
struct DeviceFile {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    format: Option<String>,
    player_hand: PlayerHand,
    nodes: Vec<NodeEntry>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    serial: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    firmware: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct NodeEntry {
    node: u8,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    place: Option<String>,
    rate_hz: f64,
    gyro_fs_dps: f64,
    acc_fs_g: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    nominal_bandwidth_hz: Option<f64>,
    #[serde(default, rename = "mount_nominal_R", skip_serializing_if = "Option::is_none")]
    mount: Option<[[f64; 3]; 3]>,
}

/// Reads the text of a device file; `path` only names it in errors.
///
/// # Errors
/// It is no JSON of the known shape, or a value is out of its range.
pub fn read_device(text: &[u8], path: &Path) -> Result<DeviceDescription, InputError> {
    let file: DeviceFile = serde_json::from_slice(text).map_err(|error| InputError::Value {
        path: path.to_owned(),
        line: error.line(),
        column: error.column(),
        expected: "a JSON device description with player_hand and nodes".to_owned(),
        found: error.to_string(),
    })?;
    let wrong =
        |(expected, found): (String, String)| InputError::Format { path: path.to_owned(), expected, found };
    let mut nodes = file.nodes.iter().map(node).collect::<Result<Vec<_>, _>>().map_err(wrong)?;
    nodes.sort_by_key(|node| node.role);
    if let Some(pair) = nodes.windows(2).find(|pair| pair[0].role == pair[1].role) {
        let number = pair[0].role.number();
        return Err(wrong((format!("node {number} once"), "it twice".to_owned())));
    }
    Ok(DeviceDescription {
        player_hand: file.player_hand,
        nodes,
        serial: file.serial,
        firmware: file.firmware,
    })
}

fn node(entry: &NodeEntry) -> Result<NodeDescription, (String, String)> {
    let number = entry.node;
    let role = NodeRole::from_number(number)
        .ok_or_else(|| ("a node number from 0 to 3".to_owned(), number.to_string()))?;
    let place = role.word();
    if let Some(found) = entry.place.as_deref().filter(|found| *found != place) {
        return Err((format!("place {place} for node {number}"), super::quoted(found)));
    }
    let segment_from_sensor_nominal = entry.mount.unwrap_or_else(|| nominal_mounting(role));
    if !is_rotation(&segment_from_sensor_nominal) {
        let found = format!("{segment_from_sensor_nominal:?}");
        return Err((format!("a rotation matrix as mount_nominal_R of node {number}"), found));
    }
    Ok(NodeDescription {
        role,
        rate_hz: in_range(number, "rate_hz", entry.rate_hz, 20_000.0)?,
        gyro_full_scale_dps: in_range(number, "gyro_fs_dps", entry.gyro_fs_dps, 100_000.0)?,
        acc_full_scale_g: in_range(number, "acc_fs_g", entry.acc_fs_g, 10_000.0)?,
        bandwidth_hz: entry
            .nominal_bandwidth_hz
            .map(|hz| in_range(number, "nominal_bandwidth_hz", hz, 100_000.0))
            .transpose()?,
        segment_from_sensor_nominal,
    })
}

fn in_range(number: u8, name: &str, value: f64, most: f64) -> Result<f64, (String, String)> {
    if value > 0.0 && value <= most {
        return Ok(value);
    }
    Err((format!("{name} of node {number} above 0 and up to {most}"), value.to_string()))
}

/// The text of a device file.
///
/// # Errors
/// A value is not finite, so JSON cannot hold it.
pub fn device_text(device: &DeviceDescription) -> Result<String, serde_json::Error> {
    let entry = |node: &NodeDescription| NodeEntry {
        node: node.role.number(),
        place: Some(node.role.word().to_owned()),
        rate_hz: node.rate_hz,
        gyro_fs_dps: node.gyro_full_scale_dps,
        acc_fs_g: node.acc_full_scale_g,
        nominal_bandwidth_hz: node.bandwidth_hz,
        mount: Some(node.segment_from_sensor_nominal),
    };
    let file = DeviceFile {
        format: Some("hingeclock-device-1".to_owned()),
        player_hand: device.player_hand,
        nodes: device.nodes.iter().map(entry).collect(),
        serial: device.serial.clone(),
        firmware: device.firmware.clone(),
    };
    serde_json::to_string_pretty(&file).map(|text| text + "\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::NOMINAL_MOUNTING;

    fn read(text: &str) -> Result<DeviceDescription, String> {
        read_device(text.as_bytes(), Path::new("x.device.json")).map_err(|error| error.to_string())
    }

    fn with_node(node: &str) -> String {
        format!(r#"{{"player_hand": "left", "nodes": [{node}]}}"#)
    }

    #[test]
    fn a_description_survives_its_file() {
        let mut device = DeviceDescription::default();
        device.nodes[1].bandwidth_hz = Some(210.0);
        device.player_hand = PlayerHand::Left;
        device.serial = Some("KP-7".to_owned());
        assert_eq!(read(&device_text(&device).unwrap()).unwrap(), device);
    }

    #[test]
    fn what_is_not_said_is_nominal() {
        let device = read(&with_node(r#"{"node": 0, "rate_hz": 1000, "gyro_fs_dps": 2000, "acc_fs_g": 16}"#));
        let hand = device.unwrap().nodes.remove(0);
        assert_eq!((hand.bandwidth_hz, hand.segment_from_sensor_nominal), (None, NOMINAL_MOUNTING));
    }

    #[test]
    fn wrong_values_are_named() {
        let cases = [
            (
                r#"{"node": 9, "rate_hz": 1, "gyro_fs_dps": 1, "acc_fs_g": 1}"#,
                "expected a node number from 0 to 3, found 9",
            ),
            (
                r#"{"node": 0, "rate_hz": 0, "gyro_fs_dps": 1, "acc_fs_g": 1}"#,
                "expected rate_hz of node 0 above 0 and up to 20000, found 0",
            ),
            (
                r#"{"node": 0, "rate_hz": 1, "gyro_fs_dps": -1, "acc_fs_g": 1}"#,
                "expected gyro_fs_dps of node 0 above 0 and up to 100000, found -1",
            ),
            (
                r#"{"node": 0, "place": "belt", "rate_hz": 1, "gyro_fs_dps": 1, "acc_fs_g": 1}"#,
                "expected place hand for node 0, found \"belt\"",
            ),
            (
                r#"{"node": 0, "rate_hz": 1, "gyro_fs_dps": 1, "acc_fs_g": 1, "mount_nominal_R": [[1,0,0],[0,1,0],[0,0,-1]]}"#,
                "expected a rotation matrix as mount_nominal_R of node 0, found",
            ),
        ];
        for (node, expected) in cases {
            let error = read(&with_node(node)).unwrap_err();
            assert!(error.contains(expected), "{error}");
        }
    }

    #[test]
    fn broken_json_is_named_with_its_place() {
        let error = read("{\n \"player_hand\": \"both\"}").unwrap_err();
        assert!(error.starts_with("x.device.json, line 2, column"), "{error}");
        assert!(error.contains("unknown variant `both`"), "{error}");
    }
}
