//! A thread of its own that records, so that a slow disk never holds up the glove or the tone.
//!
//! The queue is bounded. Where it is full, what should have been recorded is refused and counted; nobody
//! waits. A failure of the disk comes out as an event, once, and again when the recorder is finished.

use super::latency::Latency;
use super::recorded::Recorded;
use super::recording_writer::{RecordError, RecordingWriter};
use super::storage::Storage;
use crate::device::host_clock::HostClock;
use crate::units::HostTime;
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use thiserror::Error;

/// What is put in the queue.
enum Job {
    Write(Recorded),
    Tick(HostTime),
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
    /// The recorder has stopped after a failure.
    #[error("expected a running recorder, found one that has stopped")]
    Stopped,
}

/// A running recorder.
pub struct Recorder {
    jobs: Sender<Job>,
    failures: Receiver<RecordError>,
    thread: JoinHandle<Result<(), RecordError>>,
    capacity: usize,
    refused: u64,
    latency: Arc<Mutex<Latency>>,
}

/// Where the thread notes how long each thing took.
struct Stopwatch {
    clock: HostClock,
    latency: Arc<Mutex<Latency>>,
}

impl Recorder {
    /// Starts a recorder whose queue holds `capacity` items.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start<W: Storage + Send + 'static>(
        writer: RecordingWriter<W>,
        capacity: usize,
    ) -> std::io::Result<Recorder> {
        Recorder::start_timed(writer, capacity, None)
    }

    /// The same; with the clock that the things received are timed by, it also notes how long each took from
    /// its reception to the file.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start_timed<W: Storage + Send + 'static>(
        writer: RecordingWriter<W>,
        capacity: usize,
        clock: Option<HostClock>,
    ) -> std::io::Result<Recorder> {
        let latency = Arc::new(Mutex::new(Latency::default()));
        let stopwatch = clock.map(|clock| Stopwatch { clock, latency: Arc::clone(&latency) });
        let (jobs, queue) = bounded(capacity);
        let (told, failures) = bounded(1);
        let thread = std::thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || run(writer, &queue, &told, stopwatch.as_ref()))?;
        Ok(Recorder { jobs, failures, thread, capacity, refused: 0, latency })
    }

    /// Hands over one thing to be recorded; never waits.
    ///
    /// # Errors
    /// It was refused, and counted as such.
    pub fn record(&mut self, recorded: Recorded) -> Result<(), RefusedError> {
        self.send(Job::Write(recorded)).inspect_err(|_| self.refused += 1)
    }

    /// Tells the host time when nothing arrives, so that what waits is flushed. Left out where the queue
    /// is full: then there is no lack of items that tell the time.
    pub fn tick(&mut self, now: HostTime) {
        let _ = self.send(Job::Tick(now));
    }

    fn send(&self, job: Job) -> Result<(), RefusedError> {
        self.jobs.try_send(job).map_err(|error| match error {
            TrySendError::Full(_) => RefusedError::QueueFull { capacity: self.capacity },
            TrySendError::Disconnected(_) => RefusedError::Stopped,
        })
    }

    /// A failure of the disk that has not been told yet.
    #[must_use]
    pub fn failure(&self) -> Option<RecordError> {
        self.failures.try_recv().ok()
    }

    /// Whether the thread has given up; [`Recorder::finish`] then says why.
    #[must_use]
    pub fn has_stopped(&self) -> bool {
        self.thread.is_finished()
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

    /// How long things took so far, from their reception to the file; nothing without a clock.
    #[must_use]
    pub fn latency(&self) -> Latency {
        self.latency.lock().map_or_else(|_| Latency::default(), |latency| *latency)
    }

    /// Writes what is in the queue, ends the recording, and waits for that.
    ///
    /// # Errors
    /// What went wrong, if it was not told before.
    pub fn finish(self) -> Result<(), RecordError> {
        // Where the thread has stopped, its result says why.
        let _ = self.jobs.send(Job::Finish);
        let result = self.thread.join();
        let earlier = self.failures.try_recv().ok();
        let panicked = |_| Err(RecordError::Form("the recorder's thread panicked".to_owned()));
        earlier.map_or_else(|| result.unwrap_or_else(panicked), Err)
    }
}

/// The thread: writes until it is told to finish, fails, or nobody is left to tell it more.
fn run<W: Storage>(
    mut writer: RecordingWriter<W>,
    queue: &Receiver<Job>,
    told: &Sender<RecordError>,
    stopwatch: Option<&Stopwatch>,
) -> Result<(), RecordError> {
    for job in queue {
        let done = match job {
            Job::Write(recorded) => {
                writer.write(&recorded).inspect(|()| note(stopwatch, recorded.received()))
            }
            Job::Tick(now) => writer.tick(now),
            Job::Finish => return writer.finish(),
        };
        match done {
            Ok(()) => {}
            // One item that cannot be held is told; the recording goes on.
            Err(error @ (RecordError::TooLarge { .. } | RecordError::Form(_))) => drop(told.try_send(error)),
            Err(error) => {
                let _ = told.try_send(error);
                return Err(RecordError::FailedBefore);
            }
        }
    }
    writer.finish()
}

fn note(stopwatch: Option<&Stopwatch>, received: HostTime) {
    let Some(Stopwatch { clock, latency }) = stopwatch else { return };
    if let Ok(mut latency) = latency.lock() {
        latency.note(clock.now().0 - received.0);
    }
}
