//! The ways to the terminal. A reader that has gone away (`| head`) is no failure.

use anyhow::Context;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Prints on standard output.
///
/// # Errors
/// It cannot be written, for another reason than that its reader has gone.
pub fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(error).context("standard output cannot be written")
        }
        _ => Ok(()),
    }
}

/// Says a line on standard error; whoever cannot be told is not told.
pub fn say(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// Makes a file that its owner alone can read, or empties the one that is there.
///
/// # Errors
/// What the system says, with the path.
pub fn private_file(path: &Path) -> anyhow::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o600);
    options.open(path).with_context(|| format!("{} cannot be written", path.display()))
}
