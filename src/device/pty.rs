//! Edge: a firmware peer on a pseudo-terminal, so that the serial link meets a real port.

use crate::device::host_clock::HostClock;
use crate::device::peer::Peer;
use crate::device::replay::Pace;
use crate::units::HostTime;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{SerialPort, SerialStream};

/// Longest sleep between two looks at the peer.
const LONGEST_SLEEP_US: i64 = 50_000;
/// How often the port is looked at while it is being emptied.
const DRAIN_STEP: Duration = Duration::from_millis(5);
/// How many looks in a row must find it empty. The last bytes may be on their way for a moment.
const EMPTY_LOOKS: u32 = 20;

/// A pseudo-terminal: the glove speaks at one end, the other is a serial port with a path.
#[derive(Debug)]
pub struct PtyLine {
    glove: SerialStream,
    /// Held open, so that what was sent is kept while no host has the port open.
    port: SerialStream,
    path: PathBuf,
    /// So long the glove goes on answering when its script is over.
    linger: Duration,
}

impl PtyLine {
    /// Opens one; must be called inside a runtime.
    ///
    /// # Errors
    /// What the system says when it has no pseudo-terminal to give.
    pub fn open() -> io::Result<PtyLine> {
        let (glove, port) = SerialStream::pair()?;
        let name = port.name().ok_or_else(|| io::Error::other("the pseudo-terminal has no name"))?;
        Ok(PtyLine { glove, port, path: PathBuf::from(name), linger: Duration::ZERO })
    }

    /// The path of the serial port.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Lets the glove go on answering for so long when its script is over.
    #[must_use]
    pub fn with_linger(mut self, linger: Duration) -> PtyLine {
        self.linger = linger;
        self
    }

    /// Runs the peer at this pace until its script is over and the host has read everything. A host may
    /// close and open the port meanwhile; while nobody reads, the peer waits. A host that was killed leaves
    /// the port marked as its own as long as this line is open: then only the superuser opens it again.
    ///
    /// # Errors
    /// What the system says when the pseudo-terminal fails.
    pub async fn run(self, peer: &mut Peer, pace: Pace, clock: HostClock) -> io::Result<()> {
        let (mut reader, mut writer) = tokio::io::split(self.glove);
        let (mut incoming, mut outgoing) = ([0; 1024], Vec::new());
        let mut timing = Timing { pace, clock, started: None };
        let (mut empty_looks, mut over_at) = (0, None);
        while empty_looks < EMPTY_LOOKS {
            if outgoing.is_empty() {
                peer.poll(timing.script_now(peer), &mut outgoing);
            }
            let over = outgoing.is_empty() && peer.is_over();
            let wait = if over { DRAIN_STEP } else { timing.wait(peer) };
            tokio::select! {
                read = reader.read(&mut incoming) => peer.hear(&incoming[..read?]),
                written = writer.write(&outgoing), if !outgoing.is_empty() => drop(outgoing.drain(..written?)),
                () = tokio::time::sleep(wait), if outgoing.is_empty() => {}
            }
            if over {
                over_at = over_at.or(Some(clock.now()));
            }
            let lingered = over_at.is_some_and(|at| clock.now().0 - at.0 >= self.linger.as_micros() as i64);
            let drained = over && lingered && self.port.bytes_to_read()? == 0;
            empty_looks = if drained { empty_looks + 1 } else { 0 };
        }
        Ok(())
    }
}

/// How the script's time goes with the clock.
struct Timing {
    pace: Pace,
    clock: HostClock,
    started: Option<HostTime>,
}

impl Timing {
    /// The script's time now; it starts when the host starts the peer.
    fn script_now(&mut self, peer: &Peer) -> HostTime {
        if !peer.is_running() {
            return peer.start();
        }
        let now = self.clock.now();
        let started = *self.started.get_or_insert(now);
        match self.pace.played_us(now.0 - started.0) {
            Some(played_us) => HostTime(peer.start().0 + played_us),
            None => HostTime(i64::MAX),
        }
    }

    /// How long to sleep until the peer has something to say.
    fn wait(&mut self, peer: &Peer) -> Duration {
        let script_now = self.script_now(peer);
        let until_us = peer.next_due().map_or(LONGEST_SLEEP_US, |due| due.0.saturating_sub(script_now.0));
        let wait_us = self.pace.wait_us(until_us).unwrap_or(0);
        let idle = if peer.is_running() { 0 } else { LONGEST_SLEEP_US };
        Duration::from_micros(wait_us.max(idle).clamp(0, LONGEST_SLEEP_US).unsigned_abs())
    }
}
