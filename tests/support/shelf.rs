//! Recordings of the virtual glove for tests of the library: small buckets, written as the daemon writes them.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::AnalysisParams;
use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::device::virtual_glove::scenario::{Cue, Plan, Scenario};
use hingeclock::device::virtual_glove::swing::{SetAim, SwingSize};
use hingeclock::record::library::framing::Framer;
use hingeclock::record::library::index::{Bucket, KnownSwing};
use hingeclock::record::library::{Library, Opened};
use hingeclock::record::{Recorded, RecordingWriter, SessionInfo};
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use std::path::Path;

/// When the tests' library is opened.
pub const NOW: WallTime = WallTime(1_800_000_000_000);

/// A bucket with a calibration and these full swings, two of them with the iron, the rest with the driver.
pub fn bucket(swings: usize, seed: u64) -> VirtualBucket {
    VirtualBucket::play(&scenario(swings), seed)
}

/// What is played in such a bucket.
pub fn scenario(swings: usize) -> Scenario {
    let mut cues = vec![Cue::Club("iron"), Cue::Calibrate, Cue::Waggle];
    for swing in 0..swings {
        if swing == 2 {
            cues.push(Cue::Club("driver"));
        }
        cues.push(Cue::Shot(SwingSize::Full, SetAim::Travel(0.5 + 0.05 * (swing % 3) as f64)));
    }
    Scenario::new(Plan::Listed(cues))
}

/// What a recording of this player says of itself.
pub fn session(player: &str, started: i64) -> SessionInfo {
    SessionInfo {
        player: player.to_owned(),
        player_hand: PlayerHand::Right,
        clubs: vec!["iron".to_owned(), "driver".to_owned()],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(started),
        host_at_start: HostTime(1_000),
    }
}

/// The bytes of a recording of a bucket.
pub fn recorded(bucket: &VirtualBucket, session: &SessionInfo) -> Vec<Recorded> {
    let mut framer = Framer::new(bucket.device.clone(), session.host_at_start);
    let mut out = Vec::new();
    framer.introduce(&mut out).unwrap();
    bucket.arrivals.iter().for_each(|arrival| framer.take(arrival, &mut out).unwrap());
    framer.finish(&mut out).unwrap();
    out
}

/// Puts a recording into a folder.
pub fn put(folder: &Path, name: &str, session: &SessionInfo, recorded: &[Recorded]) {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    let storage = hingeclock::record::library::files::NewRecording::create(&path).unwrap();
    let mut writer = RecordingWriter::new(storage, session).unwrap();
    for recorded in recorded {
        writer.write(recorded).unwrap();
        writer.tick(recorded.received()).unwrap();
    }
    writer.finish().unwrap();
}

/// Opens the library.
pub fn open(folder: &Path) -> (Library, Opened) {
    Library::open(folder, AnalysisParams::default(), NOW).unwrap()
}

/// Every recording, by path.
pub fn paths(library: &Library) -> Vec<String> {
    let buckets = library.index().buckets().unwrap();
    buckets.iter().map(|bucket| bucket.path.display().to_string()).collect()
}

/// The swings of a recording.
pub fn swings(library: &Library, bucket: &Bucket) -> Vec<KnownSwing> {
    library.index().swings(bucket.id).unwrap()
}

/// Builds the index anew, and gives its content.
pub fn rebuilt(folder: &Path) -> String {
    for ending in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(folder.join(format!("index.sqlite{ending}")));
    }
    open(folder).0.index().dump().unwrap()
}
