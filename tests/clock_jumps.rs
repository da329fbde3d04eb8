//! A node's clock that jumps within a session, by some ms or by a tenth of a second, ahead or back, between two swings or
//! within one: it is told, and every swing is measured as without it, or what is off in it is told. Of sound gloves no
//! jump is told. Live and offline.
//!
//! `SEEDS=4 FIRST=100 ALL=1 cargo test --test clock_jumps -- --nocapture` prints what is off, for every kind on every seed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod bars;
    pub mod environment;
}

use hingeclock::detect::{AnalysisParams, Flag, LiveAnalysis, OfflineAnalysis, Swing};
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::{Arrival, ImuSample, NodeRole};
use support::bars::{found, off, wrong_besides};
use support::environment::number;

/// Where in a swing a clock jumps.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Place {
    After,
    Backswing,
    Downswing,
}

#[derive(Clone, Copy, Debug)]
struct Jump {
    role: NodeRole,
    place: Place,
    by_ms: i32,
}

/// Every kind.
fn jumps() -> Vec<Jump> {
    let mut jumps = Vec::new();
    for role in [NodeRole::Hand, NodeRole::Forearm] {
        for place in [Place::After, Place::Backswing, Place::Downswing] {
            jumps.extend([5, -5, 20, -20, 100, -100].map(|by_ms| Jump { role, place, by_ms }));
        }
    }
    jumps
}

fn samples(bucket: &mut VirtualBucket) -> impl Iterator<Item = &mut ImuSample> {
    bucket.arrivals.iter_mut().filter_map(|arrival| match arrival {
        Arrival::Sample(sample) => Some(sample),
        Arrival::Marker { .. } => None,
    })
}

/// The bucket in which a node's clock jumps at its middle swing. All times of a swing are on the clock that it ends on.
fn jumping(bucket: &VirtualBucket, Jump { role, place, by_ms }: Jump) -> VirtualBucket {
    let (mut changed, by_s) = (bucket.clone(), f64::from(by_ms) * 1e-3);
    let middle = bucket.truth.len() / 2;
    let swing = &bucket.truth[middle];
    let at = match place {
        Place::After => swing.arm_back.plus_seconds(3.0),
        Place::Backswing => swing.top.plus_seconds(-0.2),
        Place::Downswing => swing.top.plus_seconds(0.1),
    };
    let mut has_jumped = false;
    for sample in samples(&mut changed) {
        has_jumped |= sample.role == NodeRole::Hand && sample.t > at;
        if has_jumped && sample.role == role {
            sample.t = sample.t.plus_seconds(by_s);
        }
    }
    let first = middle + usize::from(place == Place::After);
    for truth in changed.truth[first..].iter_mut().filter(|_| role == NodeRole::Hand) {
        for at in
            [&mut truth.takeaway, &mut truth.top, &mut truth.arm_back].into_iter().chain(&mut truth.impact)
        {
            *at = at.plus_seconds(by_s);
        }
    }
    changed
}

/// Swings, and what is said of jumps.
type Analysed = (Vec<Swing>, Vec<String>);

fn of_jumps(mut notes: Vec<String>) -> Vec<String> {
    notes.retain(|note| note.contains("clock has jumped"));
    notes
}

fn offline(bucket: &VirtualBucket) -> Analysed {
    let mut analysis = OfflineAnalysis::new(&bucket.device, AnalysisParams::default());
    bucket.arrivals.iter().for_each(|arrival| analysis.push(arrival));
    let analysed = analysis.finish();
    (analysed.swings, of_jumps(analysed.notes))
}

fn live(bucket: &VirtualBucket) -> Analysed {
    let mut analysis = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
    let mut swings: Vec<_> = bucket.arrivals.iter().flat_map(|arrival| analysis.push(arrival)).collect();
    swings.extend(analysis.finish());
    (swings.into_iter().map(|live| live.swing).collect(), of_jumps(analysis.take_notes()))
}

/// What is nearly wrong in the sound bucket may be wrong with the jump. Where the hand's clock jumps after a swing, but in the
/// same motion, all instants are told by the clock that it jumps to.
fn nearly_wrong(sound: &Swing, truth: &SwingTruth, jump: Jump) -> Vec<&'static str> {
    let nearly =
        off(sound, truth).into_iter().filter(|(_, error, sd)| error.abs() > 3.0 * sd).map(|one| one.0);
    let instant = (jump.role == NodeRole::Hand && jump.place == Place::After).then_some("impact");
    nearly.chain(instant).collect()
}

fn buckets(profiles: &[Profile]) -> impl Iterator<Item = (String, VirtualBucket)> {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 1));
    profiles.iter().flat_map(move |profile| (first..first + seeds).map(move |seed| (*profile, seed))).map(
        |(profile, seed)| {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            (format!("{} {seed}", profile.word()), bucket)
        },
    )
}

#[test]
fn what_a_jump_spoils_is_taken_out_or_told() {
    let (all, mut n, mut failed) = (number("ALL", 0) > 0, 0, Vec::new());
    for (name, bucket) in buckets(&[Profile::Clean, Profile::Typical]) {
        let sound = [offline(&bucket), live(&bucket)];
        for jump in jumps().into_iter().skip(n % 3).step_by(if all { 1 } else { 3 }) {
            let trouble = jumping(&bucket, jump);
            for (path, (swings, notes), (sounds, _)) in
                [("offline", offline(&trouble), &sound[0]), ("live", live(&trouble), &sound[1])]
            {
                let here = format!("{name} {jump:?} {path}");
                let told =
                    notes.iter().filter(|note| note.contains(&format!("by {} ms", jump.by_ms.abs()))).count();
                if (told, notes.len()) != (1, 1) {
                    failed.push(format!("{here}: {notes:?}"));
                }
                for (i, (truth, was)) in trouble.truth.iter().zip(&bucket.truth).enumerate() {
                    let (swing, sound) = (found(&swings, truth), found(sounds, was).unwrap());
                    let Some(swing) = swing else {
                        failed.push(format!("{here}, swing {i}: not found"));
                        continue;
                    };
                    let wrong = wrong_besides(swing, truth, &nearly_wrong(sound, was, jump));
                    let is_told = swing.flags.contains(&Flag::ClocksUnsure);
                    if !wrong.is_empty() && !is_told {
                        failed.push(format!("{here}, swing {i}: {wrong:?}"));
                    }
                }
            }
        }
        n += 1;
    }
    assert!(failed.is_empty(), "{} wrong:\n{}", failed.len(), failed.join("\n"));
}

#[test]
fn of_sound_gloves_no_jump_is_told() {
    for (name, bucket) in buckets(&Profile::ALL) {
        for (_, notes) in [offline(&bucket), live(&bucket)] {
            assert!(notes.is_empty(), "{name}: {notes:?}");
        }
    }
}
