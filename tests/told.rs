//! The set is told while the swing is going on: how soon, how rightly, and never in anything else.
//!
//! Prints its tables: `cargo test --test told -- --nocapture`; `SEEDS=10` for more study buckets, `FIRST=100`
//! from that seed on, `PER_SWING=1` a line each.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod environment;
    pub mod sessions;
    pub mod told;
}

use hingeclock::device::virtual_glove::scenario::{Cue, Plan};
use hingeclock::device::virtual_glove::swing::{BodyWay, HingeWay, SetAim, Style, SwingSize};
use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use std::collections::BTreeMap;
use std::path::Path;
use support::binary::run;
use support::environment::number;
use support::sessions::{folder, sessions};
use support::told::{Story, Told, kept_back, quantile, table};

fn seeds() -> std::ops::Range<u64> {
    let first = number("FIRST", 1);
    first..first + number("SEEDS", 1)
}

/// Calls that belong to no swing, told.
fn strays(told: &Told) -> usize {
    if std::env::var_os("PER_SWING").is_some() {
        told.print();
    }
    for stray in told.strays() {
        println!("{}: stray {stray:?}", told.name);
    }
    told.strays().len()
}

/// Every profile's study buckets: the calls stay within swings.
#[test]
fn sets_of_study_buckets_are_told_in_swings_only() {
    let mut astray = 0;
    for profile in Profile::ALL {
        let mut stories = Vec::new();
        for seed in seeds() {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            let told = Told::of(&format!("{} {seed}", profile.word()), &bucket.device, &bucket.arrivals);
            astray += strays(&told);
            stories.extend(told.stories());
        }
        println!("{}\n{}", table(profile.word(), &stories), kept_back(&stories));
    }
    assert_eq!(astray, 0, "calls outside of swings");
}

fn full_swing(travel: f64) -> Cue {
    Cue::Swing(Box::new(Style {
        size: SwingSize::Full,
        set: SetAim::Travel(travel),
        air: false,
        pause_s: 0.0,
        way: HingeWay::default(),
        press_deg: 0.0,
        give_deg: 0.0,
        body: BodyWay::default(),
        pace: 1.0,
        more_hinge_deg: 0.0,
    }))
}

/// A player who is known by now goes through everything that is no swing: waggles, rehearsals, backswings that
/// are broken off, walks.
#[test]
fn everyday_movements_of_a_known_player_stay_silent() {
    let (mut astray, mut told_swings) = (0, 0);
    for profile in Profile::ALL {
        for seed in seeds() {
            let mut scenario = Scenario::everyday(profile, seed);
            let Plan::Listed(cues) = &mut scenario.plan else { panic!("everyday is a list") };
            let calibrated = cues.iter().position(|cue| *cue == Cue::Calibrate).unwrap() + 1;
            let swings = [0.3, 0.5, 0.6, 0.4, 0.55].map(full_swing);
            cues.splice(calibrated..calibrated, swings.iter().cloned());
            cues.extend(swings.into_iter().take(2));
            let bucket = VirtualBucket::play(&scenario, seed);
            let told = Told::of(&format!("{} {seed}", profile.word()), &bucket.device, &bucket.arrivals);
            astray += strays(&told);
            told_swings += told.live.iter().filter(|live| live.told.at_set.is_ok()).count();
        }
    }
    println!("{told_swings} sets told in swings, {astray} in other movements");
    assert!(told_swings > 0, "the player is known");
    assert_eq!(astray, 0, "calls outside of swings");
}

/// The numbers of the example sessions.
#[test]
fn sets_of_the_example_sessions_are_told_in_time() {
    let Some(folder) = folder() else { return };
    let mut stories: Vec<Story> = Vec::new();
    let mut astray = 0;
    for session in sessions(&folder) {
        let told = Told::of(&session.name, &session.device, &session.arrivals);
        astray += strays(&told);
        println!("{}", table(&session.name, &told.stories()));
        assert_eq!(told.live.len(), told.offline.len(), "{}: as many swings live as offline", session.name);
        stories.extend(told.stories());
    }
    println!("{}\n{}", table("all", &stories), kept_back(&stories));
    let decided: Vec<f64> = stories.iter().filter_map(|story| story.decided_ms).collect();
    assert!(!decided.is_empty() && quantile(decided, 0.5) <= 25.0, "decided at most 25 ms after the set");
    let said = stories.iter().filter(|story| story.clear_by.is_some_and(|clear| clear > 1.0));
    let (wrong, said): (Vec<&Story>, Vec<&Story>) = said.partition(|story| story.class_right == Some(false));
    assert!(
        10 * wrong.len() <= wrong.len() + said.len(),
        "{} of {} wrong",
        wrong.len(),
        wrong.len() + said.len()
    );
    stories.retain(|story| story.clear);
    println!("{}", table("without flat slopes", &stories));
    let right = stories.iter().filter(|story| story.final_class_right).count();
    let last: Vec<f64> = stories.iter().filter_map(|story| story.final_ms.map(f64::abs)).collect();
    assert!(right as f64 >= 0.98 * stories.len() as f64, "{right} of {} classes", stories.len());
    // The first swings lean on the calibration and on themselves, those of the offline path on all of them.
    assert!(quantile(last.clone(), 0.9) <= 5.0 && quantile(last, 0.95) <= 10.0, "final set");
    assert_eq!(astray, 0, "calls outside of swings");
}

/// The swings of `analyze --live`.
fn analyzed(path: &Path, mode: &str) -> Vec<serde_json::Value> {
    let output = run(&["analyze", path.to_str().unwrap(), "--live", "--json", "--feedback", mode]);
    let object: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    object["swings"].as_array().unwrap().clone()
}

/// Both modes print the same swings; at the set the cue is earlier, and what was known then stands beside it.
#[test]
fn analyze_tells_the_cue_of_both_modes() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/three-clubs.csv.gz");
    let (after, at_set) = (analyzed(&path, "after-swing"), analyzed(&path, "at-set"));
    assert_eq!(after.len(), at_set.len());
    let (mut told, mut usual) = (0, BTreeMap::new());
    for (after, at_set) in after.iter().zip(&at_set) {
        assert_eq!(after["set_us"], at_set["set_us"]);
        assert!(after["cue"].is_string() && after.get("known_at_cue").is_none());
        if at_set["cue"].is_string() {
            told += 1;
            assert!(at_set["cue_at_us"].as_i64().unwrap() < after["cue_at_us"].as_i64().unwrap());
            let known = &at_set["known_at_cue"];
            assert!(known["set_us"].is_i64() && known["arm_travel_at_set_sd"].as_f64().unwrap() > 0.0);
            let usual_deg = known["usual_arm_travel_deg"].as_f64().unwrap();
            usual.entry(at_set["club"].as_str().unwrap().to_owned()).or_insert_with(Vec::new).push(usual_deg);
        }
    }
    assert!(told > 0, "some sets are told in time");
    println!("usual arm travel at the top by club, degrees: {usual:?}");
    for of_club in usual.values() {
        let near = |deg: &f64| (deg / of_club[0] - 1.0).abs() < 0.15;
        assert!(of_club.iter().all(near), "what is usual with a club does not leap: {usual:?}");
    }
    let refused = run(&["analyze", path.to_str().unwrap(), "--live", "--feedback", "fading"]);
    assert_eq!(refused.status.code(), Some(2));
}
