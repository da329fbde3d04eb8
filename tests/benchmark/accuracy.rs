//! One command, one table: `cargo bench --bench accuracy`. What the program makes of sessions with exact truth
//! (`SESSIONS=folder` for others), of open data of real motion (`BROAD=folder` for other trials), and of virtual
//! study buckets (`SEEDS=n` per profile), beside the plain way of doing it and beside other filters, in one run.
//!
//! Figures that fall short of their target stand in the table like all others, and are named in its last column.
//! Run by `cargo test` it takes a short form, so that it cannot rot; it asserts what every form has to hold.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a benchmark fails by panicking")]

mod baseline;
#[path = "../support/broad.rs"]
mod broad;
mod orientation;
#[path = "../support/score.rs"]
mod score;
#[path = "../support/sessions.rs"]
mod sessions;
#[path = "../support/analysis.rs"]
mod support_analysis;
mod table;

use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::{Arrival, DeviceDescription};
use score::{BucketScore, Summary, score};
use table::Row;

/// The method column of what this program offers at its best.
const OURS: &str = "hingeclock";
const PLAIN: &str = "plain strapdown";

fn main() {
    // `cargo bench` says so; `cargo test` does not.
    let short_form = !std::env::args().any(|argument| argument == "--bench");
    let seeds = std::env::var("SEEDS").ok().and_then(|seeds| seeds.parse().ok());
    let seeds = seeds.unwrap_or(if short_form { 1 } else { 10 });
    let mut rows = session_rows();
    rows.extend(study_rows(seeds));
    if let Some(folder) = broad::folder() {
        rows.extend(orientation::rows(&folder, short_form));
    }
    assert!(!rows.is_empty(), "there is something to measure");
    table::print(rows);
}

/// The same bucket measured both ways.
struct Both {
    ours: BucketScore,
    plain: BucketScore,
}

impl Both {
    fn of(device: &DeviceDescription, arrivals: &[Arrival], truth: &[SwingTruth]) -> Both {
        let swings = support_analysis::offline_of(device, arrivals);
        let plain = baseline::measure(device, arrivals, &swings);
        Both { ours: score(&swings, truth), plain: score(&plain, truth) }
    }
}

fn sample_ms(device: &DeviceDescription) -> f64 {
    1e3 / device.nodes[0].rate_hz
}

fn session_rows() -> Vec<Row> {
    let Some(folder) = sessions::folder() else { return Vec::new() };
    let (mut rows, mut all) = (Vec::new(), Vec::new());
    for session in sessions::sessions(&folder) {
        let both = Both::of(&session.device, &session.arrivals, &session.truth);
        let (ours, plain) = (Summary::of([&both.ours]), Summary::of([&both.plain]));
        let (name, profile) = (format!("{} {}", session.name, session.profile), &session.profile);
        let sample_ms = sample_ms(&session.device);
        rows.push(Row::of_swings(&name, OURS, profile, &ours, sample_ms).with_bars(&ours, false));
        rows.push(Row::of_swings(&name, PLAIN, profile, &plain, sample_ms));
        all.push(both.ours);
    }
    if !all.is_empty() {
        let summary = Summary::of(&all);
        let row = Row::of_swings("all sessions", OURS, "", &summary, f64::INFINITY);
        rows.push(row.with_bars(&summary, true));
    }
    rows
}

fn study_rows(seeds: u64) -> Vec<Row> {
    let (mut rows, mut all) = (Vec::new(), Vec::new());
    for profile in Profile::ALL {
        let mut sample_ms = 0.0_f64;
        let mut both = |seed| {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
            sample_ms = sample_ms.max(self::sample_ms(&bucket.device));
            Both::of(&bucket.device, &bucket.arrivals, &bucket.truth)
        };
        let buckets: Vec<Both> = (1..=seeds).map(&mut both).collect();
        let ours = Summary::of(buckets.iter().map(|both| &both.ours));
        let plain = Summary::of(buckets.iter().map(|both| &both.plain));
        let name = format!("study {} ×{seeds}", profile.word());
        rows.push(Row::of_swings(&name, OURS, profile.word(), &ours, sample_ms).with_bars(&ours, false));
        rows.push(Row::of_swings(&name, PLAIN, profile.word(), &plain, sample_ms));
        all.extend(buckets.into_iter().map(|both| both.ours));
    }
    let summary = Summary::of(&all);
    let row = Row::of_swings("all study", OURS, "", &summary, f64::INFINITY);
    rows.push(row.with_bars(&summary, true));
    rows
}
