//! Agreeing on a version: the same major is required, the lower minor wins.

use crate::constants::{VERSION_MAJOR, VERSION_MINOR};
use core::fmt;

/// A version of the protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Version {
    /// Changes when old and new cannot talk.
    pub major: u8,
    /// Changes when something is added.
    pub minor: u8,
}

impl Version {
    /// The version that this crate speaks.
    pub const CURRENT: Version = Version { major: VERSION_MAJOR, minor: VERSION_MINOR };
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

/// Two ends that cannot talk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct VersionMismatch {
    /// The version of this end.
    pub ours: Version,
    /// The version of the other end.
    pub theirs: Version,
}

impl fmt::Display for VersionMismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let VersionMismatch { ours, theirs } = self;
        write!(
            f,
            "expected protocol version {}.x (this end speaks {ours}), found version {theirs} at the other end",
            ours.major
        )
    }
}

impl core::error::Error for VersionMismatch {}

/// The version that both ends will speak.
///
/// # Errors
/// [`VersionMismatch`] when the majors differ.
pub fn negotiate(ours: Version, theirs: Version) -> Result<Version, VersionMismatch> {
    if ours.major != theirs.major {
        return Err(VersionMismatch { ours, theirs });
    }
    Ok(ours.min(theirs))
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;
    use std::string::ToString;

    const fn version(major: u8, minor: u8) -> Version {
        Version { major, minor }
    }

    #[test]
    fn the_lower_minor_wins() {
        assert_eq!(negotiate(version(1, 4), version(1, 2)), Ok(version(1, 2)));
        assert_eq!(negotiate(version(1, 0), version(1, 9)), Ok(version(1, 0)));
    }

    #[test]
    fn a_mismatch_names_both_versions() {
        let error = negotiate(version(1, 0), version(2, 3)).unwrap_err().to_string();
        assert_eq!(
            error,
            "expected protocol version 1.x (this end speaks 1.0), found version 2.3 at the other end"
        );
    }
}
