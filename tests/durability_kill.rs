//! The real daemon, killed at random moments: every sample that it called safe is read back.
//!
//! `KILLS=1000 cargo test --test durability_kill -- --nocapture` for more.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use hingeclock::record::open_input;
use hingeclock::sample::{Arrival, NodeRole};
use rand::Rng;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::mpsc::{Receiver, sync_channel};
use std::time::Duration;
use support::binary::{Running, emulate, hingeclock, listen, recording};

type Samples = BTreeMap<NodeRole, Vec<(u32, i64, [u64; 6])>>;

/// All samples of an input by node: number, time, and the bits of the values.
fn samples(path: &Path) -> Samples {
    let mut samples = Samples::new();
    let input = open_input(path).unwrap_or_else(|error| panic!("does not open: {error}"));
    for arrival in input.arrivals {
        if let Arrival::Sample(sample) = arrival.unwrap() {
            let [a, b, c] = sample.rate_dps.map(f64::to_bits);
            let [d, e, f] = sample.specific_force_g.map(f64::to_bits);
            samples.entry(sample.role).or_default().push((sample.seq, sample.t.0, [a, b, c, d, e, f]));
        }
    }
    samples
}

/// How many samples of each node the daemon last called safe: `… on the disk samples={0: 120, 1: 118} …`.
fn called_safe(line: &str) -> Option<BTreeMap<u8, usize>> {
    let (_, rest) = line.split_once("on the disk samples={")?;
    let (list, _) = rest.split_once('}')?;
    let pair = |pair: &str| {
        let (node, count) = pair.split_once(": ").unwrap();
        (node.trim().parse().unwrap(), count.parse().unwrap())
    };
    Some(list.split(',').filter(|pair| !pair.trim().is_empty()).map(pair).collect())
}

/// The daemon's words as they come.
fn lines(daemon: &mut Running) -> Receiver<String> {
    let (sender, receiver) = sync_channel(100_000);
    let reader = BufReader::new(daemon.0.stderr.take().unwrap());
    std::thread::spawn(move || reader.lines().map_while(Result::ok).try_for_each(|line| sender.send(line)));
    receiver
}

#[test]
fn every_sample_that_was_called_safe_survives_a_kill() {
    let kills: u32 = std::env::var("KILLS").map_or(30, |text| text.parse().unwrap());
    let csv = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.csv.gz");
    let sent = samples(&csv);
    let mut random = rand::rng();
    let (mut safe_in_all, mut kept_in_all, mut unfinished) = (0, 0, 0);
    for kill in 0..kills {
        let folder = tempfile::tempdir().unwrap();
        let (_glove, port) = emulate(&["--bucket", "left-handed", "--speed", "4"]);
        let mut command = hingeclock(&listen(&port, folder.path().to_str().unwrap()));
        command.env("RUST_LOG", "hingeclock::record=trace").stderr(Stdio::piped());
        let mut daemon = Running(command.spawn().unwrap());
        let said = lines(&mut daemon);
        let mut safe = BTreeMap::new();
        while safe.is_empty() {
            let line = said.recv_timeout(Duration::from_secs(60)).expect("the daemon calls something safe");
            safe = called_safe(&line).unwrap_or_default();
        }
        std::thread::sleep(Duration::from_micros(random.random_range(0..700_000)));
        daemon.0.kill().unwrap();
        daemon.0.wait().unwrap();
        // What it had said by then: the pipe gives it all, and then ends.
        for line in said {
            safe = called_safe(&line).unwrap_or(safe);
        }
        let path: PathBuf = recording(folder.path());
        let kept = samples(&path);
        for (role, kept) in &kept {
            assert_eq!(kept[..], sent[role][..kept.len()], "kill {kill}: what is kept is what was sent");
        }
        for (node, count) in &safe {
            // The virtual glove's nodes have the numbers of their places.
            let kept = kept.get(&NodeRole::from_number(*node).unwrap()).map_or(0, Vec::len);
            assert!(
                kept >= *count,
                "kill {kill}: {count} samples of node {node} were called safe, {kept} are there"
            );
        }
        safe_in_all += safe.values().sum::<usize>();
        kept_in_all += kept.values().map(Vec::len).sum::<usize>();
        let mut input = open_input(&path).unwrap();
        input.arrivals.by_ref().for_each(|arrival| drop(arrival.unwrap()));
        unfinished += usize::from(input.report().data_was_lost());
    }
    println!(
        "{kills} kills: {safe_in_all} samples were called safe, {kept_in_all} read back, {unfinished} files torn"
    );
    assert_eq!(unfinished, kills as usize, "a killed recording says that it was not ended");
}
