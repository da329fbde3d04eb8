//! Small file systems of a test's own; none where this user may not mount.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use std::path::{Path, PathBuf};
use std::process::Command;

fn done(command: &str, arguments: &[&str]) -> bool {
    Command::new(command).args(arguments).output().is_ok_and(|output| output.status.success())
}

/// A file system that is unmounted when the test is over.
pub struct Mounted(tempfile::TempDir);

impl Mounted {
    /// In memory, of this size (`300k`). Once it is pulled out, no folder `buckets` can be made in its place.
    pub fn memory(size: &str) -> Option<Mounted> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("buckets"), "in the way").unwrap();
        let options = format!("size={size}");
        done("mount", &["-t", "tmpfs", "-o", &options, "tmpfs", folder.path().to_str()?]).then_some(())?;
        Some(Mounted(folder))
    }

    /// In an image in `folder`, so that it can be frozen.
    pub fn image(folder: &Path) -> Option<Mounted> {
        let image = folder.join("image");
        std::fs::File::create(&image).unwrap().set_len(24 << 20).unwrap();
        let mount = tempfile::tempdir().unwrap();
        let (image, path) = (image.to_str()?, mount.path().to_str()?);
        let made = done("mkfs.ext4", &["-q", image]) && done("mount", &["-o", "loop", image, path]);
        made.then_some(Mounted(mount))
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    pub fn text(&self) -> &str {
        self.0.path().to_str().unwrap()
    }

    /// Writes wait from here on; none where the system cannot do that.
    pub fn freeze(&self) -> Option<Frozen> {
        done("fsfreeze", &["-f", self.text()]).then(|| Frozen(self.path().to_owned()))
    }

    /// Nothing may be written any more.
    pub fn make_read_only(&self) {
        assert!(done("mount", &["-o", "remount,ro", self.text()]));
    }

    /// Pulls it out while it is in use.
    pub fn pull_out(&self) {
        assert!(done("umount", &["-l", self.text()]));
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        done("umount", &[self.text()]);
    }
}

/// A file system that is thawed when this is dropped.
pub struct Frozen(PathBuf);

impl Drop for Frozen {
    fn drop(&mut self) {
        done("fsfreeze", &["-u", self.0.to_str().unwrap()]);
    }
}
