//! Nodes that restart, clocks that drift or jump, readings that are no numbers: the swings after it are found
//! and measured all the same, live and offline.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
}

use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::sample::{Arrival, ImuSample, NodeRole};
use hingeclock::units::DeviceTime;
use support::analysis::{live, offline};

/// The first instant of the hand node.
fn hand_start(bucket: &VirtualBucket) -> DeviceTime {
    let hand = |arrival: &Arrival| match arrival {
        Arrival::Sample(sample) if sample.role == NodeRole::Hand => Some(sample.t),
        _ => None,
    };
    bucket.arrivals.iter().find_map(hand).unwrap()
}

/// The demo bucket with its samples changed; `from_s` is told as seconds since the first hand sample.
fn changed(change: impl Fn(&mut ImuSample, f64)) -> VirtualBucket {
    let mut bucket = VirtualBucket::demo(21);
    let start = hand_start(&bucket);
    let mut now_s = 0.0;
    for arrival in &mut bucket.arrivals {
        let Arrival::Sample(sample) = arrival else { continue };
        if sample.role == NodeRole::Hand {
            now_s = sample.t.seconds_since(start);
        }
        change(sample, now_s);
    }
    bucket
}

/// As many swings as there were, and set when they were. Where in the bucket the trouble comes is chosen so
/// that it does not hit a swing.
fn check(name: &str, bucket: &VirtualBucket) {
    for (path, swings) in [("offline", offline(bucket)), ("live", live(bucket))] {
        assert_eq!(swings.len(), bucket.truth.len(), "{name}, {path}");
        for (place, (swing, truth)) in swings.iter().zip(&bucket.truth).enumerate() {
            assert_eq!(swing.class.word(), truth.class, "{name}, {path}, swing {place}");
            if let (Some(set), Some(truth)) = (swing.set, truth.set) {
                let error_ms = set.set_to_top_ms.value - truth.set_to_top_ms;
                assert!(error_ms.abs() < 25.0, "{name}, {path}, swing {place}: {error_ms} ms");
            }
        }
    }
}

/// Half way between two swings, s since the first hand sample.
fn between(first: usize) -> f64 {
    let bucket = VirtualBucket::demo(21);
    bucket.truth[first].finish.unwrap().seconds_since(hand_start(&bucket)) + 2.0
}

#[test]
fn a_hand_node_that_restarts_goes_on() {
    let at_s = between(5);
    check(
        "hand restarts",
        &changed(|sample, now_s| {
            if sample.role == NodeRole::Hand && now_s > at_s {
                sample.t = sample.t.plus_seconds(-at_s);
                sample.seq = sample.seq.wrapping_sub(20_000);
            }
        }),
    );
}

#[test]
fn a_forearm_node_that_restarts_goes_on() {
    let at_s = between(5);
    check(
        "forearm restarts",
        &changed(|sample, now_s| {
            if sample.role == NodeRole::Forearm && now_s > at_s {
                sample.t = sample.t.plus_seconds(-at_s);
            }
        }),
    );
}

/// A long break with clocks 40 ppm apart: the offset has moved by 290 ms when play goes on.
#[test]
fn clocks_that_drift_over_a_break_are_followed() {
    let at_s = between(6);
    check(
        "drift",
        &changed(|sample, now_s| {
            if now_s > at_s {
                let ppm = if sample.role == NodeRole::Forearm { 40e-6 } else { 0.0 };
                sample.t = sample.t.plus_seconds(7200.0 * (1.0 + ppm));
            }
        }),
    );
}

#[test]
fn a_reading_that_is_no_number_costs_itself() {
    check(
        "not a number",
        &changed(|sample, now_s| {
            if now_s < 0.1 {
                sample.rate_dps[1] = f64::NAN;
            }
        }),
    );
}

/// Both clocks are set while the calibration runs: it is lost, the swings are not.
#[test]
fn a_clock_that_is_set_during_the_calibration_costs_the_calibration() {
    let bucket = changed(|sample, now_s| {
        if now_s > 12.0 {
            sample.t = sample.t.plus_seconds(1.7e9);
        }
    });
    for swings in [offline(&bucket), live(&bucket)] {
        assert_eq!(swings.len(), bucket.truth.len());
    }
}
