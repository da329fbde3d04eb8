//! A virtual bucket through the two paths of the analysis.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::{AnalysisParams, LiveAnalysis, OfflineAnalysis, Swing};
use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::sample::{Arrival, DeviceDescription, NodeRole};

/// All at once.
pub fn offline(bucket: &VirtualBucket) -> Vec<Swing> {
    offline_of(&bucket.device, &bucket.arrivals)
}

/// All at once, whatever it came from.
pub fn offline_of(device: &DeviceDescription, arrivals: &[Arrival]) -> Vec<Swing> {
    let mut analysis = OfflineAnalysis::new(device, AnalysisParams::default());
    arrivals.iter().for_each(|arrival| analysis.push(arrival));
    analysis.finish().swings
}

/// What is left of a glove whose forearm node is missing.
pub fn hand_alone(device: &DeviceDescription, arrivals: &[Arrival]) -> (DeviceDescription, Vec<Arrival>) {
    let of_hand =
        |arrival: &&Arrival| !matches!(arrival, Arrival::Sample(sample) if sample.role != NodeRole::Hand);
    let mut device = device.clone();
    device.nodes.retain(|node| node.role == NodeRole::Hand);
    (device, arrivals.iter().filter(of_hand).cloned().collect())
}

/// As the player plays.
pub fn live(bucket: &VirtualBucket) -> Vec<Swing> {
    let mut analysis = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
    let mut swings: Vec<Swing> =
        bucket.arrivals.iter().flat_map(|arrival| analysis.push(arrival)).map(|live| live.swing).collect();
    swings.extend(analysis.finish().into_iter().map(|live| live.swing));
    swings
}
