//! Small recordings whose content is known, and what was read of them.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use firmware_protocol::{BatchBuilder, Frame, MAX_WIRE, Reading, WireSample, encode};
use hingeclock::record::tally::samples_in;
use hingeclock::record::{
    RawPiece, Recorded, RecordingReader, RecordingWriter, SalvageReport, SessionInfo, Storage, Tally,
};
use hingeclock::sample::Marker;
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

pub const START_US: i64 = 5_000_000;

pub fn session() -> SessionInfo {
    SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Left,
        clubs: vec!["iron".to_owned()],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(1_700_000_000_000),
        host_at_start: HostTime(START_US),
    }
}

/// A frame of `count` samples of a node, from number `first` on.
pub fn samples(received: HostTime, node: u8, first: u32, count: u32) -> Recorded {
    let sample = |seq: u32| WireSample {
        seq,
        t_us: seq * 2000,
        reading: Reading::Counts([0, 1, 2, 3, 4, 5].map(|axis| (seq * 131 + axis * 977) as i16)),
    };
    let mut batch = BatchBuilder::new(node, sample(first)).unwrap();
    (1..count).for_each(|at| batch.push(sample(first + at)).unwrap());
    let mut wire = [0; MAX_WIRE];
    let bytes = encode(&Frame::Samples(batch.samples()), &mut wire).unwrap().to_vec();
    Recorded::Piece(RawPiece { received, whole: true, bytes })
}

/// What a glove of two nodes sends, a frame each 5 ms by turns, a marker or an event now and then.
pub fn items(count: u32) -> Vec<Recorded> {
    let item = |at: u32| {
        let received = HostTime(START_US + 5_000 * i64::from(at));
        let value = || format!("number {at}");
        match at % 23 {
            9 => Recorded::Marker { received, marker: Marker::Club(value()) },
            17 => Recorded::Link { received, kind: "asked".to_owned(), value: value() },
            _ => samples(received, (at % 2) as u8, at / 2 * 5, 5),
        }
    };
    (0..count).map(item).collect()
}

/// Bytes that can still be looked at when they were handed over.
#[derive(Clone, Default)]
pub struct Bytes(pub Arc<Mutex<Vec<u8>>>);

impl Storage for Bytes {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A whole recording of these.
pub fn recording_of(items: &[Recorded]) -> Vec<u8> {
    let bytes = Bytes::default();
    let mut writer = RecordingWriter::new(bytes.clone(), &session()).unwrap();
    for item in items {
        writer.write(item).unwrap();
        writer.tick(item.received()).unwrap();
    }
    writer.finish().unwrap();
    let bytes = bytes.0.lock().unwrap();
    bytes.clone()
}

/// What came out of a file.
pub struct Read {
    pub session: Option<SessionInfo>,
    pub items: Vec<Recorded>,
    pub report: SalvageReport,
}

pub fn read(bytes: &[u8]) -> Result<Read, String> {
    let mut reader = RecordingReader::new(Path::new("x.mcap"), bytes).map_err(|error| error.to_string())?;
    let items =
        reader.by_ref().map(|item| item.map_err(|error| error.to_string())).collect::<Result<_, _>>()?;
    Ok(Read { session: reader.session().cloned(), items, report: reader.report().clone() })
}

/// Whether `part` is `whole` with some items left out.
pub fn is_part_of(part: &[Recorded], whole: &[Recorded]) -> bool {
    let mut whole = whole.iter();
    part.iter().all(|item| whole.any(|original| original == item))
}

pub fn tally_of(items: &[Recorded]) -> Tally {
    let mut tally = Tally::default();
    items.iter().for_each(|item| tally.count(item));
    tally
}

/// Samples of both nodes in these.
pub fn samples_of(items: &[Recorded]) -> u64 {
    let pieces = items.iter().filter_map(|item| match item {
        Recorded::Piece(piece) => samples_in(piece),
        _ => None,
    });
    pieces.map(|(_, count)| count).sum()
}

/// What came back is true, and what did not is told: not more is called lost than is missing, and all of it
/// where `to_the_sample`.
pub fn check_truth(found: &Read, items: &[Recorded], to_the_sample: bool) -> Result<(), String> {
    if !is_part_of(&found.items, items) {
        return Err("something came back changed".to_owned());
    }
    if found.session.as_ref().is_some_and(|found| *found != session()) {
        return Err("the session came back changed".to_owned());
    }
    let all = found.items.len() == items.len() && found.session.is_some();
    if !all && !found.report.data_was_lost() {
        return Err("a loss is not told".to_owned());
    }
    let missing = tally_of(&found.items).lacks(&tally_of(items));
    let told = found.report.lost.clone().unwrap_or_default();
    if !missing.lacks(&told).is_empty() {
        return Err(format!("more is called lost ({told:?}) than is missing ({missing:?})"));
    }
    if to_the_sample && told != missing {
        return Err(format!("expected {missing:?} to be called lost, found {told:?}"));
    }
    Ok(())
}
