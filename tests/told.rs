//! The set is told while the swing is going on: how soon, how rightly, and never in anything else.
//!
//! Prints its tables: `cargo test --test told -- --nocapture`; `SEEDS=10` for more study buckets, `FIRST=100`
//! from that seed on, `PER_SWING=1` a line each.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod sessions;
    pub mod told;
}

use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use support::sessions::{folder, sessions};
use support::told::{Story, Told, quantile, table};

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

fn per_swing(told: &Told) {
    if std::env::var_os("PER_SWING").is_some() {
        told.print();
    }
    for stray in told.strays() {
        println!("{}: stray {stray:?}", told.name);
    }
}

#[test]
fn sets_of_study_buckets_are_told() {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 1));
    for profile in Profile::ALL {
        let (mut stories, mut strays) = (Vec::new(), 0);
        for seed in first..first + seeds {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            let told = Told::of(&format!("{} {seed}", profile.word()), &bucket.device, &bucket.arrivals);
            per_swing(&told);
            strays += told.strays().len();
            stories.extend(told.stories());
        }
        println!("{}", table(profile.word(), &stories));
        assert_eq!(strays, 0, "{}: calls outside of swings", profile.word());
    }
}
