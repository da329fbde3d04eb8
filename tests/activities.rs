//! What a player does besides swinging is never taken for a swing, and every swing is found once, live and
//! offline, with good sensors and poor ones.
//!
//! `SEEDS=20 cargo test --test activities -- --nocapture` tries more of them, `FIRST=100` from that seed on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod environment;
    pub mod score;
}

use hingeclock::detect::Swing;
use hingeclock::device::virtual_glove::activity::ActivityKind;
use hingeclock::device::virtual_glove::clock::NodeClock;
use hingeclock::device::virtual_glove::everyday::Everyday;
use hingeclock::device::virtual_glove::{Cue, GloveStream, Plan, Profile, Scenario, VirtualBucket};
use hingeclock::sample::NodeRole;
use support::analysis::{live, offline};
use support::environment::number;
use support::score::score;

fn seeds(usually: u64) -> std::ops::Range<u64> {
    let first = number("FIRST", 1);
    first..first + number("SEEDS", usually)
}

/// What the player was doing when a swing was seen.
fn doing_at(scenario: &Scenario, seed: u64, swing: &Swing) -> Option<ActivityKind> {
    let stream = GloveStream::new(scenario, seed);
    let clock: NodeClock = *stream.clock(NodeRole::Hand)?;
    let top_us = swing.top.0;
    stream
        .activities()
        .find(|activity| clock.stamp(activity.end_s()).0 >= top_us)
        .map(|activity| activity.kind)
}

#[test]
fn everyday_movements_are_no_swings() {
    let mut wrong = Vec::new();
    for profile in Profile::ALL {
        for seed in seeds(1) {
            let mut scenario = Scenario::everyday(profile, seed);
            if let Plan::Listed(cues) = &mut scenario.plan {
                cues.extend([Everyday::Flourish, Everyday::Flourish].map(Cue::Everyday));
            }
            let bucket = VirtualBucket::play(&scenario, seed);
            assert_eq!(bucket.truth.len(), 0);
            for (path, swings) in [("offline", offline(&bucket)), ("live", live(&bucket))] {
                for swing in &swings {
                    let doing = doing_at(&scenario, seed, swing);
                    wrong.push(format!("{} {seed} {path}: {doing:?} at {:?}", profile.word(), swing.top));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "taken for swings:\n{}", wrong.join("\n"));
}

#[test]
fn every_swing_is_found_once_and_none_is_invented() {
    let (mut wrong, mut expected) = (Vec::new(), 0);
    for profile in Profile::ALL {
        for seed in seeds(2) {
            let scenario = Scenario::study(profile, seed);
            let bucket = VirtualBucket::play(&scenario, seed);
            for (path, swings) in [("offline", offline(&bucket)), ("live", live(&bucket))] {
                let score = score(&swings, &bucket.truth);
                let name = format!("{} {seed} {path}", profile.word());
                expected += score.expected;
                for place in &score.missed {
                    let truth = &bucket.truth[*place];
                    wrong.push(format!("{name}: missed {place} {:?} {}", truth.size, truth.class));
                }
                for place in &score.invented {
                    let doing = doing_at(&scenario, seed, &swings[*place]);
                    wrong.push(format!("{name}: invented in {doing:?} at {:?}", swings[*place].top));
                }
                for swing in score.swings.iter().filter(|swing| !swing.impact_agrees) {
                    let truth = &bucket.truth[swing.place];
                    wrong.push(format!(
                        "{name}: impact of {} {:?}, {:?}",
                        swing.place, truth.size, truth.impact
                    ));
                }
            }
        }
    }
    println!("{expected} swings, {} wrong", wrong.len());
    assert!(wrong.is_empty(), "of {expected}:\n{}", wrong.join("\n"));
}
