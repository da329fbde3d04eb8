//! The real daemon on disks that fill, freeze, vanish, or belong to somebody else: clear words, and the live path
//! goes on.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod mounts;
}

use hingeclock::record::open_input;
use hingeclock::sample::Arrival;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::sync::mpsc;
use std::time::Duration;
use support::binary::{Running, code, emulate, errors, hingeclock, listen, recording, run};
use support::mounts::Mounted;

fn left_handed() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.csv.gz")
}

/// Number and node of all samples in these.
fn samples(paths: &[PathBuf]) -> BTreeSet<(u8, u32)> {
    let arrivals = paths.iter().flat_map(|path| open_input(path).unwrap().arrivals);
    let sample = |arrival| match arrival {
        Arrival::Sample(sample) => Some((sample.role.number(), sample.seq)),
        Arrival::Marker { .. } => None,
    };
    arrivals.map(Result::unwrap).filter_map(sample).collect()
}

fn spawn(arguments: &[&str]) -> Child {
    hingeclock(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Waits until a file in the folder has grown to so much.
fn wait_for_bytes(folder: &Path, bytes: u64) {
    for _ in 0..6_000 {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        if entries.filter_map(|entry| entry.metadata().ok()).any(|file| file.len() > bytes) {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("{} holds too little", folder.display());
}

/// Starts a daemon that listens to the left-handed bucket; without `--quiet`, so that it says what happens.
fn start(folder: &str, fallback: &str, pace: &[&str]) -> (Running, Child) {
    let (glove, port) = emulate(&[&["--bucket", "left-handed"], pace].concat());
    let mut arguments = listen(&port, folder);
    arguments.retain(|argument| *argument != "--quiet");
    arguments.extend(["--fallback", fallback]);
    (glove, spawn(&arguments))
}

fn said(output: &Output) -> String {
    format!("{}{}", errors(output), String::from_utf8_lossy(&output.stdout))
}

/// What the daemon says, line by line, from both its streams.
fn lines(daemon: &mut Child) -> impl Iterator<Item = String> + use<> {
    let (tell, told) = mpsc::sync_channel(16);
    let streams: [Box<dyn Read + Send>; 2] =
        [Box::new(daemon.stdout.take().unwrap()), Box::new(daemon.stderr.take().unwrap())];
    for stream in streams {
        let tell = tell.clone();
        std::thread::spawn(move || {
            BufReader::new(stream).lines().map_while(Result::ok).try_for_each(|line| tell.send(line))
        });
    }
    told.into_iter()
}

#[test]
fn a_disk_that_fills_up_hands_over_to_the_fallback_without_losing_a_sample() {
    let Some(disk) = Mounted::memory("300k") else {
        return eprintln!("skipped: no right to mount a small file system");
    };
    let home = tempfile::tempdir().unwrap();
    let fallback = home.path().join("state/rescued");
    let (_glove, daemon) = start(disk.text(), fallback.to_str().unwrap(), &["--unpaced"]);
    let output = daemon.wait_with_output().unwrap();
    let said = said(&output);
    assert_eq!(output.status.code(), Some(0), "nothing was lost: {said}");
    assert!(!said.lines().any(|line| line.starts_with("lost: ")), "{said}");
    assert_eq!(said.matches("the disk is full").count(), 1, "told once, not in the log besides: {said}");
    let second = recording(&fallback);
    for words in
        ["nothing was lost: where a disk failed", &format!("goes on in {}", second.display()), "4 swings"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
    let found = samples(&[recording(disk.path()), second.clone()]);
    assert_eq!(found, samples(&[left_handed()]));
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&second), mode(&fallback)), (0o600, 0o700));
}

#[test]
fn a_stick_that_is_pulled_out_hands_over_to_the_fallback() {
    let Some(stick) = Mounted::memory("30m") else {
        return eprintln!("skipped: no right to mount a small file system");
    };
    let buckets = stick.path().join("buckets");
    let home = tempfile::tempdir().unwrap();
    let (_glove, daemon) = start(buckets.to_str().unwrap(), home.path().to_str().unwrap(), &["--speed", "5"]);
    wait_for_bytes(&buckets, 300_000);
    stick.pull_out();
    let output = daemon.wait_with_output().unwrap();
    let said = said(&output);
    assert_eq!(output.status.code(), Some(3), "{said}");
    let second = recording(home.path());
    for words in [
        "gone from its place: was a stick pulled out",
        &format!("goes on in {}", second.display()),
        "4 swings",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let (kept, sent) = (samples(&[second]), samples(&[left_handed()]));
    assert!(kept.len() * 3 > sent.len(), "{} of {}", kept.len(), sent.len());
}

#[test]
fn a_folder_that_is_moved_meanwhile_costs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (before, after) = (folder.path().join("before"), folder.path().join("after"));
    let (_glove, daemon) = start(before.to_str().unwrap(), "/dev/null", &["--speed", "5"]);
    wait_for_bytes(&before, 300_000);
    std::fs::rename(&before, &after).unwrap();
    let output = daemon.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    assert!(said(&output).contains("a folder moved or deleted?"), "{}", said(&output));
    let gone = said(&output).matches(".mcap (no longer there").count();
    assert_eq!(gone, 1, "one of the two has moved: {}", said(&output));
    let files = [recording(&after), recording(&before)];
    assert_eq!(samples(&files), samples(&[left_handed()]));
    let first = run(&["export", files[0].to_str().unwrap(), folder.path().join("x.csv").to_str().unwrap()]);
    assert_eq!(code(&first), 0, "the moved one is whole: {}", errors(&first));
}

#[test]
fn a_disk_that_stalls_holds_up_nothing_but_itself() {
    let images = tempfile::tempdir().unwrap();
    let Some(disk) = Mounted::image(images.path()) else {
        return eprintln!("skipped: no right to mount an image");
    };
    let (_glove, mut daemon) = start(disk.text(), "/dev/null", &["--speed", "5"]);
    wait_for_bytes(disk.path(), 100_000);
    let Some(frozen) = disk.freeze() else {
        drop(Running(daemon));
        return eprintln!("skipped: this file system cannot be frozen");
    };
    // Thawed once a swing was told meanwhile; if none is, when the daemon has waited long enough and is over.
    let mut frozen = Some(frozen);
    let mut said = String::new();
    for line in lines(&mut daemon) {
        said += &format!("{line}\n");
        let told = said.find("THE DISK IS SLOW").is_some_and(|slow| said[slow..].contains("swing "));
        if told {
            frozen = None;
        }
    }
    drop(frozen);
    let code = daemon.wait().unwrap().code();
    let place = |words: &str| said.find(words).unwrap_or_else(|| panic!("{words}: {said}"));
    let (slow, again) =
        (place("THE DISK IS SLOW: nothing has reached it for"), place("the disk keeps up again"));
    assert!(said[slow..again].contains("swing "), "swings are told while the disk stands still: {said}");
    assert_eq!(code, Some(0), "slow, but nothing was lost: {said}");
    assert_eq!(samples(&[recording(disk.path())]), samples(&[left_handed()]));
}

#[test]
fn a_second_daemon_in_the_same_folder_is_refused_and_told_who_holds_it() {
    let folder = tempfile::tempdir().unwrap();
    let buckets = folder.path().join("buckets");
    let (_glove, daemon) = start(buckets.to_str().unwrap(), "/dev/null", &["--speed", "1"]);
    let mut daemon = Running(daemon);
    wait_for_bytes(&buckets, 10_000);
    let second = run(&listen("/dev/no-such-port", buckets.to_str().unwrap()));
    assert_eq!(code(&second), 1);
    let expected = format!("found one held by process {}, since ", daemon.0.id());
    assert!(errors(&second).contains(&expected), "{}", errors(&second));
    // The same to a folder of its own: the link is what fails then.
    let other = run(&listen("/dev/no-such-port", folder.path().join("other").to_str().unwrap()));
    assert!(errors(&other).contains("expected a serial port"), "{}", errors(&other));
    // Killed, it holds nothing any more.
    daemon.0.kill().unwrap();
    daemon.0.wait().unwrap();
    let third = run(&listen("/dev/no-such-port", buckets.to_str().unwrap()));
    assert!(errors(&third).contains("expected a serial port"), "{}", errors(&third));
}

#[test]
fn a_read_only_folder_is_refused_before_capture_and_can_be_read() {
    let Some(disk) = Mounted::memory("30m") else {
        return eprintln!("skipped: no right to mount a small file system");
    };
    let bucket = disk.path().join("bucket.mcap");
    std::fs::copy(left_handed().with_file_name("left-handed.mcap"), &bucket).unwrap();
    disk.make_read_only();
    let refused = run(&listen("/dev/no-such-port", disk.text()));
    assert_eq!(code(&refused), 1);
    let expected = format!("{}: cannot be written: ", disk.text());
    assert!(errors(&refused).contains(&expected), "{}", errors(&refused));
    let read = run(&["analyze", bucket.to_str().unwrap(), "--json"]);
    assert_eq!(code(&read), 0, "{}", errors(&read));
}

#[test]
fn pages_and_traces_are_their_owners_alone() {
    let folder = tempfile::tempdir().unwrap();
    let input = left_handed();
    for (arguments, name) in [(["analyze", "--trace"], "trace.csv"), (["review", "--html"], "page.html")] {
        let out = folder.path().join(name);
        let output = run(&[arguments[0], input.to_str().unwrap(), arguments[1], out.to_str().unwrap()]);
        assert_eq!(code(&output), 0, "{}", errors(&output));
        assert_eq!(std::fs::metadata(&out).unwrap().permissions().mode() & 0o777, 0o600, "{name}");
    }
}
