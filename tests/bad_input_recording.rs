//! Recordings that were cut or damaged: never a panic, never a changed message, never a loss passed over, and
//! what is called lost is what is missing, to the sample.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support {
    pub mod recording;
}

use hingeclock::record::{Recorded, mcap_bytes};
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use support::recording::{Read, check_truth, is_part_of, items, read, recording_of, samples_of, tally_of};

/// A small recording of some eight chunks, and what is in it.
fn small_recording() -> (Vec<u8>, Vec<Recorded>) {
    let items = items(80);
    (recording_of(&items), items)
}

/// Where the end mark stands: damage behind it costs nothing.
fn data_end(bytes: &[u8]) -> usize {
    let mark = [&[mcap_bytes::kind::DATA_END][..], &4_u64.to_le_bytes()].concat();
    bytes.windows(mark.len()).rposition(|window| window == mark).unwrap()
}

fn must_be_true(found: &Read, items: &[Recorded], to_the_sample: bool, what: &str) {
    check_truth(found, items, to_the_sample).unwrap_or_else(|error| panic!("{what}: {error}"));
}

#[test]
fn cut_anywhere_it_gives_every_frame_before_the_cut() {
    let (bytes, items) = small_recording();
    let end = data_end(&bytes);
    let mut before = 0;
    for cut in 0..bytes.len() {
        let found = read(&bytes[..cut]).unwrap();
        let what = format!("cut at {cut}");
        must_be_true(&found, &items, false, &what);
        // A later cut may give back a marker, too, never fewer samples.
        assert!(samples_of(&found.items) >= before, "{what}: a later cut gave less");
        before = samples_of(&found.items);
        assert!(cut >= end + 13 || found.report.data_was_lost(), "{what}: it is not told");
        let lost = found.report.lost.clone().unwrap_or_default();
        assert!(lost.is_empty(), "{what}: before the last mark nothing is lost: {lost:?}");
    }
    assert_eq!(before, samples_of(&items));
    let whole = read(&bytes).unwrap();
    assert_eq!((whole.items, whole.report.sentences()), (items, vec![]));
}

#[test]
fn a_cut_within_a_chunk_gives_the_frames_before_it() {
    let (bytes, items) = small_recording();
    let text = b"number 55";
    let at = bytes.windows(text.len()).position(|window| window == text).unwrap();
    let found = read(&bytes[..at]).unwrap();
    assert_eq!(found.items, items[..55]);
    let said = found.report.sentences();
    assert_eq!(said.len(), 3, "{said:?}");
    assert!(said[0].ends_with("the file ends within a chunk"), "{said:?}");
    assert!(said[1].ends_with("up to 100 ms may be missing"), "{said:?}");
}

/// Flips one bit; gives what came back.
fn flipped(bytes: &[u8], items: &[Recorded], bit: usize) -> Read {
    let mut damaged = bytes.to_vec();
    damaged[bit / 8] ^= 1 << (bit % 8);
    let found = read(&damaged).unwrap_or_else(|error| panic!("bit {bit}: {error}"));
    must_be_true(&found, items, true, &format!("bit {bit}"));
    found
}

#[test]
fn a_flipped_bit_costs_nothing_and_is_told() {
    let (bytes, items) = small_recording();
    let end = data_end(&bytes);
    let session = 8 + 9 + usize::from(bytes[9]) + 9;
    // All of the beginning, with what the recording says of itself; then every eleventh bit.
    let all = bytes.len() * 8;
    for bit in (0..5_000).chain((5_000..all).step_by(11)) {
        let found = flipped(&bytes, &items, bit);
        assert_eq!(found.items.len(), items.len(), "bit {bit}: {:?}", found.report.sentences());
        assert!(bit / 8 > end + 12 || found.report.data_was_lost(), "bit {bit} is not told");
        let in_session_head = bit / 8 + 9 >= session && bit / 8 < session;
        assert!(found.session.is_some() || in_session_head, "bit {bit} costs what is known of the player");
    }
}

#[test]
fn flips_in_a_longer_recording_cost_nothing() {
    let items = items(1_500);
    let bytes = recording_of(&items);
    let mut random = StdRng::seed_from_u64(20_260_412);
    for _ in 0..500 {
        let bit = random.random_range(0..bytes.len() * 8);
        assert_eq!(flipped(&bytes, &items, bit).items.len(), items.len(), "bit {bit}");
    }
}

#[test]
fn many_flipped_bits_never_change_a_message_and_what_is_lost_is_counted() {
    let (bytes, items) = small_recording();
    // The last mark is what tells what there should be: 9 and 55 bytes.
    let last_mark = data_end(&bytes) - 64;
    let mut random = StdRng::seed_from_u64(7);
    for trial in 0..3_000 {
        let mut damaged = bytes.clone();
        for _ in 0..random.random_range(2..30) {
            let bit = random.random_range(0..last_mark * 8);
            damaged[bit / 8] ^= 1 << (bit % 8);
        }
        // Several flips can make it the file of another program or version: that is told as an error.
        if let Ok(found) = read(&damaged) {
            must_be_true(&found, &items, true, &format!("trial {trial}"));
        }
    }
}

#[test]
fn a_stretch_that_is_gone_or_overwritten_costs_what_was_in_it_to_the_sample() {
    let (bytes, items) = small_recording();
    let last_chunk = data_end(&bytes) - 400;
    for from in (100..last_chunk - 300).step_by(7) {
        let mut short = bytes.clone();
        short.drain(from..from + 300);
        let mut zeros = bytes.clone();
        zeros[from..from + 300].fill(0);
        for (what, damaged) in [("gone", short), ("zeros", zeros)] {
            let found = read(&damaged).unwrap();
            must_be_true(&found, &items, true, &format!("300 bytes {what} at {from}"));
            let lost = samples_of(&items) - samples_of(&found.items);
            assert!(lost <= 30, "300 bytes {what} at {from} cost {lost} samples");
        }
    }
}

#[test]
fn a_file_of_zeros_at_the_end_is_told() {
    // What a loss of power can leave behind what was synced.
    let (bytes, items) = small_recording();
    for cut in (700..bytes.len()).step_by(11) {
        let mut torn = bytes[..cut].to_vec();
        torn.extend([0; 4096]);
        let found = read(&torn).unwrap();
        must_be_true(&found, &items, false, &format!("zeros from {cut}"));
        // A zero can end the last frame, too.
        let plain = read(&bytes[..cut]).unwrap();
        assert!(is_part_of(&plain.items, &found.items), "zeros from {cut}");
    }
}

#[test]
fn a_huge_length_takes_no_room() {
    let (mut bytes, items) = small_recording();
    let chunk = 8 + 9 + usize::from(bytes[9]);
    for at in [9 + 7, chunk + 8] {
        bytes[at] = 0x7f;
    }
    let found = read(&bytes).unwrap();
    must_be_true(&found, &items, true, "huge lengths");
}

#[test]
fn what_was_lost_is_said_in_words() {
    let (bytes, items) = small_recording();
    let at = bytes.windows(9).position(|window| window == b"number 32").unwrap();
    let mut damaged = bytes;
    damaged[at - 200..at + 5].fill(0xff);
    let found = read(&damaged).unwrap();
    let missing = tally_of(&found.items).lacks(&tally_of(&items));
    assert_eq!(missing.messages[1], 1, "{missing:?}");
    let said = found.report.sentences();
    let last = said.last().unwrap();
    for (node, count) in &missing.samples {
        assert!(last.contains(&format!("{count} samples of node {node}")), "{said:?}");
    }
    assert!(!missing.samples.is_empty() && last.contains("1 message of host/markers"), "{said:?}");
}

#[test]
fn the_file_of_another_program_is_named() {
    let mut bytes = mcap_bytes::MAGIC.to_vec();
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
