//! Writes a recording, raw bytes before any interpretation.
//!
//! What was written is handed to the operating system at least every 100 ms of host time, so the death of
//! the process loses no more than that; and put on the disk itself once a second, so a loss of power loses
//! no more than a second. Nothing is written when the writer is dropped: only [`RecordingWriter::finish`]
//! ends a file, and it tells its errors.

use super::recorded::{Channel, LONGEST_PAYLOAD, PROFILE, Recorded};
use super::session::{SESSION_RECORD, SessionInfo};
use super::storage::Storage;
use crate::units::HostTime;
use mcap::records::{MessageHeader, Metadata};
use mcap::{McapError, WriteOptions, Writer};
use std::collections::BTreeMap;
use std::io::{self, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use thiserror::Error;

/// Host time after which what was written is flushed, µs.
pub const FLUSH_EVERY_US: i64 = 100_000;
/// Host time after which what was flushed is synced, µs.
pub const SYNC_EVERY_US: i64 = 1_000_000;
/// Bytes in a chunk after which the next is begun. Keeps the reader's room small.
const CHUNK_BYTES: u64 = 256 * 1024;

/// Why recording failed.
#[derive(Debug, Error)]
pub enum RecordError {
    /// The file could not be created.
    #[error("the recording cannot be created in {folder}: {source}", folder = folder.display())]
    Create {
        /// The folder it should stand in.
        folder: std::path::PathBuf,
        /// Why.
        source: io::Error,
    },
    /// No room is left. What was flushed before stays readable.
    #[error(
        "the disk is full after {written} bytes of the recording; what was flushed before stays readable"
    )]
    DiskFull {
        /// Bytes written before.
        written: u64,
    },
    /// Another failure of the storage. What was flushed before stays readable.
    #[error(
        "the recording cannot be written after {written} bytes: {source}; what was flushed before stays readable"
    )]
    Storage {
        /// Bytes written before.
        written: u64,
        /// Why.
        source: io::Error,
    },
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
}

/// A recording that is being written.
pub struct RecordingWriter<W: Storage> {
    /// None after a failure.
    container: Option<Writer<Outlet<W>>>,
    /// The storage, which the container writes to and this syncs.
    outlet: Outlet<W>,
    sequences: [u32; Channel::ALL.len()],
    last_flush: HostTime,
    last_sync: HostTime,
    /// Something was written since the last flush, or flushed since the last sync.
    unflushed: bool,
    unsynced: bool,
}

impl<W: Storage> RecordingWriter<W> {
    /// Starts a recording: its header, what it says about itself, its channels; all of that flushed.
    ///
    /// # Errors
    /// What the storage says.
    pub fn new(storage: W, session: &SessionInfo) -> Result<RecordingWriter<W>, RecordError> {
        let now = session.host_at_start;
        let options = WriteOptions::new()
            .compression(None)
            .profile(PROFILE)
            .library(session.software.clone())
            .chunk_size(Some(CHUNK_BYTES))
            .disable_seeking(true)
            .emit_message_indexes(false);
        let outlet = Outlet(Arc::new(Mutex::new(Counted { storage, written: 0 })));
        let created = options.create(outlet.clone());
        let mut writer = RecordingWriter {
            container: None,
            outlet,
            sequences: [0; Channel::ALL.len()],
            last_flush: now,
            last_sync: now,
            unflushed: true,
            unsynced: true,
        };
        writer.container = Some(created.map_err(|error| writer.failed(error))?);
        let metadata = Metadata { name: SESSION_RECORD.to_owned(), metadata: session.to_fields() };
        writer.try_on(|container| container.write_metadata(&metadata))?;
        writer.try_on(|container| add_channels(container, &session.software))?;
        writer.flush(now)?;
        writer.sync(now)?;
        Ok(writer)
    }

    /// Writes one thing, and flushes and syncs as its host time asks.
    ///
    /// # Errors
    /// What the storage says; after that, every write fails.
    pub fn write(&mut self, recorded: &Recorded) -> Result<(), RecordError> {
        let payload = recorded.payload().map_err(|error| RecordError::Form(error.to_string()))?;
        if payload.len() > LONGEST_PAYLOAD {
            return Err(RecordError::TooLarge { found: payload.len() });
        }
        let channel = recorded.channel();
        let sequence = &mut self.sequences[usize::from(channel.number() - 1)];
        let log_time = u64::try_from(recorded.received().0).unwrap_or(0).saturating_mul(1000);
        let header = MessageHeader {
            channel_id: channel.number(),
            sequence: *sequence,
            log_time,
            publish_time: log_time,
        };
        *sequence = sequence.wrapping_add(1);
        self.try_on(|container| container.write_to_known_channel(&header, &payload))?;
        self.unflushed = true;
        self.tick(recorded.received())
    }

    /// Flushes and syncs where that is due; to be called now and then also when nothing arrives.
    ///
    /// # Errors
    /// What the storage says; after that, every write fails.
    pub fn tick(&mut self, now: HostTime) -> Result<(), RecordError> {
        let due = |since: HostTime, every: i64| now.0.saturating_sub(since.0) >= every || now < since;
        if self.unflushed && due(self.last_flush, FLUSH_EVERY_US) {
            self.flush(now)?;
        }
        if self.unsynced && due(self.last_sync, SYNC_EVERY_US) {
            self.sync(now)?;
        }
        Ok(())
    }

    /// Hands all to the operating system.
    ///
    /// # Errors
    /// What the storage says; after that, every write fails.
    pub fn flush(&mut self, now: HostTime) -> Result<(), RecordError> {
        self.try_on(Writer::flush)?;
        (self.unflushed, self.unsynced, self.last_flush) = (false, true, now);
        Ok(())
    }

    fn sync(&mut self, now: HostTime) -> Result<(), RecordError> {
        let synced = self.outlet.lock().storage.sync();
        synced.map_err(|error| self.failed(McapError::Io(error)))?;
        (self.unsynced, self.last_sync) = (false, now);
        Ok(())
    }

    /// Ends the recording: index, end mark, sync.
    ///
    /// # Errors
    /// What the storage says. The file is then a torn one, whose messages can still be read.
    pub fn finish(mut self) -> Result<(), RecordError> {
        self.try_on(|container| container.finish().map(drop))?;
        let ended = {
            let mut counted = self.outlet.lock();
            counted.storage.flush().and_then(|()| counted.storage.sync())
        };
        ended.map_err(|error| self.failed(McapError::Io(error)))
    }

    /// Does something on the container; a failure is final.
    fn try_on(
        &mut self,
        work: impl FnOnce(&mut Writer<Outlet<W>>) -> Result<(), McapError>,
    ) -> Result<(), RecordError> {
        let container = self.container.as_mut().ok_or(RecordError::FailedBefore)?;
        work(container).map_err(|error| self.failed(error))
    }

    fn failed(&mut self, error: McapError) -> RecordError {
        self.abandon();
        let written = self.outlet.lock().written;
        match error {
            McapError::Io(source) if source.kind() == io::ErrorKind::StorageFull => {
                RecordError::DiskFull { written }
            }
            McapError::Io(source) => RecordError::Storage { written, source },
            other => RecordError::Form(other.to_string()),
        }
    }

    /// Lets go of the container without another byte: it would write its end when dropped.
    fn abandon(&mut self) {
        drop(self.container.take().map(Writer::into_inner));
    }
}

impl<W: Storage> Drop for RecordingWriter<W> {
    fn drop(&mut self) {
        self.abandon();
    }
}

fn add_channels<W: Storage>(container: &mut Writer<Outlet<W>>, software: &str) -> Result<(), McapError> {
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

/// A storage and the bytes that it took.
struct Counted<W> {
    storage: W,
    written: u64,
}

/// The storage as the container wants it. Shared, since the container keeps what it writes to for itself.
struct Outlet<W>(Arc<Mutex<Counted<W>>>);

impl<W> Clone for Outlet<W> {
    fn clone(&self) -> Outlet<W> {
        Outlet(Arc::clone(&self.0))
    }
}

impl<W> Outlet<W> {
    fn lock(&self) -> MutexGuard<'_, Counted<W>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl<W: Storage> Write for Outlet<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut counted = self.lock();
        counted.storage.write_all(bytes)?;
        counted.written += bytes.len() as u64;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.lock().storage.flush()
    }
}

impl<W> Seek for Outlet<W> {
    /// Tells the position; moving it is not supported, and not asked for where chunks are buffered.
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match to {
            SeekFrom::Current(0) => Ok(self.lock().written),
            _ => Err(io::ErrorKind::Unsupported.into()),
        }
    }
}
