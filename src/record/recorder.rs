//! A thread of its own that records, so that a slow disk never holds up the glove or the tone.
//!
//! The queue is bounded. Where it is full, what should have been recorded is refused and counted; nobody
//! waits. What is on the disk for certain, how long the oldest thing has been waiting for it, and what has to
//! be told, stand where the bucket can look at any time, also while a disk holds the thread up.

use super::keeper::{Keeper, News};
use super::latency::Latency;
use super::recorded::Recorded;
use super::recording_writer::RecordError;
use super::storage::Disk;
use super::tally::Tally;
use crate::device::host_clock::HostClock;
use crate::units::HostTime;
use crossbeam_channel::{
    Receiver, RecvTimeoutError, SendTimeoutError, Sender, TryRecvError, TrySendError, bounded,
};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;

/// So long a disk that does not answer is waited for at the end.
const PATIENCE: Duration = Duration::from_secs(10);
/// So long it sleeps at most while a chunk is gathered.
const REST: Duration = Duration::from_millis(50);
/// News that wait to be told at most; the newest are dropped.
const NEWS_AT_MOST: usize = 32;
/// A disk that has taken nothing for so long is called slow, µs.
pub const SLOW_AFTER_US: i64 = 1_000_000;

/// What is put in the queue.
enum Job {
    Write(Recorded),
    Finish,
}

/// Why something was not taken for recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum RefusedError {
    /// The disk is too slow.
    #[error("expected room for one more item in the recorder's queue of {capacity}, found none")]
    QueueFull {
        /// Items that the queue holds.
        capacity: usize,
    },
    /// The recorder's thread is over.
    #[error("expected a running recorder, found one that has stopped")]
    Stopped,
}

/// What the thread and its owner both see.
#[derive(Default)]
struct Shared {
    /// On the disk for certain.
    safe: Tally,
    /// When the oldest thing that is not was received.
    waiting_since: Option<HostTime>,
    /// No file takes what comes.
    broken: bool,
    ending: bool,
    latency: Latency,
    paths: Vec<PathBuf>,
    news: Vec<News>,
}

type Board = Arc<Mutex<Shared>>;

fn look(board: &Board) -> MutexGuard<'_, Shared> {
    board.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A running recorder.
pub struct Recorder {
    jobs: Sender<Job>,
    ended: Receiver<Result<(), RecordError>>,
    thread: JoinHandle<()>,
    capacity: usize,
    refused: u64,
    board: Board,
}

/// How a recording ended.
#[derive(Debug)]
pub struct Ended {
    /// Whether all that was taken is on the disk.
    pub result: Result<(), RecordError>,
    /// What had not been told yet.
    pub news: Vec<News>,
    /// The files, in order.
    pub paths: Vec<PathBuf>,
}

impl Recorder {
    /// Starts a recorder whose queue holds `capacity` items. `clock` is the one that the things received are
    /// timed by.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start<D>(keeper: Keeper<D>, capacity: usize, clock: HostClock) -> std::io::Result<Recorder>
    where
        D: Disk + Send + 'static,
        D::File: Send,
        D::Lock: Send,
    {
        let board = Board::default();
        look(&board).paths = keeper.paths().to_vec();
        let (jobs, queue) = bounded(capacity);
        let (end, ended) = bounded(1);
        let thread = Thread { keeper, queue, clock, board: Arc::clone(&board), received: Vec::new() };
        let run = move || drop(end.try_send(thread.run()));
        let thread = std::thread::Builder::new().name("recorder".to_owned()).spawn(run)?;
        Ok(Recorder { jobs, ended, thread, capacity, refused: 0, board })
    }

    /// Hands over one thing to be recorded; never waits.
    ///
    /// # Errors
    /// It was refused, and counted as such.
    pub fn record(&mut self, recorded: Recorded) -> Result<(), RefusedError> {
        look(&self.board).waiting_since.get_or_insert(recorded.received());
        self.jobs.try_send(Job::Write(recorded)).map_err(|error| {
            self.refused += 1;
            match error {
                TrySendError::Full(_) => RefusedError::QueueFull { capacity: self.capacity },
                TrySendError::Disconnected(_) => RefusedError::Stopped,
            }
        })
    }

    /// What has to be told since the last time.
    pub fn take_news(&mut self) -> Vec<News> {
        std::mem::take(&mut look(&self.board).news)
    }

    /// Something is recorded: a file is open, and the thread lives.
    #[must_use]
    pub fn is_recording(&self) -> bool {
        !look(&self.board).broken && !self.thread.is_finished()
    }

    /// How much is on the disk for certain.
    #[must_use]
    pub fn safe(&self) -> Tally {
        look(&self.board).safe.clone()
    }

    /// How long the oldest thing that is not on the disk has been waiting, µs.
    #[must_use]
    pub fn lag_us(&self, now: HostTime) -> i64 {
        let since = look(&self.board).waiting_since;
        since.map_or(0, |since| now.0.saturating_sub(since.0).max(0))
    }

    /// The files so far, in order.
    #[must_use]
    pub fn paths(&self) -> Vec<PathBuf> {
        look(&self.board).paths.clone()
    }

    /// Things that were refused so far.
    #[must_use]
    pub fn refused(&self) -> u64 {
        self.refused
    }

    /// Things that wait to be written.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.jobs.len()
    }

    /// Things that the queue holds at most.
    #[must_use]
    pub fn capacity(&self) -> usize {
        self.capacity
    }

    /// How long things took so far, from their reception to the disk itself.
    #[must_use]
    pub fn latency(&self) -> Latency {
        look(&self.board).latency
    }

    /// Writes what is in the queue, ends the recording, and waits for that, but not for ever.
    #[must_use]
    pub fn finish(self) -> Ended {
        self.finish_within(PATIENCE)
    }

    /// The same with another patience.
    #[must_use]
    pub fn finish_within(self, patience: Duration) -> Ended {
        look(&self.board).ending = true;
        let stalled = Err(RecordError::Stalled(patience.as_secs()));
        let result = match self.jobs.send_timeout(Job::Finish, patience) {
            // The queue is full, and nothing was taken from it.
            Err(SendTimeoutError::Timeout(_)) => stalled,
            // Where the thread is over, its result says why.
            Ok(()) | Err(SendTimeoutError::Disconnected(_)) => match self.ended.recv_timeout(patience) {
                Ok(result) => result,
                Err(RecvTimeoutError::Timeout) => stalled,
                Err(RecvTimeoutError::Disconnected) => {
                    Err(RecordError::Form("the recorder's thread panicked".to_owned()))
                }
            },
        };
        let mut shared = look(&self.board);
        Ended { result, news: std::mem::take(&mut shared.news), paths: shared.paths.clone() }
    }
}

/// The thread's side.
struct Thread<D: Disk> {
    keeper: Keeper<D>,
    queue: Receiver<Job>,
    clock: HostClock,
    board: Board,
    /// When the things that are not on the disk were received.
    received: Vec<HostTime>,
}

impl<D: Disk> Thread<D> {
    /// Writes until it is told to finish, or nobody is left to tell it more.
    fn run(mut self) -> Result<(), RecordError> {
        self.publish();
        loop {
            let now = self.clock.now();
            let patience =
                Duration::from_micros(self.keeper.due().0.saturating_sub(now.0).max(0).unsigned_abs());
            // Without a file nothing is taken, so that the queue's bound holds.
            if self.keeper.is_broken() {
                std::thread::sleep(patience.min(Duration::from_millis(100)));
                if look(&self.board).ending {
                    break;
                }
            } else if self.take_what_waits(patience).is_break() {
                break;
            }
            self.keeper.tick(self.clock.now());
            self.publish();
        }
        self.end()
    }

    /// Waits for something to write, and writes all that has come by then; breaks where nothing more will. While
    /// a chunk is gathered it sleeps rather than being woken by every piece, which would cost more than the work.
    fn take_what_waits(&mut self, patience: Duration) -> ControlFlow<()> {
        let mut next = if self.keeper.pending().is_empty() {
            self.queue.recv_timeout(patience)
        } else {
            std::thread::sleep(patience.min(REST));
            self.at_hand()
        };
        loop {
            match next {
                Ok(Job::Write(recorded)) => self.write(recorded),
                Ok(Job::Finish) | Err(RecvTimeoutError::Disconnected) => return ControlFlow::Break(()),
                Err(RecvTimeoutError::Timeout) => return ControlFlow::Continue(()),
            }
            if self.keeper.pending().is_empty() {
                self.publish();
            }
            if self.keeper.is_broken() {
                return ControlFlow::Continue(());
            }
            next = self.at_hand();
        }
    }

    /// What is in the queue now.
    fn at_hand(&self) -> Result<Job, RecvTimeoutError> {
        self.queue.try_recv().map_err(|error| match error {
            TryRecvError::Empty => RecvTimeoutError::Timeout,
            TryRecvError::Disconnected => RecvTimeoutError::Disconnected,
        })
    }

    fn write(&mut self, recorded: Recorded) {
        self.received.push(recorded.received());
        look(&self.board).waiting_since.get_or_insert(recorded.received());
        self.keeper.take(recorded, self.clock.now());
    }

    /// Shows how things stand.
    fn publish(&mut self) {
        let now = self.clock.now();
        let (news, pending) = (self.keeper.take_news(), !self.keeper.pending().is_empty());
        let mut shared = look(&self.board);
        shared.broken = self.keeper.is_broken();
        for item in news {
            if shared.news.last() != Some(&item) && shared.news.len() < NEWS_AT_MOST {
                shared.news.push(item);
            }
        }
        if shared.safe != *self.keeper.safe() {
            shared.safe = self.keeper.safe().clone();
            tracing::trace!(samples = ?shared.safe.samples, messages = ?shared.safe.messages, "on the disk");
        }
        if shared.paths.len() != self.keeper.paths().len() {
            shared.paths = self.keeper.paths().to_vec();
        }
        if !pending {
            let newest = self.received.last().copied();
            for received in self.received.drain(..) {
                shared.latency.note(now.0.saturating_sub(received.0));
            }
            // What waits in the queue came after what was taken from it.
            shared.waiting_since = newest.or(shared.waiting_since).filter(|_| !self.queue.is_empty());
        }
    }

    fn end(mut self) -> Result<(), RecordError> {
        self.keeper.finish(self.clock.now());
        self.publish();
        let queued = self.queue.try_iter().filter(|job| matches!(job, Job::Write(_))).count();
        match self.keeper.pending().len() + queued {
            0 => Ok(()),
            lost => Err(RecordError::Lost(lost)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::session::SessionInfo;
    use crate::record::storage::FileDisk;

    fn thing(received_us: i64) -> Recorded {
        let received = HostTime(received_us);
        Recorded::Link { received, kind: "opened".to_owned(), value: String::new() }
    }

    /// Under steady load the queue is hardly ever empty, and what was written long ago is safe all the same.
    #[test]
    fn what_is_on_the_disk_no_longer_waits_though_the_queue_is_never_empty() {
        let folder = tempfile::tempdir().unwrap();
        let folders = vec![folder.path().to_owned()];
        let session = SessionInfo::of_nobody();
        let keeper = Keeper::start(FileDisk, folders, session, "a test").unwrap();
        let (jobs, queue) = bounded(10);
        let (clock, board) = (HostClock::start(), Board::default());
        let mut thread = Thread { keeper, queue, clock, board: Arc::clone(&board), received: Vec::new() };
        jobs.send(Job::Write(thing(3_000_000))).unwrap();
        for received_us in [1_000_000, 2_000_000] {
            thread.write(thing(received_us));
            // Far later: whatever is not on the disk yet is due.
            thread.keeper.tick(HostTime(1_000_000 * received_us));
            thread.publish();
            assert_eq!(look(&board).waiting_since, Some(HostTime(received_us)));
        }
        assert!(thread.queue.recv().is_ok());
        thread.publish();
        assert_eq!(look(&board).waiting_since, None);
    }
}
