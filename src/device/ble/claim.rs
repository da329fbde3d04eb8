//! One run to a glove: an advisory lock for its address, which the system drops with the process, however that ends.
//!
//! The system's Bluetooth connects a glove once and hands its values to every program that asks. So two runs with one
//! settings file would both take the same glove, and each would answer it.

use crate::device::link::LinkError;
use std::fs::{File, OpenOptions, TryLockError};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// A glove that is ours. Dropping it lets go.
#[derive(Debug)]
pub(super) struct Claim {
    address: String,
    /// None where the system has no locks.
    _file: Option<File>,
}

impl Claim {
    /// Claims a glove. Where that cannot be done at all, the run goes on without, with a warning in the log.
    ///
    /// # Errors
    /// Another run has it.
    pub(super) fn of(address: &str, folder: &Path) -> Result<Claim, LinkError> {
        let file = match lock(&folder.join(file_name(address))) {
            Ok(file) => Some(file),
            Err(TryLockError::WouldBlock) => return Err(LinkError::Taken { glove: address.to_owned() }),
            Err(TryLockError::Error(error)) => {
                let folder = folder.display();
                tracing::warn!(%error, %folder, "a second run with the same glove would not be noticed");
                None
            }
        };
        Ok(Claim { address: address.to_owned(), _file: file })
    }

    /// Whether it is this glove's.
    pub(super) fn is_of(&self, address: &str) -> bool {
        self.address == address
    }
}

/// The user's folder for what lives as long as his session; else the one for what is temporary.
pub(super) fn folder() -> PathBuf {
    let session = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    session.filter(|folder| folder.is_dir()).unwrap_or_else(std::env::temp_dir)
}

fn lock(path: &Path) -> Result<File, TryLockError> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(0o600);
    let file = options.open(path).map_err(TryLockError::Error)?;
    file.try_lock()?;
    Ok(file)
}

/// The address without what a file's name does not like.
fn file_name(address: &str) -> String {
    let plain: String = address.chars().filter(char::is_ascii_alphanumeric).collect();
    format!("hingeclock-glove-{}.lock", plain.to_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    const GLOVE: &str = "C0:00:00:00:00:01";

    #[test]
    fn a_glove_is_one_runs_until_that_lets_go() {
        let folder = tempfile::tempdir().unwrap();
        let claim = |address: &str| Claim::of(address, folder.path());
        let first = claim(GLOVE).unwrap();
        assert!(first.is_of(GLOVE));
        let refused = claim(&GLOVE.to_ascii_lowercase()).unwrap_err().to_string();
        assert!(refused.contains("found it in use by another run"), "{refused}");
        claim("C0:00:00:00:00:02").unwrap();
        drop(first);
        claim(GLOVE).unwrap();
    }

    #[test]
    fn where_nothing_can_be_locked_the_glove_is_taken_all_the_same() {
        assert!(Claim::of(GLOVE, Path::new("/no/such/folder")).is_ok());
    }
}
