//! Edge: a glove on a serial port. Raw pieces go out, commands go in; a lost port is tried again.

use crate::device::host_clock::HostClock;
use crate::device::link::{LinkError, LinkEvent};
use crate::device::reconnect::ReconnectParams;
use crate::device::session::{LOOK_EVERY, Line, Link, greeting, keep};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::mpsc;
use tokio_serial::{ErrorKind, SerialPortBuilderExt, SerialStream};

/// Bytes of commands that may wait for the port; more are left in their channel.
const MAX_OUTGOING: usize = 4096;
/// The group of serial ports on most systems.
const USUAL_GROUP: &str = "dialout";

/// How to open a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SerialParams {
    /// Where the port is.
    pub path: PathBuf,
    /// Bits a second; USB ports pass over it.
    pub baud: u32,
    /// When to try again.
    pub reconnect: ReconnectParams,
}

impl SerialParams {
    /// Speed of a port unless another is asked for, bits a second.
    pub const USUAL_BAUD: u32 = 1_000_000;

    /// The port at `path` with the usual settings.
    #[must_use]
    pub fn new(path: impl Into<PathBuf>) -> SerialParams {
        SerialParams {
            path: path.into(),
            baud: SerialParams::USUAL_BAUD,
            reconnect: ReconnectParams::default(),
        }
    }
}

/// Keeps a port open, greets the glove and starts it, until nobody takes `events` any more. When the taker
/// is slow the port is read more slowly; nothing that was read is dropped.
pub async fn run(
    params: SerialParams,
    clock: HostClock,
    events: mpsc::Sender<LinkEvent>,
    commands: mpsc::Receiver<Vec<u8>>,
) {
    let reconnect = params.reconnect;
    keep(Port(params), reconnect, clock, events, commands).await;
}

/// A serial port as a link. One that is silent is kept open: behind a bridge the glove may have started
/// anew, or may still be waking, so it is greeted again.
struct Port(SerialParams);

impl Link for Port {
    async fn once(
        &mut self,
        line: &mut Line<'_>,
        commands: &mut mpsc::Receiver<Vec<u8>>,
    ) -> Option<LinkError> {
        let port = match open(&self.0.path, self.0.baud) {
            Ok(port) => port,
            Err(error) => return Some(error),
        };
        line.opened().await?;
        let (mut reader, mut writer) = tokio::io::split(port);
        let (mut incoming, mut outgoing) = ([0; 4096], greeting());
        let (mut look, mut listening) = (tokio::time::interval(LOOK_EVERY), true);
        let cause = loop {
            tokio::select! {
                read = reader.read(&mut incoming) => match read {
                    Ok(0) => break "end of the stream".to_owned(),
                    Ok(len) => line.bytes(&incoming[..len]).await?,
                    Err(error) => break error.to_string(),
                },
                written = writer.write(&outgoing), if !outgoing.is_empty() => match written {
                    Ok(len) => drop(outgoing.drain(..len)),
                    Err(error) => break error.to_string(),
                },
                command = commands.recv(), if listening && outgoing.len() < MAX_OUTGOING => match command {
                    Some(bytes) => outgoing.extend(bytes),
                    None => listening = false,
                },
                _ = look.tick() => if let Some(quiet_us) = line.silent_us() {
                    line.greeted_again(quiet_us).await?;
                    if outgoing.is_empty() {
                        outgoing = greeting();
                    }
                },
                () = line.events.closed() => return None,
            }
        };
        Some(LinkError::Vanished { path: self.0.path.clone(), cause })
    }
}

/// Opens a port for this program alone.
fn open(path: &Path, baud: u32) -> Result<SerialStream, LinkError> {
    let name = path.to_string_lossy();
    tokio_serial::new(name, baud).open_native_async().map_err(|error| explain(path, &error))
}

fn explain(path: &Path, error: &tokio_serial::Error) -> LinkError {
    let owned = path.to_owned();
    match error.kind() {
        ErrorKind::Io(io::ErrorKind::NotFound) => LinkError::NoSuchPort { path: owned },
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => LinkError::NoRights {
            group: group_of(path).unwrap_or_else(|| USUAL_GROUP.to_owned()),
            path: owned,
        },
        ErrorKind::NoDevice => LinkError::Busy { path: owned },
        ErrorKind::InvalidInput | ErrorKind::Unknown | ErrorKind::Io(_) => {
            LinkError::NotAPort { path: owned, cause: error.to_string() }
        }
    }
}

/// The name of the group that a port belongs to; none where that is the superuser's own, or has no name.
#[must_use]
pub fn group_of(path: &Path) -> Option<String> {
    use std::os::unix::fs::MetadataExt;
    let gid = fs::metadata(path).ok()?.gid();
    group_name(&fs::read_to_string("/etc/group").ok()?, gid)
}

/// Finds a group's name in the text of a group file. The superuser's own group is no help to a player.
fn group_name(groups: &str, gid: u32) -> Option<String> {
    let names = groups.lines().filter_map(|line| {
        let mut fields = line.split(':');
        let (name, id) = (fields.next()?, fields.nth(1)?);
        (id.parse() == Ok(gid) && gid != 0).then(|| name.to_owned())
    });
    names.into_iter().next()
}

/// Ports that a glove may be on, by name, in order. A directory that is not there has none.
#[must_use]
pub fn candidate_ports() -> Vec<PathBuf> {
    candidate_ports_in(Path::new("/dev"))
}

/// The same in any directory.
#[must_use]
fn candidate_ports_in(directory: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(directory).into_iter().flatten().flatten();
    let mut ports: Vec<PathBuf> = entries
        .filter(|entry| is_candidate(&entry.file_name().to_string_lossy()))
        .map(|entry| entry.path())
        .collect();
    ports.sort();
    ports
}

/// USB serial ports on Linux and macOS, and Bluetooth ones; a board's fixed ports and consoles are none.
fn is_candidate(name: &str) -> bool {
    ["ttyUSB", "ttyACM", "rfcomm", "cu.usb"].iter().any(|prefix| name.starts_with(prefix))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_are_listed_by_name_and_a_missing_directory_has_none() {
        let directory = tempfile::tempdir().unwrap();
        for name in ["ttyUSB1", "ttyACM0", "tty0", "console", "rfcomm0"] {
            fs::write(directory.path().join(name), "").unwrap();
        }
        let names: Vec<String> = candidate_ports_in(directory.path())
            .iter()
            .map(|path| path.file_name().unwrap().to_string_lossy().into_owned())
            .collect();
        assert_eq!(names, ["rfcomm0", "ttyACM0", "ttyUSB1"]);
        assert!(candidate_ports_in(&directory.path().join("none")).is_empty());
    }

    #[test]
    fn the_group_of_a_port_is_named() {
        let groups = "root:x:0:\ndialout:x:20:robin\nbroken\nodd:x:y:\nuucp:x:10:\n";
        assert_eq!(group_name(groups, 20).as_deref(), Some("dialout"));
        assert_eq!(group_name(groups, 0), None);
        assert_eq!(group_name(groups, 99), None);
    }

    #[test]
    fn missing_rights_say_what_to_do() {
        let error = LinkError::NoRights { path: "/dev/ttyACM0".into(), group: "dialout".into() };
        assert_eq!(
            error.to_string(),
            "expected the right to read and write /dev/ttyACM0, found none: add yourself to its group \
             (dialout) and log in again"
        );
    }
}
