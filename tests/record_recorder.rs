//! The recorder's thread: all is written, a full queue is told, a failing disk is told, nobody waits for ever.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use hingeclock::record::{
    RawPiece, RecordError, Recorded, Recorder, RecordingReader, RecordingWriter, RefusedError, SessionInfo,
    Storage,
};
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use std::io;
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex};

/// A disk that can be held up and can fail.
#[derive(Clone, Default)]
struct Disk(Arc<(Mutex<State>, Condvar)>);

#[derive(Default)]
struct State {
    bytes: Vec<u8>,
    held: bool,
    failing: bool,
}

impl Disk {
    fn set(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.0.0.lock().unwrap());
        self.0.1.notify_all();
    }
}

impl Storage for Disk {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.0.1.wait_while(self.0.0.lock().unwrap(), |state| state.held).unwrap();
        if state.failing {
            return Err(io::ErrorKind::StorageFull.into());
        }
        state.bytes.extend_from_slice(bytes);
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn started(disk: &Disk, capacity: usize) -> Recorder {
    let session = SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Right,
        clubs: vec![],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(0),
        host_at_start: HostTime(0),
    };
    Recorder::start(RecordingWriter::new(disk.clone(), &session).unwrap(), capacity).unwrap()
}

/// Pieces 200 ms apart, so that each is flushed.
fn piece(number: u8) -> Recorded {
    let received = HostTime(200_000 * (i64::from(number) + 1));
    Recorded::Piece(RawPiece { received, whole: true, bytes: vec![2, number | 1, 0] })
}

fn read(disk: &Disk) -> Vec<Recorded> {
    let bytes = disk.0.0.lock().unwrap().bytes.clone();
    RecordingReader::new(Path::new("x.mcap"), bytes.as_slice()).unwrap().map(Result::unwrap).collect()
}

#[test]
fn all_that_was_taken_is_written() {
    let disk = Disk::default();
    let mut recorder = started(&disk, 100);
    let pieces: Vec<Recorded> = (0..100).map(piece).collect();
    for piece in &pieces {
        recorder.record(piece.clone()).unwrap();
    }
    recorder.finish().unwrap();
    assert_eq!(read(&disk), pieces);
}

#[test]
fn a_full_queue_refuses_and_counts_and_goes_on_afterwards() {
    let disk = Disk::default();
    let mut recorder = started(&disk, 4);
    disk.set(|state| state.held = true);
    let taken: Vec<Recorded> =
        (0..50).map(piece).filter(|piece| recorder.record(piece.clone()).is_ok()).collect();
    // Four in the queue, and the few that the thread took out before the disk held it up.
    assert!((4..=6).contains(&taken.len()), "{}", taken.len());
    assert_eq!(recorder.refused(), 50 - taken.len() as u64);
    let refused = recorder.record(piece(99)).unwrap_err();
    assert_eq!(refused, RefusedError::QueueFull { capacity: 4 });
    disk.set(|state| state.held = false);
    recorder.finish().unwrap();
    assert_eq!(read(&disk), taken);
}

#[test]
fn a_failing_disk_is_told_and_stops_the_recorder() {
    let disk = Disk::default();
    let mut recorder = started(&disk, 4);
    disk.set(|state| state.failing = true);
    while recorder.record(piece(0)) != Err(RefusedError::Stopped) {
        std::thread::yield_now();
    }
    assert!(matches!(recorder.failure(), Some(RecordError::DiskFull { .. })));
    assert!(recorder.finish().is_err());
    assert_eq!(read(&disk), []);
}
