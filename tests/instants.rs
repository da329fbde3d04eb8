//! The bars of the instants (takeaway, top, impact, finish, and where the hinge passes its shares), and of the tempo, against the
//! virtual glove's own truth, which has each of them by the same definition.
//!
//! Prints two tables: `SEEDS=10 cargo test --test instants -- --nocapture`; `FIRST=100` starts at that seed,
//! `PER_SWING=1` adds a line for each instant of each swing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod environment;
    pub mod score;
}

use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use support::analysis::{hand_alone, offline, offline_of};
use support::environment::number;
use support::score::{INSTANTS, Scored, SwingScore, percentile, score, within};

/// Least shares within one bar and within two. Of normal errors 0.68 and 0.95 lie within them; the swings of a bucket go
/// wrong together, so of six buckets' 48 a share may well be off by a sixth.
const HOLD: [f64; 2] = [0.5, 0.85];
/// With the hand node alone the takeaway has a long tail: of a wrist that moves before the arm the hand tells little.
const HOLD_ALONE: [f64; 2] = [0.5, 0.75];

/// The swings of buckets, with both nodes or with the hand's alone.
fn swings(profile: Profile, alone: bool) -> Vec<SwingScore> {
    let (first, seeds) = (number("FIRST", 100), number("SEEDS", 6));
    let scenario = if alone { Scenario::bodies } else { Scenario::study };
    let bucket = |seed| VirtualBucket::play(&scenario(profile, seed), seed);
    let scored = |seed| {
        let bucket = bucket(seed);
        let swings = if alone {
            let (device, arrivals) = hand_alone(&bucket.device, &bucket.arrivals);
            offline_of(&device, &arrivals)
        } else {
            offline(&bucket)
        };
        let score = score(&swings, &bucket.truth);
        let lines = score.swings.iter().filter(|_| std::env::var_os("PER_SWING").is_some());
        for swing in lines {
            for (name, scored) in named(swing) {
                println!(
                    "ROW {} {alone} {seed} {} {name} {:.3} {:.3}",
                    profile.word(),
                    swing.place,
                    scored.error,
                    scored.sd
                );
            }
        }
        score.swings
    };
    (first..first + seeds).flat_map(scored).collect()
}

/// What is told of a swing with a bar, by its name.
fn named(swing: &SwingScore) -> impl Iterator<Item = (&'static str, Scored)> {
    let instants = INSTANTS.into_iter().zip(swing.instants_ms);
    instants.chain([("tempo", swing.tempo)]).filter_map(|(name, scored)| Some((name, scored?)))
}

/// Prints a line for each number, and checks that its bars hold.
fn check(profile: Profile, alone: bool) {
    let swings = swings(profile, alone);
    let who = if alone { "hand alone" } else { "both nodes" };
    for name in INSTANTS.into_iter().chain(["tempo"]) {
        let scored: Vec<Scored> =
            swings.iter().flat_map(named).filter(|(of, _)| *of == name).map(|(_, scored)| scored).collect();
        let (one, two) = (within(&scored, 1.0), within(&scored, 2.0));
        let error = |share| percentile(scored.iter().map(|scored| scored.error), share);
        let mean = scored.iter().map(|scored| scored.error).sum::<f64>() / scored.len() as f64;
        let bar = percentile(scored.iter().map(|scored| scored.sd), 0.5);
        println!(
            "{who} {:8} {name:18} {:4} p50 {:6.2} p95 {:6.2} mean {mean:6.2} bar {bar:6.2} within one {one:.2} two {two:.2}",
            profile.word(),
            scored.len(),
            error(0.5),
            error(0.95)
        );
        let least = if alone { HOLD_ALONE } else { HOLD };
        assert!(one >= least[0] && two >= least[1], "{who}, {}, {name}: {one:.2} {two:.2}", profile.word());
    }
}

#[test]
fn instants_lie_within_their_bars() {
    for profile in Profile::ALL {
        check(profile, false);
    }
}

#[test]
fn with_the_hand_node_alone_too() {
    for profile in [Profile::Clean, Profile::Typical] {
        check(profile, true);
    }
}
