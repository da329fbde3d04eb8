//! What a node's readings contradict by themselves, over study buckets: random players, clean to harsh sensors. None is
//! doubted without reason, and the mistakes that would give plausible numbers are told.
//!
//! `SEEDS=10 FIRST=100 cargo test --test sensor_doubts -- --nocapture` prints how many were told.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod environment;
}

use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use hingeclock::fusion::sensor_doubts::{Axes, Doubt, GloveWatch};
use hingeclock::sample::{Arrival, ImuSample, NodeRole};
use support::environment::number;

fn buckets() -> impl Iterator<Item = (String, VirtualBucket)> {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 2));
    Profile::ALL.into_iter().flat_map(move |profile| {
        (first..first + seeds).map(move |seed| {
            let name = format!("{} {seed}", profile.word());
            (name, VirtualBucket::play(&Scenario::study(profile, seed), seed))
        })
    })
}

/// Doubts of the nodes on the arm, the samples changed so.
fn doubts(bucket: &VirtualBucket, change: impl Fn(&mut ImuSample)) -> Vec<Doubt> {
    let mut watch = GloveWatch::new(&bucket.device);
    for arrival in &bucket.arrivals {
        if let Arrival::Sample(sample) = arrival {
            let mut sample = *sample;
            change(&mut sample);
            watch.push(&sample);
        }
    }
    let arm = watch.nodes().filter(|(role, _)| matches!(role, NodeRole::Hand | NodeRole::Forearm));
    arm.flat_map(|(_, node)| node.doubts()).collect()
}

#[test]
fn a_sound_glove_is_not_doubted() {
    for (name, bucket) in buckets() {
        assert_eq!(doubts(&bucket, |_| {}), [], "{name}");
    }
}

/// A mistake is told rightly or not at all: poor sensors and restless players may show too few turns from rest to rest.
/// Good ones show enough.
#[test]
fn mistakes_that_give_plausible_numbers_are_told_rightly() {
    let (mut nodes, mut scale, mut backwards) = (0, 0, 0);
    for (name, bucket) in buckets() {
        let scaled = doubts(&bucket, |sample| sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.85));
        let mirrored = doubts(&bucket, |sample| {
            sample.rate_dps[1] = -sample.rate_dps[1];
            sample.specific_force_g[1] = -sample.specific_force_g[1];
        });
        println!("{name}: {scaled:?}, mirrored {mirrored:?}");
        let right =
            |doubt: &Doubt| matches!(doubt, Doubt::GyroScale(scale) if (scale * 0.85 - 1.0).abs() < 0.05);
        assert!(scaled.iter().all(right), "{name}: {scaled:?}");
        let all_signs = Doubt::GyroAxes(Axes([(0, -1), (1, -1), (2, -1)]));
        assert!(mirrored.iter().all(|doubt| *doubt == all_signs), "{name}: {mirrored:?}");
        if name.starts_with(Profile::Clean.word()) {
            assert_eq!((scaled.len(), mirrored.len()), (2, 2), "{name}");
        }
        (nodes, scale, backwards) = (nodes + 2, scale + scaled.len(), backwards + mirrored.len());
    }
    println!("of {nodes} nodes: scale told {scale}, left-handed axes told {backwards}");
}
