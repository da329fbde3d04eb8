//! Batches of readings: the payload of a Samples frame, built and read without copying it.

use crate::constants as k;
use crate::error::FrameError;
use core::fmt;

/// How a reading is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Six 16-bit counts.
    Counts,
    /// Six 32-bit floats.
    Floats,
}

impl Encoding {
    /// Its number on the wire.
    #[must_use]
    pub const fn number(self) -> u8 {
        match self {
            Encoding::Counts => k::ENCODING_COUNTS,
            Encoding::Floats => k::ENCODING_FLOATS,
        }
    }

    /// The encoding with this number, if there is one.
    #[must_use]
    pub const fn from_number(number: u8) -> Option<Encoding> {
        match number {
            k::ENCODING_COUNTS => Some(Encoding::Counts),
            k::ENCODING_FLOATS => Some(Encoding::Floats),
            _ => None,
        }
    }

    /// Bytes of one reading.
    #[must_use]
    pub const fn reading_size(self) -> usize {
        match self {
            Encoding::Counts => k::READING_COUNTS_SIZE,
            Encoding::Floats => k::READING_FLOATS_SIZE,
        }
    }

    /// Most readings that one frame holds.
    #[must_use]
    pub const fn max_readings(self) -> usize {
        match self {
            Encoding::Counts => k::MAX_COUNTS_READINGS,
            Encoding::Floats => k::MAX_FLOATS_READINGS,
        }
    }

    /// Payload bytes of a batch of `count` readings, `count` at least 1.
    const fn payload_size(self, count: usize) -> usize {
        k::SAMPLES_HEADER_SIZE + count * (k::SAMPLES_STEP_SIZE + self.reading_size()) - k::SAMPLES_STEP_SIZE
    }
}

/// What the sensor read: gyro x, y, z, then accelerometer x, y, z.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// In counts of the node's full scale: value = counts × full scale / 32768.
    Counts([i16; 6]),
    /// In °/s and g.
    Floats([f32; 6]),
}

impl Reading {
    /// How it is written.
    #[must_use]
    pub const fn encoding(&self) -> Encoding {
        match self {
            Reading::Counts(_) => Encoding::Counts,
            Reading::Floats(_) => Encoding::Floats,
        }
    }
}

/// One reading of a batch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WireSample {
    /// Its running number.
    pub seq: u32,
    /// When it was taken, low 32 bits of the node's clock, µs.
    pub t_us: u32,
    /// What was read.
    pub reading: Reading,
}

/// Readings of one node, with consecutive numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Samples<'a> {
    node: u8,
    encoding: Encoding,
    payload: &'a [u8],
}

impl<'a> Samples<'a> {
    /// Checks a payload: the encoding is known, and the length fits the number of readings.
    pub(crate) fn from_payload(payload: &'a [u8]) -> Result<Samples<'a>, FrameError> {
        let frame_type = k::TYPE_SAMPLES;
        let length = |expected| FrameError::Length { frame_type, expected, found: payload.len() };
        if payload.len() < k::SAMPLES_HEADER_SIZE {
            return Err(length(k::SAMPLES_HEADER_SIZE));
        }
        let number = payload[k::SAMPLES_AT_ENCODING];
        let value = |field, expected, found: u8| {
            Err(FrameError::Value { frame_type, field, expected, found: u32::from(found) })
        };
        let Some(encoding) = Encoding::from_number(number) else {
            return value("encoding", "0 or 1", number);
        };
        let count = payload[k::SAMPLES_AT_COUNT];
        if count == 0 || usize::from(count) > encoding.max_readings() {
            return value("count", "1 to 35 in counts, 1 to 19 in floats", count);
        }
        let expected = encoding.payload_size(usize::from(count));
        if payload.len() != expected {
            return Err(length(expected));
        }
        Ok(Samples { node: payload[k::SAMPLES_AT_NODE], encoding, payload })
    }

    /// The node's index.
    #[must_use]
    pub const fn node(&self) -> u8 {
        self.node
    }

    /// How the readings are written.
    #[must_use]
    pub const fn encoding(&self) -> Encoding {
        self.encoding
    }

    /// How many readings there are, at least 1.
    #[must_use]
    pub fn count(&self) -> usize {
        usize::from(self.payload[k::SAMPLES_AT_COUNT])
    }

    /// The running number of the first reading.
    #[must_use]
    pub fn first_seq(&self) -> u32 {
        u32::from_le_bytes(bytes_at(self.payload, k::SAMPLES_AT_FIRST_SEQ))
    }

    /// The time of the first reading, low 32 bits, µs.
    #[must_use]
    pub fn first_t_us(&self) -> u32 {
        u32::from_le_bytes(bytes_at(self.payload, k::SAMPLES_AT_FIRST_T))
    }

    /// The payload as it is on the wire.
    #[must_use]
    pub const fn payload(&self) -> &'a [u8] {
        self.payload
    }

    /// The readings, in order.
    #[must_use]
    pub fn iter(&self) -> SampleIter<'a> {
        SampleIter {
            encoding: self.encoding,
            next_seq: self.first_seq(),
            last_t_us: self.first_t_us(),
            at: k::SAMPLES_HEADER_SIZE,
            payload: self.payload,
        }
    }
}

impl<'a> IntoIterator for &Samples<'a> {
    type Item = WireSample;
    type IntoIter = SampleIter<'a>;

    fn into_iter(self) -> SampleIter<'a> {
        self.iter()
    }
}

/// The readings of a batch, in order.
#[derive(Clone, Debug)]
pub struct SampleIter<'a> {
    encoding: Encoding,
    next_seq: u32,
    last_t_us: u32,
    at: usize,
    payload: &'a [u8],
}

impl Iterator for SampleIter<'_> {
    type Item = WireSample;

    fn next(&mut self) -> Option<WireSample> {
        if self.at >= self.payload.len() {
            return None;
        }
        if self.at > k::SAMPLES_HEADER_SIZE {
            let step_us = u16::from_le_bytes(bytes_at(self.payload, self.at));
            self.last_t_us = self.last_t_us.wrapping_add(u32::from(step_us));
            self.at += k::SAMPLES_STEP_SIZE;
        }
        let reading = read_at(self.payload, self.at, self.encoding);
        let sample = WireSample { seq: self.next_seq, t_us: self.last_t_us, reading };
        self.at += self.encoding.reading_size();
        self.next_seq = self.next_seq.wrapping_add(1);
        Some(sample)
    }
}

fn read_at(payload: &[u8], at: usize, encoding: Encoding) -> Reading {
    match encoding {
        Encoding::Counts => {
            Reading::Counts(core::array::from_fn(|axis| i16::from_le_bytes(bytes_at(payload, at + 2 * axis))))
        }
        Encoding::Floats => {
            Reading::Floats(core::array::from_fn(|axis| f32::from_le_bytes(bytes_at(payload, at + 4 * axis))))
        }
    }
}

/// `N` bytes from `at`; nought where the payload is shorter, which its check at construction rules out.
fn bytes_at<const N: usize>(payload: &[u8], at: usize) -> [u8; N] {
    core::array::from_fn(|offset| payload.get(at + offset).copied().unwrap_or(0))
}

/// Why a reading does not fit the batch being built: send the batch and start another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BatchError {
    /// The frame is full.
    Full {
        /// Most readings of this encoding in a frame.
        limit: usize,
    },
    /// The number does not follow the one before.
    Sequence {
        /// The number that would follow.
        expected: u32,
        /// The number given.
        found: u32,
    },
    /// The time lies before the last one, or more than 65 535 µs after it.
    Step {
        /// The time of the reading before, low 32 bits.
        last_t_us: u32,
        /// The time given.
        found: u32,
    },
    /// The readings before are written otherwise.
    Encoding {
        /// The batch's encoding.
        expected: Encoding,
        /// The encoding of the reading given.
        found: Encoding,
    },
    /// A float is infinite or not a number.
    NotFinite,
}

impl fmt::Display for BatchError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            BatchError::Full { limit } => write!(f, "expected at most {limit} readings, found more"),
            BatchError::Sequence { expected, found } => {
                write!(f, "expected number {expected}, found {found}")
            }
            BatchError::Step { last_t_us, found } => {
                write!(f, "expected a time up to 65535 µs after {last_t_us}, found {found}")
            }
            BatchError::Encoding { expected, found } => write!(f, "expected {expected:?}, found {found:?}"),
            BatchError::NotFinite => write!(f, "expected finite readings, found an infinity or a NaN"),
        }
    }
}

impl core::error::Error for BatchError {}

/// Builds the payload of a Samples frame, reading by reading.
#[derive(Clone, Debug)]
pub struct BatchBuilder {
    buffer: [u8; k::MAX_PAYLOAD],
    len: usize,
    encoding: Encoding,
    count: u8,
    next_seq: u32,
    last_t_us: u32,
}

impl BatchBuilder {
    /// A batch of node `node` with its first reading.
    ///
    /// # Errors
    /// [`BatchError::NotFinite`] for a float that is none.
    pub fn new(node: u8, first: WireSample) -> Result<BatchBuilder, BatchError> {
        let mut batch = BatchBuilder {
            buffer: [0; k::MAX_PAYLOAD],
            len: 0,
            encoding: first.reading.encoding(),
            count: 0,
            next_seq: first.seq,
            last_t_us: first.t_us,
        };
        batch.write(&[node, batch.encoding.number(), 0]);
        batch.write(&first.seq.to_le_bytes());
        batch.write(&first.t_us.to_le_bytes());
        batch.append(first)?;
        Ok(batch)
    }

    /// Adds the next reading.
    ///
    /// # Errors
    /// [`BatchError`] when it does not fit; the batch is then as it was.
    pub fn push(&mut self, sample: WireSample) -> Result<(), BatchError> {
        let (expected, found) = (self.encoding, sample.reading.encoding());
        if expected != found {
            return Err(BatchError::Encoding { expected, found });
        }
        let limit = self.encoding.max_readings();
        if self.count() >= limit {
            return Err(BatchError::Full { limit });
        }
        if sample.seq != self.next_seq {
            return Err(BatchError::Sequence { expected: self.next_seq, found: sample.seq });
        }
        self.append(sample)
    }

    /// How many readings there are.
    #[must_use]
    pub fn count(&self) -> usize {
        usize::from(self.count)
    }

    /// The batch, to be sent.
    #[must_use]
    pub fn samples(&self) -> Samples<'_> {
        Samples {
            node: self.buffer[k::SAMPLES_AT_NODE],
            encoding: self.encoding,
            payload: &self.buffer[..self.len],
        }
    }

    fn append(&mut self, sample: WireSample) -> Result<(), BatchError> {
        let step = sample.t_us.wrapping_sub(self.last_t_us);
        let Ok(step_us) = u16::try_from(step) else {
            return Err(BatchError::Step { last_t_us: self.last_t_us, found: sample.t_us });
        };
        if let Reading::Floats(values) = sample.reading
            && !values.iter().all(|value| value.is_finite())
        {
            return Err(BatchError::NotFinite);
        }
        if self.count > 0 {
            self.write(&step_us.to_le_bytes());
        }
        match sample.reading {
            Reading::Counts(counts) => counts.iter().for_each(|value| self.write(&value.to_le_bytes())),
            Reading::Floats(values) => values.iter().for_each(|value| self.write(&value.to_le_bytes())),
        }
        self.count += 1;
        self.buffer[k::SAMPLES_AT_COUNT] = self.count;
        self.next_seq = sample.seq.wrapping_add(1);
        self.last_t_us = sample.t_us;
        Ok(())
    }

    /// Appends bytes; `max_readings` sees to it that they fit.
    fn write(&mut self, bytes: &[u8]) {
        self.buffer[self.len..self.len + bytes.len()].copy_from_slice(bytes);
        self.len += bytes.len();
    }
}
