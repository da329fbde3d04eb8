//! A steady stream of readings whose every value tells its place, and the check that a CSV holds all of them.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use hingeclock::device::PeerScript;
use hingeclock::device::frames::counts_to_units;
use hingeclock::record::csv_writer::csv_line;
use hingeclock::sample::{Arrival, DeviceDescription, ImuSample, NodeRole};
use hingeclock::units::{DeviceTime, HostTime};
use std::path::Path;

/// Readings in a frame, and the time between two frames of a node.
const PER_FRAME: i64 = 5;
const FRAME_US: i64 = 10_000;

/// Two nodes at 500 Hz, nearly still, five readings a frame: 200 frames a second.
pub fn script(device: &DeviceDescription, seconds: f64) -> PeerScript {
    let frames = (seconds * 1e6) as i64 / FRAME_US;
    let mut items = Vec::new();
    for frame in 0..frames {
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            for index in frame * PER_FRAME..(frame + 1) * PER_FRAME {
                items.push((HostTime(frame * FRAME_US), Arrival::Sample(reading(role, index))));
            }
        }
    }
    PeerScript::new(device.clone(), items).unwrap()
}

fn reading(role: NodeRole, index: i64) -> ImuSample {
    let small = |axis: i64| ((index * 7 + axis * 13) % 41 - 20) as i16;
    let (rate, force) =
        (|axis| counts_to_units(small(axis), 4000.0), |axis| counts_to_units(small(axis), 32.0));
    ImuSample {
        role,
        seq: 1000 + index as u32,
        t: DeviceTime(50_000_000 + index * 2000 + i64::from(role.number()) * 300),
        rate_dps: [0, 1, 2].map(rate),
        specific_force_g: [force(3), force(4), 1.0],
        received: None,
    }
}

/// What a row says of the sensor: all but the time of arrival.
fn sensor_part(line: &str) -> String {
    line.splitn(10, ',').take(9).collect::<Vec<_>>().join(",")
}

/// Every reading of the script stands in the CSV, once, unchanged, each node's in order.
pub fn check_rows(csv: &Path, script: &PeerScript) {
    let text = std::fs::read_to_string(csv).unwrap();
    for role in [NodeRole::Hand, NodeRole::Forearm] {
        let expected: Vec<String> = script
            .items()
            .iter()
            .filter_map(|(_, arrival)| match arrival {
                Arrival::Sample(sample) if sample.role == role => {
                    Some(sensor_part(csv_line(sample, Some(script.description())).trim_end()))
                }
                _ => None,
            })
            .collect();
        let node = role.number().to_string();
        let found: Vec<String> = text
            .lines()
            .skip(1)
            .filter(|line| line.split(',').nth(1) == Some(&node))
            .map(sensor_part)
            .collect();
        let differs = expected.iter().zip(&found).position(|(expected, found)| expected != found);
        assert_eq!(
            (found.len(), differs.map(|at| (&expected[at], &found[at]))),
            (expected.len(), None),
            "{role:?}: rows in the CSV, and the first that differs"
        );
    }
    println!("{} readings on disk, each once and in order", script.items().len());
}
