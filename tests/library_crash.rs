//! An operation that is cut off between any two of its steps is finished or undone when the library is opened again,
//! and nothing that was recorded or said is lost.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/shelf.rs"]
mod shelf;

use hingeclock::record::library::remarks::{Remarks, Said};
use hingeclock::record::library::steps::{Step, carry_out};
use hingeclock::record::library::{Import, Library, Operation};
use hingeclock::record::{Names, export_csv, open_input};
use hingeclock::units::{PlayerHand, WallTime};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use tempfile::TempDir;

/// Three recordings with remarks, one in the trash, a CSV; indexed.
fn base() -> &'static TempDir {
    static BASE: OnceLock<TempDir> = OnceLock::new();
    BASE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let library = folder.path().join("library");
        for (name, swings, seed) in [("a.mcap", 3, 1), ("sub/b.mcap", 1, 2), ("gone.mcap", 0, 3)] {
            let bucket = shelf::bucket(swings, seed);
            let session = shelf::session("Robin", 1_700_000_000_000 + 3_600_000 * seed as i64);
            shelf::put(&library, name, &session, &shelf::recorded(&bucket, &session));
        }
        let (mut open, opened) = shelf::open(&library);
        assert_eq!((opened.analysed, opened.told), (3, Vec::new()));
        let a = open.bucket("a").unwrap();
        assert_eq!(a.swings, 3);
        open.remark(&a, Some(1), Said::Note("first".to_owned())).unwrap();
        open.remark(&a, Some(3), Said::Exclude("topped".to_owned())).unwrap();
        open.remark(&a, None, Said::Tag("wind".to_owned())).unwrap();
        let b = open.bucket("b").unwrap();
        open.remark(&b, Some(1), Said::Club("iron 7".to_owned())).unwrap();
        let gone = open.bucket("gone").unwrap();
        open.run(&open.deleted(&gone).unwrap().steps).unwrap();
        let csv = folder.path().join("old.csv");
        export_csv(open_input(&library.join("sub/b.mcap")).unwrap(), &csv, Names::Keep).unwrap();
        folder
    })
}

/// A copy with the times of change, so that the index still holds.
fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let (from, to) = (entry.as_ref().unwrap().path(), to.join(entry.unwrap().file_name()));
        if from.is_dir() {
            copy(&from, &to);
        } else {
            fs::copy(&from, &to).unwrap();
            let changed = fs::metadata(&from).unwrap().modified().unwrap();
            fs::File::options().write(true).open(&to).unwrap().set_modified(changed).unwrap();
        }
    }
}

fn fresh() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    copy(base().path(), folder.path());
    let library = folder.path().join("library");
    (folder, library)
}

/// Each recording with what was said of it, by path.
type State = BTreeMap<String, Vec<String>>;

fn state(library: &Library) -> State {
    let mut state = State::new();
    for bucket in library.index().buckets().unwrap() {
        assert_eq!(bucket.problems, Vec::<String>::new(), "{}", bucket.path.display());
        let remarks = library.index().remarks(bucket.id).unwrap();
        let said = remarks.iter().map(|remark| {
            let place = remark.swing.map(|swing| swing.place);
            format!("{place:?} {:?}", remark.said)
        });
        state.insert(bucket.path.display().to_string(), said.collect());
    }
    state
}

/// The numbers of all recordings in the library and its trash.
fn numbers(library: &Library) -> BTreeSet<String> {
    let here = library.index().buckets().unwrap().into_iter().map(|bucket| bucket.facts.uuid);
    here.chain(library.in_trash().unwrap().into_iter().map(|found| found.uuid))
        .map(|uuid| uuid.to_string())
        .collect()
}

/// All that people said, anywhere in the folder.
fn all_said(folder: &Path, said: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all_said(&path, said);
        } else if path.to_string_lossy().ends_with(".remarks.jsonl") {
            let read = Remarks::parse(&fs::read(&path).unwrap());
            said.extend(read.remarks.iter().map(|remark| format!("{:?}", remark.said)));
        }
    }
}

fn check(plan: impl Fn(&Library, &Path) -> Operation) {
    let (_keep, folder) = fresh();
    let (mut library, _) = shelf::open(&folder);
    let before = state(&library);
    let numbers_before = numbers(&library);
    let mut said_before = BTreeSet::new();
    all_said(&folder, &mut said_before);
    let operation = plan(&library, &folder);
    library.run(&operation.steps).unwrap();
    let after = state(&library);
    assert_ne!(before, after);
    let dump = library.index().dump().unwrap();
    drop(library);
    assert_eq!(shelf::rebuilt(&folder), dump, "a new index has the same content");

    let mut ended_after = Vec::new();
    for steps in 0..=operation.steps.len() {
        for torn in [false, true] {
            let (_keep, folder) = fresh();
            let (library, _) = shelf::open(&folder);
            let operation = plan(&library, &folder);
            drop(library);
            for step in &operation.steps[..steps] {
                carry_out(&folder, step).unwrap();
            }
            if torn && !tear(&folder, operation.steps[..steps].last()) {
                continue;
            }
            let (library, opened) = shelf::open(&folder);
            let now = state(&library);
            let at = format!("after {steps} steps, torn {torn}, told {:?}", opened.told);
            assert!(now == before || now == after, "{at}: {now:#?}");
            assert!(steps > 0 || now == before, "{at}");
            assert!(steps < operation.steps.len() || now == after, "{at}");
            ended_after.push(now == after);
            assert!(numbers(&library).is_superset(&numbers_before), "{at}: a recording is lost");
            let mut said = BTreeSet::new();
            all_said(&folder, &mut said);
            assert!(said.is_superset(&said_before), "{at}: a remark is lost");
            drop(library);
            let (library, opened) = shelf::open(&folder);
            assert_eq!(
                (state(&library), opened.told, opened.analysed),
                (now, Vec::new(), 0),
                "{at}: not settled"
            );
        }
    }
    assert!(ended_after.is_sorted(), "once it is finished, later steps do not undo it: {ended_after:?}");
}

/// Cuts off a file that a step has just begun to write; false where the step writes none.
fn tear(folder: &Path, step: Option<&Step>) -> bool {
    let Some(Step::Join { to, .. } | Step::Cut { to, .. } | Step::Import { to, .. } | Step::Write { to, .. }) =
        step
    else {
        return false;
    };
    let file = fs::File::options().write(true).open(folder.join(to)).unwrap();
    file.set_len(file.metadata().unwrap().len() / 2).unwrap();
    true
}

#[test]
fn renamed_or_moved() {
    check(|library, _| library.moved(&library.bucket("a").unwrap(), Path::new("other/c")).unwrap());
}

#[test]
fn deleted() {
    check(|library, _| library.deleted(&library.bucket("a").unwrap()).unwrap());
}

#[test]
fn restored() {
    check(|library, _| library.restored("gone").unwrap());
}

#[test]
fn merged() {
    check(|library, _| {
        let buckets = ["b", "a"].map(|word| library.bucket(word).unwrap());
        library.merged(&buckets, Path::new("day")).unwrap()
    });
}

#[test]
fn split() {
    check(|library, _| library.split(&library.bucket("a").unwrap(), 2).unwrap());
}

#[test]
fn imported() {
    check(|library, folder| {
        let import = Import {
            csv: folder.join("../old.csv"),
            player: "Ann".to_owned(),
            hand: PlayerHand::Right,
            clubs: Vec::new(),
            recorded: Some(WallTime(1_600_000_000_000)),
            name: None,
        };
        library.imported(&import).unwrap()
    });
}

#[test]
fn a_recording_that_was_renamed_by_hand_gets_its_remarks_back() {
    let (_keep, folder) = fresh();
    fs::rename(folder.join("a.mcap"), folder.join("z.mcap")).unwrap();
    let (library, opened) = shelf::open(&folder);
    assert_eq!(opened.analysed, 0, "it is known by its number");
    assert_eq!(opened.told.len(), 2, "{:?}", opened.told);
    assert_eq!(state(&library)["z.mcap"].len(), 3);
    assert!(!state(&library).contains_key("a.mcap"));
}

#[test]
fn a_source_that_is_brought_back_after_a_merge_stays() {
    let (_keep, folder) = fresh();
    let (mut library, _) = shelf::open(&folder);
    let buckets = ["a", "b"].map(|word| library.bucket(word).unwrap());
    let operation = library.merged(&buckets, Path::new("day")).unwrap();
    library.run(&operation.steps).unwrap();
    let operation = library.restored("a").unwrap();
    library.run(&operation.steps).unwrap();
    drop(library);
    let (library, opened) = shelf::open(&folder);
    assert_eq!(shelf::paths(&library), ["a.mcap", "day.mcap"]);
    assert_eq!(opened.told, Vec::<String>::new());
    let error =
        library.merged(&["a", "day"].map(|w| library.bucket(w).unwrap()), Path::new("gone")).map(|_| ());
    assert!(error.is_ok(), "{error:?}");
}
