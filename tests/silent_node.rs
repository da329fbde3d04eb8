//! One node falls silent for a while, or for good, while the other is heard. Swings that both saw are measured as before,
//! those that only the hand saw are told by it alone, and none is made up.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod environment;
    pub mod lost;
    pub mod score;
}

use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::NodeRole;
use hingeclock::units::DeviceTime;
use support::analysis::{live, offline};
use support::environment::number;
use support::lost::without;
use support::score::score;

/// The bucket without a node's readings between two instants of the hand's clock.
fn silenced(bucket: &VirtualBucket, silent: NodeRole, from: DeviceTime, for_s: f64) -> VirtualBucket {
    without(bucket, |role, hand| role == silent && (0.0..for_s).contains(&hand.seconds_since(from)))
}

/// Where a silence may begin in a swing, and for how long it lasts, s: the last is for good.
fn silences(swing: &SwingTruth) -> Vec<(&'static str, DeviceTime, f64)> {
    let begins = [
        ("address", swing.takeaway.plus_seconds(-1.0)),
        ("backswing", swing.takeaway.plus_seconds(0.4)),
        ("top", swing.top),
        ("downswing", swing.top.plus_seconds(0.12)),
        ("ball", swing.arm_back.plus_seconds(0.01)),
        ("behind the ball", swing.arm_back.plus_seconds(0.2)),
        ("finish", swing.top.plus_seconds(1.3)),
    ];
    let lasting = |(name, from)| [0.5, 1.0, 4.0, 6.0, 1e9].map(|for_s| (name, from, for_s));
    begins.into_iter().flat_map(lasting).collect()
}

/// Whether a swing, from its address to where it is told, lies clear of a silence.
fn is_clear(swing: &SwingTruth, from: DeviceTime, for_s: f64) -> bool {
    swing.arm_back.plus_seconds(0.2).seconds_since(from) < 0.0
        || swing.takeaway.plus_seconds(-3.5).seconds_since(from) > for_s
}

/// Both paths over a bucket with a silence in its middle swing: nothing is made up, sets keep to their bars, and the
/// places of the swings that were not found are handed to `check`.
fn with_silences(role: NodeRole, check: impl Fn(&SwingTruth, DeviceTime, f64) -> bool) {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 1));
    for seed in first..first + seeds {
        let bucket = VirtualBucket::play(&Scenario::study(Profile::Typical, seed), seed);
        for (name, from, for_s) in silences(&bucket.truth[bucket.truth.len() / 2]) {
            let changed = silenced(&bucket, role, from, for_s);
            for (path, swings) in [("offline", offline(&changed)), ("live", live(&changed))] {
                let of = format!("seed {seed}, {role:?} from {name} for {for_s} s, {path}");
                let score = score(&swings, &bucket.truth);
                assert_eq!(score.invented, [0; 0], "{of}");
                for place in score.missed {
                    assert!(check(&bucket.truth[place], from, for_s), "{of}: swing {place} is not found");
                }
                for (place, set) in score.swings.iter().filter_map(|swing| Some((swing.place, swing.set_ms?)))
                {
                    assert!(set.error.abs() < 4.0 * set.sd, "{of}: set of swing {place}: {set:?} ms");
                }
            }
        }
    }
}

#[test]
fn a_cuff_that_falls_silent_costs_no_swing() {
    with_silences(NodeRole::Forearm, |_, _, _| false);
}

#[test]
fn a_hand_that_falls_silent_costs_the_swings_that_it_did_not_see() {
    with_silences(NodeRole::Hand, |missed, from, for_s| !is_clear(missed, from, for_s));
}
