//! What is shown when a bucket is over: all its swings measured together, as `review` has them; and the numbers known
//! live where nobody waits for that, or the recording does not give it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/shelf.rs"]
mod shelf;
mod support {
    pub mod binary;
}

use hingeclock::device::virtual_glove::{Profile, Scenario, VirtualBucket};
use hingeclock::record::library::made_from::about;
use hingeclock::record::library::remarks::{Remark, Said, SwingName};
use hingeclock::record::library::steps::add_remark;
use hingeclock::units::{DeviceTime, WallTime};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::Duration;
use support::binary::{Running, code, emulate, errors, hingeclock, recording, run};
use tempfile::TempDir;

/// Long enough for the slowest machine: a test that waits for it has failed.
const PATIENCE: Duration = Duration::from_secs(120);
/// Stands in every sentence on what has changed.
const CHANGED: &str = "with all swings measured together";
const KNOWN_LIVE: &str = "These numbers are as they were known while the bucket ran";
const MEASURES: &str = "all swings are measured together; Ctrl-C leaves the numbers";

/// Makes what the gloves play: with typical sensors what later swings tell moves the numbers of the first ones.
fn played(folder: &Path) -> PathBuf {
    let bucket = VirtualBucket::play(&Scenario::study(Profile::Typical, 1), 1);
    let session = shelf::session("", 1_790_000_000_000);
    shelf::put(folder, "played.mcap", &session, &shelf::recorded(&bucket, &session));
    folder.join("played.mcap")
}

/// What a bucket's daemon left behind.
struct Left {
    code: Option<i32>,
    /// On standard error, since it was asked to end.
    said: Vec<String>,
    table: String,
}

/// A daemon that has heard a whole bucket, and goes on.
struct Heard {
    folder: TempDir,
    daemon: Running,
    said: Receiver<String>,
}

impl Heard {
    fn bucket(more: &[&str]) -> Heard {
        let folder = tempfile::tempdir().unwrap();
        let (_glove, port) = emulate(&[played(folder.path()).to_str().unwrap(), "--unpaced"]);
        let mut command = hingeclock(&["run", "--port", &port, "--no-page", "--sound", "silent", "--folder"]);
        command.arg(folder.path().join("buckets")).args(more).env("COLUMNS", "1000");
        let mut daemon = Running(command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap());
        let (tell, said) = sync_channel(1000);
        let lines = BufReader::new(daemon.0.stderr.take().unwrap()).lines();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| tell.send(line)));
        let heard = Heard { folder, daemon, said };
        // The line's other end is gone for good: on a busy machine it may have been silent for a moment before.
        heard.hears("found none (unplugged");
        heard
    }

    fn hears(&self, words: &str) {
        while !self.said.recv_timeout(PATIENCE).unwrap().contains(words) {}
    }

    fn recording(&self) -> PathBuf {
        recording(&self.folder.path().join("buckets"))
    }

    fn remarks(&self) -> PathBuf {
        self.recording().with_extension("remarks.jsonl")
    }

    fn ask(&self, signal: &str) {
        let pid = self.daemon.0.id().to_string();
        assert!(Command::new("kill").args([signal, &pid]).status().unwrap().success());
    }

    /// Waits for its end.
    fn left(&mut self) -> Left {
        let mut said = Vec::new();
        loop {
            match self.said.recv_timeout(PATIENCE) {
                Ok(line) => said.push(line),
                Err(RecvTimeoutError::Disconnected) => break,
                Err(RecvTimeoutError::Timeout) => panic!("it does not end: {said:#?}"),
            }
        }
        let mut table = String::new();
        self.daemon.0.stdout.take().unwrap().read_to_string(&mut table).unwrap();
        Left { code: self.daemon.0.wait().unwrap().code(), said, table }
    }
}

/// What a command prints for a recording, with lines as long as the daemon's.
fn printed(recording: &Path, command: &[&str]) -> String {
    let output = hingeclock(command).arg(recording).env("COLUMNS", "1000").output().unwrap();
    assert_eq!(code(&output), 0, "{}", errors(&output));
    String::from_utf8(output.stdout).unwrap()
}

fn swings(recording: &Path, command: &[&str]) -> Vec<Value> {
    let object: Value = serde_json::from_str(&printed(recording, command)).unwrap();
    object["swings"].as_array().unwrap().clone()
}

/// A table without what only the end of its bucket tells.
fn bare(table: &str) -> String {
    let lines = table.lines().filter(|line| !line.starts_with("Recording: ") && !line.contains(CHANGED));
    lines.map(|line| format!("{line}\n")).collect()
}

fn is_whole(recording: &Path) {
    let output = run(&["analyze", recording.to_str().unwrap(), "--json"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
}

#[test]
fn the_table_at_the_end_is_that_of_review_with_what_was_said_meanwhile() {
    let mut bucket = Heard::bucket(&[]);
    let recording = bucket.recording();
    let (folder, name) = (recording.parent().unwrap(), Path::new(recording.file_name().unwrap()));
    let found = swings(&bucket.folder.path().join("played.mcap"), &["analyze", "--json"]);
    for (place, said) in [(2, Said::Exclude("topped".to_owned())), (3, Said::Club("hybrid 4".to_owned()))] {
        let takeaway_us = DeviceTime(found[place - 1]["takeaway_us"].as_i64().unwrap());
        let swing = Some(SwingName { takeaway_us, place });
        let remark = Remark { at_unix_ms: WallTime(1_790_000_000_000), swing, said };
        add_remark(folder, name, about(&recording).unwrap().uuid, &remark).unwrap();
    }
    bucket.ask("-INT");
    let left = bucket.left();
    assert_eq!(left.code, Some(0), "{:#?}", left.said);
    assert_eq!(bare(&left.table), printed(&recording, &["review"]));
    assert!(left.table.contains("Swing 2 is left out of the summary: topped"), "{}", left.table);
    assert!(left.table.contains(" hybrid 4 ") && !left.table.contains(KNOWN_LIVE), "{}", left.table);
    let live = printed(&recording, &["analyze", "--live"]);
    assert_ne!(live, printed(&recording, &["analyze"]), "else this shows nothing");
}

/// Settings with a window whose edge lies between what is known live of a swing and what all swings together tell of it.
fn edge_between(played: &Path, folder: &Path) -> PathBuf {
    let travels = |command: &[&str]| -> Vec<Option<f64>> {
        swings(played, command).iter().map(|swing| swing["arm_travel_at_set"].as_f64()).collect()
    };
    let (live, together) = (travels(&["analyze", "--live", "--json"]), travels(&["analyze", "--json"]));
    let both = live.into_iter().zip(together).filter_map(|(live, together)| live.zip(together));
    let (live, together) = both.max_by(|a, b| (a.0 - a.1).abs().total_cmp(&(b.0 - b.1).abs())).unwrap();
    let window = format!("{{ from = {}, to = 1.0 }}", 0.5 * (live + together));
    let settings = folder.join("edge.toml");
    std::fs::write(&settings, format!("[targets]\nwedge = {window}\niron = {window}\ndriver = {window}\n"))
        .unwrap();
    settings
}

#[test]
fn a_verdict_that_all_swings_together_change_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let played = played(folder.path());
    let edge = edge_between(&played, folder.path());
    let settings = ["--settings", edge.to_str().unwrap()];
    let verdicts = |more: &[&str]| -> Vec<String> {
        let found = swings(&played, &[&["analyze", "--json"], more, &settings[..]].concat());
        let words = found.iter().map(|swing| swing["verdict"].as_str().unwrap());
        words.map(|word| word.replace("in-window", "in the window")).collect()
    };
    let (live, together) = (verdicts(&["--live"]), verdicts(&[]));
    assert!(live != together && live.len() == together.len(), "{live:?}, {together:?}");

    let mut bucket = Heard::bucket(&settings);
    bucket.ask("-INT");
    let left = bucket.left();
    let told: Vec<&str> = left.table.lines().filter(|line| line.contains(CHANGED)).collect();
    for (place, (live, together)) in live.iter().zip(&together).enumerate() {
        let number = (place + 1).to_string();
        let of_it = |line: &&&str| line.split([' ', ':', ',']).any(|word| word == number);
        let expected = format!(": {live} while the bucket ran, {together} {CHANGED}.");
        let told: Vec<_> = told.iter().filter(of_it).collect();
        assert_eq!(told.len(), usize::from(live != together), "swing {number}{expected} in {told:#?}");
        assert!(told.iter().all(|line| line.ends_with(&expected)), "swing {number}{expected} in {told:#?}");
    }
    assert_eq!(bare(&left.table), printed(&bucket.recording(), &[&["review"], &settings[..]].concat()));
}

/// What was said of the bucket lies in a pipe that nobody writes to, so that the measurement never ends.
fn makes_wait(bucket: &Heard) {
    assert!(Command::new("mkfifo").arg(bucket.remarks()).status().unwrap().success());
}

#[test]
fn a_second_request_leaves_the_numbers_known_live() {
    let mut bucket = Heard::bucket(&[]);
    makes_wait(&bucket);
    bucket.ask("-INT");
    bucket.hears(MEASURES);
    is_whole(&bucket.recording());
    bucket.ask("-INT");
    let left = bucket.left();
    assert_eq!(left.code, Some(0), "{:#?}", left.said);
    let live = printed(&bucket.recording(), &["analyze", "--live"]);
    let swings = |table: &str| table.split("\n\n").nth(1).unwrap().to_owned();
    assert_eq!(swings(&left.table), swings(&live));
    assert!(left.table.contains(KNOWN_LIVE) && left.table.contains("Recording: "), "{}", left.table);
}

#[test]
fn a_request_to_terminate_waits_for_no_measurement() {
    let mut bucket = Heard::bucket(&[]);
    makes_wait(&bucket);
    bucket.ask("-TERM");
    let left = bucket.left();
    assert_eq!(left.code, Some(0), "{:#?}", left.said);
    assert!(!left.said.iter().any(|line| line.starts_with(MEASURES)), "{:#?}", left.said);
    assert!(left.table.contains(KNOWN_LIVE) && left.table.contains("Recording: "), "{}", left.table);
    is_whole(&bucket.recording());
}

#[test]
fn a_recording_that_is_damaged_or_gone_leaves_the_numbers_known_live() {
    let mut damaged = Heard::bucket(&[]);
    let file = std::fs::OpenOptions::new().write(true).open(damaged.recording()).unwrap();
    file.write_all_at(&[0; 4096], file.metadata().unwrap().len() / 2).unwrap();
    let mut gone = Heard::bucket(&[]);
    std::fs::remove_file(gone.recording()).unwrap();
    let whole = format!(
        "{KNOWN_LIVE}: all swings could not be measured together (the recording cannot be read wholly)."
    );
    let one = format!("{KNOWN_LIVE}: no single file holds all of it.");
    for (bucket, expected, is_lost) in [(&mut damaged, whole, true), (&mut gone, one, false)] {
        bucket.ask("-INT");
        let left = bucket.left();
        assert_eq!(left.code, Some(3), "{:#?}", left.said);
        assert!(left.table.contains(&expected) && left.table.contains("Recording: "), "{}", left.table);
        assert_eq!(left.said.iter().any(|line| line.starts_with("lost: ")), is_lost, "{:#?}", left.said);
    }
}
