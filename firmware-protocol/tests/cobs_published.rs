//! Byte stuffing against published examples, and for every input.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

use firmware_protocol::cobs::{CobsError, decode, encode, max_encoded_len};
use proptest::prelude::*;

fn stuffed(plain: &[u8]) -> Vec<u8> {
    let mut out = vec![0; max_encoded_len(plain.len())];
    let len = encode(plain, &mut out).unwrap();
    out.truncate(len);
    out
}

fn unstuffed(bytes: &[u8]) -> Result<Vec<u8>, CobsError> {
    let mut out = vec![0; bytes.len()];
    let len = decode(bytes, &mut out)?;
    out.truncate(len);
    Ok(out)
}

fn check(plain: &[u8], expected: &[u8]) {
    assert_eq!(stuffed(plain), expected);
    assert_eq!(unstuffed(expected).unwrap(), plain);
}

/// The examples that texts on the method give (Cheshire & Baker 1999 and the tables that follow it).
#[test]
fn published_examples() {
    check(&[], &[0x01]);
    check(&[0x00], &[0x01, 0x01]);
    check(&[0x00, 0x00], &[0x01, 0x01, 0x01]);
    check(&[0x11, 0x22, 0x00, 0x33], &[0x03, 0x11, 0x22, 0x02, 0x33]);
    check(&[0x11, 0x00, 0x00, 0x00], &[0x02, 0x11, 0x01, 0x01, 0x01]);
}

#[test]
fn published_examples_of_full_blocks() {
    let all: Vec<u8> = (0x01..=0xFF).collect();
    let mut expected = vec![0xFF];
    expected.extend(0x01..=0xFE);
    check(&all[..254], &expected);
    expected.extend([0x02, 0xFF]);
    check(&all, &expected);
}

/// Some encoders end a full block with an empty one.
#[test]
fn a_full_block_may_end_with_an_empty_one() {
    let plain: Vec<u8> = (0x01..=0xFE).collect();
    let mut with_end = stuffed(&plain);
    with_end.push(0x01);
    assert_eq!(unstuffed(&with_end).unwrap(), plain);
}

#[test]
fn broken_stuffing_says_where() {
    let missing = unstuffed(&[0x05, 0x11, 0x22]).unwrap_err();
    assert_eq!(missing.to_string(), "expected 4 bytes after the code at byte 0, found 2");
    let zero = unstuffed(&[0x03, 0x11, 0x00, 0x01]).unwrap_err();
    assert_eq!(zero.to_string(), "expected no zero byte inside, found one at byte 2");
    let room = encode(&[1, 2, 3], &mut [0; 3]).unwrap_err();
    assert_eq!(room.to_string(), "expected at most 3 bytes, found more");
}

proptest! {
    #[test]
    fn every_input_comes_back(plain in prop::collection::vec(prop_oneof![any::<u8>(), Just(0), Just(1)], 0..1200)) {
        let bytes = stuffed(&plain);
        prop_assert!(!bytes.contains(&0));
        prop_assert!(bytes.len() <= max_encoded_len(plain.len()));
        prop_assert_eq!(unstuffed(&bytes).unwrap(), plain);
    }

    #[test]
    fn no_input_breaks_the_decoder(bytes in prop::collection::vec(any::<u8>(), 0..600), room in 0usize..600) {
        let _ = decode(&bytes, &mut vec![0; room]);
    }
}
