//! A glove on a real pseudo-terminal that loses and damages frames: what is missing is asked for again, and
//! the recording gives every reading once, in order.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod steady;
}

use hingeclock::device::faults::Faults;
use hingeclock::device::peer::PeerCounts;
use hingeclock::device::session::greeting;
use hingeclock::device::virtual_glove::{Scenario, VirtualBucket};
use hingeclock::device::{Peer, PeerScript};
use hingeclock::record::csv_writer::CsvWriter;
use hingeclock::sample::{Arrival, DeviceDescription};
use hingeclock::units::HostTime;
use std::fs::File;
use std::path::{Path, PathBuf};
use support::binary::{code, emulate, errors, listen, recording, run, swings};
use support::steady::{check_rows, script};

/// A twentieth of the frames is lost and as many are damaged, of those sent again, too.
const FAULTS: Faults =
    Faults { seed: 0, loss: 0.05, corruption: 0.05, duplicate: 0.0, jitter_us: 0, skew_ppm: 0.0 };
/// Items at either end of a script that must come through: a reading that none precedes, or that none
/// follows, cannot be missed.
const ENDS: usize = 60;

/// The first seed with which both ends of the script come through.
fn seed_with_whole_ends(script: &PeerScript) -> u64 {
    let last = script.items().len() - ENDS;
    let ends_are_whole = |seed: &u64| {
        let mut peer = Peer::new(script.clone(), Faults { seed: *seed, ..FAULTS });
        peer.hear(&greeting());
        while !peer.is_over() {
            peer.poll(HostTime(i64::MAX), &mut Vec::new());
        }
        peer.spoilt().iter().all(|spoilt| spoilt.start >= ENDS && spoilt.end <= last)
            && has_its_share(peer.counts())
    };
    (0..1000).find(ends_are_whole).unwrap()
}

/// As many frames are spoilt as were asked for, within what chance allows (four standard deviations).
fn has_its_share(counts: PeerCounts) -> bool {
    let frames = counts.frames as f64;
    let is_near = |count: u64, share: f64| {
        (count as f64 - share * frames).abs() <= 4.0 * (share * (1.0 - share) * frames).sqrt()
    };
    is_near(counts.lost, FAULTS.loss) && is_near(counts.damaged, FAULTS.corruption)
}

/// Plays a CSV through a bad line and the daemon; gives the recording and what was said.
fn through_a_bad_line(sent: &Path, seed: u64, speed: &str, folder: &Path) -> (PathBuf, String) {
    let (loss, corruption) = (FAULTS.loss.to_string(), FAULTS.corruption.to_string());
    let seed = seed.to_string();
    let line = ["--loss", &loss, "--corruption", &corruption, "--seed", &seed, "--speed", speed];
    let mut arguments = vec![sent.to_str().unwrap(), "--linger-s", "5", "--kept", "60000"];
    arguments.extend(line);
    let (_glove, port) = emulate(&arguments);
    let mut daemon = listen(&port, folder.to_str().unwrap());
    daemon.retain(|argument| *argument != "--quiet");
    let output = run(&daemon);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    println!("{}", errors(&output).lines().rev().take(2).collect::<Vec<_>>().join("\n"));
    (recording(folder), errors(&output))
}

fn export(recorded: &Path, csv: &Path) {
    let output = run(&["export", recorded.to_str().unwrap(), csv.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    assert!(errors(&output).contains("came when asked for again"), "{}", errors(&output));
}

/// Writes what a script says as a raw CSV.
fn write_csv(script: &PeerScript, folder: &Path) -> PathBuf {
    let file = |name: &str| File::create(folder.join(name)).unwrap();
    let (rows, markers, about) = (file("sent.csv"), file("sent.markers.csv"), file("sent.device.json"));
    let mut writer = CsvWriter::new(rows, markers, about, script.description().clone()).unwrap();
    for (at, arrival) in script.items() {
        let mut arrival = arrival.clone();
        if let Arrival::Sample(sample) = &mut arrival {
            sample.received = sample.received.or(Some(*at));
        }
        writer.write(&arrival).unwrap();
    }
    writer.finish().unwrap();
    folder.join("sent.csv")
}

#[test]
fn a_line_that_loses_and_damages_frames_loses_nothing_for_good() {
    let place = tempfile::tempdir().unwrap();
    let device = DeviceDescription { serial: Some("KP-0007".to_owned()), ..DeviceDescription::default() };
    let script = script(&device, 20.0);
    let sent = write_csv(&script, place.path());
    let seed = seed_with_whole_ends(&script);
    let (recorded, said) = through_a_bad_line(&sent, seed, "1", &place.path().join("buckets"));
    assert!(said.contains(" requests), 0 lost"), "{said}");
    let csv = place.path().join("out.csv");
    export(&recorded, &csv);
    check_rows(&csv, &script);
}

/// A bucket with swings gives the swings of a good line: a reading that was asked for again has no time of
/// arrival, which moves the clocks' alignment by fractions of a millisecond at most.
#[test]
fn a_bucket_over_a_bad_line_gives_the_swings_of_a_good_one() {
    let place = tempfile::tempdir().unwrap();
    let bucket = VirtualBucket::play(&Scenario::left_handed_bucket(), 5);
    let script = PeerScript::from_arrivals(bucket.device, bucket.arrivals).unwrap();
    let sent = write_csv(&script, place.path());
    let (recorded, _) =
        through_a_bad_line(&sent, seed_with_whole_ends(&script), "2", &place.path().join("buckets"));
    let csv = place.path().join("out.csv");
    export(&recorded, &csv);
    let (good, bad) = (swings(&sent), swings(&recorded));
    assert_eq!(bad, swings(&csv), "the recording and the CSV exported from it");
    let (good, bad) = (good.as_array().unwrap(), bad.as_array().unwrap());
    assert!(good.len() > 3 && good.len() == bad.len(), "{} and {} swings", good.len(), bad.len());
    for (good, bad) in good.iter().zip(bad) {
        let set = |swing: &serde_json::Value| swing["set_to_top_ms"].as_f64().unwrap();
        println!("set to top: {} ms, over the bad line {} ms", set(good), set(bad));
        assert!((set(good) - set(bad)).abs() < 1.0);
        assert_eq!(good["class"], bad["class"]);
        assert_eq!(good["flags"], bad["flags"]);
    }
}
