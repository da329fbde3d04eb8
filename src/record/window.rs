//! A window that slides over a file: bytes ahead can be looked at before they are taken.

use flate2::Crc;
use std::io::{self, Read};

/// Bytes asked for at a time.
const STEP: usize = 64 * 1024;

/// Reads ahead no further than it is asked to, and keeps a check sum of what was taken.
pub struct Window<R> {
    source: R,
    bytes: Vec<u8>,
    start: usize,
    offset: u64,
    ended: bool,
    crc: Crc,
}

impl<R: Read> Window<R> {
    /// At the start of `source`.
    pub fn new(source: R) -> Window<R> {
        Window { source, bytes: Vec::new(), start: 0, offset: 0, ended: false, crc: Crc::new() }
    }

    /// What lies ahead: `count` bytes or more, fewer only at the end of the file.
    ///
    /// # Errors
    /// What the source says.
    pub fn ahead(&mut self, count: usize) -> io::Result<&[u8]> {
        while !self.ended && self.bytes.len() - self.start < count {
            if self.start > STEP {
                self.bytes.drain(..self.start);
                self.start = 0;
            }
            let read = self.source.by_ref().take(STEP as u64).read_to_end(&mut self.bytes)?;
            self.ended = read == 0;
        }
        Ok(&self.bytes[self.start..])
    }

    /// Takes bytes that were seen ahead; no more than there are.
    pub fn take(&mut self, count: usize) -> usize {
        let count = count.min(self.bytes.len() - self.start);
        self.crc.update(&self.bytes[self.start..self.start + count]);
        self.start += count;
        self.offset += count as u64;
        count
    }

    /// Bytes taken so far.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// CRC-32 of the bytes taken so far.
    pub fn crc(&self) -> u32 {
        self.crc.sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_ahead_stays_until_it_is_taken() {
        let bytes: Vec<u8> = (0..300_000_u32).map(|at| at as u8).collect();
        let mut window = Window::new(bytes.as_slice());
        assert_eq!(window.ahead(4).unwrap()[..4], [0, 1, 2, 3]);
        assert_eq!(window.take(3), 3);
        assert_eq!(window.ahead(200_000).unwrap()[..200_000], bytes[3..200_003]);
        assert_eq!(window.take(200_000), 200_000);
        assert_eq!(window.ahead(1_000_000).unwrap(), &bytes[200_003..]);
        assert_eq!(window.take(1_000_000), 99_997);
        assert_eq!(window.offset(), 300_000);
        let mut crc = Crc::new();
        crc.update(&bytes);
        assert_eq!(window.crc(), crc.sum());
    }
}
