//! Writes a recording, raw bytes before any interpretation.
//!
//! Things are gathered into a chunk in memory. A commit closes the chunk, puts a mark behind it that tells how
//! much the recording holds by then, writes both, and has them put on the disk itself. It is due 50 ms after
//! the one before, so that what was received is on the disk within 100 ms even where the sync itself takes
//! almost as long. What was committed survives a kill and a loss of power.
//!
//! Nothing is written when the writer is dropped: only [`RecordingWriter::finish`] ends a file, and it tells
//! its errors. After any failure the file is left as it is, since a sync that failed says nothing about what
//! reached the disk; whoever goes on begins another file ([`super::keeper`]).

use super::mcap_bytes::kind;
use super::recorded::{Channel, LONGEST_PAYLOAD, PROFILE, Recorded};
use super::session::{SESSION_RECORD, SessionInfo};
use super::storage::Storage;
use super::tally::Tally;
use crate::units::HostTime;
use mcap::records::{MessageHeader, Metadata};
use mcap::{McapError, WriteOptions, Writer};
use std::collections::BTreeMap;
use std::io::{self, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use thiserror::Error;

/// Host time after which what was gathered is committed, µs.
pub const COMMIT_EVERY_US: i64 = 50_000;
/// Bytes gathered after which it is committed in any case: keeps chunks, and the reader's room, small.
const COMMIT_BYTES: usize = 64 * 1024;

/// Why recording failed.
#[derive(Debug, Error)]
pub enum RecordError {
    /// The file could not be created.
    #[error("no recording can be made in {folder}: {source}", folder = folder.display())]
    Create {
        /// The folder it should stand in.
        folder: std::path::PathBuf,
        /// Why.
        source: io::Error,
    },
    /// No room is left. What was committed before stays readable.
    #[error("the disk is full after {written} bytes of the recording; what was on it before stays readable")]
    DiskFull {
        /// Bytes written before.
        written: u64,
    },
    /// Another failure of the storage. What was committed before stays readable.
    #[error(
        "the recording cannot be written after {written} bytes: {source}; what was on the disk before stays \
         readable"
    )]
    Storage {
        /// Bytes written before.
        written: u64,
        /// Why.
        source: io::Error,
    },
    /// The file no longer stands where it was made.
    #[error("the recording is gone from its place: was a stick pulled out, a folder moved or deleted?")]
    Gone,
    /// A write after one that failed.
    #[error("expected a recording in order, found one that has failed before")]
    FailedBefore,
    /// An item that is too large.
    #[error("expected an item of at most {LONGEST_PAYLOAD} bytes, found {found}")]
    TooLarge {
        /// Its bytes.
        found: usize,
    },
    /// An item or the container refused its form.
    #[error("the recording cannot hold this: {0}")]
    Form(String),
    /// No disk took them.
    #[error("{0} pieces were received but could not be recorded")]
    Lost(usize),
    /// The disk did not answer in time.
    #[error("the disk did not answer for {0} s; what it was given last may be lost")]
    Stalled(u64),
}

impl RecordError {
    /// Only the one item is lost; the file is in order.
    #[must_use]
    pub fn costs_one_item(&self) -> bool {
        matches!(self, RecordError::TooLarge { .. } | RecordError::Form(_))
    }
}

/// A recording that is being written.
pub struct RecordingWriter<W: Storage> {
    /// None after a failure.
    container: Option<Writer<Gathered>>,
    /// What the container has made ready for the storage.
    gathered: Gathered,
    storage: W,
    sequences: [u32; Channel::ALL.len()],
    tally: Tally,
    /// Bytes of messages since the last commit.
    uncommitted: usize,
    last_commit: HostTime,
    /// Bytes that the storage took.
    written: u64,
}

impl<W: Storage> RecordingWriter<W> {
    /// Starts a recording: its header, what it says about itself, its channels; all of that committed.
    ///
    /// # Errors
    /// What the storage says.
    pub fn new(storage: W, session: &SessionInfo) -> Result<RecordingWriter<W>, RecordError> {
        let options = WriteOptions::new()
            .compression(None)
            .profile(PROFILE)
            .library(session.software.clone())
            .chunk_size(None)
            .disable_seeking(true)
            .emit_message_indexes(false);
        let gathered = Gathered::default();
        let container = options.create(gathered.clone()).map_err(form)?;
        let mut writer = RecordingWriter {
            container: Some(container),
            gathered,
            storage,
            sequences: [0; Channel::ALL.len()],
            tally: Tally::default(),
            uncommitted: 0,
            last_commit: session.host_at_start,
            written: 0,
        };
        let metadata = Metadata { name: SESSION_RECORD.to_owned(), metadata: session.to_fields() };
        writer.with(|container| container.write_metadata(&metadata))?;
        writer.with(|container| add_channels(container, &session.software))?;
        writer.commit(session.host_at_start)?;
        Ok(writer)
    }

    /// Gathers one thing; [`RecordingWriter::tick`] brings it to the disk.
    ///
    /// # Errors
    /// It cannot be held, or the recording has failed before.
    pub fn write(&mut self, recorded: &Recorded) -> Result<(), RecordError> {
        let payload = recorded.payload().map_err(|error| RecordError::Form(error.to_string()))?;
        if payload.len() > LONGEST_PAYLOAD {
            return Err(RecordError::TooLarge { found: payload.len() });
        }
        let channel = recorded.channel();
        let sequence = &mut self.sequences[usize::from(channel.number() - 1)];
        let log_time = recorded.log_time();
        let header = MessageHeader {
            channel_id: channel.number(),
            sequence: *sequence,
            log_time,
            publish_time: log_time,
        };
        *sequence = sequence.wrapping_add(1);
        self.with(|container| container.write_to_known_channel(&header, &payload))?;
        self.uncommitted += payload.len();
        self.tally.count(recorded);
        Ok(())
    }

    /// Commits where that is due; true when it did. To be called after each write, and now and then when
    /// nothing arrives.
    ///
    /// # Errors
    /// What the storage says; after that, every write fails.
    pub fn tick(&mut self, now: HostTime) -> Result<bool, RecordError> {
        let since_us = now.0.saturating_sub(self.last_commit.0);
        let due = self.uncommitted >= COMMIT_BYTES || !(0..COMMIT_EVERY_US).contains(&since_us);
        if self.uncommitted == 0 || !due {
            return Ok(false);
        }
        self.commit(now)?;
        Ok(true)
    }

    /// Puts all that was gathered on the disk itself.
    ///
    /// # Errors
    /// What the storage says; after that, every write fails.
    pub fn commit(&mut self, now: HostTime) -> Result<(), RecordError> {
        let mark = self.tally.to_bytes();
        self.with(|container| {
            container.write_private_record(kind::MARK, &mark, Default::default())?;
            container.flush()
        })?;
        self.deliver()?;
        (self.uncommitted, self.last_commit) = (0, now);
        Ok(())
    }

    /// What was gathered since the last commit is empty.
    #[must_use]
    pub fn is_committed(&self) -> bool {
        self.uncommitted == 0
    }

    /// How much the recording holds, uncommitted things included.
    #[must_use]
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// The file still stands where it was made. Where it does not, every write fails from here on.
    pub fn is_in_place(&mut self) -> bool {
        self.storage.is_in_place()
    }

    /// Ends the recording: mark, index, end mark, all on the disk.
    ///
    /// # Errors
    /// What the storage says. The file is then a torn one, whose messages can still be read.
    pub fn finish(mut self) -> Result<(), RecordError> {
        if self.uncommitted > 0 {
            let now = self.last_commit;
            self.commit(now)?;
        }
        self.with(|container| container.finish().map(drop))?;
        self.deliver()
    }

    /// Writes what the container made ready, and syncs. A failure is final.
    fn deliver(&mut self) -> Result<(), RecordError> {
        let bytes = std::mem::take(&mut self.gathered.lock().bytes);
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            match self.storage.write(rest) {
                Ok(0) => return Err(self.failed(io::ErrorKind::WriteZero.into())),
                Ok(taken) => {
                    rest = rest.get(taken..).unwrap_or_default();
                    self.written += taken as u64;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(self.failed(error)),
            }
        }
        self.storage.sync().map_err(|error| self.failed(error))
    }

    fn failed(&mut self, source: io::Error) -> RecordError {
        self.container = None;
        let written = self.written;
        match source.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => RecordError::DiskFull { written },
            _ => RecordError::Storage { written, source },
        }
    }

    fn with(
        &mut self,
        work: impl FnOnce(&mut Writer<Gathered>) -> Result<(), McapError>,
    ) -> Result<(), RecordError> {
        work(self.container.as_mut().ok_or(RecordError::FailedBefore)?).map_err(form)
    }
}

fn form(error: McapError) -> RecordError {
    RecordError::Form(error.to_string())
}

fn add_channels(container: &mut Writer<Gathered>, software: &str) -> Result<(), McapError> {
    for channel in Channel::ALL {
        let (name, text) = channel.schema();
        let schema = container.add_schema(name, "text/plain", text.as_bytes())?;
        let mut metadata = BTreeMap::new();
        if channel == Channel::Derived {
            metadata.insert("derived".to_owned(), "true".to_owned());
            metadata.insert("by".to_owned(), software.to_owned());
        }
        let encoding = channel.encoding();
        container.add_channel_with_id(channel.number(), schema, channel.topic(), encoding, &metadata)?;
    }
    Ok(())
}

/// Bytes that the container made, until they are written. Shared, since the container keeps what it writes to
/// for itself; what it writes when it is dropped lands here, too, and nowhere else.
#[derive(Clone, Default)]
struct Gathered(Arc<Mutex<Bytes>>);

#[derive(Default)]
struct Bytes {
    bytes: Vec<u8>,
    position: u64,
}

impl Gathered {
    fn lock(&self) -> MutexGuard<'_, Bytes> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Write for Gathered {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut gathered = self.lock();
        gathered.bytes.extend_from_slice(bytes);
        gathered.position += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Seek for Gathered {
    /// Tells the position; moving it is not supported, and not asked for where chunks are buffered.
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match to {
            SeekFrom::Current(0) => Ok(self.lock().position),
            _ => Err(io::ErrorKind::Unsupported.into()),
        }
    }
}
