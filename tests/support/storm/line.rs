//! A pseudo-terminal under a name that stays, so that a port may vanish and come back.

use hingeclock::device::Peer;
use std::path::Path;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, ReadHalf, WriteHalf};
use tokio_serial::{SerialPort, SerialStream};

/// How often a port is looked at that should run empty, and how often in a row it must be.
const LOOK: Duration = Duration::from_millis(5);
const EMPTY_LOOKS: u32 = 20;

pub struct Line {
    reader: ReadHalf<SerialStream>,
    writer: WriteHalf<SerialStream>,
    /// Held open, so that what was sent is kept until the host reads it.
    port: SerialStream,
    pub outgoing: Vec<u8>,
    /// The host has said something on this port.
    pub greeted: bool,
}

impl Line {
    /// A new port under the old name.
    pub fn open(path: &Path) -> Line {
        let (glove, port) = SerialStream::pair().unwrap();
        let fresh = path.with_extension("fresh");
        std::os::unix::fs::symlink(port.name().unwrap(), &fresh).unwrap();
        std::fs::rename(&fresh, path).unwrap();
        let (reader, writer) = tokio::io::split(glove);
        Line { reader, writer, port, outgoing: Vec::new(), greeted: false }
    }

    /// Writes some of what waits, hears what the host says, or lets a moment pass.
    pub async fn step(&mut self, peer: &mut Peer) {
        let mut incoming = [0; 1024];
        tokio::select! {
            read = self.reader.read(&mut incoming) => {
                peer.hear(&incoming[..read.unwrap()]);
                self.greeted = true;
            }
            written = self.writer.write(&self.outgoing), if !self.outgoing.is_empty() => {
                drop(self.outgoing.drain(..written.unwrap()));
            }
            () = tokio::time::sleep(LOOK), if self.outgoing.is_empty() => {}
        }
    }

    pub async fn write_all(&mut self, peer: &mut Peer) {
        while !self.outgoing.is_empty() {
            self.step(peer).await;
        }
    }

    /// Waits until the host seems to have read all that was sent. The last bytes may still be on their way.
    pub async fn drain(&mut self, peer: &mut Peer) {
        self.write_all(peer).await;
        let mut empty = 0;
        while empty < EMPTY_LOOKS {
            self.step(peer).await;
            empty = if self.port.bytes_to_read().unwrap() == 0 { empty + 1 } else { 0 };
        }
    }
}
