//! The ways to the terminal. A reader that has gone away (`| head`) is no failure.

use crate::review;
use anyhow::Context;
use comfy_table::Table;
use serde_json::Value;
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

/// A table of texts as wide as the terminal, each column begun at the left.
#[must_use]
pub fn table(headings: &[&str]) -> Table {
    let all: Vec<usize> = (0..headings.len()).collect();
    review::table::table(super::terminal_width(), headings, &all)
}

/// Prints a table.
///
/// # Errors
/// As [`print`].
pub fn print_table(table: Table) -> anyhow::Result<()> {
    print_lines(&review::table::printed(table))
}

/// Prints lines in which words from outside may stand, as names and remarks: none of them steers the terminal.
///
/// # Errors
/// As [`print`].
pub fn print_lines(text: &str) -> anyhow::Result<()> {
    let clean: String = text.lines().map(|line| review::clean(line) + "\n").collect();
    print(&clean)
}

/// The same of paragraphs, a line each, broken between words where the terminal ends.
///
/// # Errors
/// As [`print`].
pub fn print_paragraphs(text: &str) -> anyhow::Result<()> {
    let width = super::terminal_width();
    let broken: String =
        text.lines().map(|line| review::table::wrapped(&review::clean(line), width)).collect();
    print(&broken)
}

/// Prints a JSON object.
///
/// # Errors
/// As [`print`].
pub fn print_json(value: &Value) -> anyhow::Result<()> {
    print(&(serde_json::to_string_pretty(value)? + "\n"))
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
