//! Watches how much memory a process has resident.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use std::fmt;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Resident memory that a daemon may come to, MiB: far above what it needs at the start, far below what it
/// would need if it kept the samples.
const RESIDENT_MAX_MIB: u64 = 160;

/// What a process had resident, looked at ten times a second until it was gone.
pub struct Resident {
    kib: Arc<Mutex<Vec<u64>>>,
}

impl Resident {
    pub fn watch(pid: u32) -> Resident {
        let kib = Arc::new(Mutex::new(Vec::new()));
        let seen = Arc::clone(&kib);
        std::thread::spawn(move || {
            while let Some(now_kib) = status_kib(pid, "VmRSS") {
                seen.lock().unwrap().push(now_kib);
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        Resident { kib }
    }

    fn mib(&self) -> (u64, u64, u64) {
        let kib = self.kib.lock().unwrap();
        let at = |share: usize| kib[kib.len() / share] >> 10;
        (at(10), at(2), kib.iter().max().unwrap() >> 10)
    }

    pub fn check(&self) {
        let (_, _, most) = self.mib();
        assert!(most < RESIDENT_MAX_MIB, "{most} MiB resident, at most {RESIDENT_MAX_MIB}");
    }
}

impl fmt::Display for Resident {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (early, half, most) = self.mib();
        write!(f, "resident {early} MiB after a tenth, {half} half way, {most} at most")
    }
}

/// A value of `/proc/PID/status` in KiB; none when the process is gone.
fn status_kib(pid: u32, key: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    status.lines().find_map(|line| {
        line.strip_prefix(key)?.trim_start_matches(':').split_whitespace().next()?.parse().ok()
    })
}
