//! Edge: what asks the process from outside to end.

use std::io;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// A request to end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Request {
    /// Ctrl-C: by somebody who looks on.
    Interrupt,
    /// To terminate, or because the terminal is closed: nobody looks on any more.
    Leave,
}

/// Requests from here on, each told once.
#[derive(Debug)]
pub struct Requests {
    interrupt: Signal,
    terminate: Signal,
    hang_up: Signal,
}

impl Requests {
    /// Listens; must be called inside a runtime.
    ///
    /// # Errors
    /// The system does not let us listen.
    pub fn listen() -> io::Result<Requests> {
        Ok(Requests {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: signal(SignalKind::hangup())?,
        })
    }

    /// The next one.
    pub async fn next(&mut self) -> Request {
        tokio::select! {
            _ = self.interrupt.recv() => Request::Interrupt,
            _ = self.terminate.recv() => Request::Leave,
            _ = self.hang_up.recv() => Request::Leave,
        }
    }
}
