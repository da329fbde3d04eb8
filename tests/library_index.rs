//! The index holds what the recordings hold: built at once or bit by bit, after damage, after changes by hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/shelf.rs"]
mod shelf;

use hingeclock::detect::{AnalysisParams, Bands, OfflineAnalysis};
use hingeclock::record::RecordingReader;
use hingeclock::record::library::Library;
use hingeclock::record::library::numbers::{ANALYSER, Compared, SwingNumbers, side_by_side};
use hingeclock::record::library::remarks::Said;
use hingeclock::record::library::results::VersionResult;
use hingeclock::record::library::search::Wanted;
use hingeclock::units::HostTime;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

fn add(folder: &Path, name: &str, swings: usize, seed: u64) {
    let session = shelf::session("Robin", 1_700_000_000_000 + 3_600_000 * seed as i64);
    shelf::put(folder, name, &session, &shelf::recorded(&shelf::bucket(swings, seed), &session));
}

#[test]
fn bit_by_bit_it_holds_the_same_as_built_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", 3, 1);
    let (mut library, opened) = shelf::open(folder);
    assert_eq!((opened.analysed, opened.rebuilt), (1, false));
    let a = library.bucket("a").unwrap();
    library.remark(&a, Some(2), Said::Tag("slow".to_owned())).unwrap();
    library.remark(&a, Some(1), Said::Club("iron 7".to_owned())).unwrap();
    drop(library);
    add(folder, "deep/down/b.mcap", 1, 2);
    fs::write(folder.join("torn.mcap"), &fs::read(folder.join("a.mcap")).unwrap()[..150_000]).unwrap();
    fs::write(folder.join("foreign.mcap"), "no recording").unwrap();
    let (mut library, opened) = shelf::open(folder);
    assert_eq!(opened.analysed, 3, "only what is new is analysed");
    let b = library.bucket("b").unwrap();
    let operation = library.moved(&b, Path::new("c")).unwrap();
    library.run(&operation.steps).unwrap();
    let dump = library.index().dump().unwrap();
    drop(library);
    let (library, opened) = shelf::open(folder);
    assert_eq!(opened.analysed, 0, "what is known is not analysed again");
    let foreign = library.bucket("foreign").unwrap();
    assert!(
        foreign.facts.unreadable.unwrap().contains("expected a recording (an MCAP file), found other bytes")
    );
    assert!(!library.bucket("torn").unwrap().facts.losses.is_empty());
    let a = library.bucket("a").unwrap();
    let swings = shelf::swings(&library, &a);
    assert_eq!(swings[0].club.as_deref(), Some("iron 7"));
    assert_eq!(swings[1].tags, ["slow"]);
    drop(library);
    assert_eq!(shelf::rebuilt(folder), dump);
}

#[test]
fn the_numbers_are_those_of_the_analysis() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 2, 1);
    let (library, _) = shelf::open(folder.path());
    let bucket = shelf::bucket(2, 1);
    let mut analysis = OfflineAnalysis::new(&bucket.device, AnalysisParams::default());
    bucket.arrivals.iter().for_each(|arrival| analysis.push(arrival));
    let expected: Vec<SwingNumbers> = analysis.finish().swings.iter().map(SwingNumbers::of).collect();
    let kept = shelf::swings(&library, &library.bucket("a").unwrap());
    assert_eq!(kept.len(), 2);
    let kept: Vec<SwingNumbers> = kept.into_iter().map(|swing| swing.numbers).collect();
    assert_eq!(kept, expected, "to the last bit");
}

#[test]
fn a_search_finds_the_swings_of_a_copy_once() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", 2, 1);
    add(folder, "b.mcap", 1, 2);
    fs::copy(folder.join("a.mcap"), folder.join("a copied.mcap")).unwrap();
    let (library, _) = shelf::open(folder);
    let found = |text: &str| {
        let wanted = Wanted { text: text.to_owned(), most: 100, ..Wanted::default() };
        let found = library.index().search(&wanted).unwrap();
        let places = found.swings.iter().map(|swing| (swing.path.clone(), swing.place));
        (found.count, places.collect::<Vec<_>>())
    };
    let listed = |path: &str, place| (path.to_owned(), place);
    assert_eq!(found(""), (3, vec![listed("b.mcap", 1), listed("a.mcap", 1), listed("a.mcap", 2)]));
    assert_eq!(found("copied"), (0, vec![]));
}

/// Whether the index is open for changes or for reading alone.
#[test]
fn a_search_finds_words_whatever_their_case_and_however_their_letters_are_put_together() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let session = shelf::session("Émile Bø", 1_700_000_000_000);
    shelf::put(folder, "a.mcap", &session, &shelf::recorded(&shelf::bucket(1, 1), &session));
    let (mut library, _) = shelf::open(folder);
    let a = library.bucket("a").unwrap();
    for said in [Said::Club("Großer Hölzer".to_owned()), Said::Tag("E\u{301}cho".to_owned())] {
        library.remark(&a, Some(1), said).unwrap();
    }
    let (reading, opened) = shelf::open(folder);
    assert!(opened.told[0].contains("for reading only"), "{:?}", opened.told);
    for library in [&library, &reading] {
        for (text, count) in [
            ("émile", 1),
            ("E\u{301}MILE", 1),
            ("BØ", 1),
            ("großer HÖLZER", 1),
            ("GROSSER", 1),
            ("écho", 1),
            ("A.MCAP", 1),
            ("emile", 0),
            ("émil bø", 0),
        ] {
            let wanted = Wanted { text: text.to_owned(), most: 100, ..Wanted::default() };
            assert_eq!(library.index().search(&wanted).unwrap().count, count, "{text}");
        }
    }
}

#[test]
fn a_damaged_index_or_one_for_other_settings_is_built_anew() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 0, 1);
    let dump = shelf::open(folder.path()).0.index().dump().unwrap();
    let index = folder.path().join("index.sqlite");
    let whole = fs::read(&index).unwrap();
    let mut flipped = whole.clone();
    flipped[4096..4200].fill(0xff);
    for damaged in [&b"not SQLite at all"[..], &whole[..whole.len() / 2], &flipped] {
        fs::write(&index, damaged).unwrap();
        let (library, opened) = shelf::open(folder.path());
        assert!(opened.rebuilt);
        assert_eq!(library.index().dump().unwrap(), dump);
    }
    let params =
        AnalysisParams { bands: Bands { late_from: 0.8, ..Bands::default() }, ..AnalysisParams::default() };
    let (_, opened) = Library::open(folder.path(), params, shelf::NOW).unwrap();
    assert_eq!((opened.rebuilt, opened.analysed), (true, 1));
}

#[test]
fn two_do_not_change_a_library_at_once() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 0, 1);
    let (first, _) = shelf::open(folder.path());
    let (mut second, opened) = shelf::open(folder.path());
    let told = format!(
        "opened for reading only: another hingeclock (process {}) is at work in it",
        std::process::id()
    );
    assert_eq!(opened.told, [told]);
    assert_eq!(second.index().dump().unwrap(), first.index().dump().unwrap());
    let a = second.bucket("a").unwrap();
    let error = second.remark(&a, None, Said::Note("x".to_owned())).unwrap_err();
    assert_eq!(
        error.to_string(),
        "expected a library that can be changed, found one that is open for reading only"
    );
}

/// The second was begun after the first had ended, but by a wall clock that was put back meanwhile.
#[test]
fn a_clock_put_back_between_two_recordings_does_not_mix_them_when_they_are_merged() {
    let folder = tempfile::tempdir().unwrap();
    let begun = 1_700_000_000_000;
    for (name, started, seed) in [("a.mcap", begun, 1), ("b.mcap", begun + 2_000, 2)] {
        let session = shelf::session("Robin", started);
        shelf::put(folder.path(), name, &session, &shelf::recorded(&shelf::bucket(1, seed), &session));
    }
    let (mut library, _) = shelf::open(folder.path());
    let both = ["a", "b"].map(|name| library.bucket(name).unwrap());
    let swings: usize = both.iter().map(|bucket| bucket.swings).sum();
    let operation = library.merged(&both, Path::new("day")).unwrap();
    library.run(&operation.steps).unwrap();
    assert_eq!((swings, library.bucket("day").unwrap().swings), (2, 2));
    let path = folder.path().join("day.mcap");
    let file = std::io::BufReader::new(fs::File::open(&path).unwrap());
    let received = RecordingReader::new(&path, file).unwrap().map(|recorded| recorded.unwrap().received());
    let received: Vec<HostTime> = received.collect();
    let back = received.windows(2).find(|pair| pair[1] < pair[0]);
    assert_eq!(back, None);
}

/// What is put right after a change is told, and once only.
#[test]
fn what_a_change_finds_cut_off_is_told() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 1, 1);
    let (mut library, _) = shelf::open(folder.path());
    let a = library.bucket("a").unwrap();
    library.remark(&a, None, Said::Note("x".to_owned())).unwrap();
    assert!(library.take_told().is_empty());
    fs::write(folder.path().join("b.mcap.unready"), "cut off").unwrap();
    library.remark(&a, None, Said::Note("y".to_owned())).unwrap();
    assert_eq!(library.take_told(), ["b.mcap.unready: was never made ready; removed"]);
    fs::write(folder.path().join("alone.remarks.jsonl"), "").unwrap();
    let a = library.bucket("a").unwrap();
    let operation = library.moved(&a, Path::new("c")).unwrap();
    library.run(&operation.steps).unwrap();
    let told = library.take_told();
    let left = told.iter().any(|told| told.starts_with("alone.remarks.jsonl: expected its recording"));
    assert!(left, "{told:?}");
    let c = library.bucket("c").unwrap();
    library.remark(&c, None, Said::Note("z".to_owned())).unwrap();
    assert!(library.take_told().is_empty(), "said before");
}

#[test]
fn everything_that_is_made_belongs_to_its_owner_alone() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 1, 1);
    // As it comes from elsewhere.
    fs::set_permissions(folder.path().join("a.mcap"), fs::Permissions::from_mode(0o644)).unwrap();
    let (mut library, opened) = shelf::open(folder.path());
    assert_eq!(opened.told, ["a.mcap: could be read by others; now it cannot"]);
    let a = library.bucket("a").unwrap();
    library.remark(&a, None, Said::Note("x".to_owned())).unwrap();
    let operation = library.moved(&a, Path::new("new/b")).unwrap();
    library.run(&operation.steps).unwrap();
    let b = library.bucket("b").unwrap();
    let operation = library.deleted(&b).unwrap();
    library.run(&operation.steps).unwrap();
    let mut seen = 0;
    let mut folders = vec![folder.path().to_owned()];
    while let Some(inside) = folders.pop() {
        for entry in fs::read_dir(inside).unwrap() {
            let path = entry.unwrap().path();
            let mode = fs::metadata(&path).unwrap().permissions().mode() & 0o777;
            assert_eq!(mode, if path.is_dir() { 0o700 } else { 0o600 }, "{}", path.display());
            seen += 1;
            if path.is_dir() {
                folders.push(path);
            }
        }
    }
    assert!(seen >= 8, "{seen}");
}

#[test]
fn an_earlier_versions_numbers_are_kept_beside_those_of_this_one() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 2, 1);
    let (library, _) = shelf::open(folder.path());
    let a = library.bucket("a").unwrap();
    let numbers: Vec<SwingNumbers> =
        shelf::swings(&library, &a).into_iter().map(|swing| swing.numbers).collect();
    drop(library);
    let path = folder.path().join("a.results.jsonl");
    let text = fs::read_to_string(&path).unwrap();
    assert!(text.contains(ANALYSER), "{text}");
    // An earlier version saw the set 10 ms later, the takeaway a bit earlier, and did not find the second swing.
    let mut old = numbers[0].clone();
    old.takeaway_us.0 -= 4_000;
    old.set_to_top_ms =
        old.set_to_top_ms.map(|set| hingeclock::units::Measured::new(set.value + 10.0, set.sd));
    let old = VersionResult {
        by: "hingeclock 0.0.9".to_owned(),
        settings: "00000000".to_owned(),
        swings: vec![old],
    };
    fs::write(&path, text + &serde_json::to_string(&old).unwrap() + "\n{\"torn").unwrap();
    let (library, opened) = shelf::open(folder.path());
    assert_eq!(opened.analysed, 0);
    let earlier = library.index().earlier_results(a.id).unwrap();
    assert_eq!(earlier, [old]);
    assert_eq!(library.bucket("a").unwrap().problems.len(), 1, "the torn line is told");
    let compared = |numbers: &[SwingNumbers]| numbers.iter().map(Compared::of).collect::<Vec<_>>();
    let pairs = side_by_side(&compared(&earlier[0].swings), &compared(&numbers));
    let change = pairs[0].now.as_ref().unwrap().set_to_top_ms.unwrap()
        - pairs[0].earlier.as_ref().unwrap().set_to_top_ms.unwrap();
    assert!((change + 10.0).abs() < 1e-9, "{change}");
    assert!(pairs[1].earlier.is_none());
    let dump = library.index().dump().unwrap();
    drop(library);
    assert_eq!(shelf::rebuilt(folder.path()), dump, "they survive a new index");
}

#[test]
fn verify_reads_all_and_notices_flipped_bytes_and_a_false_index() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", 1, 1);
    add(folder.path(), "b.mcap", 0, 2);
    let (mut library, _) = shelf::open(folder.path());
    let verified = library.verify(true).unwrap();
    assert!(verified.is_sound(), "{verified:?}");
    assert_eq!((verified.recordings.len(), verified.index_agrees), (2, Some(true)));
    assert!(verified.recordings[0].pieces > 1000, "{verified:?}");
    let path = folder.path().join("b.mcap");
    let changed = fs::metadata(&path).unwrap().modified().unwrap();
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0x5a);
    fs::write(&path, &bytes).unwrap();
    // What rots leaves the time of change as it was.
    fs::File::options().write(true).open(&path).unwrap().set_modified(changed).unwrap();
    let verified = library.verify(true).unwrap();
    assert!(!verified.is_sound());
    assert_eq!(verified.recordings[0].problems, Vec::<String>::new());
    assert!(!verified.recordings[1].problems.is_empty(), "{:?}", verified.recordings[1]);
    assert_eq!(verified.index_agrees, Some(false));
}
