//! Any bytes, taken as a stream and as a body behind a good check value: no panic, every byte kept by the
//! splitter, and every frame that is taken for sound comes back from its own encoder.
#![no_main]

use firmware_protocol::{Decoder, Frame, MAX_BODY, MAX_DECODED, MAX_WIRE, Splitter, cobs, crc16, decode_piece, encode};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    as_a_stream(bytes);
    as_pieces(bytes);
    as_a_body(bytes);
});

fn as_a_stream(mut bytes: &[u8]) {
    let mut decoder = Decoder::new();
    while let Some(outcome) = decoder.pull(&mut bytes) {
        if let Ok(frame) = outcome {
            comes_back(&frame);
        }
    }
    decoder.finish();
}

fn as_pieces(bytes: &[u8]) {
    let (mut splitter, mut rest, mut joined) = (Splitter::new(), bytes, Vec::new());
    while let Some(piece) = splitter.pull(&mut rest) {
        joined.extend_from_slice(piece.bytes);
    }
    joined.extend(splitter.finish().into_iter().flat_map(|piece| piece.bytes.to_vec()));
    assert_eq!(joined, bytes);
}

/// Reaches the parsers, which random bytes do not: their check value is wrong.
fn as_a_body(bytes: &[u8]) {
    let body = &bytes[..bytes.len().min(MAX_BODY)];
    let plain = [body, &crc16(body).to_le_bytes()].concat();
    let mut piece = vec![0; cobs::max_encoded_len(plain.len()) + 1];
    let len = cobs::encode(&plain, &mut piece).unwrap();
    if let Ok(frame) = decode_piece(&piece[..=len], &mut [0; MAX_DECODED]) {
        comes_back(&frame);
    }
}

fn comes_back(frame: &Frame<'_>) {
    if let Frame::Samples(samples) = frame {
        assert_eq!(samples.iter().count(), samples.count());
    }
    let (mut wire, mut scratch, mut again) = ([0; MAX_WIRE], [0; MAX_DECODED], [0; MAX_WIRE]);
    let sent = encode(frame, &mut wire).unwrap();
    let frame_again = decode_piece(sent, &mut scratch).unwrap();
    assert_eq!(encode(&frame_again, &mut again).unwrap(), sent);
}
