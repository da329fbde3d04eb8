//! A day at the range: hours of samples from the virtual glove, through a real pseudo-terminal, as fast as
//! they go, with the daemon's memory watched. `HOURS=8 cargo test --test range_day -- --nocapture` is a day.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod memory;
}

use std::process::Stdio;
use support::binary::{emulate, hingeclock, listen, recording};
use support::memory::Resident;

#[test]
fn memory_stays_flat() {
    let hours = std::env::var("HOURS").unwrap_or_else(|_| "0.25".to_owned());
    let folder = tempfile::tempdir().unwrap();
    let (_glove, port) = emulate(&["--bucket", "range-day", "--hours", &hours, "--unpaced"]);
    let mut daemon = hingeclock(&listen(&port, folder.path().to_str().unwrap()));
    let mut daemon = daemon.stdout(Stdio::null()).spawn().unwrap();
    let resident = Resident::watch(daemon.id());
    let ended = daemon.wait().unwrap();
    let bytes = std::fs::metadata(recording(folder.path())).unwrap().len();
    println!("{hours} h: {resident}; recording {} MiB", bytes >> 20);
    assert_eq!(ended.code(), Some(0));
    // Two nodes at 500 Hz, some 14 bytes a reading on the wire at least.
    assert!(bytes as f64 > hours.parse::<f64>().unwrap() * 3600.0 * 1000.0 * 14.0, "{bytes} bytes recorded");
    resident.check();
}
