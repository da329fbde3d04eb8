//! Damage on the way: no wrong frame, and good frames again behind the next delimiter.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

mod common;

use common::{frames, outcomes, spoken, wire};
use firmware_protocol::*;
use proptest::prelude::*;

/// A stream of five different frames: their bytes, one by one.
fn five() -> Vec<Vec<u8>> {
    let mut batch = BatchBuilder::new(
        1,
        WireSample { seq: 70, t_us: 900, reading: Reading::Counts([0, 1, -2, 300, 0, 9]) },
    )
    .unwrap();
    for index in 1..8 {
        let reading = Reading::Counts([0, index, -2, 300 - index, 0, 9]);
        batch.push(WireSample { seq: 70 + index as u32, t_us: 900 + 2000 * index as u32, reading }).unwrap();
    }
    vec![
        wire(&Frame::Hello(Hello { version: Version::CURRENT, glove_id: 77, now_us: 5_000_000_000 })),
        wire(&Frame::Samples(batch.samples())),
        wire(&Frame::Annotation(Annotation { t_us: 12, kind: "club", value: "iron" })),
        wire(&Frame::Battery(Battery { node: 1, millivolts: 4012, percent: None })),
        wire(&Frame::Ack(Ack { command_id: 3, status: AckStatus::Done })),
    ]
}

/// Longer than any frame, and its tail is a sound one.
fn over_long_with_a_frame_as_its_tail() -> Vec<u8> {
    let mut bytes = vec![0x41; MAX_WIRE];
    bytes.extend(wire(&Frame::Ack(Ack { command_id: 9, status: AckStatus::Done })));
    bytes
}

#[test]
fn any_split_gives_the_same_frames() {
    let (expected, stream) = (five(), five().concat());
    for at in 0..=stream.len() {
        let mut decoder = Decoder::new();
        let mut seen = outcomes(&mut decoder, &stream[..at]);
        seen.extend(outcomes(&mut decoder, &stream[at..]));
        let seen: Vec<Vec<u8>> = seen.into_iter().map(Result::unwrap).collect();
        assert_eq!(seen, expected, "split at {at}");
    }
    let mut decoder = Decoder::new();
    let one_by_one: Vec<_> = stream.iter().flat_map(|byte| outcomes(&mut decoder, &[*byte])).collect();
    assert_eq!(one_by_one.len(), expected.len());
}

/// A lost end: the frames before it are whole, the cut one is reported, and the next stream is read.
#[test]
fn any_truncation_costs_only_the_frame_it_cut() {
    let (expected, stream) = (five(), five().concat());
    for at in 0..stream.len() {
        let mut decoder = Decoder::new();
        let seen: Vec<_> = outcomes(&mut decoder, &stream[..at]).into_iter().map(Result::unwrap).collect();
        assert_eq!(seen, expected[..seen.len()], "cut at {at}");
        let whole: usize = seen.iter().map(Vec::len).sum();
        let reported = decoder.finish();
        assert_eq!(reported, (at > whole).then_some(FrameError::Unterminated { found: at - whole }));
        assert_eq!(outcomes(&mut decoder, &expected[3]), [Ok(expected[3].clone())]);
    }
}

/// A lost start, such as a link that is joined while the glove speaks.
#[test]
fn any_late_start_costs_only_the_frame_it_cut() {
    let (expected, stream) = (five(), five().concat());
    for at in 1..stream.len() {
        let seen = frames(&stream[at..]);
        assert!(expected.ends_with(&seen), "joined at {at}");
        let whole: usize = seen.iter().map(Vec::len).sum();
        assert!(stream.len() - at - whole < MAX_WIRE, "joined at {at}");
        assert!(seen.len() + 1 >= frames_after(&expected, at), "joined at {at}");
    }
}

/// How many frames start at or behind `at`, the one that `at` lies in included.
fn frames_after(expected: &[Vec<u8>], at: usize) -> usize {
    let mut end = 0;
    expected
        .iter()
        .filter(|frame| {
            end += frame.len();
            end > at
        })
        .count()
}

/// The frame that byte `at` lies in.
fn frame_at(expected: &[Vec<u8>], at: usize) -> usize {
    expected.len() - frames_after(expected, at)
}

/// No flipped bit gives a wrong frame; only the frame it lies in is lost, or, where it hits the
/// delimiter between two frames, those two.
#[test]
fn any_flipped_bit_is_found() {
    let (expected, stream) = (five(), five().concat());
    for bit in 0..stream.len() * 8 {
        let mut damaged = stream.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let hit = frame_at(&expected, bit / 8);
        let is_delimiter = stream[bit / 8] == 0;
        let lost = hit..=(hit + usize::from(is_delimiter)).min(expected.len() - 1);
        let mut surviving = expected.clone();
        surviving.drain(lost);
        let mut decoder = Decoder::new();
        let seen = outcomes(&mut decoder, &damaged);
        let sound: Vec<Vec<u8>> = seen.iter().filter_map(|outcome| outcome.clone().ok()).collect();
        assert_eq!(sound, surviving, "bit {bit}");
        assert!(decoder.counts().errors() > 0 || decoder.finish().is_some(), "bit {bit} was not reported");
    }
}

#[test]
fn the_tail_of_an_over_long_piece_is_no_frame() {
    let good = five();
    let mut stream = good[0].clone();
    stream.extend(over_long_with_a_frame_as_its_tail());
    stream.extend(&good[1]);
    let mut decoder = Decoder::new();
    let expected = [Ok(good[0].clone()), Err(FrameError::TooLong { limit: MAX_WIRE }), Ok(good[1].clone())];
    assert_eq!(outcomes(&mut decoder, &stream), expected);
    assert_eq!(decoder.counts(), Counts { frames: 2, too_long: 1, ..Counts::default() });
}

/// However long no delimiter comes: one report, bounded room, and the next frame is read.
#[test]
fn a_stream_without_delimiters_is_reported_once() {
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &vec![7; 100_000]).len(), 1);
    assert_eq!(decoder.finish(), None, "it was reported already");
    assert_eq!(outcomes(&mut decoder, &[7; 10]).len(), 0);
    assert_eq!(decoder.finish(), Some(FrameError::Unterminated { found: 10 }));
}

#[test]
fn padding_between_frames_says_nothing() {
    let good = five();
    let stream = [&[0, 0][..], &good[0], &[0, 0, 0], &good[1], &[0]].concat();
    let mut decoder = Decoder::new();
    assert_eq!(outcomes(&mut decoder, &stream), [Ok(good[0].clone()), Ok(good[1].clone())]);
}

/// Raw pieces: every byte once, in bounded pieces, and only whole ones are decoded.
fn pieces(stream: &[u8], chunk: usize) -> Vec<(Vec<u8>, PieceEnd, bool)> {
    let (mut splitter, mut seen) = (Splitter::new(), Vec::new());
    for mut input in stream.chunks(chunk) {
        while let Some(piece) = splitter.pull(&mut input) {
            seen.push((piece.bytes.to_vec(), piece.end, piece.is_whole()));
        }
    }
    seen.extend(splitter.finish().map(|piece| (piece.bytes.to_vec(), piece.end, piece.is_whole())));
    assert_eq!(splitter.pending(), 0);
    seen
}

#[test]
fn over_long_pieces_are_cut_and_marked() {
    let stream = [over_long_with_a_frame_as_its_tail(), five()[0].clone(), vec![5, 5]].concat();
    let ends: Vec<(PieceEnd, bool)> =
        pieces(&stream, 7).into_iter().map(|(_, end, whole)| (end, whole)).collect();
    let expected = [
        (PieceEnd::Cut, false),
        (PieceEnd::Delimiter, false),
        (PieceEnd::Delimiter, true),
        (PieceEnd::StreamEnd, false),
    ];
    assert_eq!(ends, expected);
}

proptest! {
    #[test]
    fn pieces_are_the_stream_byte_for_byte(
        stream in prop::collection::vec(prop_oneof![20 => 1u8.., 1 => Just(0)], 0..3000),
        chunk in 1usize..700,
    ) {
        let seen = pieces(&stream, chunk);
        prop_assert!(seen.iter().all(|(bytes, ..)| (1..=MAX_WIRE).contains(&bytes.len())));
        prop_assert_eq!(seen.into_iter().flat_map(|(bytes, ..)| bytes).collect::<Vec<_>>(), stream);
    }

    /// Decoding the whole pieces gives what decoding the stream gives.
    #[test]
    fn whole_pieces_give_the_frames_of_the_stream(
        spoken in prop::collection::vec(spoken(), 0..12),
        junk in prop::collection::vec(any::<u8>(), 0..1500),
        chunk in 1usize..700,
    ) {
        let mut stream: Vec<u8> = spoken.iter().flat_map(|spoken| spoken.wire()).collect();
        let at = stream.len() / 2;
        stream.splice(at..at, junk);
        let whole = pieces(&stream, chunk).into_iter().filter(|(_, _, whole)| *whole);
        let decoded: Vec<Vec<u8>> = whole
            .filter_map(|(bytes, ..)| decode_piece(&bytes, &mut [0; MAX_DECODED]).ok().map(|frame| wire(&frame)))
            .collect();
        prop_assert_eq!(decoded, frames(&stream));
    }

    /// Notifications of any length carry the stream.
    #[test]
    fn notifications_carry_the_stream(
        value_len in 20usize..=512,
        spoken in prop::collection::vec(spoken(), 1..12),
    ) {
        let encoded: Vec<Vec<u8>> = spoken.iter().map(|spoken| spoken.wire()).collect();
        let stream = encoded.concat();
        let values: Vec<&[u8]> = notifications(&stream, value_len).collect();
        prop_assert!(values.iter().all(|value| (1..=value_len).contains(&value.len())));
        prop_assert_eq!(frames(&values.concat()), encoded);
    }
}

/// Frames of several lengths, no two alike: of two that are, a head and a tail join to one that is sound.
/// The stream is fixed, since one joined piece in 65 536 has a good check value by chance.
fn distinct(index: u32) -> Vec<u8> {
    let noise = |place: u32| (index * 131 + place * 7919).wrapping_mul(2_654_435_761) >> 16;
    let value: String =
        (0..noise(0) % 128).map(|place| char::from(b'!' + (noise(place + 1) % 90) as u8)).collect();
    wire(&Frame::Annotation(Annotation { t_us: noise(500) << 8, kind: "mark", value: &value }))
}

/// At every length of a notification, each of them lost in turn: only the frames that it touched are gone.
#[test]
fn a_lost_notification_costs_the_frames_it_touched() {
    let encoded: Vec<Vec<u8>> = (0..30).map(distinct).collect();
    let stream = encoded.concat();
    for value_len in 20..=512 {
        for start in (0..stream.len()).step_by(value_len) {
            let end = (start + value_len).min(stream.len());
            let arrived = [&stream[..start], &stream[end..]].concat();
            let expected = untouched_by(&encoded, start, end);
            let seen = frames(&arrived);
            // A frame that lost its delimiter alone may get the next one's, and is then whole.
            assert!(
                seen.iter().all(|frame| encoded.contains(frame)),
                "{value_len} bytes, from {start}: wrong"
            );
            let kept: Vec<_> = seen.into_iter().filter(|frame| expected.contains(frame)).collect();
            assert!(kept == expected, "{value_len} bytes, from {start}: lost more than it touched");
        }
    }
}

/// The frames with no byte in `start..end`. A head that is left without its delimiter is joined to the
/// frame behind the loss, which then counts as touched.
fn untouched_by(encoded: &[Vec<u8>], start: usize, end: usize) -> Vec<Vec<u8>> {
    let firsts: Vec<usize> =
        encoded.iter().scan(0, |at, frame| Some(std::mem::replace(at, *at + frame.len()))).collect();
    let head_left = !firsts.contains(&start);
    let untouched = firsts.iter().zip(encoded).filter(|(first, frame)| {
        let touched = start < **first + frame.len() && end > **first;
        let joined = head_left && **first == end;
        !(touched || joined)
    });
    untouched.map(|(_, frame)| frame.clone()).collect()
}
