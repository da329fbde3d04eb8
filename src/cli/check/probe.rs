//! Looks at this machine: ports, sound server, folder, disk, clocks. Says what is there, not what it means.

use crate::cli::{runtime, wall_time};
use crate::device::{ble, serial::group_of};
use crate::tone::{locate::ServerEnv, server};
use crate::units::WallTime;
use std::fmt;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;
use tokio_serial::{SerialPortInfo, SerialPortType};

/// Everything that was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Machine {
    /// Serial ports, or why they cannot be listed.
    pub ports: Result<Vec<PortFound>, String>,
    /// The radio for a glove on the air.
    pub radio: RadioFound,
    /// The sound server's name, or why there is none.
    pub sound: Result<String, String>,
    /// The folder for recordings that was asked for.
    pub recordings: PathBuf,
    /// What is there.
    pub folder: FolderFound,
    /// Free for this user on its disk, bytes, where known.
    pub free_bytes: Option<u64>,
    /// The wall clock.
    pub now: WallTime,
    /// Smallest step seen of the monotonic clock, µs; missing where it stands still.
    pub clock_step_us: Option<f64>,
}

/// A serial port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortFound {
    /// Its path.
    pub path: String,
    /// How it is attached.
    pub kind: PortKind,
    /// Whether this user may read and write it.
    pub access: Access,
    /// The group that it belongs to, where known; not the superuser's own.
    pub group: Option<String>,
}

/// Bluetooth.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RadioFound {
    /// A radio of this name, switched on.
    On(String),
    /// A radio of this name, switched off.
    Off(String),
    /// None that can be used, for this reason.
    Missing(String),
}

/// How a port is attached.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PortKind {
    /// On USB, with what the device calls itself.
    Usb(String),
    /// Over Bluetooth.
    Bluetooth,
    /// Part of the machine; there whether anything is plugged in or not.
    BuiltIn,
}

impl fmt::Display for PortKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            PortKind::Usb(name) => write!(f, "USB, {name}"),
            PortKind::Bluetooth => f.write_str("Bluetooth"),
            PortKind::BuiltIn => f.write_str("built in"),
        }
    }
}

/// Rights to a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// May read and write.
    Allowed,
    /// May not.
    Denied,
    /// Could not be told.
    Unknown,
}

/// The folder for recordings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FolderFound {
    /// There, and a file could be made in it.
    Writable,
    /// Not there, but the nearest folder above it can be written.
    CanBeMade,
    /// Something else has its name.
    NotAFolder,
    /// No file could be made, for this reason.
    Denied(String),
}

impl Machine {
    /// Looks at everything. Leaves nothing behind, and opens no port: that would reset many a board.
    #[must_use]
    pub fn look(recordings: &Path) -> Machine {
        Machine {
            ports: ports(),
            radio: radio(),
            sound: server::probe(&ServerEnv::of_process()).map_err(|e| e.to_string()),
            recordings: recordings.to_path_buf(),
            folder: folder(recordings),
            free_bytes: free_bytes(nearest_there(recordings)),
            now: wall_time(),
            clock_step_us: clock_step_us(),
        }
    }
}

/// Asks the system's Bluetooth; searches for nothing.
fn radio() -> RadioFound {
    let asked = runtime()
        .map_err(|e| e.to_string())
        .and_then(|runtime| runtime.block_on(ble::radio()).map_err(|e| e.to_string()));
    match asked {
        Ok((name, true)) => RadioFound::On(name),
        Ok((name, false)) => RadioFound::Off(name),
        Err(reason) => RadioFound::Missing(reason),
    }
}

/// Where Linux lists its terminals; without it the listing library stops the program.
const TERMINALS: &str = "/sys/class/tty";

fn ports() -> Result<Vec<PortFound>, String> {
    if cfg!(target_os = "linux") && !Path::new(TERMINALS).is_dir() {
        return Err(format!("this system has no {TERMINALS}"));
    }
    let mut listed = tokio_serial::available_ports().map_err(|e| e.to_string())?;
    listed.sort_by(|a, b| a.port_name.cmp(&b.port_name));
    Ok(listed.into_iter().map(port).collect())
}

fn port(info: SerialPortInfo) -> PortFound {
    let kind = match info.port_type {
        SerialPortType::UsbPort(usb) => {
            let ids = format!("{:04x}:{:04x}", usb.vid, usb.pid);
            PortKind::Usb(usb.product.unwrap_or(ids))
        }
        SerialPortType::BluetoothPort => PortKind::Bluetooth,
        SerialPortType::PciPort | SerialPortType::Unknown => PortKind::BuiltIn,
    };
    let path = info.port_name;
    PortFound { kind, access: access(Path::new(&path)), group: group_of(Path::new(&path)), path }
}

/// Asks `test`, which heeds access lists and opens nothing.
fn access(path: &Path) -> Access {
    let may = |flag: &str| {
        let status = Command::new("test").arg(flag).arg(path).stdin(Stdio::null()).status();
        status.ok().map(|s| s.success())
    };
    match (may("-r"), may("-w")) {
        (Some(true), Some(true)) => Access::Allowed,
        (None, _) | (_, None) => Access::Unknown,
        _ => Access::Denied,
    }
}

/// The path itself, or the nearest folder above it that is there.
fn nearest_there(path: &Path) -> &Path {
    let above = path.ancestors().find(|p| p.exists());
    // A relative name whose parents are all missing lies in the working folder.
    above.unwrap_or(Path::new("."))
}

fn folder(path: &Path) -> FolderFound {
    let nearest = nearest_there(path);
    if !nearest.is_dir() {
        return FolderFound::NotAFolder;
    }
    match write_and_remove(nearest) {
        Err(error) => FolderFound::Denied(error.to_string()),
        Ok(()) if nearest == path => FolderFound::Writable,
        Ok(()) => FolderFound::CanBeMade,
    }
}

fn write_and_remove(folder: &Path) -> std::io::Result<()> {
    let trial = folder.join(format!(".hingeclock-check-{}", std::process::id()));
    File::create_new(&trial)?;
    fs::remove_file(&trial)
}

/// Asks `df`: the standard library cannot tell.
fn free_bytes(folder: &Path) -> Option<u64> {
    let output = Command::new("df").arg("-Pk").arg(folder).stdin(Stdio::null()).output().ok()?;
    free_in_df(&String::from_utf8_lossy(&output.stdout))
}

/// The available bytes in what `df -Pk` prints (POSIX): the number before the column that ends in `%`. The names
/// around it may hold spaces.
fn free_in_df(text: &str) -> Option<u64> {
    let fields: Vec<&str> = text.lines().nth(1)?.split_whitespace().collect();
    let percent = fields.iter().position(|field| {
        field.strip_suffix('%').is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
    })?;
    let kilobytes: u64 = fields.get(percent.checked_sub(1)?)?.parse().ok()?;
    kilobytes.checked_mul(1024)
}

/// The smallest step in a bounded number of readings.
#[allow(clippy::disallowed_methods, reason = "this edge looks at the clocks themselves")]
fn clock_step_us() -> Option<f64> {
    let mut last = Instant::now();
    let mut smallest = None;
    for _ in 0..100_000 {
        let next = Instant::now();
        let step_us = (next - last).as_secs_f64() * 1e6;
        if step_us > 0.0 {
            smallest = Some(smallest.map_or(step_us, |s: f64| s.min(step_us)));
        }
        last = next;
    }
    smallest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn free_space_is_read_around_odd_names() {
        let header = "Filesystem     1024-blocks      Used Available Capacity Mounted on\n";
        let cases = [
            ("/dev/sda1 100 60 40 60% /", Some(40 * 1024)),
            ("my disk 100 60 40 60% /a folder 9%", Some(40 * 1024)),
            ("none - - - - /", None),
            ("60% 1", None),
            ("", None),
        ];
        for (line, expected) in cases {
            assert_eq!(free_in_df(&format!("{header}{line}\n")), expected, "{line}");
        }
        assert_eq!(free_in_df(""), None);
    }

    #[test]
    fn a_folder_is_tried_and_left_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(folder(dir.path()), FolderFound::Writable);
        assert_eq!(folder(&dir.path().join("a/b")), FolderFound::CanBeMade);
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
        let file = dir.path().join("file");
        fs::write(&file, "").unwrap();
        assert_eq!(folder(&file), FolderFound::NotAFolder);
        assert_eq!(folder(&file.join("below")), FolderFound::NotAFolder);
    }

    #[test]
    fn the_look_ends_whatever_is_there() {
        let dir = tempfile::tempdir().unwrap();
        let machine = Machine::look(dir.path());
        assert_eq!(machine.folder, FolderFound::Writable);
        assert!(machine.free_bytes.is_some_and(|bytes| bytes > 0), "{machine:?}");
        assert!(machine.clock_step_us.is_some());
    }
}
