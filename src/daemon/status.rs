//! What the person at the terminal is told while a bucket runs: a line at a time, nothing on a pipe that
//! did not ask.

use std::io::Write;
use std::sync::{Arc, Mutex};

/// Tells lines on standard error. Copies share the memory of what was said last.
#[derive(Clone, Default)]
pub struct Status {
    quiet: bool,
    last: Arc<Mutex<String>>,
}

impl Status {
    /// Tells lines, or says nothing at all.
    #[must_use]
    pub fn new(quiet: bool) -> Status {
        Status { quiet, last: Arc::default() }
    }

    /// A line.
    pub fn line(&self, text: &str) {
        if let Ok(mut last) = self.last.lock() {
            text.clone_into(&mut last);
        }
        if !self.quiet {
            // A terminal that has gone away must not end the bucket.
            let _ = writeln!(std::io::stderr(), "{text}");
        }
    }

    /// A line, unless it is what was said last.
    pub fn once(&self, text: &str) {
        let same = self.last.lock().is_ok_and(|last| *last == text);
        if !same {
            self.line(text);
        }
    }
}
