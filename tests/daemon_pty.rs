//! The whole way: a virtual glove on a real pseudo-terminal, heard by the daemon, recorded, read back.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use std::io::Read;
use std::path::{Path, PathBuf};
use support::binary::{code, emulate, errors, hingeclock, listen, recording, run, swings};

fn here(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Text of a CSV, plain or gzipped.
fn csv_text(path: &Path) -> String {
    let bytes = std::fs::read(path).unwrap();
    let mut text = String::new();
    if path.extension().is_some_and(|ending| ending == "gz") {
        flate2::read::MultiGzDecoder::new(&bytes[..]).read_to_string(&mut text).unwrap();
    } else {
        text = String::from_utf8(bytes).unwrap();
    }
    text
}

/// The columns that the sensor made: all but the time of arrival.
fn sensor_columns(text: &str) -> Vec<String> {
    text.lines().map(|line| line.splitn(10, ',').take(9).collect::<Vec<_>>().join(",")).collect()
}

/// Plays a CSV through the daemon; gives the recording in `folder`.
fn through_the_daemon(csv: &Path, folder: &Path, pace: &[&str]) -> PathBuf {
    let mut arguments = vec![csv.to_str().unwrap()];
    arguments.extend(pace);
    let (_glove, port) = emulate(&arguments);
    let output = run(&listen(&port, folder.to_str().unwrap()));
    assert_eq!(code(&output), 0, "{}", errors(&output));
    recording(folder)
}

fn check_identity(csv: &Path) {
    let folder = tempfile::tempdir().unwrap();
    let recorded = through_the_daemon(csv, folder.path(), &["--unpaced"]);
    let exported = folder.path().join("exported.csv");
    let output = run(&["export", recorded.to_str().unwrap(), exported.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let (before, after) = (sensor_columns(&csv_text(csv)), sensor_columns(&csv_text(&exported)));
    assert_eq!(before.len(), after.len(), "{}: rows", csv.display());
    for (row, (before, after)) in before.iter().zip(&after).enumerate() {
        assert_eq!(before, after, "{}: row {row}", csv.display());
    }
    let (from_csv, from_recording) = (swings(csv), swings(&recorded));
    assert!(!from_csv.as_array().unwrap().is_empty(), "{}", csv.display());
    assert_eq!(from_csv, from_recording, "{}: the swings", csv.display());
}

#[test]
fn a_bucket_comes_through_the_daemon_unchanged() {
    check_identity(&here("recordings/left-handed.csv.gz"));
}

#[test]
fn the_example_sessions_come_through_the_daemon_unchanged() {
    let folder = here("../shared/data/example-sessions");
    if !folder.is_dir() {
        eprintln!("skipped: no example sessions beside the project");
        return;
    }
    for name in ["s1", "s2", "s3"] {
        check_identity(&folder.join(format!("{name}.csv.gz")));
    }
}

#[test]
fn a_damaged_line_costs_only_the_damaged_frames() {
    let folder = tempfile::tempdir().unwrap();
    let csv = here("recordings/left-handed.csv.gz");
    let faults =
        ["--unpaced", "--loss", "0.02", "--corruption", "0.02", "--duplicate", "0.02", "--seed", "5"];
    let recorded = through_the_daemon(&csv, folder.path(), &faults);
    let exported = folder.path().join("exported.csv");
    let output = run(&["export", recorded.to_str().unwrap(), exported.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "the file itself is whole: {}", errors(&output));
    assert!(errors(&output).contains("note:"), "damaged pieces are told: {}", errors(&output));
    let sent: std::collections::HashSet<String> = sensor_columns(&csv_text(&csv)).into_iter().collect();
    let rows = sensor_columns(&csv_text(&exported));
    assert!(rows.iter().all(|row| sent.contains(row)), "no row that was not sent");
    let unique: std::collections::HashSet<&String> = rows.iter().collect();
    let share = unique.len() as f64 / sent.len() as f64;
    assert!((0.93..0.99).contains(&share), "{share} of the rows came through");
    let (whole, damaged) = (swings(&csv), swings(&recorded));
    assert_eq!(whole.as_array().unwrap().len(), damaged.as_array().unwrap().len());
}

/// A daemon that is killed in mid-swing leaves a recording that opens, with all but its last moments.
#[test]
fn a_killed_daemon_leaves_a_readable_recording() {
    let folder = tempfile::tempdir().unwrap();
    let csv = here("recordings/left-handed.csv.gz");
    let (_glove, port) = emulate(&[csv.to_str().unwrap(), "--speed", "8"]);
    let mut daemon = hingeclock(&listen(&port, folder.path().to_str().unwrap())).spawn().unwrap();
    let enough = |path: &Path| std::fs::metadata(path).is_ok_and(|file| file.len() > 300_000);
    while std::fs::read_dir(folder.path()).unwrap().all(|entry| !enough(&entry.unwrap().path())) {
        assert_eq!(daemon.try_wait().unwrap(), None, "the daemon ended by itself");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    daemon.kill().unwrap();
    daemon.wait().unwrap();
    let torn = recording(folder.path());
    let exported = folder.path().join("exported.csv");
    let output = run(&["export", torn.to_str().unwrap(), exported.to_str().unwrap()]);
    assert!([0, 3].contains(&code(&output)), "{}", errors(&output));
    let (sent, kept) = (sensor_columns(&csv_text(&csv)), sensor_columns(&csv_text(&exported)));
    // A row takes 29 to 32 bytes, with all that stands around it.
    assert!(kept.len() > 9_000, "{} rows", kept.len());
    assert_eq!(sent[..kept.len()], kept[..], "what is there is what was sent, in order");
}

#[test]
fn a_port_that_is_not_there_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path().to_str().unwrap();
    let arguments =
        ["run", "--port", "/dev/no-such-port", "--folder", folder, "--no-page", "--sound", "silent"];
    let daemon = hingeclock(&arguments).stderr(std::process::Stdio::piped()).spawn().unwrap();
    let mut daemon = support::binary::Running(daemon);
    let mut said = String::new();
    let mut lines = std::io::BufReader::new(daemon.0.stderr.take().unwrap());
    while !said.contains("expected a serial port at /dev/no-such-port, found none") {
        assert!(std::io::BufRead::read_line(&mut lines, &mut said).unwrap() > 0, "{said}");
    }
}
