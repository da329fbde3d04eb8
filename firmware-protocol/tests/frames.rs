//! Every frame survives the wire; every bad one is named.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

mod common;

use common::{Spoken, hex, outcomes, spoken, unhex, wire};
use firmware_protocol::*;
use proptest::prelude::*;

/// Adds a good check value and stuffing to a body of any content.
fn wire_of_body(body: &[u8]) -> Vec<u8> {
    let mut plain = body.to_vec();
    plain.extend(crc16(body).to_le_bytes());
    let mut out = vec![0; cobs::max_encoded_len(plain.len())];
    let len = cobs::encode(&plain, &mut out).unwrap();
    out.truncate(len);
    out.push(0);
    out
}

fn error_of(body: &[u8]) -> String {
    decode_piece(&wire_of_body(body), &mut [0; MAX_DECODED]).unwrap_err().to_string()
}

fn sample(seq: u32, t_us: u32) -> WireSample {
    WireSample { seq, t_us, reading: Reading::Counts([seq as i16; 6]) }
}

proptest! {
    #[test]
    fn every_frame_comes_back(spoken in spoken()) {
        let (bytes, mut scratch) = (spoken.wire(), [0; MAX_DECODED]);
        prop_assert!(bytes.len() <= MAX_WIRE);
        prop_assert_eq!(bytes.iter().position(|byte| *byte == 0), Some(bytes.len() - 1));
        prop_assert_eq!(decode_piece(&bytes, &mut scratch), Ok(spoken.frame()));
        prop_assert_eq!(claimed_type(&bytes), Some(spoken.frame().frame_type()));
    }

    #[test]
    fn batches_give_back_their_readings(
        first_seq in any::<u32>(),
        first_t_us in any::<u32>(),
        steps_us in prop::collection::vec(any::<u16>(), 0..34),
    ) {
        let mut expected = vec![sample(first_seq, first_t_us)];
        let mut batch = BatchBuilder::new(1, expected[0]).unwrap();
        for step_us in steps_us {
            let last = *expected.last().unwrap();
            let next = sample(last.seq.wrapping_add(1), last.t_us.wrapping_add(u32::from(step_us)));
            batch.push(next).unwrap();
            expected.push(next);
        }
        prop_assert_eq!(batch.samples().count(), expected.len());
        prop_assert_eq!(batch.samples().iter().collect::<Vec<_>>(), expected);
    }

    #[test]
    fn no_bytes_break_the_decoder(bytes in prop::collection::vec(prop_oneof![any::<u8>(), Just(0)], 0..4000)) {
        let mut decoder = Decoder::new();
        outcomes(&mut decoder, &bytes);
        decoder.finish();
    }

    /// Random fields behind a good check value reach the parsers of all types.
    #[test]
    fn no_body_breaks_the_parsers(frame_type in any::<u8>(), rest in prop::collection::vec(any::<u8>(), 0..=511)) {
        let mut body = vec![frame_type];
        body.extend(rest);
        let piece = wire_of_body(&body);
        if let Ok(Frame::Samples(samples)) = decode_piece(&piece, &mut [0; MAX_DECODED]) {
            prop_assert_eq!(samples.iter().count(), samples.count());
        }
    }

    /// What is taken as sound is exactly what its own encoder would have written: one frame, one form.
    #[test]
    fn a_sound_frame_has_one_form(spoken in spoken()) {
        let bytes = spoken.wire();
        let mut scratch = [0; MAX_DECODED];
        let frame = decode_piece(&bytes, &mut scratch).unwrap();
        prop_assert_eq!(hex(&wire(&frame)), hex(&bytes));
    }
}

#[test]
fn batches_refuse_what_does_not_follow() {
    let mut batch = BatchBuilder::new(0, sample(7, 1000)).unwrap();
    let refused = |batch: &mut BatchBuilder, sample| batch.push(sample).unwrap_err().to_string();
    assert_eq!(refused(&mut batch, sample(9, 3000)), "expected number 8, found 9");
    assert_eq!(refused(&mut batch, sample(8, 999)), "expected a time up to 65535 µs after 1000, found 999");
    assert_eq!(
        refused(&mut batch, sample(8, 66_536)),
        "expected a time up to 65535 µs after 1000, found 66536"
    );
    let float = WireSample { reading: Reading::Floats([0.0; 6]), ..sample(8, 1000) };
    assert_eq!(refused(&mut batch, float), "expected Counts, found Floats");
    for seq in 8..42 {
        batch.push(sample(seq, 1000)).unwrap();
    }
    assert_eq!(refused(&mut batch, sample(42, 1000)), "expected at most 35 readings, found more");
    let nan = WireSample { reading: Reading::Floats([f32::NAN; 6]), ..sample(0, 0) };
    assert!(matches!(BatchBuilder::new(0, nan), Err(BatchError::NotFinite)));
}

#[test]
fn a_full_batch_fits_a_frame() {
    for (reading, limit) in [(Reading::Counts([-1; 6]), 35), (Reading::Floats([1.5; 6]), 19)] {
        let mut batch = BatchBuilder::new(0, WireSample { seq: 0, t_us: 0, reading }).unwrap();
        let mut seq = 1;
        while batch.push(WireSample { seq, t_us: 0, reading }).is_ok() {
            seq += 1;
        }
        assert_eq!(batch.samples().count(), limit);
        assert!(wire(&Frame::Samples(batch.samples())).len() <= MAX_WIRE);
    }
}

#[test]
fn too_long_a_text_is_not_sent() {
    let (kind, value) = ("k".repeat(33), "v".repeat(129));
    let refused = |kind: &str, value: &str| {
        let frame = Frame::Annotation(Annotation { t_us: 0, kind, value });
        encode(&frame, &mut [0; MAX_WIRE]).unwrap_err().to_string()
    };
    assert_eq!(refused(&kind, ""), "kind: expected at most 32 bytes of UTF-8, found 33");
    assert_eq!(refused("", &value), "value: expected at most 128 bytes of UTF-8, found 129");
    let frame = Frame::Unknown { frame_type: 9, payload: &[1; 512] };
    let error = encode(&frame, &mut [0; MAX_WIRE]).unwrap_err().to_string();
    assert_eq!(error, "expected at most 511 bytes of payload, found more");
}

#[test]
fn bad_fields_are_named() {
    assert_eq!(error_of(&[8, 1, 0, 9]), "frame type 0x08, status: expected 0 to 5, found 0x9");
    assert_eq!(error_of(&[8, 1, 0]), "frame type 0x08: expected 3 bytes of payload, found 2");
    assert_eq!(error_of(&[8, 1, 0, 0, 0]), "frame type 0x08: expected 3 bytes of payload, found 4");
    assert_eq!(
        error_of(&[5, 0, 0, 0, 1, 7]),
        "frame type 0x05, percent: expected 0 to 100, and 0 when not known, found 0x7"
    );
    assert_eq!(error_of(&[5, 0, 2, 0, 1, 7]), "frame type 0x05, flags: expected reserved bits 0, found 0x2");
    assert_eq!(
        error_of(&[7, 0, 0, 0, 0, 0, 2, 0x61, 0xFF]),
        "frame type 0x07, value: expected UTF-8, found a bad byte after 1"
    );
    assert_eq!(
        error_of(&[0x81, 0, 0, 3, 0, 0, 0, 0, 0x80]),
        "frame type 0x81, rate_hz: expected a finite float above 0, found 0x80000000"
    );
    assert_eq!(
        error_of(&[4, 0, 2, 1, 0, 0, 0, 0, 0, 0, 0, 0]),
        "frame type 0x04, encoding: expected 0 or 1, found 0x2"
    );
    assert_eq!(
        error_of(&[4, 0, 0, 2, 0, 0, 0, 0, 0, 0, 0, 0]),
        "frame type 0x04: expected 37 bytes of payload, found 11"
    );
}

#[test]
fn bad_pieces_are_named() {
    let error = |bytes: &[u8]| decode_piece(bytes, &mut [0; MAX_DECODED]).unwrap_err();
    assert_eq!(error(&[0]), FrameError::Empty);
    assert_eq!(error(&[3, 1, 2]).to_string(), "expected a delimiter at the end, found 3 bytes without one");
    assert_eq!(error(&[3, 1, 2, 0]).to_string(), "expected at least 3 bytes (type and check value), found 2");
    let mut ack = wire(&Frame::Ack(Ack { command_id: 0x0102, status: AckStatus::Done }));
    ack[2] ^= 1;
    assert!(error(&ack).to_string().starts_with("expected check value"), "{}", error(&ack));
    let swapped = FrameError::Crc { expected: 0x1FDC, found: 0xDC1F };
    assert_eq!(swapped.to_string(), "expected check value 1FDC, found DC1F: the low byte comes first");
}

#[test]
fn a_later_greeting_may_be_longer() {
    let mut body = vec![1, 1, 9];
    body.extend([5; 16]);
    body.extend([1, 2, 3]);
    let mut scratch = [0; MAX_DECODED];
    let Frame::Hello(hello) = decode_piece(&wire_of_body(&body), &mut scratch).unwrap() else {
        panic!("not a Hello");
    };
    assert_eq!(hello.version, Version { major: 1, minor: 9 });
}

#[test]
fn unknown_types_are_reported_and_passed_over() {
    let mut stream = wire(&Frame::Unknown { frame_type: 0x3F, payload: &[1, 0, 2] });
    let known = Spoken::Note { t_us: 1, kind: "mark".into(), value: "here".into() }.wire();
    stream.extend(&known);
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &stream).len(), 2);
    assert_eq!(decoder.counts(), Counts { frames: 2, unknown: 1, ..Counts::default() });
}

#[test]
fn hex_is_read_back() {
    assert_eq!(unhex(&hex(&[0, 255, 16])), [0, 255, 16]);
}
