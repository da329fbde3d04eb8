//! One recorder to a folder: an advisory lock that the system drops with the process, however that ends.
//!
//! Two recorders in one folder would not harm each other's files, since none takes the place of another. But
//! the second is nearly always a mistake, and which file is whose would be a riddle. So it is refused. Where
//! the file system has no locks (some network drives) recording goes on, with a warning.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Name of the file that is locked. It stays; only the lock counts.
pub(in crate::record) const LOCK_FILE: &str = ".hingeclock.lock";
/// Longest text of a holder that is read, bytes.
const LONGEST_HOLDER: u64 = 200;

/// Why a folder could not be locked.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another recorder has it.
    #[error(
        "{folder}: expected a folder that nobody records to, found one held by {holder}; end that run, or \
         give this one a folder of its own with --folder",
        folder = folder.display()
    )]
    Held {
        /// The folder.
        folder: PathBuf,
        /// Who has it, as they said.
        holder: String,
    },
    /// There are no locks here.
    #[error(
        "{folder}: no locks on this drive ({source}), so a second run in the same folder is not noticed",
        folder = folder.display()
    )]
    NoLocks {
        /// The folder.
        folder: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The folder cannot be written.
    #[error("{folder}: cannot be written: {source}", folder = folder.display())]
    Io {
        /// The folder.
        folder: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

/// A folder that is held. Dropping it lets go.
#[derive(Debug)]
pub struct FolderLock {
    _file: File,
}

/// Holds a folder that is there for a recorder.
///
/// # Errors
/// Another holds it, there are no locks, or it cannot be written.
pub fn lock_folder(folder: &Path, holder: &str) -> Result<FolderLock, LockError> {
    hold(folder, LOCK_FILE, holder)
}

/// Holds a folder for one kind of work, each of which has a file of its own.
///
/// # Errors
/// As [`lock_folder`].
pub fn hold(folder: &Path, file: &str, holder: &str) -> Result<FolderLock, LockError> {
    let failed = |source| LockError::Io { folder: folder.to_owned(), source };
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(0o600);
    let mut file = options.open(folder.join(file)).map_err(failed)?;
    let tried = file.try_lock();
    judge(tried, || holder_in(&mut file), folder)?;
    // Who holds it is a courtesy: where it cannot be written (a full disk), the lock holds all the same.
    let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| file.write_all(holder.as_bytes()));
    Ok(FolderLock { _file: file })
}

/// What the system's answer means.
fn judge(
    tried: Result<(), TryLockError>,
    holder: impl FnOnce() -> String,
    folder: &Path,
) -> Result<(), LockError> {
    let folder = folder.to_owned();
    match tried {
        Ok(()) => Ok(()),
        Err(TryLockError::WouldBlock) => Err(LockError::Held { folder, holder: holder() }),
        Err(TryLockError::Error(source)) => Err(LockError::NoLocks { folder, source }),
    }
}

fn holder_in(file: &mut File) -> String {
    let mut text = Vec::new();
    let read = file.take(LONGEST_HOLDER).read_to_end(&mut text);
    let text = String::from_utf8_lossy(&text).into_owned();
    let known = read.is_ok() && !text.trim().is_empty();
    if known { text.trim().escape_debug().to_string() } else { "a run that gave no name".to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_is_refused_and_told_who_holds_it_until_the_first_lets_go() {
        let folder = tempfile::tempdir().unwrap();
        let first = lock_folder(folder.path(), "process 4711, a rather long sentence").unwrap();
        let error = lock_folder(folder.path(), "another").unwrap_err().to_string();
        assert!(error.contains("found one held by process 4711, a rather long sentence; end"), "{error}");
        drop(first);
        let second = lock_folder(folder.path(), "process 2").unwrap();
        let error = lock_folder(folder.path(), "another").unwrap_err().to_string();
        assert!(error.contains("held by process 2; end"), "{error}");
        drop(second);
    }

    #[test]
    fn without_locks_it_is_no_refusal() {
        let source = io::ErrorKind::Unsupported.into();
        let judged = judge(Err(TryLockError::Error(source)), String::new, Path::new("/net"));
        let error = judged.unwrap_err();
        assert!(matches!(error, LockError::NoLocks { .. }));
        assert!(error.to_string().starts_with("/net: no locks on this drive ("), "{error}");
    }

    #[test]
    fn a_folder_that_is_not_there_is_named() {
        let error = lock_folder(Path::new("/no/such/folder"), "x").unwrap_err().to_string();
        assert!(error.starts_with("/no/such/folder: cannot be written: "), "{error}");
    }
}
