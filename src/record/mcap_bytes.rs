//! The bytes of an MCAP file, read without trust: every length is checked against what is there before
//! anything is done with it. Follows the MCAP specification, version 0 (mcap.dev/spec).
//!
//! The container crate writes recordings, but for reading damaged ones it offers neither the place of
//! each loss nor a way on behind it, so this small part of the format is read here.

use flate2::Crc;
use std::collections::BTreeMap;
use std::path::Path;

/// First and last bytes of an MCAP file.
pub const MAGIC: [u8; 8] = *b"\x89MCAP0\r\n";
/// Bytes before a record's content: its kind and its length.
pub const HEAD: usize = 9;
/// Bytes of a chunk before the records in it, where it is not compressed.
pub const CHUNK_HEAD: usize = 40;
/// Bytes of a message before its data.
const MESSAGE_HEAD: usize = 22;

/// Kinds of records.
pub mod kind {
    /// Profile and library.
    pub const HEADER: u8 = 0x01;
    /// One message.
    pub const MESSAGE: u8 = 0x05;
    /// Records with a check sum.
    pub const CHUNK: u8 = 0x06;
    /// Names with values.
    pub const METADATA: u8 = 0x0c;
    /// The end of the data; an index follows.
    pub const DATA_END: u8 = 0x0f;
    /// How much the recording holds so far; a private record, which other programs pass over.
    pub const MARK: u8 = 0x90;
}

/// Kind and length of a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RecordHead {
    /// One of [`kind`], or another.
    pub kind: u8,
    /// Bytes of its content, as it says.
    pub length: u64,
}

/// Reads values off the front of a slice.
struct Cursor<'a>(&'a [u8]);

impl<'a> Cursor<'a> {
    fn bytes(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(taken)
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        self.bytes(N)?.try_into().ok()
    }

    fn u16(&mut self) -> Option<u16> {
        self.array().map(u16::from_le_bytes)
    }

    fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }

    fn u64(&mut self) -> Option<u64> {
        self.array().map(u64::from_le_bytes)
    }

    fn text(&mut self) -> Option<&'a str> {
        let length = usize::try_from(self.u32()?).ok()?;
        std::str::from_utf8(self.bytes(length)?).ok()
    }
}

impl RecordHead {
    /// Reads the head of a record, if there are bytes enough.
    #[must_use]
    pub fn read(bytes: &[u8]) -> Option<RecordHead> {
        let mut cursor = Cursor(bytes);
        Some(RecordHead { kind: cursor.array::<1>()?[0], length: cursor.u64()? })
    }
}

/// What a chunk says of itself before the records in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ChunkHead {
    /// Check sum of the records.
    pub crc: u32,
    /// Bytes of the records.
    pub records: u64,
}

impl ChunkHead {
    /// Reads the start of a chunk's content that is `length` bytes long. None where its own lengths do not
    /// agree with that, or it is compressed: then it is no chunk of ours, or damaged.
    #[must_use]
    pub fn read(content: &[u8], length: u64) -> Option<ChunkHead> {
        let mut cursor = Cursor(content);
        let (_start, _end, plain, crc) = (cursor.u64()?, cursor.u64()?, cursor.u64()?, cursor.u32()?);
        let (compression, records) = (cursor.u32()?, cursor.u64()?);
        let agree =
            compression == 0 && plain == records && length.checked_sub(CHUNK_HEAD as u64) == Some(records);
        agree.then_some(ChunkHead { crc, records })
    }
}

/// A message within a chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RawMessage<'a> {
    /// Number of its channel.
    pub channel: u16,
    /// When it was recorded, ns.
    pub log_time: u64,
    /// When it was sent, ns; in our recordings the same.
    pub publish_time: u64,
    /// Its data.
    pub data: &'a [u8],
}

/// What stands next in the records of a chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InChunk<'a> {
    /// A message.
    Message(RawMessage<'a>),
    /// Another record.
    Other,
    /// A message without room for its own head.
    Broken,
}

/// Takes the next whole record off the records of a chunk, with its length. None where the rest holds no
/// whole record.
#[must_use]
pub fn next_in_chunk(records: &[u8]) -> Option<(InChunk<'_>, usize)> {
    let head = RecordHead::read(records)?;
    let end = HEAD.checked_add(usize::try_from(head.length).ok()?)?;
    let content = records.get(HEAD..end)?;
    let found = match (head.kind, content.split_at_checked(MESSAGE_HEAD)) {
        (kind::MESSAGE, Some((before, data))) => {
            message(before, data).map_or(InChunk::Broken, InChunk::Message)
        }
        (kind::MESSAGE, None) => InChunk::Broken,
        _ => InChunk::Other,
    };
    Some((found, end))
}

fn message<'a>(before: &[u8], data: &'a [u8]) -> Option<RawMessage<'a>> {
    let mut cursor = Cursor(before);
    let (channel, _sequence) = (cursor.u16()?, cursor.u32()?);
    Some(RawMessage { channel, log_time: cursor.u64()?, publish_time: cursor.u64()?, data })
}

/// The profile in a header record's content, where the content is in order.
#[must_use]
pub fn header_profile(content: &[u8]) -> Option<&str> {
    let mut cursor = Cursor(content);
    let (profile, _library) = (cursor.text()?, cursor.text()?);
    cursor.0.is_empty().then_some(profile)
}

/// Name and fields of a metadata record's content, where the content is in order.
#[must_use]
pub fn metadata(content: &[u8]) -> Option<(&str, BTreeMap<String, String>)> {
    let mut cursor = Cursor(content);
    let name = cursor.text()?;
    let length = usize::try_from(cursor.u32()?).ok()?;
    let mut fields = BTreeMap::new();
    let mut inner = Cursor(cursor.bytes(length)?);
    while !inner.0.is_empty() {
        fields.insert(inner.text()?.to_owned(), inner.text()?.to_owned());
    }
    cursor.0.is_empty().then_some((name, fields))
}

/// CRC-32 as the container uses it.
#[must_use]
pub fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = Crc::new();
    crc.update(bytes);
    crc.sum()
}

/// Whether a file starts like an MCAP file; a few flipped bits in the magic bytes are forgiven.
#[must_use]
fn looks_like_mcap(start: &[u8]) -> bool {
    let differing: u32 = start.iter().zip(MAGIC).map(|(found, magic)| (found ^ magic).count_ones()).sum();
    !start.is_empty() && differing <= 3 && (start.len() > 3 || differing == 0)
}

/// Whether a file is read as a recording: it starts like one, or is named like one and starts as no text does. So
/// one whose first block the disk has lost is read, too.
#[must_use]
pub fn is_recording(path: &Path, start: &[u8]) -> bool {
    let is_text = match std::str::from_utf8(start) {
        Ok(text) => !text.contains('\0'),
        // A letter may be cut in two.
        Err(error) => error.error_len().is_none(),
    };
    looks_like_mcap(start) || !is_text && path.extension().is_some_and(|ending| ending == "mcap")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_recording_whose_first_block_is_lost_is_one_by_its_name() {
        let named = |name: &str, start: &[u8]| is_recording(Path::new(name), start);
        assert!(named("any", &MAGIC));
        assert!(named("a.mcap", &[0; 8]) && named("a.mcap", &[0x20, 0xff, 0x41]));
        assert!(!named("a.csv", &[0; 8]) && !named("a", &[0; 8]));
        assert!(!named("a.mcap", b"t_us,nod") && !named("a.mcap", b"") && !named("a.mcap", b"# caf\xc3"));
    }

    #[test]
    fn magic_bytes_are_known_even_when_slightly_damaged() {
        assert!(looks_like_mcap(&MAGIC));
        assert!(looks_like_mcap(b"\x89MCAQ0\r\n"));
        assert!(looks_like_mcap(&MAGIC[..1]));
        assert!(!looks_like_mcap(b"t_us,nod"));
        assert!(!looks_like_mcap(b"\x1f\x8b\x08\x00\x00\x00\x00\x00"));
        assert!(!looks_like_mcap(b"t"));
        assert!(!looks_like_mcap(b""));
    }

    #[test]
    fn a_chunk_whose_lengths_disagree_is_none() {
        let mut content = vec![0; CHUNK_HEAD];
        content[16] = 5;
        content[32] = 5;
        assert_eq!(ChunkHead::read(&content, 45), Some(ChunkHead { crc: 0, records: 5 }));
        assert_eq!(ChunkHead::read(&content, 46), None);
        assert_eq!(ChunkHead::read(&content[..39], 45), None);
        content[28] = 4;
        assert_eq!(ChunkHead::read(&content, 45), None);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..100)) {
            let _ = (header_profile(&bytes), metadata(&bytes), next_in_chunk(&bytes));
            let _ = (RecordHead::read(&bytes), ChunkHead::read(&bytes, 45));
        }
    }
}
