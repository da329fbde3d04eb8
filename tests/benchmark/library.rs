//! How long a library takes and how that grows: `cargo bench --bench library` (`SWINGS=100,1000,10000`). The index
//! built anew, the library opened and listed, one swing opened (from the index, and with its curve from the
//! recording), one player's trend.
//!
//! The recordings are buckets of the virtual glove (a calibration and ten swings). Four are played; the others are
//! the same pieces again under other times and players, which the library cannot tell from buckets of their own.
//! With `FILLED=1` the index is not built but filled with the numbers of the played buckets: all but the rebuild can
//! then be measured in a minute. Run by `cargo test` it takes a short form; times are printed, never asserted.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a benchmark fails by panicking")]
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]

#[path = "../support/shelf.rs"]
mod shelf;

use hingeclock::detect::{AnalysisParams, OfflineAnalysis};
use hingeclock::record::library::analysis::{Analysed, BucketFacts, Rules, analyse};
use hingeclock::record::library::files;
use hingeclock::record::library::index::{BesideRead, Index};
use hingeclock::record::library::made_from::about;
use hingeclock::record::{Recorded, open_input};
use hingeclock::review::Windows;
use hingeclock::review::over_buckets::clubs_over_time;
use std::ffi::OsStr;
use std::path::Path;
use std::time::Instant;

/// Swings in a bucket.
const SWINGS: usize = 10;
/// Players, in turn.
const PLAYERS: [&str; 4] = ["Robin", "Ann", "Sam", "Kim"];
/// From bucket to bucket, ms.
const APART_MS: i64 = 86_400_000;

fn main() {
    // `cargo bench` says so; `cargo test` does not.
    let short_form = !std::env::args().any(|argument| argument == "--bench");
    let played = if short_form { 1 } else { 4 };
    let sizes: Vec<usize> = match std::env::var("SWINGS") {
        Ok(sizes) => sizes.split(',').map(|size| size.parse().unwrap()).collect(),
        Err(_) if short_form => vec![20],
        Err(_) => vec![100, 1000, 10_000],
    };
    let session = shelf::session("", 0);
    let buckets: Vec<Vec<Recorded>> =
        (0..played).map(|seed| shelf::recorded(&shelf::bucket(SWINGS, seed), &session)).collect();
    println!("{} cores, {played} buckets played", std::thread::available_parallelism().unwrap());
    println!(
        "swings found  buckets   MB  rebuild s  ms/swing  open+list ms  swing ms  swing+curve ms  trend ms  index MB"
    );
    sizes.into_iter().for_each(|size| measure(size, &buckets));
}

fn measure(size: usize, buckets: &[Vec<Recorded>]) {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let count = size.div_ceil(SWINGS);
    for number in 0..count {
        let session = shelf::session(PLAYERS[number % PLAYERS.len()], number as i64 * APART_MS);
        let name = format!("{}/{number:05}.mcap", PLAYERS[number % PLAYERS.len()]);
        shelf::put(folder, &name, &session, &buckets[number % buckets.len()]);
    }
    let rebuild_ms = if std::env::var_os("FILLED").is_some() {
        fill(folder, buckets.len());
        None
    } else {
        let (rebuild_ms, (_, opened)) = timed(|| shelf::open(folder));
        assert_eq!(opened.analysed, count);
        Some(rebuild_ms)
    };
    let (list_ms, (library, listed)) = timed(|| {
        let (library, opened) = shelf::open(folder);
        assert_eq!(opened.analysed, 0);
        let listed = library.index().buckets().unwrap();
        library.index().clubs_and_tags().unwrap();
        (library, listed)
    });
    let found: usize = listed.iter().map(|bucket| bucket.swings).sum();
    assert!(listed.len() == count && found > 0, "{found} swings in {} buckets", listed.len());
    let middle = &listed[count / 2];
    let (swing_ms, swing) = timed(|| {
        let bucket = library.bucket(&middle.path.to_string_lossy()).unwrap();
        library.swing(&bucket, 1).unwrap()
    });
    let (curve_ms, curve) = timed(|| curve_of(&folder.join(&middle.path)));
    assert!(curve > 0 && swing.place == 1);
    let (trend_ms, clubs) =
        timed(|| clubs_over_time(&library.index().counted(PLAYERS[0]).unwrap(), &Windows::default()));
    assert!(!clubs.is_empty());
    println!(
        "{found:12} {count:8} {:4} {:>10} {:>9} {list_ms:13.1} {swing_ms:9.2} {curve_ms:15.0} {trend_ms:9.2} {:9.1}",
        bytes(&folder.join(PLAYERS[0])) * PLAYERS.len().min(count) as u64 / 1_000_000,
        told(rebuild_ms.map(|ms| ms / 1e3)),
        told(rebuild_ms.map(|ms| ms / found as f64)),
        std::fs::metadata(folder.join("index.sqlite")).unwrap().len() as f64 / 1e6,
    );
}

/// Puts every recording into a new index, with the numbers of the one that holds the same pieces.
fn fill(folder: &Path, played: usize) {
    let rules = Rules::from(AnalysisParams::default());
    let mut index = Index::open(&folder.join("index.sqlite"), &rules.mark()).unwrap();
    let mut listed = files::list(folder).unwrap().recordings;
    listed.sort_by_key(|(path, ..)| path.file_name().map(OsStr::to_owned));
    let analysed: Vec<Analysed> =
        listed.iter().take(played).map(|(path, ..)| analyse(&folder.join(path), rules)).collect();
    for (number, (path, stamp, beside)) in listed.into_iter().enumerate() {
        let Analysed { facts, swings } = analysed[number % analysed.len()].clone();
        let about = about(&folder.join(&path)).unwrap();
        let session = about.session.unwrap();
        let facts =
            BucketFacts { uuid: about.uuid, player: session.player, started: Some(session.started), ..facts };
        index.put(&path, (stamp, beside), &Analysed { facts, swings }, &BesideRead::default()).unwrap();
    }
}

/// One swing with its curve needs its bucket analysed; gives the points of the first.
fn curve_of(path: &Path) -> usize {
    let mut input = open_input(path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.by_ref().for_each(|arrival| analysis.push(&arrival.unwrap()));
    analysis.finish().swings[0].curve.len()
}

fn told(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.1}"))
}

fn bytes(folder: &Path) -> u64 {
    std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().metadata().unwrap().len()).sum()
}

fn timed<T>(work: impl FnOnce() -> T) -> (f64, T) {
    let start = Instant::now();
    let done = work();
    (start.elapsed().as_secs_f64() * 1e3, done)
}
