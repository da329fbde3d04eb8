//! Virtual buckets of which readings are lost.

use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::sample::{Arrival, NodeRole};
use hingeclock::units::DeviceTime;

/// The bucket without a node's readings where `is_lost` says so, of the node and the newest instant of the hand's clock:
/// the forearm's readings go with the hand's that come beside them.
pub fn without(bucket: &VirtualBucket, is_lost: impl Fn(NodeRole, DeviceTime) -> bool) -> VirtualBucket {
    let mut changed = bucket.clone();
    let mut hand = DeviceTime(i64::MIN / 2);
    changed.arrivals.retain(|arrival| {
        let Arrival::Sample(sample) = arrival else { return true };
        if sample.role == NodeRole::Hand {
            hand = sample.t;
        }
        !is_lost(sample.role, hand)
    });
    changed
}
