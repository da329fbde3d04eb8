//! Lines of a text file, read one at a time with a bound on their length.

use std::io::{self, BufRead};

/// What the next line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineEnd {
    /// A whole line, its end taken off.
    Newline,
    /// The last bytes of the file, with no line end behind them.
    EndOfFile,
    /// A line over the bound; its first bytes were kept.
    TooLong,
}

/// Reads lines of at most `longest` bytes.
#[derive(Debug)]
pub struct Lines<R> {
    source: R,
    longest: usize,
    line: Vec<u8>,
}

impl<R: BufRead> Lines<R> {
    /// Lines of `source`; no more than `longest` bytes of one are ever kept.
    pub fn new(source: R, longest: usize) -> Lines<R> {
        Lines { source, longest, line: Vec::new() }
    }

    /// Reads the next line into [`Lines::bytes`]. None at the end of the file.
    ///
    /// # Errors
    /// What the source says; the bytes of the unfinished line stay in [`Lines::bytes`].
    pub fn advance(&mut self) -> io::Result<Option<LineEnd>> {
        self.line.clear();
        let mut too_long = false;
        loop {
            let available = match self.source.fill_buf() {
                Ok(available) => available,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            let newline = available.iter().position(|byte| *byte == b'\n');
            let piece = newline.unwrap_or(available.len());
            let room = self.longest - self.line.len();
            too_long |= piece > room;
            self.line.extend_from_slice(&available[..piece.min(room)]);
            let ended = available.is_empty();
            self.source.consume(piece + usize::from(newline.is_some()));
            match (newline, ended) {
                (None, false) => {}
                (None, true) if self.line.is_empty() => return Ok(None),
                (_, ended) => return Ok(Some(self.finish(too_long, ended))),
            }
        }
    }

    fn finish(&mut self, too_long: bool, ended: bool) -> LineEnd {
        match (too_long, ended) {
            (true, _) => LineEnd::TooLong,
            (false, true) => LineEnd::EndOfFile,
            (false, false) => {
                if self.line.last() == Some(&b'\r') {
                    self.line.pop();
                }
                LineEnd::Newline
            }
        }
    }

    /// The bytes of the line that was read last.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.line
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, expected: &[(&str, LineEnd)]) {
        // Tiny buffers, so that lines lie across their edges.
        for capacity in [1, 2, 3, 64] {
            let mut lines = Lines::new(io::BufReader::with_capacity(capacity, text.as_bytes()), 5);
            let mut found = Vec::new();
            while let Some(end) = lines.advance().unwrap() {
                found.push((String::from_utf8(lines.bytes().to_vec()).unwrap(), end));
            }
            let found: Vec<_> = found.iter().map(|(line, end)| (line.as_str(), *end)).collect();
            assert_eq!(found, expected, "{text:?} in pieces of {capacity}");
        }
    }

    #[test]
    fn lines_end_in_three_ways() {
        check("", &[]);
        check("ab\ncd", &[("ab", LineEnd::Newline), ("cd", LineEnd::EndOfFile)]);
        check("ab\r\n\nc\n", &[("ab", LineEnd::Newline), ("", LineEnd::Newline), ("c", LineEnd::Newline)]);
        check("123456789\n1\n", &[("12345", LineEnd::TooLong), ("1", LineEnd::Newline)]);
        check("12345\n", &[("12345", LineEnd::Newline)]);
    }
}
