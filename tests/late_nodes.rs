//! A node that is always late on the wire, its clock sound, or whose batches come in the wrong order: swings are measured
//! as without it, or what is off is told. Live and offline.
//!
//! `SEEDS=4 FIRST=100 cargo test --test late_nodes` asks it of more buckets.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod bars;
    pub mod environment;
}

use hingeclock::detect::{Flag, Swing};
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::{Arrival, ImuSample, NodeRole};
use hingeclock::units::HostTime;
use support::analysis::{live, offline};
use support::bars::{found, wrong};
use support::environment::number;

/// The bucket in which everything of a node comes this much later.
fn late(bucket: &VirtualBucket, role: NodeRole, by_us: i64) -> VirtualBucket {
    let mut changed = bucket.clone();
    let mut now = HostTime(i64::MIN);
    let mut keyed: Vec<(HostTime, Arrival)> = Vec::new();
    for mut arrival in changed.arrivals.drain(..) {
        now = arrival.received().unwrap_or(now).max(now);
        let mut at = now;
        if let Arrival::Sample(sample) = &mut arrival
            && sample.role == role
        {
            at = HostTime(now.0 + by_us);
            sample.received = sample.received.map(|at| HostTime(at.0 + by_us));
        }
        keyed.push((at, arrival));
    }
    keyed.sort_by_key(|(at, _)| *at);
    changed.arrivals = keyed.into_iter().map(|(_, arrival)| arrival).collect();
    changed
}

/// The bucket in which of every forty readings of a node the second ten come before the first.
fn swapped(bucket: &VirtualBucket, role: NodeRole) -> VirtualBucket {
    let mut changed = bucket.clone();
    let of_node = changed.arrivals.iter_mut().filter_map(|arrival| match arrival {
        Arrival::Sample(sample) if sample.role == role => Some(sample),
        _ => None,
    });
    let mut of_node: Vec<&mut ImuSample> = of_node.collect();
    for forty in of_node.chunks_exact_mut(40) {
        for i in 0..10 {
            let (a, b) = (*forty[i], *forty[i + 10]);
            *forty[i] = ImuSample { received: a.received, ..b };
            *forty[i + 10] = ImuSample { received: b.received, ..a };
        }
    }
    changed
}

/// What is wrong with the trouble, though not without it, and not told.
fn untold(swings: &[Swing], sounds: &[Swing], truths: &[SwingTruth]) -> Vec<String> {
    let told = [Flag::ClocksUnsure, Flag::HandNodeAlone, Flag::DataGap];
    let of_swing = |(i, truth): (usize, &SwingTruth)| {
        let Some(swing) = found(swings, truth) else { return Some(format!("swing {i}: not found")) };
        let wrong = wrong(swing, found(sounds, truth).unwrap(), truth);
        let fails = !wrong.is_empty() && !told.iter().any(|flag| swing.flags.contains(flag));
        fails.then(|| format!("swing {i}: {wrong:?} {:?}", swing.flags))
    };
    truths.iter().enumerate().filter_map(of_swing).collect()
}

#[test]
fn what_the_wire_spoils_is_told() {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 1));
    let profiles = [Profile::Clean, Profile::Typical].into_iter();
    let mut failed = Vec::new();
    for (profile, seed) in
        profiles.flat_map(|profile| (first..first + seeds).map(move |seed| (profile, seed)))
    {
        let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
        let sounds = [offline(&bucket), live(&bucket)];
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            let troubles = [
                ("150 ms late", late(&bucket, role, 150_000)),
                ("250 ms late", late(&bucket, role, 250_000)),
                ("swapped", swapped(&bucket, role)),
            ];
            for (what, trouble) in troubles {
                for (path, swings, sounds) in
                    [("offline", offline(&trouble), &sounds[0]), ("live", live(&trouble), &sounds[1])]
                {
                    let here = format!("{} {seed} {role:?} {what} {path}", profile.word());
                    let untold = untold(&swings, sounds, &bucket.truth);
                    failed.extend(untold.iter().map(|what| format!("{here}, {what}")));
                }
            }
        }
    }
    assert!(failed.is_empty(), "{} wrong:\n{}", failed.len(), failed.join("\n"));
}
