//! The recorder's thread: all is written, a full queue is told, a failing disk is told, nobody waits for ever.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support {
    pub mod recording;
}

use hingeclock::device::host_clock::HostClock;
use hingeclock::record::{
    Disk, Keeper, LockError, Made, News, RecordError, Recorded, Recorder, RefusedError, SessionInfo, Storage,
};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex};
use std::time::Duration;
use support::recording::{read, samples, session};

/// A disk with one file, that can be held up and can fail.
#[derive(Clone, Default)]
struct OneFile(Arc<(Mutex<State>, Condvar)>);

#[derive(Default)]
struct State {
    bytes: Vec<u8>,
    files: usize,
    /// Syncs do not come back.
    held: bool,
    failing: bool,
}

impl OneFile {
    fn set(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.0.0.lock().unwrap());
        self.0.1.notify_all();
    }

    fn items(&self) -> Vec<Recorded> {
        read(&self.0.0.lock().unwrap().bytes).unwrap().items
    }
}

impl Storage for OneFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.0.0.lock().unwrap();
        if state.failing {
            return Err(io::ErrorKind::StorageFull.into());
        }
        state.bytes.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn sync(&mut self) -> io::Result<()> {
        drop(self.0.1.wait_while(self.0.0.lock().unwrap(), |state| state.held).unwrap());
        Ok(())
    }
}

impl Disk for OneFile {
    type File = OneFile;
    type Lock = ();

    fn make_folder(&mut self, _: &Path) -> io::Result<Made> {
        Ok(Made::Before)
    }

    fn create(&mut self, _: &Path) -> io::Result<OneFile> {
        self.set(|state| {
            state.files += 1;
            if state.files > 1 && !state.failing {
                state.bytes.clear();
            }
        });
        Ok(self.clone())
    }

    fn remove(&mut self, _: &Path) {}

    fn sync_folder(&mut self, _: &Path) -> io::Result<()> {
        Ok(())
    }

    fn lock(&mut self, _: &Path, _: &str) -> Result<(), LockError> {
        Ok(())
    }
}

fn started(disk: &OneFile, capacity: usize) -> (Recorder, HostClock) {
    let clock = HostClock::start();
    let session = SessionInfo { host_at_start: clock.now(), ..session() };
    let keeper = Keeper::start(disk.clone(), vec![PathBuf::from("/one")], session, "a test").unwrap();
    (Recorder::start(keeper, capacity, clock).unwrap(), clock)
}

fn piece(clock: &HostClock, number: u32) -> Recorded {
    samples(clock.now(), 0, number, 1)
}

/// Waits for something that the thread will do, for as long as a test may take.
fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    for _ in 0..6_000 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("waited in vain: {what}");
}

#[test]
fn all_that_was_taken_is_written_and_acknowledged_without_being_asked() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 100);
    let pieces: Vec<Recorded> = (0..100).map(|number| piece(&clock, number)).collect();
    pieces.iter().for_each(|piece| recorder.record(piece.clone()).unwrap());
    wait_until("all is on the disk", || recorder.safe().samples.get(&0) == Some(&100));
    assert_eq!(disk.items(), pieces, "acknowledged, so it is there");
    wait_until("nothing waits", || recorder.lag_us(clock.now()) == 0);
    assert_eq!(recorder.latency().count(), 100);
    let ended = recorder.finish();
    assert!(ended.result.is_ok() && ended.news.is_empty() && ended.paths.len() == 1);
    assert_eq!(disk.items(), pieces);
}

#[test]
fn a_stalled_disk_holds_nobody_up_refuses_when_the_queue_is_full_and_goes_on_afterwards() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 4);
    disk.set(|state| state.held = true);
    let first = piece(&clock, 0);
    recorder.record(first.clone()).unwrap();
    // The thread takes it and is held up by its sync; then four more find room.
    wait_until("the thread has taken it", || recorder.waiting() == 0);
    std::thread::sleep(Duration::from_millis(100));
    let before = clock.now();
    let more: Vec<Recorded> = (1..50).map(|number| piece(&clock, number)).collect();
    let taken: Vec<Recorded> =
        more.iter().filter(|piece| recorder.record((*piece).clone()).is_ok()).cloned().collect();
    assert_eq!(taken, more[..4]);
    assert_eq!(recorder.refused(), 45);
    assert_eq!(recorder.record(piece(&clock, 99)).unwrap_err(), RefusedError::QueueFull { capacity: 4 });
    assert!(recorder.safe().is_empty(), "nothing is called safe that is not");
    assert!(recorder.lag_us(clock.now()) >= clock.now().0 - before.0, "how long it takes can be seen");
    disk.set(|state| state.held = false);
    assert!(recorder.finish().result.is_ok());
    assert_eq!(disk.items(), [&[first], &taken[..]].concat());
}

#[test]
fn a_disk_that_never_answers_is_not_waited_for_for_ever() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 4);
    disk.set(|state| state.held = true);
    recorder.record(piece(&clock, 0)).unwrap();
    let ended = recorder.finish_within(Duration::from_millis(300));
    assert!(matches!(ended.result, Err(RecordError::Stalled(_))), "{:?}", ended.result);
    disk.set(|state| state.held = false);
}

/// Nor twice as long as is told, where its queue is full, too.
#[test]
fn a_disk_that_never_answers_is_waited_for_as_long_as_is_told() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 4);
    disk.set(|state| state.held = true);
    recorder.record(piece(&clock, 0)).unwrap();
    wait_until("the thread has taken it", || recorder.waiting() == 0);
    while recorder.waiting() < 4 {
        let _ = recorder.record(piece(&clock, 1));
    }
    let before = clock.now();
    let ended = recorder.finish_within(Duration::from_secs(2));
    let waited_us = clock.now().0 - before.0;
    assert!(matches!(ended.result, Err(RecordError::Stalled(2))), "{:?}", ended.result);
    assert!((1_900_000..3_500_000).contains(&waited_us), "{waited_us} µs");
    disk.set(|state| state.held = false);
}

#[test]
fn a_disk_that_fails_is_told_and_nothing_is_lost_when_it_is_well_again() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 100);
    disk.set(|state| state.failing = true);
    let pieces: Vec<Recorded> = (0..3).map(|number| piece(&clock, number)).collect();
    pieces.iter().for_each(|piece| recorder.record(piece.clone()).unwrap());
    wait_until("it is noticed", || !recorder.is_recording());
    let news = format!("{:?}", recorder.take_news());
    assert!(news.contains("the disk is full") && news.contains("NOTHING IS RECORDED NOW"), "{news}");
    disk.set(|state| state.failing = false);
    wait_until("it goes on", || recorder.is_recording());
    assert!(matches!(&recorder.take_news()[..], [.., News::Note(said)] if said.contains("goes on in")));
    assert!(recorder.finish().result.is_ok());
    assert_eq!(disk.items(), pieces);
}

#[test]
fn what_no_disk_takes_is_counted_at_the_end() {
    let disk = OneFile::default();
    let (mut recorder, clock) = started(&disk, 100);
    disk.set(|state| state.failing = true);
    (0..5).for_each(|number| recorder.record(piece(&clock, number)).unwrap());
    let ended = recorder.finish();
    assert!(matches!(ended.result, Err(RecordError::Lost(5))), "{:?}", ended.result);
    assert!(disk.items().is_empty());
}
