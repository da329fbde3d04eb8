//! What can be had from a chunk whose check sum does not hold. Pure.
//!
//! One flipped bit is found by the check sum itself: CRC-32 is linear, and within the length of a chunk every
//! bit has an effect of its own on it, so the difference of the sums says which bit it was. (The polynomial's
//! order is 2³² - 1, so no two bits of one chunk share an effect.) Worse damage can look like one flipped bit
//! by chance, in about one of 10 000 chunks of 50 kB; so what is mended has to have the form of a chunk, too.
//!
//! From what cannot be mended, and from a chunk that was cut off, only that is taken which vouches for itself:
//! raw pieces with a sound frame (CRC-16) whose three times agree.

use super::mcap_bytes::{self as bytes, CHUNK_HEAD, ChunkHead, HEAD, InChunk, RawMessage, RecordHead, kind};
use super::recorded::{Channel, Recorded};
use super::session::{SESSION_RECORD, SessionInfo};
use firmware_protocol::{MAX_DECODED, decode_piece};

/// Longest session record that is tried, bytes: the work grows with its square.
const LONGEST_SESSION: usize = 4096;
/// The polynomial of CRC-32, bits reversed: the effect of the last bit.
const LAST_BIT: u32 = 0xedb8_8320;

/// The records of a chunk with the one bit put right that explains why their check sum does not hold; none
/// where it is no single bit.
#[must_use]
pub fn mended(records: &[u8], expected_crc: u32) -> Option<Vec<u8>> {
    let difference = bytes::crc32(records) ^ expected_crc;
    let mut records = records.to_vec();
    // One bit of the sum itself: then the records are sound.
    if difference.count_ones() > 1 {
        let bit = flipped_bit(records.len() * 8, difference)?;
        records[bit / 8] ^= 1 << (bit % 8);
    }
    has_form(&records).then_some(records)
}

fn flipped_bit(bits: usize, difference: u32) -> Option<usize> {
    let mut effect = LAST_BIT;
    for bit in (0..bits).rev() {
        if effect == difference {
            return Some(bit);
        }
        effect = (effect >> 1) ^ if effect & 1 == 1 { LAST_BIT } else { 0 };
    }
    None
}

/// Whether these are whole records throughout, messages that can be read among them.
fn has_form(records: &[u8]) -> bool {
    let mut at = 0;
    while let Some((found, length)) = bytes::next_in_chunk(&records[at..]) {
        let sound = match found {
            InChunk::Message(message) => read(message).is_some(),
            InChunk::Other => true,
            InChunk::Broken => false,
        };
        if !sound {
            return false;
        }
        at += length;
    }
    at == records.len()
}

fn read(message: RawMessage<'_>) -> Option<Recorded> {
    let channel = Channel::from_number(message.channel)?;
    let recorded = Recorded::from_payload(channel, message.data).ok()?;
    let times = [message.log_time, message.publish_time];
    (times == [recorded.log_time(); 2]).then_some(recorded)
}

/// A chunk's head from fields of which one is damaged: its length is said three times, two have to agree.
/// Whether it is a chunk at all is for its check sum to say.
#[must_use]
pub fn mended_head(ahead: &[u8]) -> Option<ChunkHead> {
    let head = RecordHead::read(ahead)?;
    let content = ahead.get(HEAD..HEAD + CHUNK_HEAD)?;
    let number = |at: usize| Some(u64::from_le_bytes(content.get(at..at + 8)?.try_into().ok()?));
    let lengths = [head.length.wrapping_sub(CHUNK_HEAD as u64), number(16)?, number(32)?];
    let records = *lengths.iter().find(|one| lengths.iter().filter(|other| other == one).count() >= 2)?;
    let crc = u32::from_le_bytes(content.get(24..28)?.try_into().ok()?);
    ((head.kind ^ kind::CHUNK).count_ones() <= 1).then_some(ChunkHead { crc, records })
}

/// The session record with one bit put right, found by trying: it has a check sum, but no known length.
#[must_use]
pub fn mended_session(content: &[u8]) -> Option<SessionInfo> {
    let mut content = content.get(..content.len().min(LONGEST_SESSION))?.to_vec();
    (0..content.len() * 8).find_map(|bit| {
        content[bit / 8] ^= 1 << (bit % 8);
        let session = session_in(&content);
        content[bit / 8] ^= 1 << (bit % 8);
        session
    })
}

fn session_in(content: &[u8]) -> Option<SessionInfo> {
    let (name, fields) = bytes::metadata(content)?;
    SessionInfo::from_fields(&fields).ok().filter(|_| name == SESSION_RECORD)
}

/// Something that was found among damaged records.
#[derive(Clone, Debug, PartialEq)]
pub struct Sifted {
    /// Where its record starts.
    pub at: usize,
    /// Bytes of its record.
    pub length: usize,
    /// What it is.
    pub recorded: Recorded,
}

/// All that vouches for itself among damaged records, in order.
#[must_use]
pub fn sift(records: &[u8]) -> Vec<Sifted> {
    let (mut sifted, mut at) = (Vec::new(), 0);
    while at < records.len() {
        match vouched(&records[at..]) {
            Some((recorded, length)) => {
                sifted.push(Sifted { at, length, recorded });
                at += length;
            }
            None => at += 1,
        }
    }
    sifted
}

/// The message at the front of these bytes, with the length of its record, where it vouches for itself.
#[must_use]
pub fn vouched(records: &[u8]) -> Option<(Recorded, usize)> {
    if records.first() != Some(&kind::MESSAGE) {
        return None;
    }
    let (InChunk::Message(message), length) = bytes::next_in_chunk(records)? else { return None };
    if message.channel != Channel::Raw.number() {
        return None;
    }
    let recorded = read(message)?;
    let Recorded::Piece(piece) = &recorded else { return None };
    let mut scratch = [0; MAX_DECODED];
    let sound = piece.whole && decode_piece(&piece.bytes, &mut scratch).is_ok();
    sound.then_some((recorded, length))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::RawPiece;
    use crate::units::HostTime;
    use firmware_protocol::{Frame, HostHello, Version, WireBuffer, encode};

    /// A message record as it stands in a chunk.
    fn record(recorded: &Recorded) -> Vec<u8> {
        let payload = recorded.payload().unwrap();
        let mut record = vec![kind::MESSAGE];
        record.extend((22 + payload.len() as u64).to_le_bytes());
        record.extend(recorded.channel().number().to_le_bytes());
        record.extend(7_u32.to_le_bytes());
        record.extend(recorded.log_time().to_le_bytes());
        record.extend(recorded.log_time().to_le_bytes());
        record.extend(payload);
        record
    }

    fn piece(host_us: i64) -> Recorded {
        let mut wire: WireBuffer = [0; _];
        let frame = Frame::HostHello(HostHello { version: Version::CURRENT });
        let bytes = encode(&frame, &mut wire).unwrap().to_vec();
        Recorded::Piece(RawPiece { received: HostTime(host_us), whole: true, bytes })
    }

    fn records() -> (Vec<u8>, Vec<Recorded>) {
        let link = Recorded::Link { received: HostTime(2), kind: "opened".into(), value: String::new() };
        let items = vec![piece(1), link, piece(3)];
        (items.iter().flat_map(record).collect(), items)
    }

    #[test]
    fn every_single_flipped_bit_is_put_right() {
        let (good, _) = records();
        let crc = bytes::crc32(&good);
        for bit in 0..good.len() * 8 {
            let mut damaged = good.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(mended(&damaged, crc).as_ref(), Some(&good), "bit {bit}");
        }
        for bit in 0..32 {
            assert_eq!(mended(&good, crc ^ (1 << bit)).as_ref(), Some(&good), "bit {bit} of the sum");
        }
    }

    #[test]
    fn two_flipped_bits_are_not_taken_for_one() {
        let (good, _) = records();
        let crc = bytes::crc32(&good);
        for bit in 1..good.len() * 8 {
            let mut damaged = good.clone();
            damaged[0] ^= 1;
            damaged[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(mended(&damaged, crc), None, "bit {bit}");
        }
    }

    #[test]
    fn what_vouches_for_itself_is_found_behind_the_damage() {
        let (mut damaged, items) = records();
        let length = record(&items[0]).len();
        assert_eq!(
            sift(&damaged).iter().map(|found| &found.recorded).collect::<Vec<_>>(),
            [&items[0], &items[2]]
        );
        damaged[..length - 3].fill(0);
        let found = sift(&damaged);
        assert_eq!(found.len(), 1);
        assert_eq!((&found[0].recorded, found[0].at + found[0].length), (&items[2], damaged.len()));
    }

    #[test]
    fn a_piece_whose_times_disagree_does_not_count() {
        let mut damaged = record(&piece(1));
        damaged[HEAD + 6] ^= 1;
        assert_eq!(sift(&damaged), []);
    }
}
