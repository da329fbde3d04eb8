//! How far an analysis of recordings has come, for whoever waits for it. Many threads may look.

use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

/// Recordings that are done, of those that are to be.
#[derive(Debug, Default)]
pub struct Progress {
    done: AtomicUsize,
    of: AtomicUsize,
}

impl Progress {
    /// So many more are to be analysed.
    pub fn more(&self, count: usize) {
        self.of.fetch_add(count, Relaxed);
    }

    /// One more is done.
    pub fn one_done(&self) {
        self.done.fetch_add(1, Relaxed);
    }

    /// How many are done, and of how many.
    #[must_use]
    pub fn now(&self) -> (usize, usize) {
        (self.done.load(Relaxed), self.of.load(Relaxed))
    }
}
