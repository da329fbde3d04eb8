//! The edge to the disk: what recording asks of it, as two small traits, and the real one behind them.
//!
//! Fakes stand in for it in tests of what goes wrong (`tests/support/fake_disk.rs`).

use super::lock::{FolderLock, LockError, lock_folder};
use crate::units::WallTime;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Recordings that may start in the same second.
const SAME_SECOND_AT_MOST: u32 = 99;

/// An open file that is written from front to back.
pub trait Storage {
    /// Hands bytes to the operating system, so that they survive the end of this process; gives how many
    /// were taken, which may be fewer.
    ///
    /// # Errors
    /// None were taken.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// Has all that was written put on the disk itself, so that it survives a loss of power. After a failure
    /// nothing may be concluded about any byte since the last success.
    ///
    /// # Errors
    /// What the system says.
    fn sync(&mut self) -> io::Result<()>;

    /// Whether the file still stands where it was made. On a stick that was pulled out writing can seem to
    /// go on.
    fn is_in_place(&mut self) -> bool {
        true
    }
}

/// What holds folders and files.
pub trait Disk {
    /// An open file.
    type File: Storage;
    /// Keeps others away for as long as it lives.
    type Lock;

    /// Makes one folder, for its owner alone. One that is there is no error.
    ///
    /// # Errors
    /// What the system says.
    fn make_folder(&mut self, path: &Path) -> io::Result<Made>;

    /// Makes a new file, for its owner alone.
    ///
    /// # Errors
    /// There is one already, or what else the system says.
    fn create(&mut self, path: &Path) -> io::Result<Self::File>;

    /// Takes away a file that holds nothing yet. Where that fails it stays, and does no harm.
    fn remove(&mut self, path: &Path);

    /// Has the names in a folder put on the disk itself.
    ///
    /// # Errors
    /// What the system says.
    fn sync_folder(&mut self, path: &Path) -> io::Result<()>;

    /// Keeps other recorders out of a folder; `holder` is what they are told.
    ///
    /// # Errors
    /// Somebody else holds it, there are no locks here, or the folder cannot be written.
    fn lock(&mut self, folder: &Path, holder: &str) -> Result<Self::Lock, LockError>;
}

/// Whether a folder is new.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Made {
    /// It was made now.
    New,
    /// It was there.
    Before,
}

/// A file of the operating system's.
#[derive(Debug)]
pub struct FileStorage {
    file: File,
    path: PathBuf,
}

impl Storage for FileStorage {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn is_in_place(&mut self) -> bool {
        let (Ok(held), Ok(named)) = (self.file.metadata(), std::fs::metadata(&self.path)) else {
            return false;
        };
        (held.dev(), held.ino()) == (named.dev(), named.ino())
    }
}

/// Makes a new file for its owner alone.
///
/// # Errors
/// There is one already, or what else the system says.
pub fn new_private_file(path: &Path) -> io::Result<File> {
    OpenOptions::new().write(true).create_new(true).mode(0o600).open(path)
}

/// The disks of this machine.
#[derive(Clone, Copy, Debug, Default)]
pub struct FileDisk;

impl Disk for FileDisk {
    type File = FileStorage;
    type Lock = FolderLock;

    fn make_folder(&mut self, path: &Path) -> io::Result<Made> {
        match DirBuilder::new().mode(0o700).create(path) {
            Ok(()) => Ok(Made::New),
            Err(_) if path.is_dir() => Ok(Made::Before),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                Err(io::Error::new(error.kind(), "expected a folder, found something else of that name"))
            }
            Err(error) => Err(error),
        }
    }

    fn create(&mut self, path: &Path) -> io::Result<FileStorage> {
        Ok(FileStorage { file: new_private_file(path)?, path: path.to_owned() })
    }

    fn remove(&mut self, path: &Path) {
        let _ = std::fs::remove_file(path);
    }

    fn sync_folder(&mut self, path: &Path) -> io::Result<()> {
        match File::open(path)?.sync_all() {
            // Some file systems (of networks, of user space) do not know this for folders.
            Err(error)
                if matches!(error.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) =>
            {
                Ok(())
            }
            result => result,
        }
    }

    fn lock(&mut self, folder: &Path, holder: &str) -> Result<FolderLock, LockError> {
        lock_folder(folder, holder)
    }
}

/// Makes a folder and those above it where they are missing. Their names are on the disk when this returns.
///
/// # Errors
/// What the file system says.
pub fn make_folders<D: Disk>(disk: &mut D, folder: &Path) -> io::Result<()> {
    let Some(above) = folder.parent() else { return Ok(()) };
    let above = if above.as_os_str().is_empty() { Path::new(".") } else { above };
    let made = match disk.make_folder(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            make_folders(disk, above)?;
            disk.make_folder(folder)?
        }
        made => made?,
    };
    if made == Made::New { disk.sync_folder(above) } else { Ok(()) }
}

/// Creates the file of a recording that starts now, in a folder that is made where it is missing. The file
/// is named by the wall time (UTC), belongs to its owner alone, and never takes the place of another. Its
/// name is on the disk when this returns.
///
/// # Errors
/// What the file system says.
pub fn create_recording<D: Disk>(
    disk: &mut D,
    folder: &Path,
    started: WallTime,
) -> io::Result<(PathBuf, D::File)> {
    make_folders(disk, folder)?;
    let stem = file_stem(started);
    for number in 1..=SAME_SECOND_AT_MOST {
        let name = if number == 1 { format!("{stem}.mcap") } else { format!("{stem}-{number}.mcap") };
        let path = folder.join(name);
        match disk.create(&path) {
            Ok(file) => {
                let synced = disk.sync_folder(folder).inspect_err(|_| disk.remove(&path));
                return synced.map(|()| (path, file));
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::Error::new(
        io::ErrorKind::AlreadyExists,
        format!("expected at most {SAME_SECOND_AT_MOST} recordings named {stem}, found as many"),
    ))
}

/// `2026-04-12T09-30-05Z` for an instant, in UTC, with no character that a file system dislikes.
#[must_use]
pub fn file_stem(at: WallTime) -> String {
    at.utc("%Y-%m-%dT%H-%M-%SZ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn names_tell_the_wall_time() {
        // Check values from `date -u -d @SECONDS`.
        assert_eq!(file_stem(WallTime(0)), "1970-01-01T00-00-00Z");
        assert_eq!(file_stem(WallTime(951_782_400_000)), "2000-02-29T00-00-00Z");
        assert_eq!(file_stem(WallTime(1_700_019_964_986)), "2023-11-15T03-46-04Z");
        assert_eq!(file_stem(WallTime(-1)), "1969-12-31T23-59-59Z");
    }

    #[test]
    fn a_recording_never_takes_the_place_of_another_and_is_its_owners_alone() {
        let folder = tempfile::tempdir().unwrap();
        let (above, inner) = (folder.path().join("new"), folder.path().join("new/bucket"));
        let (first, mut storage) = create_recording(&mut FileDisk, &inner, WallTime(0)).unwrap();
        assert_eq!(storage.write(b"kept").unwrap(), 4);
        storage.sync().unwrap();
        let (second, _) = create_recording(&mut FileDisk, &inner, WallTime(999)).unwrap();
        assert_eq!(second.file_name().unwrap(), "1970-01-01T00-00-00Z-2.mcap");
        assert_eq!(std::fs::read(&first).unwrap(), b"kept");
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&first), mode(&inner), mode(&above)), (0o600, 0o700, 0o700));
    }

    #[test]
    fn a_file_that_was_moved_or_replaced_is_not_in_place() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut storage) = create_recording(&mut FileDisk, folder.path(), WallTime(0)).unwrap();
        assert!(storage.is_in_place());
        std::fs::rename(&path, folder.path().join("elsewhere")).unwrap();
        assert!(!storage.is_in_place());
        std::fs::write(&path, "another").unwrap();
        assert!(!storage.is_in_place());
    }
}
