//! Recordings that were cut or damaged: never a panic, never a changed message, never a loss passed over.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use hingeclock::record::{RawPiece, Recorded, RecordingReader, RecordingWriter, SessionInfo, Storage};
use hingeclock::sample::Marker;
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex};

#[derive(Clone, Default)]
struct Bytes(Arc<Mutex<Vec<u8>>>);

impl Storage for Bytes {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn session() -> SessionInfo {
    SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Left,
        clubs: vec!["iron".to_owned()],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(1_700_000_000_000),
        host_at_start: HostTime(5_000_000),
    }
}

/// A small recording of six chunks, and what is in it.
fn small_recording() -> (Vec<u8>, Vec<Recorded>) {
    let mut items = Vec::new();
    for at in 0..60_u8 {
        let received = HostTime(5_000_000 + 10_000 * i64::from(at));
        if at % 20 == 7 {
            items.push(Recorded::Marker { received, marker: Marker::Club(format!("iron {at}")) });
        }
        let bytes = vec![4, at | 1, 3, 9, 0];
        items.push(Recorded::Piece(RawPiece { received, whole: true, bytes }));
    }
    let bytes = Bytes::default();
    let mut writer = RecordingWriter::new(bytes.clone(), &session()).unwrap();
    items.iter().for_each(|item| writer.write(item).unwrap());
    writer.finish().unwrap();
    (bytes.0.lock().unwrap().clone(), items)
}

struct Read {
    session: Option<SessionInfo>,
    items: Vec<Recorded>,
    losses: Vec<String>,
}

fn read(bytes: &[u8]) -> Result<Read, String> {
    let mut reader = RecordingReader::new(Path::new("x.mcap"), bytes).map_err(|error| error.to_string())?;
    let items =
        reader.by_ref().map(|item| item.map_err(|error| error.to_string())).collect::<Result<_, _>>()?;
    Ok(Read { session: reader.session().cloned(), items, losses: reader.report().sentences() })
}

/// Whether `part` is `whole` with some items left out.
fn is_part_of(part: &[Recorded], whole: &[Recorded]) -> bool {
    let mut whole = whole.iter();
    part.iter().all(|item| whole.any(|original| original == item))
}

/// What came back is true, and what did not is told.
fn check_truth(found: &Read, items: &[Recorded], what: &str) {
    assert!(is_part_of(&found.items, items), "{what}: something came back changed");
    assert!(
        found.session.is_none() || found.session == Some(session()),
        "{what}: the session came back changed"
    );
    let all = found.items.len() == items.len() && found.session.is_some();
    assert!(all || !found.losses.is_empty(), "{what}: a loss is not told");
}

#[test]
fn cut_anywhere_it_gives_every_complete_message_before_the_cut() {
    let (bytes, items) = small_recording();
    let mut before = 0;
    for cut in 0..bytes.len() {
        let found = read(&bytes[..cut]).unwrap();
        check_truth(&found, &items, &format!("cut at {cut}"));
        assert_eq!(found.items, items[..found.items.len()], "cut at {cut}");
        assert!(found.items.len() >= before, "cut at {cut}: a later cut gave less");
        before = found.items.len();
        let data_end = bytes.len() > cut + 4 && found.items.len() < items.len();
        assert!(!data_end || !found.losses.is_empty(), "cut at {cut}");
    }
    assert_eq!(before, items.len());
    let whole = read(&bytes).unwrap();
    assert_eq!((whole.items, whole.losses), (items, vec![]));
}

#[test]
fn a_cut_within_a_chunk_gives_the_messages_before_it() {
    let (bytes, items) = small_recording();
    let text = b"iron 47";
    let at = bytes.windows(text.len()).position(|window| window == text).unwrap();
    let found = read(&bytes[..at]).unwrap();
    let marker = items.iter().position(
        |item| matches!(item, Recorded::Marker { marker: Marker::Club(club), .. } if club == "iron 47"),
    );
    assert_eq!(Some(found.items.len()), marker);
    assert_eq!(found.losses.len(), 1);
    assert!(found.losses[0].ends_with("the file ends within a chunk"), "{:?}", found.losses);
}

#[test]
fn a_flipped_bit_costs_one_chunk_at_most_and_is_told() {
    let (bytes, items) = small_recording();
    let mut random = StdRng::seed_from_u64(20_260_412);
    let chunk = 15;
    for trial in 0..3000 {
        let bit = random.random_range(0..bytes.len() * 8);
        let mut damaged = bytes.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let found = read(&damaged).unwrap_or_else(|error| panic!("trial {trial}, bit {bit}: {error}"));
        check_truth(&found, &items, &format!("bit {bit}"));
        assert!(
            items.len() - found.items.len() <= chunk,
            "bit {bit} cost {}",
            items.len() - found.items.len()
        );
    }
}

#[test]
fn many_flipped_bits_never_change_a_message() {
    let (bytes, items) = small_recording();
    let mut random = StdRng::seed_from_u64(7);
    for trial in 0..2000 {
        let mut damaged = bytes.clone();
        for _ in 0..random.random_range(2..12) {
            let bit = random.random_range(0..bytes.len() * 8);
            damaged[bit / 8] ^= 1 << (bit % 8);
        }
        // Several flips can make it the file of another program or version: that is told as an error.
        if let Ok(found) = read(&damaged) {
            check_truth(&found, &items, &format!("trial {trial}"));
        }
    }
}

#[test]
fn a_missing_stretch_costs_what_was_in_it_and_is_told() {
    let (bytes, items) = small_recording();
    for from in (100..bytes.len() - 700).step_by(37) {
        let mut damaged = bytes.clone();
        damaged.drain(from..from + 300);
        let found = read(&damaged).unwrap();
        check_truth(&found, &items, &format!("300 bytes gone at {from}"));
    }
}

#[test]
fn a_file_of_zeros_at_the_end_is_told() {
    // What a loss of power can leave behind a flushed recording.
    let (bytes, items) = small_recording();
    let mut torn = bytes[..bytes.len() / 2].to_vec();
    torn.extend([0; 4096]);
    let found = read(&torn).unwrap();
    check_truth(&found, &items, "zeros");
    assert!(found.items.len() > 10);
    assert!(!found.losses.is_empty());
}

#[test]
fn a_huge_length_takes_no_room() {
    let (mut bytes, items) = small_recording();
    let chunk = 8 + 9 + usize::from(bytes[9]);
    for at in [9 + 7, chunk + 8] {
        bytes[at] = 0x7f;
    }
    let found = read(&bytes).unwrap();
    check_truth(&found, &items, "huge lengths");
}

#[test]
fn the_file_of_another_program_is_named() {
    let mut bytes = hingeclock::record::mcap_bytes::MAGIC.to_vec();
    let content = [&5_u32.to_le_bytes()[..], b"other", &0_u32.to_le_bytes()].concat();
    bytes.push(1);
    bytes.extend((content.len() as u64).to_le_bytes());
    bytes.extend(content);
    bytes.extend([0; 60]);
    assert_eq!(
        read(&bytes).err().unwrap(),
        "x.mcap: expected a recording (an MCAP file with profile hingeclock), found an MCAP file with profile \"other\""
    );
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let _ = read(&bytes);
        let (good, _) = small_recording();
        let _ = read(&[&good[..good.len() / 3], &bytes].concat());
    }
}
