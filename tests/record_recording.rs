//! Recordings: what is written comes back; committed as promised; an independent reader agrees.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/python.rs"]
mod python;

use hingeclock::record::{
    FileDisk, RawPiece, RecordError, Recorded, RecordingReader, RecordingWriter, SessionInfo, Storage,
    create_recording,
};
use hingeclock::sample::{CalibrationPart, Marker};
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use proptest::prelude::*;
use python::{has, printed};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

fn session() -> SessionInfo {
    SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Right,
        clubs: vec!["wedge".to_owned(), "driver".to_owned()],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(1_700_000_000_000),
        host_at_start: HostTime(1_000_000),
    }
}

fn piece(host_us: i64, bytes: &[u8]) -> Recorded {
    Recorded::Piece(RawPiece {
        received: HostTime(host_us),
        whole: bytes.last() == Some(&0),
        bytes: bytes.to_vec(),
    })
}

/// What a fake storage was told.
#[derive(Clone, Default)]
struct Fake(Arc<Mutex<Told>>);

#[derive(Default)]
struct Told {
    bytes: Vec<u8>,
    syncs: usize,
    room: Option<usize>,
    /// So many bytes are taken at a time, after a signal that comes first.
    at_a_time: Option<usize>,
    signals: usize,
}

impl Fake {
    fn told<T>(&self, look: impl FnOnce(&mut Told) -> T) -> T {
        look(&mut self.0.lock().unwrap())
    }
}

impl Storage for Fake {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.told(|told| {
            if told.at_a_time.is_some() && told.signals < told.bytes.len() / 10 + 1 {
                told.signals += 1;
                return Err(io::ErrorKind::Interrupted.into());
            }
            let room = told.room.map_or(usize::MAX, |room| room - told.bytes.len());
            let taken = bytes.len().min(room).min(told.at_a_time.unwrap_or(usize::MAX));
            told.bytes.extend_from_slice(&bytes[..taken]);
            if taken == 0 { Err(io::ErrorKind::StorageFull.into()) } else { Ok(taken) }
        })
    }

    fn sync(&mut self) -> io::Result<()> {
        self.told(|told| told.syncs += 1);
        Ok(())
    }
}

/// Writes one thing, and does what is due at its time.
fn put(writer: &mut RecordingWriter<Fake>, item: &Recorded) -> Result<bool, RecordError> {
    writer.write(item)?;
    writer.tick(item.received())
}

fn read(bytes: &[u8]) -> (Option<SessionInfo>, Vec<Recorded>, Vec<String>) {
    let mut reader = RecordingReader::new(Path::new("x.mcap"), bytes).unwrap();
    let items = reader.by_ref().map(Result::unwrap).collect();
    (reader.session().cloned(), items, reader.report().sentences())
}

fn write(items: &[Recorded]) -> Vec<u8> {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    for item in items {
        put(&mut writer, item).unwrap();
    }
    writer.finish().unwrap();
    fake.told(|told| std::mem::take(&mut told.bytes))
}

#[test]
fn an_empty_recording_tells_who_played() {
    assert_eq!(read(&write(&[])), (Some(session()), vec![], vec![]));
}

fn any_item() -> impl Strategy<Value = Recorded> {
    let received = || (0..10_000_000_i64).prop_map(HostTime);
    prop_oneof![
        4 => (received(), any::<bool>(), prop::collection::vec(any::<u8>(), 0..520))
            .prop_map(|(received, whole, bytes)| Recorded::Piece(RawPiece { received, whole, bytes })),
        1 => received().prop_map(|received| {
            Recorded::Marker { received, marker: Marker::Prompt(CalibrationPart::Roll) }
        }),
        1 => (received(), "[a-z]{1,9}", ".{0,30}").prop_map(|(received, kind, value)| {
            Recorded::Link { received, kind, value }
        }),
        1 => (received(), "[a-z]{1,9}", any::<i32>()).prop_map(|(received, kind, number)| {
            let value = serde_json::json!({"set_us": number, "flags": ["data-gap"]});
            Recorded::Derived { received, kind, by: "hingeclock 0.1.0".to_owned(), value }
        }),
    ]
}

proptest! {
    #[test]
    fn what_is_written_is_read_in_order_whatever_it_is(items in prop::collection::vec(any_item(), 0..60)) {
        prop_assert_eq!(read(&write(&items)), (Some(session()), items, vec![]));
    }
}

#[test]
fn a_long_recording_comes_back_through_many_chunks() {
    // 20 s of pieces at 1 kHz, so some 400 chunks, and a reader that has to slide its window.
    let items: Vec<Recorded> =
        (0..20_000).map(|at| piece(1_000_000 + 1000 * at, &[at as u8 | 1; 120])).collect();
    let (_, found, losses) = read(&write(&items));
    assert!(losses.is_empty());
    assert!(found == items);
}

#[test]
fn what_is_committed_comes_back_and_no_more_than_50_ms_wait() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    let items: Vec<Recorded> = (0..400).map(|at| piece(1_000_000 + 2_500 * at, b"\x02\x07\x00")).collect();
    for (at, item) in items.iter().enumerate() {
        put(&mut writer, item).unwrap();
        let (who, found, losses) = read(&fake.told(|told| told.bytes.clone()));
        assert_eq!(who, Some(session()));
        assert_eq!(found, items[..found.len()]);
        let lost = at + 1 - found.len();
        assert!(lost <= 20, "{lost} pieces of 2.5 ms are lost");
        assert_eq!(losses.len(), 2, "a recording that was not finished is told as such: {losses:?}");
        assert!(losses[1].ends_with("no sample and no message"), "{losses:?}");
    }
}

#[test]
fn without_arrivals_a_tick_commits_what_waits() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    writer.write(&piece(1_010_000, b"\x01\x00")).unwrap();
    assert!(!writer.tick(HostTime(1_049_999)).unwrap() && !writer.is_committed());
    assert!(writer.tick(HostTime(1_050_000)).unwrap() && writer.is_committed());
    assert!(!writer.tick(HostTime(1_900_000)).unwrap(), "nothing is waiting");
}

#[test]
fn each_commit_is_synced() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    let before = fake.told(|told| told.syncs);
    assert!(before > 0, "who played is on the disk before the first piece");
    for at in 0..500 {
        put(&mut writer, &piece(1_000_000 + 10_000 * at, b"\x01\x00")).unwrap();
    }
    assert_eq!(fake.told(|told| told.syncs) - before, 99);
}

#[test]
fn much_at_once_is_committed_before_its_time() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    let commits = (0..100).filter(|_| put(&mut writer, &piece(1_000_000, &[1; 5_000])).unwrap()).count();
    assert_eq!(commits, 7, "every 64 KiB");
}

#[test]
fn short_writes_and_signals_change_nothing() {
    let items: Vec<Recorded> = (0..50).map(|at| piece(1_000_000 + 9_000 * at, &[1; 100])).collect();
    let fake = Fake::default();
    fake.told(|told| told.at_a_time = Some(7));
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    for item in &items {
        put(&mut writer, item).unwrap();
    }
    writer.finish().unwrap();
    assert_eq!(fake.told(|told| std::mem::take(&mut told.bytes)), write(&items));
}

#[test]
fn a_writer_that_is_dropped_writes_nothing_more() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    writer.write(&piece(1_000_001, b"\x01\x00")).unwrap();
    let before = fake.told(|told| told.bytes.len());
    drop(writer);
    assert_eq!(fake.told(|told| told.bytes.len()), before);
}

#[test]
fn a_full_disk_is_told_and_what_was_written_stays() {
    let items: Vec<Recorded> = (0..200).map(|at| piece(1_000_000 + 5_000 * at, &[1; 100])).collect();
    let fake = Fake::default();
    fake.told(|told| told.room = Some(20_000));
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    let error = items.iter().find_map(|item| put(&mut writer, item).err()).unwrap();
    assert!(matches!(error, RecordError::DiskFull { written } if written > 10_000), "{error}");
    assert!(error.to_string().starts_with("the disk is full after"), "{error}");
    assert!(matches!(writer.write(&items[0]), Err(RecordError::FailedBefore)));
    assert!(matches!(writer.finish(), Err(RecordError::FailedBefore)));
    let (who, found, losses) = read(&fake.told(|told| std::mem::take(&mut told.bytes)));
    assert_eq!(who, Some(session()));
    assert!(found.len() > 90, "{}", found.len());
    assert_eq!(found, items[..found.len()]);
    assert!(!losses.is_empty());
}

#[test]
fn an_item_that_is_too_large_is_refused_and_the_rest_goes_on() {
    let fake = Fake::default();
    let mut writer = RecordingWriter::new(fake.clone(), &session()).unwrap();
    let error = writer.write(&piece(1_000_000, &vec![1; 1 << 20])).unwrap_err();
    assert_eq!(error.to_string(), "expected an item of at most 1048576 bytes, found 1048585");
    writer.write(&piece(1_000_000, b"\x01\x00")).unwrap();
    writer.finish().unwrap();
    assert_eq!(read(&fake.told(|told| std::mem::take(&mut told.bytes))).1.len(), 1);
}

const INDEPENDENT: &str = r#"
import json, sys
from mcap.reader import make_reader
with open(sys.argv[1], "rb") as file:
    reader = make_reader(file)
    header = reader.get_header()
    assert header.profile == "hingeclock", header
    records = list(reader.iter_metadata())
    assert [r.name for r in records] == ["hingeclock.session"], records
    assert records[0].metadata["player"] == "Robin", records
    counts = {}
    for schema, channel, message in reader.iter_messages(log_time_order=False):
        counts[channel.topic] = counts.get(channel.topic, 0) + 1
        if channel.topic == "glove/raw":
            host_us = int.from_bytes(message.data[:8], "little", signed=True)
            assert host_us * 1000 == message.log_time
            assert "SPEC.md" in schema.data.decode()
        else:
            assert json.loads(message.data)["host_us"] * 1000 == message.log_time
        if channel.topic.startswith("derived/"):
            assert channel.metadata["derived"] == "true" and "hingeclock" in channel.metadata["by"]
    print(json.dumps(counts, sort_keys=True))
"#;

#[test]
fn an_independent_reader_opens_a_finished_recording() {
    if !has("mcap") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (path, storage) = create_recording(&mut FileDisk, folder.path(), session().started).unwrap();
    let mut writer = RecordingWriter::new(storage, &session()).unwrap();
    for at in 0..300 {
        writer.write(&piece(1_000_000 + 1000 * at, b"\x03\x01\x02\x00")).unwrap();
        writer.tick(HostTime(1_000_000 + 1000 * at)).unwrap();
    }
    let received = HostTime(1_500_000);
    writer.write(&Recorded::Marker { received, marker: Marker::Club("wedge".to_owned()) }).unwrap();
    let (kind, by, value) = ("swing".to_owned(), "hingeclock 0.1.0".to_owned(), serde_json::json!({"n": 1}));
    writer.write(&Recorded::Derived { received, kind, by, value }).unwrap();
    writer.finish().unwrap();
    assert_eq!(
        printed(INDEPENDENT, &[&path]).trim(),
        r#"{"derived/events": 1, "glove/raw": 300, "host/markers": 1}"#
    );
}
