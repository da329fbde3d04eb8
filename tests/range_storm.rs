//! A day at the range on a bad line: samples faster than real time through a real pseudo-terminal and the
//! daemon, with faults all the way. Nothing panics, memory stays flat, and every reading that reached the port
//! is on disk, once and in order. `HOURS=24 cargo test --test range_storm -- --nocapture` is a day; with `MINUTES=60`
//! as much of it as is played in an hour.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod memory;
    pub mod storm;
}

use hingeclock::record::input::open_input;
use hingeclock::sample::Arrival;
use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use support::binary::{Running, hingeclock, recording};
use support::memory::Resident;
use support::storm::ledger::{Balance, Ledger};
use support::storm::{Happened, Storm, Weather};

/// Readings that a reader puts in their place are bounded, so a long day has fewer of them an hour.
const MOST_SPOILT: f64 = 250_000.0;
/// Readings an hour: two nodes at 500 Hz.
const AN_HOUR: f64 = 3_600_000.0;

fn weather(hours: f64) -> Weather {
    let spoilt = (MOST_SPOILT / (hours * AN_HOUR)).min(0.015);
    Weather {
        lost: 0.5 * spoilt,
        flipped: 0.3 * spoilt,
        noise: 0.4 * spoilt,
        doubled: 0.2 * spoilt,
        stands_longer_s: (2.0 * hours).clamp(1.0, 15.0),
    }
}

/// A number from the environment.
fn number(name: &str) -> Option<f64> {
    std::env::var(name).ok().map(|text| text.parse().unwrap())
}

/// Plays the day to a daemon; gives what went wrong, the account, the daemon's memory, and the hours played.
fn play(hours: f64, folder: &Path, log: &Path) -> (Storm, Resident, f64) {
    let parts = (hours * 6.0).ceil().max(4.0);
    let ledger = Ledger::new(hours * 3600.0 / parts, 11);
    let mut storm = Storm::new(weather(hours), ledger, 7);
    let port = log.with_file_name("glove");
    let arguments = ["run", "--port", port.to_str().unwrap(), "--folder", folder.to_str().unwrap()];
    let mut daemon = hingeclock(&arguments);
    daemon.args(["--no-page", "--plain", "--sound", "silent"]).env("RUST_LOG", "off");
    daemon.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(File::create(log).unwrap());
    let mut daemon = Running(daemon.spawn().unwrap());
    let resident = Resident::watch(daemon.0.id());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let minutes = number("MINUTES").unwrap_or(f64::INFINITY);
    let played = runtime.block_on(storm.play(parts as usize, minutes, &port));
    daemon.0.stdin.take().unwrap().write_all(b"stop\n").unwrap();
    let code = daemon.0.wait().unwrap().code();
    assert_eq!(code, Some(0), "{}", std::fs::read_to_string(log).unwrap());
    (storm, resident, hours * played as f64 / parts)
}

#[test]
fn a_stormy_day_loses_nothing_that_reached_the_machine() {
    let place = tempfile::tempdir().unwrap();
    let (folder, log) = (place.path().join("buckets"), place.path().join("log"));
    let (mut storm, resident, hours) = play(number("HOURS").unwrap_or(0.15), &folder, &log);
    let said = std::fs::read_to_string(&log).unwrap();
    for trouble in ["panicked", "failed", "NOT RECORDED"] {
        assert!(!said.contains(trouble), "{said}");
    }
    for arrival in open_input(&recording(&folder)).unwrap().arrivals {
        if let Arrival::Sample(sample) = arrival.unwrap() {
            storm.ledger.found(&sample);
        }
    }
    let Happened { lost, flipped, doubled, noises, cuts, restarts, hidden_restarts, .. } = storm.happened;
    let Balance { delivered, spoilt, never, on_disk, unsure, .. } = storm.ledger.balance();
    let swings = said.lines().filter(|line| line.starts_with("swing ")).count();
    println!("{hours} h: {:?}\n{:?}, {swings} swings\n{resident}", storm.happened, storm.ledger.balance());
    println!("{}", said.lines().rev().take(2).collect::<Vec<_>>().join("\n"));
    for what in [lost, flipped, doubled, noises, cuts, restarts, hidden_restarts] {
        assert!(what > 0, "{:?}", storm.happened);
    }
    let gone = storm.ledger.lost();
    assert!(gone.is_empty(), "not on disk: {gone:?}");
    assert!(delivered - on_disk <= unsure && 100 * unsure < spoilt, "{unsure} of {delivered} readings");
    assert!(delivered as f64 > 0.95 * hours * AN_HOUR, "{delivered} readings reached the port");
    // A slow machine is farther behind than a host in real time ever is, and gives some up.
    assert!(2 * never < spoilt, "of {spoilt} readings that were lost at first {never} never came");
    assert!(swings > 0, "{said}");
    resident.check();
}
