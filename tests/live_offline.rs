//! The live path against the offline one on the same arrivals: same swings, same classes, near times.
//!
//! Prints its tables: `cargo test --test live_offline -- --nocapture`; `SEEDS=10` for more study buckets,
//! `FIRST=100` from that seed on, `PER_SWING=1` a line each.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod beside;
    pub mod environment;
    pub mod sessions;
}

use hingeclock::detect::{AnalysisParams, LiveAnalysis};
use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use hingeclock::sample::{Arrival, DeviceDescription, NodeRole};
use hingeclock::units::DeviceTime;
use support::beside::{Beside, as_told, both, quantile, table, with_truth};
use support::environment::number;
use support::sessions::{folder, sessions};

fn printed(name: &str, found: &[Beside]) {
    if std::env::var_os("PER_SWING").is_some() {
        found.iter().for_each(|beside| println!("{name} {}", beside.line()));
    }
}

#[test]
fn live_agrees_with_offline_on_study_buckets() {
    let first = number("FIRST", 1);
    let seeds = first..first + number("SEEDS", 1);
    let (mut clear, mut tops_off) = (0, Vec::new());
    for profile in Profile::ALL {
        let mut all = Vec::new();
        for seed in seeds.clone() {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            let mut found = both(&bucket.device, &bucket.arrivals);
            with_truth(&mut found, &bucket.truth);
            printed(&format!("{} {seed}", profile.word()), &found);
            all.extend(found);
        }
        println!("{}", table(profile.word(), &all));
        for beside in all.iter().filter(|beside| beside.clear()) {
            clear += 1;
            if beside.top_ms().abs() >= 5.0 {
                tops_off.push(format!("{}: top, {}", profile.word(), beside.line()));
            }
            let within = beside.set_ms().zip(beside.sd_ms());
            let fits =
                within.is_none_or(|(ms, (live, offline))| ms.abs() < (3.0 * (live + offline)).max(5.0));
            assert!(fits, "{}: set, {}", profile.word(), beside.line());
        }
    }
    // What later swings tell of a poor glove's mounting may move a top; of sets the bars know that.
    assert!(50 * tops_off.len() <= clear, "of {clear} well-conditioned swings {tops_off:#?}");
}

/// A player who presses forward and goes back without a stop shows the phases of a swing, with the backswing in the
/// place of the downswing. Told as a swing it hid the one that followed (seed 11, harsh).
#[test]
fn a_forward_press_is_no_swing() {
    let bucket = VirtualBucket::play(&Scenario::study(Profile::Harsh, 11), 11);
    let mut found = both(&bucket.device, &bucket.arrivals);
    with_truth(&mut found, &bucket.truth);
    assert_eq!(found.len(), bucket.truth.len());
    let off: Vec<String> =
        found.iter().filter(|beside| beside.top_ms().abs() > 5.0).map(Beside::line).collect();
    assert!(off.is_empty(), "{off:#?}");
}

/// How long a state has lasted, s.
#[derive(Default)]
struct Lasting {
    since_s: Option<f64>,
    in_all_s: f64,
}

impl Lasting {
    /// It is so, or is not, from here on.
    fn is(&mut self, so: bool, now_s: f64) {
        self.since_s = so.then(|| self.since_s.unwrap_or(now_s));
    }

    fn for_s(&self, now_s: f64) -> f64 {
        self.since_s.map_or(0.0, |since_s| now_s - since_s)
    }

    /// So much time goes by; clocks that start anew do not count.
    fn goes_on(&mut self, step_s: f64) {
        self.in_all_s += if self.since_s.is_some() { step_s.clamp(0.0, 0.1) } else { 0.0 };
    }
}

/// Who reads the link may sleep while nothing is urgent: 47 ms at most, detector and loop together. So what decides
/// must have been urgent for longer; a swing was to be expected before that, so that the sound server's buffer is small
/// by then; and no swing is told as late as when its motion is over.
#[test]
fn what_decides_was_urgent_before() {
    for profile in Profile::ALL {
        let bucket = VirtualBucket::play(&Scenario::study(profile, number("FIRST", 1)), number("FIRST", 1));
        let mut live = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
        let (mut urgent, mut soon, mut now_s) = (Lasting::default(), Lasting::default(), 0.0_f64);
        let (mut calls, mut swings, mut longest_s) = (0, 0, 0.0_f64);
        let (mut least_s, mut least_soon_s) = (f64::INFINITY, f64::INFINITY);
        for arrival in &bucket.arrivals {
            if let Arrival::Sample(sample) = arrival
                && sample.role == NodeRole::Hand
            {
                let before_s = std::mem::replace(&mut now_s, sample.t.seconds_since(DeviceTime(0)));
                urgent.goes_on(now_s - before_s);
                soon.goes_on(now_s - before_s);
            }
            let decided = live.push(arrival);
            for call in live.take_calls() {
                least_s = least_s.min(urgent.for_s(now_s));
                assert!(least_s > 0.05, "{}: {least_s} s before {call:?}", profile.word());
                calls += 1;
            }
            for swing in decided {
                least_s = least_s.min(urgent.for_s(now_s));
                assert!(least_s > 0.05, "{}: {least_s} s before {swing:?}", profile.word());
                least_soon_s = least_soon_s.min(soon.for_s(now_s));
                longest_s = longest_s.max(now_s - swing.swing.top.seconds_since(DeviceTime(0)));
                swings += 1;
            }
            urgent.is(live.is_set_near() || live.is_swing_near(), now_s);
            soon.is(live.is_swing_near() || live.may_find_a_swing(), now_s);
        }
        println!(
            "{}: {calls} calls, {swings} swings, told {longest_s:.2} s at most after the top; urgent for {:.1} s, {least_s:.2} s at least before one; swings expected for {:.1} s, {least_soon_s:.2} s at least before one",
            profile.word(),
            urgent.in_all_s,
            soon.in_all_s
        );
        assert!(swings >= 8, "{}: {swings} swings", profile.word());
        assert!(least_soon_s > 0.06, "{}: expected {least_soon_s} s before", profile.word());
        // What the first look overlooks is found when the motion is over, a second and more after the top.
        assert!(longest_s < 1.2, "{}: told {longest_s} s after the top", profile.word());
    }
}

#[test]
fn live_agrees_with_offline_on_the_example_sessions() {
    let Some(folder) = folder() else { return };
    let mut all = Vec::new();
    for session in sessions(&folder) {
        let mut found = both(&session.device, &session.arrivals);
        with_truth(&mut found, &session.truth);
        printed(&session.name, &found);
        println!("{}", table(&session.name, &found));
        all.extend(found);
    }
    println!("{}", table("all", &all));
    // On a flat slope the class is a matter of fractions of a degree; the flag says so.
    all.retain(Beside::clear);
    let other: Vec<String> = all.iter().filter(|beside| !beside.same_class()).map(Beside::line).collect();
    assert!(other.is_empty(), "classes of well-conditioned swings: {other:#?}");
    let off: Vec<f64> = all.iter().filter_map(|beside| Some(beside.set_ms()?.abs())).collect();
    assert!(quantile(&off, 0.95) <= 5.0, "set of well-conditioned swings");
    assert!(all.iter().all(|beside| beside.top_ms().abs() < 5.0), "top");
}

/// The rest of the difference is what later swings tell of mounting and clocks: nothing that had come was left out.
#[test]
fn live_tells_what_offline_would_have_told_by_then() {
    let first = number("FIRST", 1);
    let mut all = Vec::new();
    let mut look = |name: &str, device: &DeviceDescription, arrivals: &[Arrival]| {
        let found = as_told(device, arrivals);
        printed(name, &found);
        all.extend(found);
    };
    for profile in Profile::ALL {
        for seed in first..first + number("SEEDS", 1) {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            look(&format!("{} {seed}", profile.word()), &bucket.device, &bucket.arrivals);
        }
    }
    for session in folder().map_or_else(Vec::new, |folder| sessions(&folder)) {
        look(&session.name, &session.device, &session.arrivals);
    }
    println!("{}", table("by then", &all));
    assert!(all.len() >= 20, "{} swings were told", all.len());
    // A set on the edge of two classes falls to either side of it by less than a millisecond.
    let on_an_edge = |beside: &Beside| beside.set_ms().is_some_and(|ms| ms.abs() < 1.0);
    let other = all.iter().filter(|beside| !beside.same_class() && !on_an_edge(beside));
    let other: Vec<String> = other.map(Beside::line).collect();
    assert!(50 * other.len() <= all.len(), "{other:#?}");
}
