//! Where a recording goes: a small trait, and the file behind it.

use crate::units::WallTime;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Recordings that may start in the same second.
const SAME_SECOND_AT_MOST: u32 = 99;

/// What a recording is written to. A fake stands in for it in tests of what goes wrong.
pub trait Storage {
    /// Takes all of these bytes.
    ///
    /// # Errors
    /// They could not all be taken; how many were is not known.
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Hands what was taken to the operating system, so that it survives the end of this process.
    ///
    /// # Errors
    /// What the system says.
    fn flush(&mut self) -> io::Result<()>;

    /// Has what was flushed put on the disk itself, so that it survives a loss of power.
    ///
    /// # Errors
    /// What the system says.
    fn sync(&mut self) -> io::Result<()>;
}

impl Storage for Vec<u8> {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.extend_from_slice(bytes);
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A recording's file.
#[derive(Debug)]
pub struct FileStorage {
    file: BufWriter<File>,
}

impl Storage for FileStorage {
    fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.get_ref().sync_data()
    }
}

/// Creates the file of a recording that starts now, in a folder that is made where it is missing. The file
/// is named by the wall time (UTC), belongs to its owner alone, and never takes the place of another.
///
/// # Errors
/// What the file system says.
pub fn create_recording(folder: &Path, started: WallTime) -> io::Result<(PathBuf, FileStorage)> {
    DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    let stem = file_stem(started);
    for number in 1..=SAME_SECOND_AT_MOST {
        let name = if number == 1 { format!("{stem}.mcap") } else { format!("{stem}-{number}.mcap") };
        let path = folder.join(name);
        match OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path) {
            Ok(file) => {
                // The name, too, has to survive a loss of power.
                File::open(folder)?.sync_all()?;
                return Ok((path, FileStorage { file: BufWriter::new(file) }));
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
        let inner = folder.path().join("new/bucket");
        let (first, mut storage) = create_recording(&inner, WallTime(0)).unwrap();
        storage.write_all(b"kept").unwrap();
        storage.flush().unwrap();
        let (second, _) = create_recording(&inner, WallTime(999)).unwrap();
        assert_eq!(second.file_name().unwrap(), "1970-01-01T00-00-00Z-2.mcap");
        assert_eq!(std::fs::read(&first).unwrap(), b"kept");
        let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&first), mode(&inner)), (0o600, 0o700));
    }
}
