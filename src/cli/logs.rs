//! The log: to standard error, as text or as JSON, as far as RUST_LOG asks for it; errors only by default.
//!
//! While the live view has the terminal, what would be written across it is held back until the end.

use std::collections::VecDeque;
use std::io::{self, IsTerminal, Write};
use std::sync::{Arc, Mutex};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::MakeWriter;

/// So much is held back at most; older text goes first.
const HELD_MAX: usize = 64 * 1024;

/// What the log looks like.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum LogForm {
    /// Lines for a reader.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

/// Where the log goes. Copies share it.
#[derive(Clone, Default)]
pub struct Logs {
    held: Arc<Mutex<Option<VecDeque<u8>>>>,
}

impl Logs {
    /// Starts the log of this process.
    #[must_use]
    pub fn start(form: LogForm) -> Logs {
        let logs = Logs::default();
        let filter =
            EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("error,pulseaudio=off"));
        let subscriber = tracing_subscriber::fmt().with_env_filter(filter).with_writer(logs.clone());
        match form {
            LogForm::Text => subscriber.with_ansi(io::stderr().is_terminal()).init(),
            LogForm::Json => subscriber.json().init(),
        }
        logs
    }

    /// Holds the log back where it would be written on a terminal.
    pub fn hold(&self) {
        if let Ok(mut held) = self.held.lock()
            && io::stderr().is_terminal()
        {
            held.get_or_insert_default();
        }
    }

    /// Writes what was held back, and holds no more.
    pub fn release(&self) {
        if let Ok(mut held) = self.held.lock()
            && let Some(held) = held.take()
        {
            let (first, second) = held.as_slices();
            let _ = io::stderr().write_all(first).and_then(|()| io::stderr().write_all(second));
        }
    }
}

impl Write for Logs {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let Ok(mut held) = self.held.lock() else { return io::stderr().write(bytes) };
        match held.as_mut() {
            None => io::stderr().write(bytes),
            Some(held) => {
                held.extend(bytes);
                let excess = held.len().saturating_sub(HELD_MAX);
                held.drain(..excess);
                Ok(bytes.len())
            }
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        io::stderr().flush()
    }
}

impl MakeWriter<'_> for Logs {
    type Writer = Logs;

    fn make_writer(&self) -> Logs {
        self.clone()
    }
}
