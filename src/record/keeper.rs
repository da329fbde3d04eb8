//! Keeps a recording going where disks fail. Reads no clock; the recorder's thread tells the time.
//!
//! Whatever is not on the disk for certain is kept in memory, too. Where a file fails it is given up as it
//! stands, and a new one takes what was kept: in the same folder, or else in the next one. Where none can be
//! made, it is tried again every second, and what arrives meanwhile waits in the recorder's queue.
//!
//! A glove introduces itself once. So what it said of itself, and the club in use, stand in every file.

use super::lock::LockError;
use super::recorded::Recorded;
use super::recording_writer::{COMMIT_EVERY_US, RecordError, RecordingWriter};
use super::session::SessionInfo;
use super::storage::{Disk, create_recording, make_folders};
use super::tally::Tally;
use crate::device::RawPiece;
use crate::sample::Marker;
use crate::units::{HostTime, WallTime};
use firmware_protocol::constants::{TYPE_DEVICE_INFO, TYPE_HELLO, TYPE_NODE_INFO};
use firmware_protocol::{Frame, MAX_DECODED, claimed_type, decode_piece};
use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// So often it is tried to begin a new file while there is none, µs.
const TRY_EVERY_US: i64 = 1_000_000;
/// So often it is looked whether the file still stands in its place, µs.
const LOOK_EVERY_US: i64 = 1_000_000;

/// Why no recording can begin.
#[derive(Debug, Error)]
pub enum StartError {
    /// The folder is another's, or cannot be written.
    #[error(transparent)]
    Folder(#[from] LockError),
    /// The file.
    #[error(transparent)]
    File(#[from] RecordError),
}

/// Something that has to be told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News {
    /// Worth knowing.
    Note(String),
    /// A failure: a file is torn, or nothing is recorded for now. What was received is kept all the same.
    Trouble(String),
    /// Something is lost.
    Lost(String),
}

/// A recording, over as many files as it takes.
pub struct Keeper<D: Disk> {
    disk: D,
    /// Where files are made, in this order.
    folders: Vec<PathBuf>,
    session: SessionInfo,
    _lock: Option<D::Lock>,
    writer: Option<RecordingWriter<D::File>>,
    paths: Vec<PathBuf>,
    /// Not on the disk for certain.
    pending: Vec<Recorded>,
    /// What a reader has to know before the rest.
    introduction: Introduction,
    /// How much of it stands at the beginning of this file once more.
    repeated: Tally,
    /// In the files that were given up.
    earlier: Tally,
    /// On the disk for certain.
    safe: Tally,
    last_commit: HostTime,
    last_look: HostTime,
    next_try: HostTime,
    news: Vec<News>,
}

impl<D: Disk> Keeper<D> {
    /// Begins a recording in the first of these folders, which is kept from others from now on; `holder` is
    /// what they are told.
    ///
    /// # Errors
    /// No recording can be made there. The other folders are for what goes wrong later.
    pub fn start(
        mut disk: D,
        folders: Vec<PathBuf>,
        session: SessionInfo,
        holder: &str,
    ) -> Result<Keeper<D>, StartError> {
        let folder = folders.first().cloned().unwrap_or_default();
        make_folders(&mut disk, &folder)
            .map_err(|source| RecordError::Create { folder: folder.clone(), source })?;
        let (lock, news) = match disk.lock(&folder, holder) {
            Ok(lock) => (Some(lock), Vec::new()),
            Err(error @ LockError::NoLocks { .. }) => (None, vec![News::Note(error.to_string())]),
            Err(error) => return Err(error.into()),
        };
        let begun = begin(&mut disk, &folder, &session);
        let (path, writer) = begun.map_err(|error| not_begun(&folder, error))?;
        let now = session.host_at_start;
        Ok(Keeper {
            disk,
            folders,
            session,
            _lock: lock,
            writer: Some(writer),
            paths: vec![path],
            pending: Vec::new(),
            introduction: Introduction::default(),
            repeated: Tally::default(),
            earlier: Tally::default(),
            safe: Tally::default(),
            last_commit: now,
            last_look: now,
            next_try: now,
            news,
        })
    }

    /// Takes one thing to be recorded.
    pub fn take(&mut self, recorded: Recorded, now: HostTime) {
        match self.writer.as_mut().map(|writer| writer.write(&recorded)) {
            Some(Err(error)) if error.costs_one_item() => {
                self.news.push(News::Lost(format!("NOT RECORDED: {error}")));
                return;
            }
            Some(Err(error)) => {
                self.pending.push(recorded);
                self.fail(&error, now);
            }
            Some(Ok(())) | None => self.pending.push(recorded),
        }
        self.tick(now);
    }

    /// Does what is due.
    pub fn tick(&mut self, now: HostTime) {
        let Some(writer) = &mut self.writer else {
            if now >= self.next_try {
                self.begin_anew(now);
            }
            return;
        };
        match writer.tick(now) {
            Ok(true) => self.committed(now),
            Ok(false) => {}
            Err(error) => return self.fail(&error, now),
        }
        self.look(now);
    }

    fn look(&mut self, now: HostTime) {
        if now.0.saturating_sub(self.last_look.0) < LOOK_EVERY_US {
            return;
        }
        self.last_look = now;
        if self.writer.as_mut().is_some_and(|writer| !writer.is_in_place()) {
            // A file that was moved is ended where it is now; one on a stick that is gone does not mind.
            drop(self.writer.take().map(RecordingWriter::finish));
            self.fail(&RecordError::Gone, now);
        }
    }

    fn committed(&mut self, now: HostTime) {
        self.pending.drain(..).for_each(|recorded| self.introduction.hear(recorded));
        self.last_commit = now;
        self.safe = self.earlier.clone();
        if let Some(writer) = &self.writer {
            self.safe.add(&self.repeated.lacks(writer.tally()));
        }
    }

    fn fail(&mut self, error: &RecordError, now: HostTime) {
        self.writer = None;
        self.earlier = self.safe.clone();
        self.news.push(News::Trouble(error.to_string()));
        self.begin_anew(now);
    }

    /// Begins a new file with what is not safe yet.
    fn begin_anew(&mut self, now: HostTime) {
        let mut why = Vec::new();
        for folder in self.folders.clone() {
            match self.begin_in(&folder, now) {
                Ok((path, writer)) => {
                    self.news.push(News::Note(format!("the recording goes on in {}", path.display())));
                    self.paths.push(path);
                    self.writer = Some(writer);
                    self.repeated = Tally::default();
                    self.introduction.items().for_each(|recorded| self.repeated.count(recorded));
                    self.last_look = now;
                    return self.committed(now);
                }
                Err(error) => why.push(format!("{}: {error}", folder.display())),
            }
        }
        self.next_try = HostTime(now.0.saturating_add(TRY_EVERY_US));
        self.news.push(News::Trouble(format!("NOTHING IS RECORDED NOW: {}; trying again", why.join("; "))));
    }

    fn begin_in(
        &mut self,
        folder: &Path,
        now: HostTime,
    ) -> Result<(PathBuf, RecordingWriter<D::File>), RecordError> {
        let elapsed_ms = now.0.saturating_sub(self.session.host_at_start.0) / 1000;
        let started = WallTime(self.session.started.0.saturating_add(elapsed_ms));
        let session = SessionInfo { started, host_at_start: now, ..self.session.clone() };
        let (path, mut writer) = begin(&mut self.disk, folder, &session)?;
        let before = self.introduction.items();
        let filled = before.chain(&self.pending).try_for_each(|recorded| writer.write(recorded));
        if let Err(error) = filled.and_then(|()| writer.commit(now)) {
            self.disk.remove(&path);
            return Err(error);
        }
        Ok((path, writer))
    }

    /// No file takes what comes.
    #[must_use]
    pub fn is_broken(&self) -> bool {
        self.writer.is_none()
    }

    /// Things that are not on the disk for certain.
    #[must_use]
    pub fn pending(&self) -> &[Recorded] {
        &self.pending
    }

    /// What is on the disk for certain, over all files.
    #[must_use]
    pub fn safe(&self) -> &Tally {
        &self.safe
    }

    /// The files, in order.
    #[must_use]
    pub fn paths(&self) -> &[PathBuf] {
        &self.paths
    }

    /// When [`Keeper::tick`] has something to do at the latest, if nothing arrives.
    #[must_use]
    pub fn due(&self) -> HostTime {
        let (since, every_us) = match (&self.writer, self.pending.is_empty()) {
            (None, _) => return self.next_try,
            (Some(_), false) => (self.last_commit, COMMIT_EVERY_US),
            (Some(_), true) => (self.last_look, LOOK_EVERY_US),
        };
        HostTime(since.0.saturating_add(every_us))
    }

    /// What has to be told since the last time.
    pub fn take_news(&mut self) -> Vec<News> {
        std::mem::take(&mut self.news)
    }

    /// Ends the recording. Afterwards [`Keeper::pending`] holds what is lost.
    pub fn finish(&mut self, now: HostTime) {
        if self.writer.is_none() {
            self.begin_anew(now);
        }
        let committed = self.writer.as_mut().map(|writer| writer.commit(now));
        match committed {
            Some(Ok(())) => self.committed(now),
            Some(Err(error)) => self.fail(&error, now),
            None => {}
        }
        if let Some(Err(error)) = self.writer.take().map(RecordingWriter::finish) {
            let what = "all is on the disk, but the recording could not be ended";
            self.news.push(News::Trouble(format!("{what}: {error}")));
        }
    }
}

/// Nothing was recorded yet, so what counts is the folder.
fn not_begun(folder: &Path, error: RecordError) -> RecordError {
    let source = match error {
        RecordError::DiskFull { .. } => io::Error::new(io::ErrorKind::StorageFull, "the disk is full"),
        RecordError::Storage { source, .. } => source,
        other => return other,
    };
    RecordError::Create { folder: folder.to_owned(), source }
}

/// A new file with its beginning on the disk.
fn begin<D: Disk>(
    disk: &mut D,
    folder: &Path,
    session: &SessionInfo,
) -> Result<(PathBuf, RecordingWriter<D::File>), RecordError> {
    let created = create_recording(disk, folder, session.started);
    let (path, file) = created.map_err(|source| RecordError::Create { folder: folder.to_owned(), source })?;
    match RecordingWriter::new(file, session) {
        Ok(writer) => Ok((path, writer)),
        Err(error) => {
            disk.remove(&path);
            Err(error)
        }
    }
}

/// The last greeting, the last description of the glove and of each node, and the club in use.
#[derive(Default)]
struct Introduction(BTreeMap<(u8, u8), Recorded>);

impl Introduction {
    fn hear(&mut self, recorded: Recorded) {
        let place = match &recorded {
            Recorded::Piece(piece) => introduces(piece),
            Recorded::Marker { marker: Marker::Club(_), .. } => Some((u8::MAX, 0)),
            _ => None,
        };
        if let Some(place) = place {
            self.0.insert(place, recorded);
        }
    }

    /// The greeting first, the club last.
    fn items(&self) -> impl Iterator<Item = &Recorded> {
        self.0.values()
    }
}

/// Which part of an introduction a piece is, and of which node.
fn introduces(piece: &RawPiece) -> Option<(u8, u8)> {
    const TYPES: [u8; 3] = [TYPE_HELLO, TYPE_DEVICE_INFO, TYPE_NODE_INFO];
    claimed_type(&piece.bytes).filter(|claimed| TYPES.contains(claimed))?;
    let mut scratch = [0; MAX_DECODED];
    match decode_piece(&piece.bytes, &mut scratch) {
        Ok(Frame::Hello(_)) => Some((0, 0)),
        Ok(Frame::DeviceInfo(_)) => Some((1, 0)),
        Ok(Frame::NodeInfo(node)) => Some((2, node.node)),
        _ => None,
    }
}
