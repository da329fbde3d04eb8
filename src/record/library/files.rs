//! The edge to the folder: what lies in it, and the few things that are done to files. Everything that is made
//! belongs to its owner alone; nothing ever takes the place of another file.

use crate::record::input::name_of;
use crate::record::storage::{Disk, FileDisk, Storage, make_folders, new_private_file};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// The folder of what was deleted, inside the library.
pub const TRASH: &str = "trash";
/// The folder of the players' files, inside the library.
pub const PLAYERS: &str = "players";
/// Ending of a file that is not ready yet.
pub const UNREADY: &str = ".unready";
/// Ending of a recording.
pub const RECORDING: &str = ".mcap";
/// Longest text file that is read, bytes.
const LONGEST_TEXT: u64 = 16 << 20;

/// The files that lie beside a recording and go where it goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Beside {
    /// What people add.
    Remarks,
    /// What versions of the program found.
    Results,
}

impl Beside {
    /// Each kind.
    pub const ALL: [Beside; 2] = [Beside::Remarks, Beside::Results];

    fn ending(self) -> &'static str {
        match self {
            Beside::Remarks => ".remarks.jsonl",
            Beside::Results => ".results.jsonl",
        }
    }

    /// The path of this file beside a recording.
    #[must_use]
    pub fn of(self, recording: &Path) -> PathBuf {
        let name = name_of(recording);
        let stem = name.strip_suffix(RECORDING).unwrap_or(&name);
        recording.with_file_name(format!("{stem}{}", self.ending()))
    }

    /// The path of the recording that this file lies beside; none where the name is of another kind.
    #[must_use]
    pub fn recording_of(self, path: &Path) -> Option<PathBuf> {
        let name = path.file_name()?.to_str()?;
        Some(path.with_file_name(format!("{}{RECORDING}", name.strip_suffix(self.ending())?)))
    }
}

/// By what a changed file is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Stamp {
    /// Its length, bytes.
    pub size: i64,
    /// When it was changed, ns since the Unix epoch.
    pub changed_ns: i64,
}

/// What lies in a folder, as paths within it, each list in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// Recordings with their stamp and those of the files beside them.
    pub recordings: Vec<(PathBuf, Stamp, [Option<Stamp>; 2])>,
    /// Files of a kind that lie beside no recording.
    pub alone: Vec<(PathBuf, Beside)>,
    /// Files that were never made ready.
    pub unready: Vec<PathBuf>,
    /// Recordings, and files beside them, that others than their owner may read or write.
    pub exposed: Vec<PathBuf>,
}

/// Lists a folder and all below it but what is hidden, the trash and the players' files. Links are not followed.
///
/// # Errors
/// What the file system says; a folder that is not there is empty.
pub fn list(root: &Path) -> io::Result<Listing> {
    let mut paths = Vec::new();
    let mut folders = vec![PathBuf::new()];
    while let Some(folder) = folders.pop() {
        let entries = match fs::read_dir(root.join(&folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => return Err(error),
        };
        for entry in entries {
            let entry = entry?;
            let name = entry.file_name();
            let path = folder.join(&name);
            let kind = entry.file_type()?;
            let apart = folder.as_os_str().is_empty() && (name == TRASH || name == PLAYERS);
            if kind.is_dir() && !apart && !name.to_string_lossy().starts_with('.') {
                folders.push(path);
            } else if kind.is_file() {
                paths.push(path);
            }
        }
    }
    paths.sort();
    sorted_out(root, paths)
}

/// Whether a name is one that this library gives.
fn is_ours(name: &str) -> bool {
    name.ends_with(RECORDING) || Beside::ALL.iter().any(|kind| name.ends_with(kind.ending()))
}

fn sorted_out(root: &Path, paths: Vec<PathBuf>) -> io::Result<Listing> {
    let mut listing = Listing::default();
    for path in &paths {
        let name = name_of(path);
        if is_ours(&name) && fs::metadata(root.join(path)).is_ok_and(|found| found.mode() & 0o077 != 0) {
            listing.exposed.push(path.clone());
        }
        let beside = Beside::ALL.into_iter().find_map(|kind| Some((kind, kind.recording_of(path)?)));
        match beside {
            _ if name.strip_suffix(UNREADY).is_some_and(is_ours) => listing.unready.push(path.clone()),
            Some((kind, recording)) if paths.binary_search(&recording).is_err() => {
                listing.alone.push((path.clone(), kind));
            }
            None if name.ends_with(RECORDING) => {
                // A file that has just gone is no longer there to be listed.
                let Some(found) = stamp(&root.join(path))? else { continue };
                let mut beside = [None; 2];
                for kind in Beside::ALL {
                    beside[kind as usize] = stamp(&root.join(kind.of(path)))?;
                }
                listing.recordings.push((path.clone(), found, beside));
            }
            _ => {}
        }
    }
    Ok(listing)
}

/// The stamp of a file, if it is there.
///
/// # Errors
/// What the file system says.
pub fn stamp(path: &Path) -> io::Result<Option<Stamp>> {
    match fs::metadata(path) {
        Ok(found) => {
            let changed_ns = found.mtime().saturating_mul(1_000_000_000).saturating_add(found.mtime_nsec());
            Ok(Some(Stamp { size: i64::try_from(found.len()).unwrap_or(i64::MAX), changed_ns }))
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// The bytes of a text file, if it is there.
///
/// # Errors
/// What the file system says, or the file is longer than any of ours.
pub fn read(path: &Path) -> io::Result<Option<Vec<u8>>> {
    let file = match File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error),
    };
    let mut bytes = Vec::new();
    if file.take(LONGEST_TEXT + 1).read_to_end(&mut bytes)? as u64 > LONGEST_TEXT {
        return Err(io::Error::new(
            io::ErrorKind::FileTooLarge,
            format!("expected at most {LONGEST_TEXT} bytes, found more"),
        ));
    }
    Ok(Some(bytes))
}

/// Makes a folder and those above it, for the owner alone.
///
/// # Errors
/// What the file system says.
pub fn make_folder(path: &Path) -> io::Result<()> {
    make_folders(&mut FileDisk, path)
}

/// Writes a new file whole and has it put on the disk.
///
/// # Errors
/// There is one already, or what else the file system says.
pub fn write_new(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = new_private_file(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Adds a line to a file, and has it put on the disk. A new file gets the head line first. A line that was torn
/// before is closed, so that it harms no other.
///
/// # Errors
/// What the file system says.
pub fn append_line(path: &Path, head: &str, line: &str) -> io::Result<()> {
    let before = read(path)?;
    let mut text = match before.as_deref() {
        None | Some([]) => format!("{head}\n"),
        Some([.., b'\n']) => String::new(),
        Some(_) => "\n".to_owned(),
    };
    text.push_str(line);
    text.push('\n');
    let mut file = OpenOptions::new().append(true).create(true).mode(0o600).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    if before.is_none() { sync_folder_of(path) } else { Ok(()) }
}

/// Gives a file another path; folders are made where they are missing. No other file loses its place.
///
/// # Errors
/// There is one already, or what else the file system says.
pub fn carry(from: &Path, to: &Path) -> io::Result<()> {
    if let Some(folder) = to.parent() {
        make_folder(folder)?;
    }
    if fs::symlink_metadata(to).is_ok() {
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, "expected a free name, found a file"));
    }
    fs::rename(from, to)?;
    sync_folder_of(to)?;
    sync_folder_of(from)
}

/// Gives a file another path, in place of what has it.
///
/// # Errors
/// What the file system says.
pub fn replace(from: &Path, to: &Path) -> io::Result<()> {
    fs::rename(from, to)?;
    sync_folder_of(to)
}

/// Takes from all but its owner the right to read or write a file.
///
/// # Errors
/// What the file system says.
pub fn close_to_others(path: &Path) -> io::Result<()> {
    fs::set_permissions(path, fs::Permissions::from_mode(0o600))
}

/// Takes a file away for good.
///
/// # Errors
/// What the file system says; one that is not there is no error.
pub fn remove(path: &Path) -> io::Result<()> {
    match fs::remove_file(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn sync_folder_of(path: &Path) -> io::Result<()> {
    let here = Path::new(".");
    let folder = path.parent().map(|folder| if folder.as_os_str().is_empty() { here } else { folder });
    folder.map_or(Ok(()), |folder| FileDisk.sync_folder(folder))
}

/// A recording that is made anew from what is on the disk already: it is synced once, when it is whole.
#[derive(Debug)]
pub struct NewRecording(BufWriter<File>);

impl NewRecording {
    /// Makes the file.
    ///
    /// # Errors
    /// What the file system says.
    pub fn create(path: &Path) -> io::Result<NewRecording> {
        if let Some(folder) = path.parent() {
            make_folder(folder)?;
        }
        Ok(NewRecording(BufWriter::new(new_private_file(path)?)))
    }
}

impl Storage for NewRecording {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

/// Has a whole file put on the disk.
///
/// # Errors
/// What the file system says.
pub fn sync(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_beside_a_recording_share_its_name() {
        let recording = Path::new("a/b.mcap");
        for kind in Beside::ALL {
            assert_eq!(kind.recording_of(&kind.of(recording)).as_deref(), Some(recording));
        }
        assert_eq!(Beside::Remarks.recording_of(recording), None);
    }

    #[test]
    fn a_torn_line_is_closed_before_the_next() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        append_line(&path, "head", "one").unwrap();
        fs::write(&path, "head\none\ntor").unwrap();
        append_line(&path, "head", "two").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "head\none\ntor\ntwo\n");
    }

    #[test]
    fn carrying_takes_no_other_files_place() {
        let folder = tempfile::tempdir().unwrap();
        let (a, b) = (folder.path().join("a"), folder.path().join("b"));
        write_new(&a, b"a").unwrap();
        write_new(&b, b"b").unwrap();
        assert_eq!(carry(&a, &b).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(fs::read(&b).unwrap(), b"b");
    }
}
