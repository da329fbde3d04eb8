//! A day at the range: hours of samples from the virtual glove, through a real pseudo-terminal, as fast as
//! they go, with the daemon's memory watched. `HOURS=8 cargo test --test range_day -- --nocapture` is a day.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use std::process::Stdio;
use support::binary::{emulate, hingeclock, listen, recording};

/// Resident memory that a daemon may come to, MiB: far above what it needs at the start, far below what it
/// would need if it kept the samples.
const RESIDENT_MAX_MIB: u64 = 160;

/// A value of `/proc/PID/status` in KiB.
fn status_kib(pid: u32, key: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    status.lines().find_map(|line| {
        line.strip_prefix(key)?.trim_start_matches(':').split_whitespace().next()?.parse().ok()
    })
}

#[test]
fn memory_stays_flat() {
    let hours = std::env::var("HOURS").unwrap_or_else(|_| "0.25".to_owned());
    let folder = tempfile::tempdir().unwrap();
    let (_glove, port) = emulate(&["--bucket", "range-day", "--hours", &hours, "--unpaced"]);
    let mut daemon = hingeclock(&listen(&port, folder.path().to_str().unwrap()));
    let mut daemon = daemon.stdout(Stdio::null()).spawn().unwrap();
    let (pid, mut resident_kib) = (daemon.id(), Vec::new());
    let ended = loop {
        resident_kib.extend(status_kib(pid, "VmRSS"));
        if let Some(ended) = daemon.try_wait().unwrap() {
            break ended;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    };
    let most_mib = resident_kib.iter().max().unwrap() / 1024;
    let bytes = std::fs::metadata(recording(folder.path())).unwrap().len();
    println!(
        "{hours} h: resident {} MiB after a tenth, {} half way, {most_mib} at most; recording {} MiB",
        resident_kib[resident_kib.len() / 10] / 1024,
        resident_kib[resident_kib.len() / 2] / 1024,
        bytes >> 20
    );
    assert_eq!(ended.code(), Some(0));
    // Two nodes at 500 Hz, some 14 bytes a reading on the wire at least.
    assert!(bytes as f64 > hours.parse::<f64>().unwrap() * 3600.0 * 1000.0 * 14.0, "{bytes} bytes recorded");
    assert!(most_mib < RESIDENT_MAX_MIB, "{most_mib} MiB resident, at most {RESIDENT_MAX_MIB}");
}
