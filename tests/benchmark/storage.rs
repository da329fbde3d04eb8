//! What the promise of a recording costs on this disk: `cargo bench --bench storage` (`FOLDER=path`, `SECONDS=60`).
//!
//! Two nodes at 500 and at 1000 Hz, five samples a frame, committed as the daemon does. Prints; asserts nothing.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a benchmark that cannot run ends")]
#![allow(clippy::disallowed_methods, reason = "a benchmark measures time")]

#[path = "../support/recording.rs"]
mod recording;

use hingeclock::record::{FileDisk, FileStorage, RecordingWriter, Storage, create_recording};
use hingeclock::units::HostTime;
use recording::{START_US, samples, session};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// The disk, and how long each of its syncs took, ms.
struct Timed(FileStorage, Arc<Mutex<Vec<f64>>>);

impl Storage for Timed {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        let before = Instant::now();
        self.0.sync()?;
        self.1.lock().unwrap().push(before.elapsed().as_secs_f64() * 1e3);
        Ok(())
    }
}

fn measure(folder: &Path, rate_hz: i64, seconds: i64) {
    let (path, file) = create_recording(&mut FileDisk, folder, session().started).unwrap();
    let syncs = Arc::<Mutex<Vec<f64>>>::default();
    let mut writer = RecordingWriter::new(Timed(file, Arc::clone(&syncs)), &session()).unwrap();
    let frames = seconds * rate_hz / 5;
    let before = Instant::now();
    for frame in 0..frames {
        let received = HostTime(START_US + frame * 5_000_000 / rate_hz);
        for node in [0, 1] {
            writer.write(&samples(received, node, frame as u32 * 5, 5)).unwrap();
            writer.tick(received).unwrap();
        }
    }
    writer.finish().unwrap();
    let took_s = before.elapsed().as_secs_f64();
    let bytes = std::fs::metadata(&path).unwrap().len();
    std::fs::remove_file(path).unwrap();
    let mut ms = syncs.lock().unwrap().clone();
    ms.sort_by(f64::total_cmp);
    let share = |share: f64| ms[((ms.len() - 1) as f64 * share) as usize];
    println!(
        "{rate_hz:>5} Hz, {seconds} s: {} syncs, p50 {:.2} ms, p95 {:.2} ms, largest {:.1} ms; {:.1} bytes a \
         sample; written in {took_s:.2} s",
        ms.len(),
        share(0.5),
        share(0.95),
        share(1.0),
        bytes as f64 / (frames * 10) as f64,
    );
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let folder = std::env::var("FOLDER").map_or_else(|_| folder.path().to_owned(), Into::into);
    let seconds = std::env::var("SECONDS").map_or(60, |text| text.parse().unwrap());
    println!("{}", folder.display());
    [500, 1000].into_iter().for_each(|rate_hz| measure(&folder, rate_hz, seconds));
}
