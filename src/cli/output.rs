//! The ways to the terminal. A reader that has gone away (`| head`) is no failure.

use anyhow::Context;
use std::io::{ErrorKind, Write};

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
