//! Why an input cannot be read at all. What can be salvaged is no error but a [`super::Loss`].

use std::io;
use std::path::PathBuf;
use thiserror::Error;

/// An input that cannot be read. Each says what was expected and what was found.
#[derive(Debug, Error)]
pub enum InputError {
    /// There is no such input.
    #[error("{path}: expected a recording or a raw CSV, found no such file", path = path.display())]
    Missing {
        /// Where it should be.
        path: PathBuf,
    },
    /// It may not be opened, or a file beside it is missing.
    #[error("{path}: cannot be opened: {source}", path = path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The path names something that is no file.
    #[error("{path}: expected a file, found a {found}", path = path.display())]
    NotAFile {
        /// The path.
        path: PathBuf,
        /// What it is instead.
        found: &'static str,
    },
    /// The file is of another kind.
    #[error("{path}: expected {expected}, found {found}", path = path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What can be read here.
        expected: String,
        /// What stood there instead.
        found: String,
    },
    /// A value in one of the files beside a CSV, or in a settings file, is wrong.
    #[error("{path}, line {line}, column {column}: expected {expected}, found {found}", path = path.display())]
    Value {
        /// The file.
        path: PathBuf,
        /// Counted from 1.
        line: usize,
        /// Counted from 1.
        column: usize,
        /// What can stand there.
        expected: String,
        /// What stands there.
        found: String,
    },
    /// Not one sample could be read.
    #[error("{path}: expected at least one sample, found none in {among}: {first}", path = path.display())]
    NothingReadable {
        /// The file.
        path: PathBuf,
        /// What was read: `12 lines`, `7 pieces`.
        among: String,
        /// What is wrong with the first of them.
        first: String,
    },
    /// Reading failed half way, for a reason that lies outside the data.
    #[error("{path}: reading failed after {after}: {source}", path = path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// How much was read before: `12 lines`, `345 bytes`.
        after: String,
        /// Why.
        source: io::Error,
    },
}

/// Text from outside, fit for a message: in quotes, control characters escaped, cut after 40 characters.
#[must_use]
pub fn quoted(text: &str) -> String {
    let mut characters = text.chars();
    let shown: String = characters.by_ref().take(40).flat_map(char::escape_debug).collect();
    if characters.next().is_some() { format!("\"{shown}…\"") } else { format!("\"{shown}\"") }
}

#[cfg(test)]
mod tests {
    use super::quoted;

    #[test]
    fn foreign_text_is_cut_and_escaped() {
        assert_eq!(quoted("a\u{0}\n"), "\"a\\0\\n\"");
        assert_eq!(quoted(&"x".repeat(41)), format!("\"{}…\"", "x".repeat(40)));
    }
}
