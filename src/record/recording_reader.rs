//! Reads a recording back, also one that was torn or damaged.
//!
//! Chunks whose check sum holds are taken, and those in which one flipped bit can be put right. From any other,
//! and from one that the file's end cuts off, that is taken which vouches for itself ([`super::mend`]). Where
//! a record cannot be trusted, the reader looks for the next that can and goes on there. All bytes that gave
//! nothing are reported, with their place and the reason; and every mark tells what should have been read by
//! then, so what is lost is known to the sample.

use super::error::InputError;
use super::mcap_bytes::{self as bytes, CHUNK_HEAD, ChunkHead, HEAD, InChunk, RecordHead, kind};
use super::mend::{self, Sifted};
use super::recorded::{Channel, FORMAT_VERSION, LONGEST_PAYLOAD, PROFILE, Recorded};
use super::salvage::{Loss, SalvageReport};
use super::session::{SESSION_RECORD, SessionError, SessionInfo};
use super::tally::Tally;
use super::window::Window;
use std::collections::VecDeque;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Longest chunk that is read: the writer's limit, and one longest message on top of it.
const LONGEST_CHUNK: u64 = 2 * LONGEST_PAYLOAD as u64;
/// Longest other record that is read.
const LONGEST_OTHER: u64 = 64 * 1024;
/// Bytes that are looked at to tell whether a record can be trusted: the longest message of a glove's frame
/// and the longest mark fit in.
const LOOK_AT: usize = 2048;

/// A recording that is being read: an iterator of what it holds, in order of writing.
pub struct RecordingReader<R> {
    path: PathBuf,
    window: Window<R>,
    /// Read from a chunk, not yet handed out.
    waiting: VecDeque<Recorded>,
    session: Option<SessionInfo>,
    report: SalvageReport,
    /// What was read so far.
    tally: Tally,
    ended: bool,
}

/// What is done with the record ahead.
enum Verdict {
    /// It was dealt with; take so many bytes.
    Take(usize),
    /// It cannot be trusted; look for the next that can.
    Distrust(&'static str),
    /// The file goes no further.
    End,
}

impl<R: Read> RecordingReader<R> {
    /// Opens a recording and reads what it says about itself. `path` only names it in errors.
    ///
    /// # Errors
    /// The source fails, or the file is of another program or of another version.
    pub fn new(path: &Path, source: R) -> Result<RecordingReader<R>, InputError> {
        let mut reader = RecordingReader {
            path: path.to_owned(),
            window: Window::new(source),
            waiting: VecDeque::new(),
            session: None,
            report: SalvageReport::default(),
            tally: Tally::default(),
            ended: false,
        };
        reader.read_magic()?;
        while reader.session.is_none() && reader.waiting.is_empty() && !reader.ended {
            reader.step()?;
        }
        Ok(reader)
    }

    /// What the recording says about itself; none where that was lost.
    #[must_use]
    pub fn session(&self) -> Option<&SessionInfo> {
        self.session.as_ref()
    }

    /// What was lost so far; whole once the iterator has ended.
    #[must_use]
    pub fn report(&self) -> &SalvageReport {
        &self.report
    }

    fn read_magic(&mut self) -> Result<(), InputError> {
        let magic = bytes::MAGIC;
        let start = self.ahead(magic.len())?;
        if start.len() < magic.len() {
            let length = start.len();
            self.end_torn(length, "the file ends within its first 8 bytes");
        } else if !start.starts_with(&magic) {
            self.lose(magic.len(), "expected the first bytes of an MCAP file, found others");
            self.window.take(magic.len());
        } else {
            self.window.take(magic.len());
        }
        Ok(())
    }

    /// Deals with the record ahead.
    fn step(&mut self) -> Result<(), InputError> {
        match self.judge()? {
            Verdict::Take(count) => {
                self.window.take(count);
            }
            Verdict::Distrust(why) => self.resynchronise(why)?,
            Verdict::End => self.ended = true,
        }
        Ok(())
    }

    fn judge(&mut self) -> Result<Verdict, InputError> {
        let ahead = self.ahead(HEAD)?;
        let length = ahead.len();
        let Some(head) = RecordHead::read(ahead) else {
            self.end_torn(length, "the file ends within the head of a record");
            return Ok(Verdict::End);
        };
        match head.kind {
            kind::HEADER | kind::METADATA | kind::DATA_END | kind::MARK if head.length <= LONGEST_OTHER => {
                self.other(head)
            }
            _ => self.chunk(),
        }
    }

    /// A chunk, whole, damaged or cut off; or bytes that are none.
    fn chunk(&mut self) -> Result<Verdict, InputError> {
        let ahead = self.ahead(HEAD + CHUNK_HEAD)?;
        let sound_head = RecordHead::read(ahead)
            .filter(|head| head.kind == kind::CHUNK)
            .and_then(|head| ChunkHead::read(&ahead[HEAD..], head.length));
        let cut = ahead.len() < HEAD + CHUNK_HEAD && ahead.first() == Some(&kind::CHUNK);
        let length = ahead.len();
        let Some(chunk) = sound_head.or_else(|| mend::mended_head(ahead)) else {
            if cut {
                self.end_torn(length, "the file ends within the head of a chunk");
                return Ok(Verdict::End);
            }
            return Ok(Verdict::Distrust("expected a record of a recording, found other bytes"));
        };
        if chunk.records > LONGEST_CHUNK {
            return Ok(Verdict::Distrust("expected a chunk of at most 2 MiB, found a larger length"));
        }
        let (from, whole) = (HEAD + CHUNK_HEAD, HEAD + CHUNK_HEAD + chunk.records as usize);
        let ahead = self.ahead(whole)?;
        let records = ahead[from..ahead.len().min(whole)].to_vec();
        let is_whole = ahead.len() >= whole;
        if is_whole && bytes::crc32(&records) == chunk.crc {
            if sound_head.is_none() {
                self.mended();
            }
            self.take_records(&records);
            return Ok(Verdict::Take(whole));
        }
        if sound_head.is_none() {
            return Ok(Verdict::Distrust(
                "expected a chunk, found a damaged head and a check sum that does not hold",
            ));
        }
        if let Some(records) = Some(&records).filter(|_| is_whole).and_then(|r| mend::mended(r, chunk.crc)) {
            self.mended();
            self.take_records(&records);
            return Ok(Verdict::Take(whole));
        }
        Ok(self.sift(&records, is_whole))
    }

    /// Takes the messages out of a chunk's sound records.
    fn take_records(&mut self, records: &[u8]) {
        let mut at = 0;
        while let Some((found, length)) = bytes::next_in_chunk(&records[at..]) {
            let what = match found {
                InChunk::Other => None,
                InChunk::Broken => {
                    Some("expected a message, found fewer bytes than its head takes".to_owned())
                }
                InChunk::Message(message) => self.take_message(message).err(),
            };
            if let Some(what) = what {
                self.lose_records(at, length, what);
            }
            at += length;
        }
        if at < records.len() {
            self.lose_records(
                at,
                records.len() - at,
                "expected whole records, found a part of one".to_owned(),
            );
        }
    }

    /// Takes what vouches for itself out of a chunk's damaged records, up to the next record that can be
    /// trusted, should one stand there.
    fn sift(&mut self, records: &[u8], is_whole: bool) -> Verdict {
        let next = (0..records.len()).find(|at| is_trustworthy(&records[*at..]));
        let what = match (is_whole, next) {
            (false, None) => "the file ends within a chunk",
            _ => "the check sum of a chunk does not hold",
        };
        let mut at = 0;
        let own = &records[..next.unwrap_or(records.len())];
        for Sifted { at: found, length, recorded } in mend::sift(own) {
            self.lose_records(at, found - at, what.to_owned());
            self.hand_out(recorded);
            at = found + length;
        }
        self.lose_records(at, own.len() - at, what.to_owned());
        match (is_whole, next) {
            (false, None) => {
                self.report.lose(Loss::Unfinished { offset: self.window.offset() });
                Verdict::End
            }
            _ => Verdict::Take(HEAD + CHUNK_HEAD + own.len()),
        }
    }

    fn lose_records(&mut self, at: usize, bytes: usize, what: String) {
        if bytes > 0 {
            let offset = self.window.offset() + (HEAD + CHUNK_HEAD + at) as u64;
            self.report.lose(Loss::Bytes { offset, bytes: bytes as u64, what });
        }
    }

    fn mended(&mut self) {
        self.report.lose(Loss::Mended { offset: self.window.offset() });
    }

    fn take_message(&mut self, message: bytes::RawMessage<'_>) -> Result<(), String> {
        let channel = Channel::from_number(message.channel)
            .ok_or_else(|| format!("expected a message on channel 1 to 4, found {}", message.channel))?;
        self.hand_out(Recorded::from_payload(channel, message.data)?);
        Ok(())
    }

    fn hand_out(&mut self, recorded: Recorded) {
        self.tally.count(&recorded);
        self.waiting.push_back(recorded);
    }

    /// Compares what a mark says with what was read.
    fn mark(&mut self, content: &[u8], whole: usize) -> Verdict {
        let Some(mark) = Tally::from_bytes(content) else {
            return Verdict::Distrust("expected a mark, found other bytes");
        };
        let lost = self.report.lost.get_or_insert_default();
        let mut known = self.tally.clone();
        known.add(lost);
        lost.add(&known.lacks(&mark));
        Verdict::Take(whole)
    }

    fn other(&mut self, head: RecordHead) -> Result<Verdict, InputError> {
        let whole = HEAD + head.length as usize;
        let ahead = self.ahead(whole)?;
        let Some(content) = ahead.get(HEAD..whole).map(<[u8]>::to_vec) else {
            return Ok(Verdict::Distrust("expected a whole record, found the end of the file"));
        };
        match head.kind {
            kind::HEADER => self.header(&content, whole),
            kind::METADATA => self.metadata(&content, whole),
            kind::MARK => Ok(self.mark(&content, whole)),
            _ => Ok(self.data_end(&content)),
        }
    }

    fn header(&mut self, content: &[u8], whole: usize) -> Result<Verdict, InputError> {
        match bytes::header_profile(content) {
            None => Ok(Verdict::Distrust("expected a header, found other bytes")),
            Some(PROFILE) => Ok(Verdict::Take(whole)),
            // As long as ours, but not ours: that is damage. Another length is another program's file.
            Some(found) if found.len() == PROFILE.len() => {
                self.lose(whole, "the header's profile is damaged");
                Ok(Verdict::Take(whole))
            }
            Some(found) => Err(InputError::Format {
                path: self.path.clone(),
                expected: format!("a recording (an MCAP file with profile {PROFILE})"),
                found: format!("an MCAP file with profile {}", super::quoted(found)),
            }),
        }
    }

    fn metadata(&mut self, content: &[u8], whole: usize) -> Result<Verdict, InputError> {
        let Some((name, fields)) = bytes::metadata(content) else {
            let Some(session) = mend::mended_session(content) else {
                return Ok(Verdict::Distrust("expected names and values, found other bytes"));
            };
            self.mended();
            self.session = Some(session);
            return Ok(Verdict::Take(whole));
        };
        let damage = match SessionInfo::from_fields(&fields) {
            Ok(session) if name == SESSION_RECORD => {
                self.session = Some(session);
                return Ok(Verdict::Take(whole));
            }
            Err(SessionError::Version { found }) => {
                return Err(InputError::Format {
                    path: self.path.clone(),
                    expected: format!("a recording of version {FORMAT_VERSION}"),
                    found: format!("one of version {}", super::quoted(&found)),
                });
            }
            Ok(_) => "the name of the session record is damaged".to_owned(),
            Err(SessionError::Damaged(what)) => format!("the session record is damaged: {what}"),
        };
        match mend::mended_session(content) {
            Some(session) => {
                self.mended();
                self.session = Some(session);
            }
            None => self.lose(whole, &damage),
        }
        Ok(Verdict::Take(whole))
    }

    fn data_end(&mut self, content: &[u8]) -> Verdict {
        let Ok(crc) = <[u8; 4]>::try_from(content).map(u32::from_le_bytes) else {
            return Verdict::Distrust("expected an end mark of 4 bytes, found another length");
        };
        if crc != self.window.crc() && !self.report.data_was_lost() {
            self.lose(0, "the check sum of the whole file does not hold, though that of every chunk does");
        }
        Verdict::End
    }

    /// Looks for the next record that can be trusted; takes what vouches for itself before it, and reports the
    /// rest.
    fn resynchronise(&mut self, why: &'static str) -> Result<(), InputError> {
        let mut from = self.window.offset();
        self.window.take(1);
        loop {
            let ahead = self.ahead(LOOK_AT)?;
            if ahead.is_empty() || is_trustworthy(ahead) {
                break;
            }
            let Some((recorded, length)) = mend::vouched(ahead) else {
                self.window.take(1);
                continue;
            };
            self.lose_from(from, why);
            self.hand_out(recorded);
            self.window.take(length);
            from = self.window.offset();
        }
        self.lose_from(from, why);
        Ok(())
    }

    /// What lies between there and here is lost.
    fn lose_from(&mut self, offset: u64, why: &'static str) {
        let bytes = self.window.offset() - offset;
        if bytes > 0 {
            self.report.lose(Loss::Bytes { offset, bytes, what: why.to_owned() });
        }
    }

    fn ahead(&mut self, count: usize) -> Result<&[u8], InputError> {
        let after = format!("{} bytes", self.window.offset());
        let path = &self.path;
        let failed = |source: io::Error| InputError::Read { path: path.clone(), after, source };
        self.window.ahead(count).map_err(failed)
    }

    /// The file ends without an end mark, `bytes` after the last whole record.
    fn end_torn(&mut self, bytes: usize, why: &str) {
        self.ended = true;
        self.report.unfinished = true;
        if bytes > 0 {
            self.lose(bytes, why);
        } else {
            self.report.lose(Loss::Unfinished { offset: self.window.offset() });
        }
    }

    fn lose(&mut self, bytes: usize, what: &str) {
        let offset = self.window.offset();
        self.report.lose(Loss::Bytes { offset, bytes: bytes as u64, what: what.to_owned() });
    }
}

/// Whether these bytes start a chunk whose lengths agree, the session record, a mark, or the end mark.
fn is_trustworthy(ahead: &[u8]) -> bool {
    let Some(head) = RecordHead::read(ahead) else { return false };
    let content = &ahead[HEAD..];
    match head.kind {
        kind::CHUNK => head.length <= LONGEST_CHUNK && ChunkHead::read(content, head.length).is_some(),
        kind::METADATA => {
            head.length <= LONGEST_OTHER
                && content.get(4..).is_some_and(|name| name.starts_with(SESSION_RECORD.as_bytes()))
        }
        kind::DATA_END => head.length == 4,
        kind::MARK => {
            let length = usize::try_from(head.length).unwrap_or(usize::MAX);
            content.get(..length).is_some_and(|content| Tally::from_bytes(content).is_some())
        }
        _ => false,
    }
}

impl<R: Read> Iterator for RecordingReader<R> {
    type Item = Result<Recorded, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        while self.waiting.is_empty() && !self.ended {
            if let Err(error) = self.step() {
                self.ended = true;
                return Some(Err(error));
            }
        }
        self.waiting.pop_front().map(Ok)
    }
}
